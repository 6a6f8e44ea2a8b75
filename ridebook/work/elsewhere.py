"""A lane that was drawn elsewhere, taken over into a session: out of a table, or inferred from two renders."""

from __future__ import annotations

from dataclasses import dataclass, replace
from os import PathLike
from pathlib import Path

import numpy as np

from ridebook.audio.files import FileInfo
from ridebook.audio.stems import Stem, open_stem
from ridebook.errors import SourceUnusableError
from ridebook.exchange.any_lane import GainUnit, TimeUnit, read_any_lane
from ridebook.measure.lag import best_place_n
from ridebook.measure.measures import Measures
from ridebook.ride.edits import mean_ride_db
from ridebook.ride.infer import CELLS_N, GainTrace
from ridebook.ride.lane import Breakpoint, Lane
from ridebook.session.document import TRIM_LIMIT_DB, Decision, Session, State
from ridebook.work.steps import CancelCheck, Progress, never, raise_if, silent

_BLOCK_N = CELLS_N[-1] << 8
_WINDOW_S = 4.0
_LAG_S = 0.5
_LEAST_KNOWN_N = 100
_ALIKE = 0.99


@dataclass(frozen=True, slots=True)
class Inferred:
    """A lane inferred from two renders.

    Parameters
    ----------
    lane : Lane
        The whole gain, on the clock of the render before.
    lag_n : int
        How much later the render after has the same singing, in frames.
    notices : tuple of str
        What the user is to know, as sentences.
    """

    lane: Lane
    lag_n: int
    notices: tuple[str, ...]


def infer_lane(
    before: str | PathLike[str],
    after: str | PathLike[str],
    progress: Progress = silent,
    cancelled: CancelCheck = never,
) -> Inferred:
    """Infer the lane from two renders of the same vocal.

    Parameters
    ----------
    before, after : path-like
        The vocal without and with its rides; the same take, of one rate and layout. One may lie up to half a second
        beside the other.
    progress, cancelled
        As for `ridebook.work.analyse.analyse`.

    Raises
    ------
    SourceError
        A file cannot serve, or the two are not the same take but for a gain.
    Cancelled
        The work was called off.
    """
    with open_stem(before) as one, open_stem(after) as two:
        _check_alike(one, two)
        start_n = _loudest_n(one)
        length_n = min(round(_WINDOW_S * one.rate_hz), one.end_n)
        lag_n, alike = _lag_n(one, two, start_n, length_n)
        if alike < _ALIKE:
            raise SourceUnusableError(
                f"{Path(after).name} is not {Path(before).name} with another gain: where it is loudest they are alike "
                f"to {100 * max(alike, 0.0):.0f} %. Give two renders of one take with the same processing"
            )
        trace = GainTrace(_step(one.info), _step(two.info))
        for at_n in range(0, one.end_n, _BLOCK_N):
            raise_if(cancelled)
            stop_n = min(at_n + _BLOCK_N, one.end_n)
            trace.feed(one.read(at_n, stop_n), two.read(at_n + lag_n, stop_n + lag_n))
            progress(stop_n / one.end_n)
        if trace.known_n < _LEAST_KNOWN_N:
            raise SourceUnusableError(
                f"{Path(before).name} and {Path(after).name} are too quiet for their word length to tell a gain; "
                "render them at 24 bit or louder"
            )
        notices = []
        if lag_n:
            notices.append(
                f"{Path(after).name} has the singing {abs(lag_n) / one.rate_hz:.4f} s "
                f"{'later' if lag_n > 0 else 'earlier'} than {Path(before).name}; this was taken out."
            )
        if trace.turned > 0.5:
            notices.append(f"{Path(after).name} has the polarity of {Path(before).name} turned over.")
        return Inferred(trace.lane(), lag_n, tuple(notices))


