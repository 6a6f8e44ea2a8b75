"""Findings: what a check has to say of a session, each with its place, its figure and its cure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from ridebook.check.standing import SpanStanding, Standing, standing
from ridebook.measure.measures import ABSENT_LUFS, Measures
from ridebook.measure.spans import span_loudness_lufs
from ridebook.ride.lane import Lane
from ridebook.segment.spans import Span
from ridebook.session.document import Session, State
from ridebook.session.edits import quiet_ids

CEILING_DBTP = -1.0
"""True peak that nothing should pass (common practice, no source)."""

LURCH_DB = 2.0
LURCH_S = 0.1
"""A move of this much within this time, inside a word, is heard as a jump, unless it takes a jump of the voice out.

Twice the upper end of the 0.5 to 1 dB that are about the least noticeable change of level of a sustained sound (from
memory: Jesteadt, Wier and Green 1977; Miller 1947; Riesz 1928), in less than a syllable takes. A choice of this
program.
"""

BORDER_S = 0.06
"""Ramps may reach this far into a word: the longest ramp of a word ride (common practice, no source)."""

STEP_DB_PER_S = 250.0
STEP_DB = 1.0
"""A move of more than `STEP_DB` that is steeper than this is a step, wherever it is.

The furthest word ride, 5 dB, in the shortest ramp, 20 ms (common practice, no source); a smaller one is near the least
noticeable change.
"""

_SAME_DB = 1e-6


class Severity(StrEnum):
    """How much a finding matters."""

    MUST = "must"
    LOOK = "look"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that a check has to say.

    Parameters
    ----------
    key : str
        What it is and of which span, ``what:id``; the same as long as the fault and the span are.
    severity : Severity
        Must be seen to, or worth a look.
    start_n, end_n : int
        Its place, in frames.
    sentence : str
        What is the matter and what cures it.
    value, limit : float
        What was measured and what it was held against, finite.
    unit : str
        Unit of both.
    """

    key: str
    severity: Severity
    start_n: int
    end_n: int
    sentence: str
    value: float
    limit: float
    unit: str


def find(
    session: Session,
    measures: Measures,
    peaks_dbtp: Mapping[str, float] | None = None,
    *,
    with_accepted: bool = False,
) -> tuple[Finding, ...]:
    """All findings about a session.

    Parameters
    ----------
    session : Session
        What is checked: trim plus lane, decisions, settings.
    measures : Measures
        Measures of the pair.
    peaks_dbtp : mapping of str to float, optional
        True peaks that were measured of what is rendered, by what it is: ``ridden stem``, ``mix``.
    with_accepted : bool
        Whether to name those too that were accepted.

    Returns
    -------
    tuple of Finding
        What must be seen to first, each in order of time.
    """
    stands = standing(session, measures)
    lurches = tuple(_lurches(session, measures))
    found = [
        *_lost_words(session, stands),
        *_out_of_band(session, stands),
        *_at_limit(session),
        *lurches,
        *_steps(session, lurches),
        *_beyond_song(session),
        *_undecided(session),
        *_peaks(session, peaks_dbtp or {}),
    ]
    if not with_accepted:
        found = [finding for finding in found if finding.key not in session.accepted]
    return tuple(sorted(found, key=lambda each: (each.severity is not Severity.MUST, each.start_n, each.key)))


def time_text(frame_n: int, rate_hz: int) -> str:
    """Time of a frame as a reader sees it, minutes and seconds to a tenth."""
    tenths = round(10 * frame_n / rate_hz)
    return f"{tenths // 600}:{tenths // 10 % 60:02d}.{tenths % 10}"


def _lost_words(session: Session, stands: Standing) -> Iterator[Finding]:
    limit_lu = session.settings.lost_lu
    for word in session.segments.words:
        apart_lu = _apart_lu(stands.words[word.id])
        if stands.words[word.id].lost and apart_lu is not None:
            under_lu = -apart_lu
            sentence = (
                f"{_named(session, word)} is still lost: it stands {under_lu:.1f} LU under the aim. "
                f"Raise it by {under_lu - limit_lu:.1f} dB or more, or say that it is meant to be quiet."
            )
            yield _of(word, "lost", Severity.MUST, sentence, under_lu, limit_lu, "LU")


