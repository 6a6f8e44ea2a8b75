"""Faults of the lane: at its limit, lurching, stepping, too dense, lifting noise, pumping, not of the song's length."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np

from ridebook.check.finding import (
    Cure,
    CureKind,
    Fault,
    Finding,
    Severity,
    accepted_ids,
    counted,
    group_named,
    grouped,
    key_of,
    named,
    ranged,
    section_said,
    time_text,
)
from ridebook.check.standing import mean_rides_db
from ridebook.measure.measures import ABSENT_LUFS, Measures
from ridebook.measure.spans import span_loudness_lufs
from ridebook.ride.edits import thin
from ridebook.ride.lane import Lane
from ridebook.segment.spans import Kind, Span, inside
from ridebook.session.document import Session, State

LURCH_S = 0.1
"""A move that takes longer is no lurch: less than a syllable takes (a choice of this program)."""

BORDER_S = 0.06
"""Ramps may reach this far into a word: the longest ramp of a word ride (common practice, no source)."""

STEP_DB = 1.0
"""Moves no larger than this never count as steps: they are near the least noticeable change."""

DENSE_S = 2.0
"""Breakpoints are counted over this time (a choice of this program)."""

THIN_DB = 0.25
"""How far thinning may move a dense lane: well under what is heard."""

BLEED_LUFS = -70.0
"""What is quieter in a pause is no bleed, as in BS.1770's absolute gate."""

PAUSE_S = 0.3
"""Shorter gaps between phrases are no pauses (a choice of this program)."""

PUMP_PART = 0.75
"""Rides pump where they make up this part of the bed's changes or more. A suggestion follows 0.4 of them (a choice of
this program)."""

PUMP_WORDS_N = 10
PUMP_BED_LU = 1.0
"""With fewer words, or a bed that hardly moves, a correlation is chance."""

SHORT_PHRASES_N = 4
SHORT_POINTS = 8.0
"""A lane that ends before this many phrases, where it had two breakpoints a phrase or more until then, was probably
cut: at a like density so many points would have been expected (a choice of this program)."""

_SAME_DB = 1e-6


def at_limit(session: Session) -> Iterator[Finding]:
    """Phrases in which the lane is as far up or down as it may go; those of one section together."""
    lowest_db, highest_db = session.settings.lowest_db, session.settings.highest_db
    for sign, limit_db, name in ((1, highest_db, "highest"), (-1, -lowest_db, "lowest")):
        accepted = accepted_ids(session, f"{name}-gain")
        faults = []
        for phrase in session.segments.phrases:
            gain_db = float((sign * _at_knots(session.lane, phrase.start_n, phrase.end_n)[1]).max())
            if limit_db == 0.0 and abs(gain_db) <= _SAME_DB:
                continue  # a lane that may not move that way stands at the limit everywhere
            if gain_db >= limit_db - _SAME_DB and phrase.id not in accepted:
                faults.append(Fault(phrase, sign * gain_db))
        for section, group in grouped(faults, session.segments.section_of):
            spans = [fault.span for fault in group]
            if len(group) == 1:
                where = named(session, spans[0], small=True)
            else:
                where = group_named(session, section, spans, "phrase")
            worst = max((fault.value for fault in group), key=abs)
            sentence = (
                f"The ride is at {worst:+.1f} dB in {where}, and {sign * limit_db:+.1f} is the {name} allowed. Where "
                "so much is needed, the trim or the mix may be the better cure."
            )
            key = key_of(f"{name}-gain", spans)
            yield Finding(
                key,
                Severity.LOOK,
                spans[0].start_n,
                spans[-1].end_n,
                sentence,
                worst,
                sign * limit_db,
                "dB",
            )


def lurches(session: Session, measures: Measures) -> Iterator[Finding]:
    """Find moves that are too quick inside a word."""
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
        quick = np.abs(moves_db) > session.limits.lurch_db + _SAME_DB
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
            f"{named(session, word, small=True)}. Move the ride into the gap before it, or make it slower."
        )
        after_db = float(session.lane.gain_db_at([end_n])[0])
        cure = Cure(CureKind.LEVEL, "Hold the word at one level", stretches=((word.start_n, word.end_n, after_db),))
        limit_db = math.copysign(session.limits.lurch_db, worst_db)
        yield _of(word, "lurch", Severity.MUST, sentence, worst_db, limit_db, "dB", cure)


