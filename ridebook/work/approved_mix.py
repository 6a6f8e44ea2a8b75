"""How far vocal plus bed add up to the mix that was approved."""

from __future__ import annotations

import math
from os import PathLike
from pathlib import Path

import numpy as np

from ridebook.audio.stems import Stem, StemPair, open_pair
from ridebook.check.source_faults import MixFit
from ridebook.measure.lag import best_place_n
from ridebook.work.blocks import bed_placed, voices_placed
from ridebook.work.preview import placed
from ridebook.work.steps import CancelCheck, Progress, never, raise_if, silent

_BLOCKS_PER_S = 1
_WINDOW_S = 8.0
_FAR_S = 0.5
_HEARD = 1e-4
"""Seconds under this part of the loudest one, 40 dB, say nothing of the bus."""


def mix_fit(
    pair: StemPair,
    path: str | PathLike[str],
    centre_law_db: float,
    progress: Progress = silent,
    cancelled: CancelCheck = never,
) -> MixFit:
    """Find the gains of vocal and bed whose sum comes nearest to a mix, by least squares, and what is left over.

    The mix may lie up to half a second beside the pair; broadcast-wave time references are gone by first.

    Parameters
    ----------
    pair : StemPair
        The open pair, with its followers.
    path : path-like
        The mix that was approved.
    centre_law_db : float
        As `ridebook.audio.stems.placement` takes it.
    progress, cancelled
        As for `ridebook.work.analyse.analyse`.

    Raises
    ------
    SourceError
        A file cannot serve, or breaks off.
    Cancelled
        The work was called off.
    """
    with open_pair(pair.vocal.path, [path]) as beside:
        mix = beside.beds[0]
        lag_n = _lag_n(pair, mix, centre_law_db)
        seconds = []
        step_n = pair.rate_hz // _BLOCKS_PER_S
        for start_n in range(pair.mix_start_n, pair.mix_end_n, step_n):
            raise_if(cancelled)
            seconds.append(_products(pair, mix, start_n, start_n + step_n, lag_n, centre_law_db))
            progress((start_n - pair.mix_start_n) / (pair.mix_end_n - pair.mix_start_n))
    products = np.array(seconds)
    whole = products.sum(axis=0)
    gains = np.linalg.lstsq(whole[:2, :2], whole[:2, 2], rcond=1e-9)[0]
    left = _left(whole, gains)
    return MixFit(
        name=Path(path).name,
        vocal_db=_level_db(gains[0]),
        bed_db=_level_db(gains[1]),
        left_over_db=10.0 * math.log10(max(left, 1e-20)),
        moves_db=_moves_db(products, gains),
        late_s=lag_n / pair.rate_hz,
    )


def _products(pair: StemPair, mix: Stem, start_n: int, stop_n: int, lag_n: int, centre_law_db: float) -> np.ndarray:
    """Give sums of products of voices, bed and mix, shape (3, 3), over a stretch."""
    voices = np.asarray(sum(voices_placed(pair, start_n, stop_n, centre_law_db)))
    there = placed(mix, pair.mix_layout, start_n + lag_n, stop_n + lag_n)
    three = np.stack([voices.ravel(), bed_placed(pair, start_n, stop_n).ravel(), there.ravel()])
    return np.asarray(three @ three.T)


def _left(products: np.ndarray, gains: np.ndarray) -> float:
    """Part of the mix's energy that vocal and bed with these gains leave over."""
    energy = float(products[2, 2])
    if energy <= 0.0:
        return 1.0
    weights = np.array([gains[0], gains[1], -1.0])
    return float(weights @ products @ weights) / energy


def _moves_db(products: np.ndarray, gains: np.ndarray) -> tuple[float, float]:
    """Range in which the mix's level moves against the sum from second to second, its middle nine tenths, in dB."""
    fitted = np.einsum("i,kij,j->k", gains, products[:, :2, :2], gains)
    shared = products[:, 2, :2] @ gains
    heard = (fitted > _HEARD * fitted.max(initial=0.0)) & (shared > 0.0)
    if not heard.any():
        return 0.0, 0.0
    levels_db = 20.0 * np.log10(shared[heard] / fitted[heard])
    low_db, high_db = np.percentile(levels_db, [5.0, 95.0]).tolist()
    return low_db, high_db


def _level_db(gain: float) -> float:
    return 20.0 * math.log10(max(abs(gain), 1e-10))


def _lag_n(pair: StemPair, mix: Stem, centre_law_db: float) -> int:
    """How much later the mix has what the pair has, in frames, from where the pair is loudest."""

    def mono(start_n: int, stop_n: int) -> np.ndarray:
        both = sum(voices_placed(pair, start_n, stop_n, centre_law_db)) + bed_placed(pair, start_n, stop_n)
        return np.asarray(both.sum(axis=1))

    length_n = min(round(_WINDOW_S * pair.rate_hz), pair.mix_end_n - pair.mix_start_n)
    starts = range(pair.mix_start_n, pair.mix_end_n - length_n + 1, max(1, length_n))
    start_n = max(starts, key=lambda at_n: float(np.square(mono(at_n, at_n + length_n)).sum()))
    far_n = round(_FAR_S * pair.rate_hz)
    here = mono(start_n, start_n + length_n)
    there = placed(mix, pair.mix_layout, start_n - far_n, start_n + length_n + far_n).sum(axis=1)
    return best_place_n(here, there) - far_n
