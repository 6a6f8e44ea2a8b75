"""Extremes of samples at many scales, for drawing a waveform at any zoom."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

BIN_N = 64
"""Frames in a bin of the finest level."""

_STEP = 4


@dataclass(frozen=True, eq=False)
class Pyramid:
    """Lowest and highest sample of each bin of `BIN_N` frames, and of runs of such bins.

    Parameters
    ----------
    frames_n : int
        Frames that the bins cover; the last bin may be cut short.
    low, high : ndarray
        float32, shape (bins,).
    """

    frames_n: int
    low: np.ndarray
    high: np.ndarray
    _levels: list[tuple[np.ndarray, np.ndarray]] = field(init=False)

    def __post_init__(self) -> None:
        # Extremes of runs of 1, 4, 16... bins, made at once: who draws has no time for it.
        levels = [(self.low, self.high)]
        while len(levels[-1][0]) > _STEP:
            low, high = levels[-1]
            starts = np.arange(0, len(low), _STEP)
            levels.append((np.minimum.reduceat(low, starts), np.maximum.reduceat(high, starts)))
        object.__setattr__(self, "_levels", levels)

    def envelope(self, start_n: int, stop_n: int, bins_n: int) -> tuple[np.ndarray, np.ndarray]:
        """Give extremes of `bins_n` even parts of a stretch, one for each column of pixels.

        No sample of a part lies outside its extremes. They are those of the part widened to whole bins of
        the level that is just finer than a quarter of a part.

        Parameters
        ----------
        start_n, stop_n : int
            First frame, and the frame after the last; what is outside the samples is drawn as silence.
        bins_n : int
            Parts.

        Returns
        -------
        tuple of ndarray
            Lowest and highest, float32, shape (bins_n,).
        """
        return self.extremes(start_n + np.arange(bins_n + 1) * ((stop_n - start_n) / bins_n))

    def extremes(self, edges: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Give extremes of even parts as `envelope` does, the borders of the parts given.

        Parameters
        ----------
        edges : ndarray
            Borders in frames, rising by the same step, float64, shape (bins + 1,).

        Returns
        -------
        tuple of ndarray
            Lowest and highest, float32, shape (bins,).
        """
        if not len(self.low):
            return np.zeros(len(edges) - 1, np.float32), np.zeros(len(edges) - 1, np.float32)
        level, bin_n = 0, BIN_N
        # The step is read from the borders: what their rounding leaves must not choose the level.
        while level + 1 < len(self._levels) and bin_n * _STEP * _STEP <= (edges[1] - edges[0]) * (1 + 1e-6):
            level, bin_n = level + 1, bin_n * _STEP
        low, high = self._levels[level]
        inside = (edges[1:] > 0) & (edges[:-1] < self.frames_n)
        firsts = np.clip(np.floor(edges[:-1] / bin_n).astype(np.int64), 0, len(low) - 1)
        afters = np.maximum(np.clip(np.ceil(edges[1:] / bin_n).astype(np.int64), 0, len(low)), firsts + 1)
        # Every other part of the reduction is wanted; the added 0 lets a part end at the end. Only what is seen is
        # copied for it, so that a long song costs no more than a short one.
        seen = slice(firsts[0], afters[-1])
        runs = np.stack([firsts, afters], axis=1).ravel() - firsts[0]
        lowest = np.minimum.reduceat(np.append(low[seen], np.float32(0.0)), runs)[::2]
        highest = np.maximum.reduceat(np.append(high[seen], np.float32(0.0)), runs)[::2]
        zero = np.float32(0.0)
        return np.where(inside, lowest, zero), np.where(inside, highest, zero)

    def to_arrays(self) -> dict[str, np.ndarray]:
        """All of it as arrays by name, to be kept in a file."""
        return {"frames_n": np.array(self.frames_n), "low": self.low, "high": self.high}

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, np.ndarray]) -> Pyramid:
        """Pyramid from what `to_arrays` gave."""
        return cls(int(arrays["frames_n"]), arrays["low"], arrays["high"])


class PyramidAccumulator:
    """Builds a pyramid from blocks."""

    def __init__(self) -> None:
        self._frames_n = 0
        self._rest = np.zeros(0, dtype=np.float32)
        self._lows: list[np.ndarray] = []
        self._highs: list[np.ndarray] = []

    def feed(self, samples: np.ndarray) -> None:
        """Take the next samples, shape (frames,), full scale 1.0."""
        self._frames_n += len(samples)
        if len(self._rest):
            samples = np.concatenate([self._rest, samples])
        whole_n = len(samples) // BIN_N * BIN_N
        self._take(samples[:whole_n].reshape(-1, BIN_N))
        self._rest = samples[whole_n:].copy()

    def _take(self, bins: np.ndarray) -> None:
        self._lows.append(bins.min(axis=1).astype(np.float32))
        self._highs.append(bins.max(axis=1).astype(np.float32))

    def finish(self) -> Pyramid:
        """Pyramid of all that was fed."""
        if len(self._rest):
            self._take(self._rest[None, :])
            self._rest = self._rest[:0]
        return Pyramid(
            self._frames_n,
            np.concatenate([np.zeros(0, np.float32), *self._lows]),
            np.concatenate([np.zeros(0, np.float32), *self._highs]),
        )