def _out_of_band(session: Session, stands: Standing) -> Iterator[Finding]:
    band_lu = session.settings.band_lu
    exempt = quiet_ids(session)
    for phrase in session.segments.phrases:
        apart_lu = _apart_lu(stands.phrases[phrase.id])
        if apart_lu is None or abs(apart_lu) <= band_lu or (apart_lu < 0 and phrase.id in exempt):
            continue
        where = "under" if apart_lu < 0 else "over"
        sentence = (
            f"{_named(session, phrase)} stands {abs(apart_lu):.1f} LU {where} the aim, outside its band of "
            f"{band_lu:g} LU. {'Raise' if apart_lu < 0 else 'Lower'} it by {abs(apart_lu) - band_lu:.1f} dB or more."
        )
        yield _of(phrase, "band", Severity.LOOK, sentence, apart_lu, math.copysign(band_lu, apart_lu), "LU")


def _apart_lu(span: SpanStanding) -> float | None:
    """How far a span stands from its aim; None where there is no bed, or no voice that a level could raise."""
    if span.after_lu is None or not math.isfinite(span.after_lu):
        return None
    return span.after_lu - span.aim_lu


def _at_limit(session: Session) -> Iterator[Finding]:
    lowest_db, highest_db = session.settings.lowest_db, session.settings.highest_db
    for phrase in session.segments.phrases:
        gains_db = _at_knots(session.lane, phrase.start_n, phrase.end_n)[1]
        low_db, high_db = float(gains_db.min()), float(gains_db.max())
        for gain_db, limit_db, name in ((high_db, highest_db, "highest"), (-low_db, -lowest_db, "lowest")):
            if limit_db == 0.0 and abs(gain_db) <= _SAME_DB:
                continue  # a lane that may not move that way stands at the limit everywhere
            if gain_db >= limit_db - _SAME_DB:
                sign = 1 if name == "highest" else -1
                sentence = (
                    f"The ride is at {sign * gain_db:+.1f} dB in {_named(session, phrase, small=True)}, and "
                    f"{sign * limit_db:+.1f} is the {name} allowed. Where so much is needed, the trim or the mix "
                    "may be the better cure."
                )
                yield _of(phrase, f"{name}-gain", Severity.LOOK, sentence, sign * gain_db, sign * limit_db, "dB")


def _lurches(session: Session, measures: Measures) -> Iterator[Finding]:
    rate_hz = session.vocal.rate_hz
    border_n, window_n = round(BORDER_S * rate_hz), round(LURCH_S * rate_hz)
    for word in session.segments.words:
        start_n, end_n = word.start_n + border_n, word.end_n - border_n
        if end_n <= start_n:
            continue
        width_n = min(window_n, end_n - start_n)
        # The change over a window is largest where one of the window's ends is at a knot.
        knots = _at_knots(session.lane, start_n, end_n)[0]
        starts = np.clip(np.concatenate([knots, knots - width_n]), start_n, end_n - width_n)
        moves_db = session.lane.gain_db_at(starts + width_n) - session.lane.gain_db_at(starts)
        quick = np.abs(moves_db) > LURCH_DB + _SAME_DB
        if not quick.any():
            continue
        starts, moves_db = starts[quick], moves_db[quick]
        own_lu = _own_change_lu(measures, starts, starts + width_n, window_n)
        moves_db = moves_db[np.abs(own_lu + moves_db) > np.abs(own_lu)]
        if not len(moves_db):
            continue
        worst_db = float(moves_db[np.argmax(np.abs(moves_db))])
        sentence = (
            f"The level moves by {worst_db:+.1f} dB within {1000 * width_n / rate_hz:.0f} ms inside "
            f"{_named(session, word, small=True)}. Move the ride into the gap before it, or make it slower."
        )
        yield _of(word, "lurch", Severity.MUST, sentence, worst_db, math.copysign(LURCH_DB, worst_db), "dB")


def _own_change_lu(measures: Measures, starts: np.ndarray, ends: np.ndarray, beside_n: int) -> np.ndarray:
    """Change of the voice's own loudness over stretches: of what follows them against what comes before."""
    last_n = measures.frames_n
    before = span_loudness_lufs(measures.vocal, np.maximum(starts - beside_n, 0), np.maximum(starts, 1))
    after = span_loudness_lufs(measures.vocal, np.minimum(ends, last_n - 1), np.minimum(ends + beside_n, last_n))
    change: np.ndarray = np.maximum(after, ABSENT_LUFS) - np.maximum(before, ABSENT_LUFS)
    return change


