"""True peaks of what would be rendered, quick enough to follow every edit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ridebook.audio.gain import GainCurve
from ridebook.audio.stems import StemPair
from ridebook.measure.truepeak import TAPS_N, TruePeak
from ridebook.session.document import Session
from ridebook.work.blocks import bed_placed, gain_column, voices_placed
from ridebook.work.render import voice_curves
from ridebook.work.steps import CancelCheck, Progress, never, raise_if, silent

_BLOCK_N = 1 << 16
_AROUND_N = 4 * TAPS_N
_SLACK_DB = 0.5
"""A block's peak under a moving gain may pass its own peak times the highest gain by the interpolator's ringing at the
move; by less than this for any move that a lane can hold short of a step between two samples."""


@dataclass(frozen=True, slots=True)
class Heights:
    """How high each block of a pair stands at unity gain, linear, full scale 1.0.

    Parameters
    ----------
    starts_n : ndarray
        First frame of each block, int64, rising; the last entry is the frame after the last block.
    alone, bed : ndarray
        True peak of the vocal in its own channels, and of the bed, a value for each block.
    voices : ndarray
        True peak of the vocal and of each follower in the mix, a row for each.
    centre_law_db : float
        Law that the vocal was placed by.
    """

    starts_n: np.ndarray
    alone: np.ndarray
    bed: np.ndarray
    voices: np.ndarray
    centre_law_db: float


def heights_of(
    pair: StemPair, centre_law_db: float, progress: Progress = silent, cancelled: CancelCheck = never
) -> Heights:
    """Measure how high each block stands: one pass over the samples, after which any lane's peaks are found quickly.

    Parameters
    ----------
    pair : StemPair
        The open pair.
    centre_law_db : float
        As `ridebook.audio.stems.placement` takes it.
    progress, cancelled
        As for `ridebook.work.analyse.analyse`.

    Raises
    ------
    SourceError
        A file breaks off.
    Cancelled
        The work was called off.
    """
    starts_n = np.append(np.arange(pair.mix_start_n, pair.mix_end_n, _BLOCK_N), pair.mix_end_n)
    heights = np.zeros((3 + len(pair.followers), len(starts_n) - 1))
    for k, (start_n, stop_n) in enumerate(zip(starts_n[:-1].tolist(), starts_n[1:].tolist(), strict=True)):
        raise_if(cancelled)
        heights[:, k] = [_peak(part, pair.rate_hz) for part in _faded(pair, start_n, stop_n, centre_law_db)]
        progress((k + 1) / heights.shape[1])
    return Heights(starts_n, heights[0], heights[1], heights[2:], centre_law_db)


def true_peaks_dbtp(
    pair: StemPair, session: Session, heights: Heights, cancelled: CancelCheck = never
) -> dict[str, float]:
    """Find the true peaks of the ridden stem and of the mix, as they would be rendered.

    The blocks are looked at in the order of what they could reach at most; once no other could pass the highest so
    far, it is the peak.

    Parameters
    ----------
    pair : StemPair
        The open pair.
    session : Session
        Its lane, trim and centre law; `heights` must have been measured with that law.
    heights : Heights
        What `heights_of` measured of the same pair.
    cancelled : callable
        Asked between blocks.

    Returns
    -------
    dict of str to float
        ``ridden stem`` and ``mix``, in dBTP.
    """
    curves = voice_curves(session)
    slack = 10.0 ** (_SLACK_DB / 20.0)
    highest = np.stack([highest_gains(curve, heights.starts_n) for curve in curves]) * slack
    at_most = {
        "ridden stem": heights.alone * highest[0],
        "mix": (heights.voices * highest).sum(axis=0) + heights.bed,
    }
    peaks = {}
    for what, bounds in at_most.items():
        peak = 0.0
        for k in np.argsort(-bounds).tolist():
            if bounds[k] <= peak:
                break
            raise_if(cancelled)
            start_n, stop_n = heights.starts_n[k : k + 2].tolist()
            peak = max(peak, _ridden_peak(pair, curves, start_n, stop_n, what == "mix", heights.centre_law_db))
        peaks[what] = 20.0 * math.log10(peak) if peak > 0.0 else -math.inf
    return peaks


def highest_gains(curve: GainCurve, starts_n: np.ndarray) -> np.ndarray:
    """Highest gain of a curve in each block, linear; `starts_n` as in `Heights`."""
    knots = np.union1d(curve.frames, starts_n)
    gains_db = np.interp(knots, curve.frames, curve.gains_db)
    at = np.searchsorted(knots, starts_n)
    highest_db = np.maximum.reduceat(gains_db, at)[:-1]
    # A block's last frame is straight before the next one's first, which so counts for both.
    return np.asarray(10.0 ** (np.maximum(highest_db, gains_db[at[1:]]) / 20.0))


def _ridden_peak(
    pair: StemPair, curves: Sequence[GainCurve], start_n: int, stop_n: int, mixed: bool, centre_law_db: float
) -> float:
    first_n, last_n = start_n - _AROUND_N, stop_n + _AROUND_N
    if mixed:
        voices = zip(voices_placed(pair, first_n, last_n, centre_law_db), curves, strict=True)
        ridden = sum(voice * gain_column(curve, first_n, last_n) for voice, curve in voices)
        block = ridden + bed_placed(pair, first_n, last_n)
    else:
        block = _alone(pair, first_n, last_n) * gain_column(curves[0], first_n, last_n)
    return _peak(_with_soft_ends(block), pair.rate_hz)


def _faded(pair: StemPair, start_n: int, stop_n: int, centre_law_db: float) -> list[np.ndarray]:
    first_n, last_n = start_n - _AROUND_N, stop_n + _AROUND_N
    parts = [_alone(pair, first_n, last_n), bed_placed(pair, first_n, last_n)]
    return [_with_soft_ends(part) for part in [*parts, *voices_placed(pair, first_n, last_n, centre_law_db)]]


def _alone(pair: StemPair, first_n: int, last_n: int) -> np.ndarray:
    """Vocal in its own channels; the stem ends where the vocal's file does."""
    block = np.array(pair.vocal.read(first_n, last_n))
    block[: max(0, -first_n)] = 0.0
    block[max(0, pair.frames_n - first_n) :] = 0.0
    return block


def _with_soft_ends(block: np.ndarray) -> np.ndarray:
    """Block whose borrowed ends swell in and out, so that cutting it out of the song makes no peak of its own."""
    fade = np.sin(np.linspace(0.0, np.pi / 2, _AROUND_N)) ** 2
    block[:_AROUND_N] *= fade[:, None]
    block[-_AROUND_N:] *= fade[::-1, None]
    return block


def _peak(block: np.ndarray, rate_hz: int) -> float:
    meter = TruePeak(rate_hz)
    meter.feed(block)
    return float(10.0 ** (meter.dbtp / 20.0))