def lane_from_table(
    path: str | PathLike[str], session: Session, gain_unit: GainUnit | None = None, time_unit: TimeUnit | None = None
) -> tuple[Lane, tuple[str, ...]]:
    """Lane out of a table of another program, the whole gain, and how it was understood."""
    read = read_any_lane(Path(path), session.vocal.rate_hz, session.vocal.frames_n, gain_unit, time_unit)
    return read.lane, (read.notice,) if read.notice else ()


def with_whole_gain(session: Session, measures: Measures, lane: Lane) -> Session:
    """Session with a whole gain in place of its trim and lane; every phrase is drawn.

    The trim is the mean gain over the voice, to a tenth of a dB, so that the lane holds the rides alone.

    Parameters
    ----------
    session : Session
        The session.
    measures : Measures
        Measures of the pair.
    lane : Lane
        The whole gain.
    """
    phrases = session.segments.phrases
    start_n = phrases[0].start_n if phrases else 0
    end_n = phrases[-1].end_n if phrases else session.vocal.frames_n
    trim_db = round(mean_ride_db(lane, measures.vocal, start_n, end_n), 1)
    trim_db = min(max(trim_db, -TRIM_LIMIT_DB), TRIM_LIMIT_DB)
    rides = Lane(tuple(Breakpoint(frame_n, gain_db - trim_db) for frame_n, gain_db in lane.points))
    decisions = {
        phrase.id: replace(session.decisions.get(phrase.id, Decision()), state=State.DRAWN) for phrase in phrases
    }
    return replace(session, trim_db=trim_db, lane=rides, decisions=decisions)


def _check_alike(one: Stem, two: Stem) -> None:
    if (one.rate_hz, one.layout) != (two.rate_hz, two.layout):
        raise SourceUnusableError(
            f"{one.path} has {one.rate_hz} Hz {one.layout}, {two.path} {two.rate_hz} Hz {two.layout}; two renders of "
            "one vocal must have the same rate and channels"
        )
    for stem in (one, two):
        if stem.info.lossy:
            raise SourceUnusableError(
                f"{stem.path} is compressed with loss, which hides the gain; give WAV, AIFF or FLAC"
            )


def _loudest_n(stem: Stem) -> int:
    """Where the loudest stretch of a window's length begins, to half a window."""
    half_n = round(_WINDOW_S * stem.rate_hz / 2)
    powers = [float(np.square(block).sum()) for _, block in stem.blocks(half_n)]
    pairs = [first + second for first, second in zip(powers, [*powers[1:], 0.0])]
    return max(0, min(int(np.argmax(pairs)) * half_n, stem.end_n - 2 * half_n))


def _lag_n(one: Stem, two: Stem, start_n: int, length_n: int) -> tuple[int, float]:
    """How much later the second has what the first has there, and how alike the two are then, 0 to 1."""
    far_n = round(_LAG_S * one.rate_hz)
    then = one.read(start_n, start_n + length_n).astype(np.float64).sum(axis=1)
    now = two.read(start_n - far_n, start_n + length_n + far_n).astype(np.float64).sum(axis=1)
    at = best_place_n(then, now)
    # Gains move within the window: what is alike is told from short stretches, each against its own gain.
    piece_n = max(1, one.rate_hz // 100)
    pieces_n = length_n // piece_n
    a = then[: pieces_n * piece_n].reshape(pieces_n, piece_n)
    b = now[at : at + pieces_n * piece_n].reshape(pieces_n, piece_n)
    both, first, second = (a * b).sum(axis=1), (a * a).sum(axis=1), (b * b).sum(axis=1)
    norm = np.sqrt(first * second)
    loud = (first > 1e-3 * first.max()) & (norm > 0.0)
    alike = float(np.median(np.abs(both[loud]) / norm[loud])) if loud.any() else 0.0
    return at - far_n, alike


def _step(info: FileInfo) -> float:
    """Largest error of a sample: half a step of rounding and a whole one of dither."""
    return 2.0**-23 if info.floating else 1.5 * 2.0 ** (1 - (info.bits_n or 24))