def _own_change_lu(measures: Measures, starts: np.ndarray, ends: np.ndarray, beside_n: int) -> np.ndarray:
    """Change of the voice's own loudness over stretches: of what follows them against what comes before."""
    last_n = measures.frames_n
    before = span_loudness_lufs(measures.vocal, np.maximum(starts - beside_n, 0), np.maximum(starts, 1))
    after = span_loudness_lufs(measures.vocal, np.minimum(ends, last_n - 1), np.minimum(ends + beside_n, last_n))
    change: np.ndarray = np.maximum(after, ABSENT_LUFS) - np.maximum(before, ABSENT_LUFS)
    return change


def steps(session: Session, said: Sequence[Finding]) -> Iterator[Finding]:
    """Find moves so steep that they can click, but for those that `said` names already."""
    lane, rate_hz, steepest = session.lane, session.vocal.rate_hz, session.limits.step_db_per_s
    moves_db = np.diff(lane.gains_db)
    slopes = moves_db / np.diff(lane.frames) * rate_hz
    steep = np.flatnonzero((np.abs(slopes) > steepest * (1 + _SAME_DB)) & (np.abs(moves_db) > STEP_DB)).tolist()
    for i in steep:
        before, after = lane.points[i], lane.points[i + 1]
        if any(finding.start_n <= before.frame_n and after.frame_n <= finding.end_n for finding in said):
            continue
        length_s = (after.frame_n - before.frame_n) / rate_hz
        sentence = (
            f"The level steps by {float(moves_db[i]):+.1f} dB within {1000 * length_s:.1f} ms at "
            f"{time_text(before.frame_n, rate_hz)}, which can click. Pull the two breakpoints apart."
        )
        slope = float(slopes[i])
        cure = Cure(CureKind.WIDEN, "Pull the two breakpoints apart", stretches=((before.frame_n, after.frame_n, 0.0),))
        yield Finding(
            f"step:{before.frame_n}",
            Severity.LOOK,
            before.frame_n,
            after.frame_n,
            sentence,
            slope,
            math.copysign(steepest, slope),
            "dB/s",
            cure,
        )


def too_dense(session: Session) -> Iterator[Finding]:
    """Find where the lane has more breakpoints than a hand can edit; all such stretches together."""
    frames, rate_hz = session.lane.frames, session.vocal.rate_hz
    window_n = round(DENSE_S * rate_hz)
    limit = session.limits.dense_per_s
    most = round(limit * DENSE_S)
    if len(frames) <= most:
        return
    close = np.flatnonzero(frames[most:] - frames[:-most] < window_n)
    if not len(close):
        return
    first_n, last_n = int(frames[close[0]]), int(frames[close[-1] + most])
    counts = np.searchsorted(frames, frames + window_n) - np.arange(len(frames))
    densest = float(counts.max()) / DENSE_S
    dense = np.unique((close[:, None] + np.arange(most + 1)).ravel())
    sentence = (
        f"{len(dense)} breakpoints between {time_text(first_n, rate_hz)} and {time_text(last_n, rate_hz)} lie too "
        f"close to edit by hand, up to {densest:.0f} a second."
    )
    thinner = len(thin(session.lane, THIN_DB).points)
    cure = None
    if thinner < len(frames):
        sentence += f" Thin the lane by {THIN_DB:g} dB: {counted(thinner, 'breakpoint')} of {len(frames)} stay."
        cure = Cure(CureKind.THIN, f"Thin the lane by {THIN_DB:g} dB", value_db=THIN_DB)
    yield Finding(
        "dense:lane", Severity.LOOK, first_n, last_n, sentence, densest, session.limits.dense_per_s, "1/s", cure
    )


def lifted_noises(session: Session, measures: Measures) -> Iterator[Finding]:
    """Breaths, sibilants, plosives and pauses in which the lane stands over what is on either side of it."""
    breaths = list(_lifted(session, "breath", session.segments.breaths, *_breath_lifts(session, measures)))
    yield from breaths
    for kind, spans in ((Kind.SIBILANT, session.segments.sibilants), (Kind.PLOSIVE, session.segments.plosives)):
        yield from _lifted(session, kind.value, spans, *_lifts_over_both(session, measures, spans))
    yield from _lifted(session, "pause", *_pause_lifts(session, measures, breaths))


