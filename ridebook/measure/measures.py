"""What is measured of a stem pair, and what can be read from it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

CELLS_PER_S = 100
"""Cells of the grid in a second; point k of the grid lies at ``round(k * rate / 100)``."""

ABSENT_LUFS = -60.0
"""A bed quieter than this is no bed (a choice of this program, no source)."""


def grid_points_n(rate_hz: int, frames_n: int) -> np.ndarray:
    """Points of the 10 ms grid over `frames_n` frames.

    Parameters
    ----------
    rate_hz : int
        Sample rate.
    frames_n : int
        Frames that the grid covers.

    Returns
    -------
    ndarray
        int64, shape (cells + 1,): ``round(k * rate_hz / 100)`` for each k where that is less than
        `frames_n`, then `frames_n` itself.
    """
    points = np.round(np.arange(frames_n * CELLS_PER_S // rate_hz + 2) * rate_hz / CELLS_PER_S).astype(np.int64)
    return np.append(points[points < frames_n], frames_n)


@dataclass(frozen=True, eq=False)
class StemMeasures:
    """Powers of one stem on the 10 ms grid of the vocal.

    Parameters
    ----------
    rate_hz : int
        The pair's rate.
    frames_n : int
        Length of the vocal in frames; the grid covers just these.
    cell_power : ndarray
        float64, shape (cells,). K-weighted mean power of each cell, summed over channels with the
        weights of ITU-R BS.1770-5 Annex 1 Table 3, as the stem is placed in the mix (a mono vocal
        over a stereo bed counts twice). Cell k spans the frames from point k to point k + 1; the
        last one may be shorter.
    """

    rate_hz: int
    frames_n: int
    cell_power: np.ndarray

    @cached_property
    def grid_n(self) -> np.ndarray:
        """Frames of the grid's points, int64, shape (cells + 1,); the last is `frames_n`."""
        return grid_points_n(self.rate_hz, self.frames_n)

    @cached_property
    def energy(self) -> np.ndarray:
        """Sum of power over the frames before each point of the grid, float64, shape (cells + 1,)."""
        return np.concatenate([[0.0], np.cumsum(self.cell_power * np.diff(self.grid_n))])


@dataclass(frozen=True, eq=False)
class Measures:
    """Measures of a pair: the vocal, each bed alone, and the sum of the beds as heard.

    Parameters
    ----------
    vocal : StemMeasures
        The vocal.
    beds : tuple of StemMeasures
        Each bed file alone.
    bed : StemMeasures
        The sum of the beds (of their samples, not of their powers).
    vocal_spread : bool
        The vocal is mono and the mix is wider, so that a centre law lowers the vocal in the mix. The
        powers are those of full amplitude on both sides.
    """

    vocal: StemMeasures
    beds: tuple[StemMeasures, ...]
    bed: StemMeasures
    vocal_spread: bool = False

    @property
    def rate_hz(self) -> int:
        """The pair's rate."""
        return self.vocal.rate_hz

    @property
    def frames_n(self) -> int:
        """Length of the vocal in frames."""
        return self.vocal.frames_n