def _steps(session: Session, lurches: Sequence[Finding]) -> Iterator[Finding]:
    lane, rate_hz = session.lane, session.vocal.rate_hz
    moves_db = np.diff(lane.gains_db)
    slopes = moves_db / np.diff(lane.frames) * rate_hz
    for i in np.flatnonzero((np.abs(slopes) > STEP_DB_PER_S * (1 + _SAME_DB)) & (np.abs(moves_db) > STEP_DB)).tolist():
        before, after = lane.points[i], lane.points[i + 1]
        if any(lurch.start_n <= before.frame_n and after.frame_n <= lurch.end_n for lurch in lurches):
            continue  # said already
        length_s = (after.frame_n - before.frame_n) / rate_hz
        sentence = (
            f"The level steps by {float(moves_db[i]):+.1f} dB within {1000 * length_s:.1f} ms at "
            f"{time_text(before.frame_n, rate_hz)}, which can click. Pull the two breakpoints apart."
        )
        slope = float(slopes[i])
        yield Finding(
            f"step:{before.frame_n}",
            Severity.LOOK,
            before.frame_n,
            after.frame_n,
            sentence,
            slope,
            math.copysign(STEP_DB_PER_S, slope),
            "dB/s",
        )


def _beyond_song(session: Session) -> Iterator[Finding]:
    frames_n, rate_hz = session.vocal.frames_n, session.vocal.rate_hz
    before = [point.frame_n for point in session.lane.points if point.frame_n < 0]
    after = [point.frame_n for point in session.lane.points if point.frame_n > frames_n]
    for name, frames, where in (
        ("before", before, "before the vocal begins"),
        ("after", after, "after the vocal ends"),
    ):
        if frames:
            furthest_n = frames[0] if name == "before" else frames[-1]
            limit_n = 0 if name == "before" else frames_n
            sentence = (
                f"{_count(len(frames), 'breakpoint')} of the lane {_lie(len(frames))} {where}. Delete "
                f"{'it' if len(frames) == 1 else 'them'}, or check that the lane belongs to this vocal."
            )
            yield Finding(
                f"beyond:{name}",
                Severity.LOOK,
                min(furthest_n, limit_n),
                max(furthest_n, limit_n),
                sentence,
                furthest_n / rate_hz,
                limit_n / rate_hz,
                "s",
            )


def _undecided(session: Session) -> Iterator[Finding]:
    rate_hz = session.vocal.rate_hz
    run: list[Span] = []
    for phrase in (*session.segments.phrases, None):
        if phrase is not None and session.decision(phrase.id).state is State.OPEN:
            run.append(phrase)
        elif run:
            places = f"{time_text(run[0].start_n, rate_hz)} to {time_text(run[-1].end_n, rate_hz)}"
            sentence = (
                f"{_count(len(run), 'phrase')} from {places} {'was' if len(run) == 1 else 'were'} never decided. "
                "Ink, strike or draw each."
            )
            key = f"open:{run[0].id}"
            yield Finding(key, Severity.LOOK, run[0].start_n, run[-1].end_n, sentence, len(run), 0.0, "phrases")
            run = []


def _peaks(session: Session, peaks_dbtp: Mapping[str, float]) -> Iterator[Finding]:
    for what, peak_dbtp in peaks_dbtp.items():
        if peak_dbtp > CEILING_DBTP:
            sentence = (
                f"The {what} peaks at {peak_dbtp:+.1f} dBTP, over the ceiling of {CEILING_DBTP:g}. "
                f"Nothing is limited: lower the trim by {peak_dbtp - CEILING_DBTP:.1f} dB or the ride that peaks."
            )
            frames_n = session.vocal.frames_n
            yield Finding(f"peak:{what}", Severity.MUST, 0, frames_n, sentence, peak_dbtp, CEILING_DBTP, "dBTP")


def _at_knots(lane: Lane, start_n: int, end_n: int) -> tuple[np.ndarray, np.ndarray]:
    """Frames and gains of a lane at a stretch's borders and the breakpoints inside it."""
    inside = lane.frames[(lane.frames > start_n) & (lane.frames < end_n)]
    knots = np.concatenate([[start_n], inside, [end_n]])
    return knots, lane.gain_db_at(knots)


def _of(span: Span, what: str, severity: Severity, sentence: str, value: float, limit: float, unit: str) -> Finding:
    return Finding(f"{what}:{span.id}", severity, span.start_n, span.end_n, sentence, float(value), float(limit), unit)


def _named(session: Session, span: Span, small: bool = False) -> str:
    at = time_text(span.start_n, session.vocal.rate_hz)
    if span.label:
        return f"“{span.label}” at {at}"
    return f"{'the' if small else 'The'} {span.kind} at {at}"


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def _lie(number: int) -> str:
    return "lies" if number == 1 else "lie"