def _breath_lifts(session: Session, measures: Measures) -> tuple[np.ndarray, np.ndarray]:
    """How far each breath is lifted over the lower one of its neighbours, and the gain of that one."""
    spans, words = session.segments.breaths, session.segments.words or session.segments.phrases
    if not spans:
        return np.zeros(0), np.zeros(0)
    starts, ends = _borders(spans)
    # The gain that the voice beside it has: where the word before ends, and where the word after begins.
    word_starts, word_ends = _borders(words) if words else (np.zeros(0), np.zeros(0))
    before = np.searchsorted(word_ends, (starts + ends) / 2.0, side="right") - 1
    after = np.searchsorted(word_starts, (starts + ends) / 2.0)
    gains = np.full((2, len(spans)), np.inf)
    if len(words):
        known = before >= 0
        gains[0, known] = session.lane.gain_db_at(np.minimum(word_ends[before[known]], starts[known]))
        known = after < len(words)
        gains[1, known] = session.lane.gain_db_at(np.maximum(word_starts[after[known]], ends[known]))
    low = gains.min(axis=0)
    low = np.where(np.isfinite(low), low, session.lane.gain_db_at(starts))
    return mean_rides_db(session.lane, measures.vocal, starts, ends) - low, low


def _lifts_over_both(session: Session, measures: Measures, spans: Sequence[Span]) -> tuple[np.ndarray, np.ndarray]:
    """How far each span is lifted over both of its neighbours, and the higher gain of these."""
    if not spans:
        return np.zeros(0), np.zeros(0)
    starts, ends = _borders(spans)
    beside_n = round(BORDER_S * session.vocal.rate_hz)
    high = np.maximum(session.lane.gain_db_at(starts - beside_n), session.lane.gain_db_at(ends + beside_n))
    return mean_rides_db(session.lane, measures.vocal, starts, ends) - high, high


def _pause_lifts(
    session: Session, measures: Measures, said: Sequence[Finding]
) -> tuple[Sequence[Span], np.ndarray, np.ndarray]:
    """Pauses with sound in them, how far the lane rises in each over both of its ends, and the higher gain of these.

    A pause goes by the phrase after it; those in which a breath was told of already are left out.
    """
    rate_hz = session.vocal.rate_hz
    phrases, lifts, ends_db = [], [], []
    pauses = [
        (before.end_n, after.start_n, after)
        for before, after in pairwise(session.segments.phrases)
        if after.start_n - before.end_n >= PAUSE_S * rate_hz
    ]
    if not pauses or not session.lane.points:
        return (), np.zeros(0), np.zeros(0)
    sounds = span_loudness_lufs(measures.vocal, *(np.array([pause[i] for pause in pauses]) for i in (0, 1)))
    for (start_n, end_n, phrase), loudness in zip(pauses, sounds.tolist()):
        if loudness < BLEED_LUFS or any(f.start_n < end_n and start_n < f.end_n for f in said):
            continue
        gains_db = _at_knots(session.lane, start_n, end_n)[1]
        phrases.append(phrase)
        ends_db.append(max(gains_db[0], gains_db[-1]))
        lifts.append(float(gains_db.max()) - ends_db[-1])
    return phrases, np.array(lifts), np.array(ends_db)


def _lifted(
    session: Session, what: str, spans: Sequence[Span], lifts_db: np.ndarray, beside_db: np.ndarray
) -> Iterator[Finding]:
    accepted = accepted_ids(session, what)
    cells = {phrase.id: before.end_n for before, phrase in pairwise(session.segments.phrases)}
    gains = {span.id: gain for span, gain in zip(spans, beside_db.tolist())}
    faults = [
        Fault(span, lift)
        for span, lift in zip(spans, lifts_db.tolist())
        if lift > session.limits.lift_db + _SAME_DB and span.id not in accepted
    ]

    def stretch(span: Span) -> tuple[int, int]:
        return (cells[span.id], span.start_n) if what == "pause" else (span.start_n, span.end_n)

    for section, group in grouped(faults, session.segments.section_of):
        chosen = [fault.span for fault in group]
        lifts = [fault.value for fault in group]
        stretches = [stretch(span) for span in chosen]
        one = len(group) == 1
        rate_hz = session.vocal.rate_hz
        at = time_text(stretches[0][0], rate_hz)
        who = f"The {what} at {at} is" if one else f"{group_named(session, section, chosen, what)} are"
        over = "the lower of the words beside" if what == "breath" else "what is on either side of"
        sentence = (
            f"{who} lifted {ranged(lifts, 'dB')} over {over} {'it' if one else 'them'}"
            f"{', and bleed comes up with it' if what == 'pause' else ''}. Keep the lane down there."
        )
        cure = Cure(
            CureKind.LEVEL,
            f"Keep the lane down in the {what}" if one else f"Keep the lane down in the {what}s",
            stretches=tuple((*ends, gains[span.id]) for span, ends in zip(chosen, stretches)),
        )
        yield Finding(
            key_of(what, chosen),
            Severity.LOOK,
            stretches[0][0],
            stretches[-1][1],
            sentence,
            max(lifts),
            session.limits.lift_db,
            "dB",
            cure,
        )


