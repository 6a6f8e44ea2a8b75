"""Curves of change in the vocal's sound, nearly blind to its level."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ridebook.measure.features import VocalFeatures
from ridebook.segment.activity import Activity

_BELOW_FRAME_DB = 40.0
_BELOW_VOICE_DB = 55.0


class Means:
    """Means of a curve over stretches of cells.

    Parameters
    ----------
    values : ndarray
        Shape (cells,) or (cells, columns).
    """

    def __init__(self, values: np.ndarray) -> None:
        self._sums = np.zeros((len(values) + 1, *values.shape[1:]))
        np.cumsum(values, axis=0, dtype=np.float64, out=self._sums[1:])

    def before_and_after(self, before_n: int, after_n: int) -> tuple[np.ndarray, np.ndarray]:
        """Means over the cells before each cell, and over those from it on; fewer at the ends of the take.

        Parameters
        ----------
        before_n, after_n : int
            Cells on either side.

        Returns
        -------
        before, after : ndarray
            float64, shape of the values. The first cell has nothing before it: it gets the mean after it there.
        """
        cells = len(self._sums) - 1
        k = np.arange(cells)
        start, end = np.maximum(k - before_n, 0), np.minimum(k + after_n, cells)
        column = (-1, *[1] * (self._sums.ndim - 1))
        here = self._sums[:-1]
        after = self._sums[end]
        after -= here
        after /= (end - k).reshape(column)
        before = here - self._sums[start]
        before /= np.maximum(k - start, 1).reshape(column)
        before[:1] = after[:1]
        return before, after

    def rise(self, before_n: int, after_n: int) -> np.ndarray:
        """Mean over the cells from each cell on, less the mean over the cells before it; float64."""
        before, after = self.before_and_after(before_n, after_n)
        after -= before
        return after


def moving_max(values: np.ndarray, half_n: int) -> np.ndarray:
    """Maximum over the cells up to `half_n` away; same shape."""
    padded = np.pad(values, half_n, mode="edge")
    window = 2 * half_n + 1
    # Doubling: the maximum over 2w cells is that of two stretches of w.
    width = 1
    best = padded
    while 2 * width <= window:
        best = np.maximum(best[: len(best) - width], best[width:])
        width *= 2
    rest = window - width
    return np.maximum(best[: len(best) - rest], best[rest:]) if rest else best


@dataclass(frozen=True, eq=False)
class Change:
    """Curves of change, each float64, shape (cells,).

    Parameters
    ----------
    onset : ndarray
        How much begins here, on the scale of 40 to 80 ms; its tops are the borders to choose from. dB.
    rise_150, rise_250 : ndarray
        Mean rise of the bands from the 150 (250) ms before to the 150 (250) ms after, falls counted as nothing. dB.
    relative_250 : ndarray
        The rise of 250 ms over its maximum within 1.2 s: 1 where nothing near rises more.
    novelty : ndarray
        Rms change of the spectrum's shape from the 80 ms before to the 80 ms after. dB.
    dip : ndarray
        Least periodicity within 50 ms, 0 to 1.
    """

    onset: np.ndarray
    rise_150: np.ndarray
    rise_250: np.ndarray
    relative_250: np.ndarray
    novelty: np.ndarray
    dip: np.ndarray


def find_change(features: VocalFeatures, activity: Activity) -> Change:
    """Curves of change of a take in which there is a voice.

    Each cell's bands are taken down to 40 dB under the cell's highest and 55 dB under the voice, lest noise that is
    not heard counts.
    """
    bands = np.maximum(features.bands_db, features.bands_db.max(axis=1, keepdims=True) - np.float32(_BELOW_FRAME_DB))
    bands = np.maximum(bands, np.float32(activity.voice_db - _BELOW_VOICE_DB))
    means = Means(bands)

    def rise(length_n: int) -> np.ndarray:
        change = means.rise(length_n, length_n)
        return np.asarray(np.maximum(change, 0.0, out=change).mean(axis=1))

    # The variance over the bands: what changes by the same in all of them is level, not sound.
    novelty = means.rise(8, 8).std(axis=1)
    level = Means(np.maximum(activity.level_db, activity.voice_db - 40.0)).rise(6, 8)
    rise_150, rise_250 = rise(15), rise(25)
    return Change(
        onset=rise(4) + novelty + np.maximum(level, 0.0),
        rise_150=rise_150,
        rise_250=rise_250,
        relative_250=rise_250 / np.maximum(moving_max(rise_250, 120), 1e-9),
        novelty=novelty,
        dip=-moving_max(-features.periodicity.astype(np.float64), 5),
    )
