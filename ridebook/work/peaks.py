"""True peaks of what would be rendered, quick enough to follow every edit."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ridebook.audio.gain import GainCurve
from ridebook.audio.stems import StemPair, placement
from ridebook.measure.truepeak import TAPS_N, TruePeak
from ridebook.session.document import Session
from ridebook.work.blocks import bed_placed, gain_column, voices_placed
from ridebook.work.render import voice_curves
from ridebook.work.steps import CancelCheck, Progress, never, raise_if, silent

_BLOCK_N = 1 << 13
_READ_N = _BLOCK_N << 3
_AROUND_N = 4 * TAPS_N
_GRID_STEP_N = 128
_GRID_N = 1 + _BLOCK_N // _GRID_STEP_N
"""Gains are compared every so many frames, and at so many points of a block."""

_SLACK = 1.1
"""What a voice adds under a gain that moves may pass its height times the largest change on the grid: between its
points, and by the interpolator's ringing at a move. By less than this for any lane without steps between samples."""


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
        How high the vocal and each follower can stand in the mix at most, a row for each.
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
    voices = (pair.vocal, *pair.followers)
    heights = np.zeros((1 + len(voices), len(starts_n) - 1))
    for chunk_n in range(pair.mix_start_n, pair.mix_end_n, _READ_N):
        raise_if(cancelled)
        first_n, last_n = chunk_n - _AROUND_N, chunk_n + _READ_N + _AROUND_N
        parts = [bed_placed(pair, first_n, last_n), *(voice.read(first_n, last_n) for voice in voices)]
        for k in range(*np.searchsorted(starts_n[:-1], [chunk_n, chunk_n + _READ_N]).tolist()):
            inside = slice(starts_n[k] - _AROUND_N - first_n, starts_n[k + 1] + _AROUND_N - first_n)
            heights[:, k] = [_peak(_with_soft_ends(np.array(part[inside])), pair.rate_hz) for part in parts]
        progress(min(1.0, (chunk_n + _READ_N - pair.mix_start_n) / (pair.mix_end_n - pair.mix_start_n)))
    most = [np.abs(placement(voice.layout, pair.mix_layout, centre_law_db)).sum(axis=0).max() for voice in voices]
    return Heights(starts_n, heights[1], heights[0], heights[1:] * np.array(most)[:, None], centre_law_db)


@dataclass(frozen=True, slots=True)
class Known:
    """True peaks of blocks under gains that they had once; what another lane can make of them is bounded by these.

    Parameters
    ----------
    peaks : ndarray
        Linear, a value for each block.
    gains : ndarray
        Linear gain of each voice on a grid of each block, shape (voices, blocks, grid points).
    """

    peaks: np.ndarray
    gains: np.ndarray


@dataclass(frozen=True, slots=True)
class TruePeaks:
    """True peaks of what would be rendered, and what was learnt of the blocks on the way.

    Parameters
    ----------
    dbtp : dict of str to float
        ``ridden stem`` and ``mix``, in dBTP.
    known : dict of str to Known
        By the same names, for the next lane.
    """

    dbtp: dict[str, float]
    known: dict[str, Known]


def true_peaks(
    pair: StemPair,
    session: Session,
    heights: Heights,
    known: Mapping[str, Known] | None = None,
    cancelled: CancelCheck = never,
) -> TruePeaks:
    """Find the true peaks of the ridden stem and of the mix, as they would be rendered.

    The blocks are looked at in the order of what they could reach at most: the peak they had under other gains, and the
    height of each voice times what its gain has changed; or all heights under the gains, where that is less. Once no
    other could pass the highest so far, it is the peak.

    Parameters
    ----------
    pair : StemPair
        The open pair, with its followers.
    session : Session
        Its lane, trim and centre law; `heights` must have been measured with that law.
    heights : Heights
        What `heights_of` measured of the same pair.
    known : mapping of str to Known, optional
        What was learnt when another lane was looked at.
    cancelled : callable
        Asked between blocks.
    """
    curves = voice_curves(session)
    gains = np.stack([_gains(curve, heights.starts_n) for curve in curves])
    spiky = _spiky(curves[0], heights.starts_n)
    none, one = np.zeros_like(gains), np.ones_like(gains[:1])
    begun = {"ridden stem": Known(heights.alone, one), "mix": Known(heights.bed, none)}
    dbtp, learnt = {}, {}
    for what, first in begun.items():
        mixed = what == "mix"
        now, voices = (gains, heights.voices) if mixed else (gains[:1], heights.alone[None, :])
        before = known[what] if known is not None else first
        peaks, under = before.peaks.copy(), before.gains.copy()
        changed = np.abs(now - under).max(axis=2)
        unknown = spiky | np.isinf(changed).any(axis=0)  # now, or when the block was last looked at
        by_change = peaks + (voices * np.where(unknown, 0.0, changed)).sum(axis=0) * _SLACK
        by_height = (voices * now.max(axis=2)).sum(axis=0) * _SLACK + (heights.bed if mixed else 0.0)
        bounds = np.where(spiky, np.inf, np.minimum(np.where(unknown, np.inf, by_change), by_height))
        # The gains of all blocks are as they were where nothing changed, and so is the peak.
        peak = float(peaks[(changed == 0.0).all(axis=0) & ~spiky].max(initial=0.0))
        for k in np.argsort(-bounds).tolist():
            if bounds[k] <= peak:
                break
            raise_if(cancelled)
            start_n, stop_n = heights.starts_n[k : k + 2].tolist()
            peaks[k] = _ridden_peak(pair, curves, start_n, stop_n, mixed, heights.centre_law_db)
            under[:, k] = np.inf if spiky[k] else now[:, k]
            peak = max(peak, float(peaks[k]))
        dbtp[what] = 20.0 * math.log10(peak) if peak > 0.0 else -math.inf
        learnt[what] = Known(peaks, under)
    return TruePeaks(dbtp, learnt)


def _spiky(curve: GainCurve, starts_n: np.ndarray) -> np.ndarray:
    """Blocks in which breakpoints lie too close for the grid to tell what the gain does between them."""
    close = np.flatnonzero(np.diff(curve.frames) < 2 * _GRID_STEP_N)
    spiky = np.zeros(len(starts_n) - 1, dtype=bool)
    for frame_n in np.concatenate([curve.frames[close], curve.frames[close + 1]]):
        at = int(np.searchsorted(starts_n, frame_n, side="right")) - 1
        spiky[max(at, 0) : at + 1] = True
    return spiky


def _gains(curve: GainCurve, starts_n: np.ndarray) -> np.ndarray:
    """Linear gains of a curve on a grid of each block, both its ends among them; shape (blocks, grid points)."""
    shares = np.linspace(0.0, 1.0, _GRID_N)
    frames = starts_n[:-1, None] + np.diff(starts_n)[:, None] * shares
    return np.asarray(10.0 ** (np.interp(frames, curve.frames, curve.gains_db) / 20.0))


def _ridden_peak(
    pair: StemPair, curves: Sequence[GainCurve], start_n: int, stop_n: int, mixed: bool, centre_law_db: float
) -> float:
    first_n, last_n = start_n - _AROUND_N, stop_n + _AROUND_N
    if mixed:
        voices = zip(voices_placed(pair, first_n, last_n, centre_law_db), curves, strict=True)
        ridden = sum(voice * gain_column(curve, first_n, last_n) for voice, curve in voices)
        block = ridden + bed_placed(pair, first_n, last_n)
    else:
        block = pair.vocal.read(first_n, last_n) * gain_column(curves[0], first_n, last_n)
    return _peak(_with_soft_ends(block), pair.rate_hz)


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