def pumping(session: Session, measures: Measures) -> Iterator[Finding]:
    """Sections whose rides rise and fall with the bed."""
    segments, limit = session.segments, session.limits.pump_correlation
    if not session.lane.points:
        return
    for section in segments.sections or (None,):
        words = segments.words if section is None else inside(segments.words, section)
        if len(words) < PUMP_WORDS_N:
            continue
        starts, ends = _borders(words)
        bed = span_loudness_lufs(measures.bed, starts, ends)
        own = span_loudness_lufs(measures.vocal, starts, ends)
        known = (bed >= ABSENT_LUFS) & (own > BLEED_LUFS)
        if known.sum() < PUMP_WORDS_N:
            continue
        rides = mean_rides_db(session.lane, measures.vocal, starts, ends)[known]
        bed, own = bed[known] - bed[known].mean(), own[known] - own[known].mean()
        rides = rides - rides.mean()
        if bed.std() < PUMP_BED_LU or rides.std() < PUMP_BED_LU * PUMP_PART:
            continue
        correlation = float((rides * bed).mean() / (rides.std() * bed.std()))
        part = float((rides * bed).mean() / bed.std() ** 2)
        # Rides that make up for the singer's own moves leave the vocal no more bound to the bed than it was.
        own_part = float((own * bed).mean() / bed.std() ** 2)
        if correlation < limit or part < PUMP_PART or abs(own_part + part) < abs(own_part):
            continue
        where = section_said(section.label) if section is not None and section.label else "the song"
        start_n, end_n = (words[0].start_n, words[-1].end_n) if section is None else (section.start_n, section.end_n)
        at = time_text(start_n, session.vocal.rate_hz)
        sentence = (
            f"The rides of {where} at {at} rise and fall with the bed, by {part:.2f} dB for each dB of it "
            f"(correlation {correlation:.2f}), which is heard as pumping. Follow less, or flatten what is not needed."
        )
        key = f"pump:{section.id if section is not None else 'song'}"
        yield Finding(
            key, Severity.LOOK, start_n, end_n, sentence, correlation, session.limits.pump_correlation, "correlation"
        )


def beyond_song(session: Session) -> Iterator[Finding]:
    """Find breakpoints before the vocal begins and after it ends."""
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
                f"{counted(len(frames), 'breakpoint')} of the lane {'lies' if len(frames) == 1 else 'lie'} {where}. "
                f"Delete {'it' if len(frames) == 1 else 'them'}, or check that the lane belongs to this vocal."
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
                Cure(CureKind.CUT, "Cut the lane to the vocal"),
            )


def short_of_song(session: Session) -> Iterator[Finding]:
    """Find a lane that ends long before the song does, and was not decided on to do so."""
    phrases, points = session.segments.phrases, session.lane.points
    if not points:
        return
    end_n, rate_hz = points[-1].frame_n, session.vocal.rate_hz
    left = [phrase for phrase in phrases if phrase.start_n >= end_n]
    ridden_n = len(phrases) - len(left)
    decided = any(session.decision(phrase.id).state in (State.INKED, State.STRUCK) for phrase in left)
    if decided or len(left) < SHORT_PHRASES_N or not ridden_n or len(points) / ridden_n < 2.0:
        return
    if len(left) * len(points) / ridden_n < SHORT_POINTS:
        return
    sentence = (
        f"The lane ends at {time_text(end_n, rate_hz)} and {counted(len(left), 'phrase')} follow, to "
        f"{time_text(left[-1].end_n, rate_hz)}. Check that it belongs to this vocal and is whole."
    )
    last_s, song_s = end_n / rate_hz, left[-1].end_n / rate_hz
    yield Finding("short:lane", Severity.LOOK, end_n, left[-1].end_n, sentence, last_s, song_s, "s")


def _borders(spans: Sequence[Span]) -> tuple[np.ndarray, np.ndarray]:
    return np.array([span.start_n for span in spans]), np.array([span.end_n for span in spans])


def _at_knots(lane: Lane, start_n: int, end_n: int) -> tuple[np.ndarray, np.ndarray]:
    """Frames and gains of a lane at a stretch's borders and the breakpoints inside it."""
    within = lane.frames[(lane.frames > start_n) & (lane.frames < end_n)]
    knots = np.concatenate([[start_n], within, [end_n]])
    return knots, lane.gain_db_at(knots)


def _of(
    span: Span, what: str, severity: Severity, sentence: str, value: float, limit: float, unit: str, cure: Cure | None
) -> Finding:
    return Finding(
        f"{what}:{span.id}", severity, span.start_n, span.end_n, sentence, float(value), float(limit), unit, cure
    )
