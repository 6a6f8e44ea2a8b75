"""Loudness by ITU-R BS.1770-5 (11/2023) Annex 1, EBU Tech 3341 and EBU Tech 3342 (both V4, November 2023).

Everything is read from one thing: the K-weighted power of each cell of the 10 ms grid. A window is a run of
whole cells, so that momentary, short-term and word-scale loudness move in steps of 10 ms, which Tech 3341
cases 10 and 13 need (with steps of 100 ms a burst of one window's length reads up to 0.45 LU low).

The meter is this one and not pyloudnorm, which serves the tests as a check: pyloudnorm gives no loudness on
the grid and no loudness range, takes a whole file at once, and its default filter is a new design instead of
the tabulated one, which reads about 0.04 LU low on a 1 kHz tone.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from ridebook.measure.kweight import KFilter
from ridebook.measure.measures import CELLS_PER_S, StemMeasures, grid_points_n

OFFSET_DB = -0.691
"""BS.1770-5 Annex 1: loudness is -0.691 + 10 log10 of the weighted power."""

MOMENTARY_CELLS = 40
"""400 ms, EBU Tech 3341 clause 2.2."""
SHORT_TERM_CELLS = 300
"""3 s, EBU Tech 3341 clause 2.2."""
WORD_CELLS = 15
"""150 ms, about a syllable (a choice of this program, no source)."""

# BS.1770-5 Annex 1: blocks of 400 ms that overlap by 75 %, gates at -70 LKFS and at -10 LU.
GATE_STEP_CELLS = 10
GATE_ABSOLUTE_LUFS = -70.0
GATE_RELATIVE_LU = -10.0

# EBU Tech 3342 clause 3.1: short-term values at least ten times a second, gates at -70 LUFS and -20 LU.
RANGE_STEP_CELLS = 10
RANGE_RELATIVE_LU = -20.0
RANGE_LOW_PERCENT = 10
RANGE_HIGH_PERCENT = 95


def loudness_lufs(power: np.ndarray | float) -> np.ndarray:
    """Loudness of a K-weighted, channel-weighted mean power: ``-0.691 + 10 log10(power)``.

    Parameters
    ----------
    power : ndarray or float
        Not negative; full scale 1.0 squared.

    Returns
    -------
    ndarray
        float64, the shape of `power`, in LUFS; -inf where there is no power.
    """
    with np.errstate(divide="ignore"):
        return np.asarray(OFFSET_DB + 10.0 * np.log10(power))


def power_at(lufs: np.ndarray | float) -> np.ndarray:
    """Power that has the loudness `lufs`; the reverse of `loudness_lufs`."""
    return np.asarray(10.0 ** ((np.asarray(lufs, dtype=np.float64) - OFFSET_DB) / 10.0))


def cell_energies(stretches: Iterable[np.ndarray], start_n: int, rate_hz: int) -> list[tuple[int, np.ndarray]]:
    """Sum the squares of samples in each cell of the 10 ms grid.

    Parameters
    ----------
    stretches : iterable of ndarray
        float64, each of shape (frames,) and not empty, one after the other.
    start_n : int
        Frame of the first sample on the grid's clock, not negative.
    rate_hz : int
        Sample rate.

    Returns
    -------
    list of (int, ndarray)
        For each stretch the first cell that it touches, and the float64 sums of that one and those after it.
    """
    sums = []
    for samples in stretches:
        end_n = start_n + len(samples)
        cells = np.arange(start_n * CELLS_PER_S // rate_hz, end_n * CELLS_PER_S // rate_hz + 2)
        points = np.round(cells * rate_hz / CELLS_PER_S).astype(np.int64)
        low = int(np.searchsorted(points, start_n, side="right")) - 1
        high = int(np.searchsorted(points, end_n, side="left"))
        edges = np.maximum(points[low:high] - start_n, 0)
        sums.append((int(cells[low]), np.add.reduceat(np.square(samples), edges)))
        start_n = end_n
    return sums


class CellEnergy:
    """Energy of each cell of the 10 ms grid, summed up from blocks and channels.

    Parameters
    ----------
    rate_hz : int
        Sample rate.
    """

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._parts: list[tuple[float, int, np.ndarray]] = []

    def add(self, weight: float, energies: Iterable[tuple[int, np.ndarray]]) -> None:
        """Add `weight` times what `cell_energies` gave."""
        self._parts += [(weight, first, sums) for first, sums in energies]

    def measures(self, frames_n: int) -> StemMeasures:
        """Mean power of each cell of a grid over `frames_n` frames."""
        lengths = np.diff(grid_points_n(self._rate_hz, frames_n))
        total = np.zeros(len(lengths))
        for weight, first, sums in self._parts:
            total[first : first + len(sums)] += weight * sums
        return StemMeasures(self._rate_hz, frames_n, total / lengths)


class CellPower:
    """K-weighted power on the 10 ms grid of one file or stem, fed block by block.

    Parameters
    ----------
    rate_hz : int
        Sample rate.
    weights : sequence of float
        Weight of each channel by BS.1770-5 Annex 1 Table 3: 1 for left, right and centre, 1.41 for the
        surrounds, 0 for the low-frequency channel, which is left out.
    """

    def __init__(self, rate_hz: int, weights: Sequence[float]) -> None:
        self._weights = tuple(weights)
        self._filters = tuple(KFilter(rate_hz) for _ in self._weights)
        self._energy = CellEnergy(rate_hz)
        self._rate_hz = rate_hz
        self._frames_n = 0

    def feed(self, block: np.ndarray) -> None:
        """Take the next block, shape (frames, channels), full scale 1.0."""
        for kfilter, weight, samples in zip(self._filters, self._weights, block.T, strict=True):
            if weight:
                self._energy.add(weight, cell_energies(kfilter.stretches(samples), self._frames_n, self._rate_hz))
        self._frames_n += len(block)

    def measures(self) -> StemMeasures:
        """Power of all that was fed."""
        return self._energy.measures(self._frames_n)

    @property
    def cell_power(self) -> np.ndarray:
        """Power of each cell, float64, shape (cells,)."""
        return self.measures().cell_power


def windowed_power(stem: StemMeasures, cells_n: int, step_cells: int = 1) -> np.ndarray:
    """Mean power in windows of whole cells.

    Parameters
    ----------
    stem : StemMeasures
        Powers on the grid. A last cell that is cut short by the stem's end is in no window.
    cells_n : int
        Cells in a window.
    step_cells : int
        Cells from the start of a window to that of the next.

    Returns
    -------
    ndarray
        float64; window k spans ``cells_n`` cells from cell ``k * step_cells`` on. Empty if the stem is
        shorter than one window. Cells of unequal length (rates that 100 does not divide) count by their
        frames.
    """
    points = stem.grid_n
    whole = len(points) - 1
    if whole and round(whole * stem.rate_hz / CELLS_PER_S) != stem.frames_n:
        whole -= 1
    starts = np.arange(0, whole - cells_n + 1, step_cells)
    energy = stem.energy[starts + cells_n] - stem.energy[starts]
    # The sums' rounding can leave a trace under zero where a pause follows loud music.
    return np.asarray(np.maximum(energy, 0.0) / (points[starts + cells_n] - points[starts]))


def windowed_lufs(cell_power: np.ndarray, cells_n: int) -> np.ndarray:
    """Loudness in windows of `cells_n` cells, in steps of one cell: the curve to draw or to search.

    Cells count alike; where a figure must be exact at rates that 100 does not divide, see `windowed_power`.

    Returns
    -------
    ndarray
        float64, shape (cells - cells_n + 1,), in LUFS; value k is that of the window that starts with
        cell k. Empty if there are fewer cells than one window has.
    """
    if len(cell_power) < cells_n:
        return np.zeros(0)
    sums = np.concatenate([[0.0], np.cumsum(cell_power)])
    return loudness_lufs(np.maximum(sums[cells_n:] - sums[:-cells_n], 0.0) / cells_n)


def maximum_lufs(stem: StemMeasures, cells_n: int) -> float:
    """Highest loudness of any window of `cells_n` cells.

    A stem shorter than one window is read as a meter reads it whose window was empty before: with silence
    around. -inf where all is silent.
    """
    powers = windowed_power(stem, cells_n)
    if not len(powers):
        powers = stem.energy[-1:] / (cells_n * stem.rate_hz / CELLS_PER_S)
    return float(loudness_lufs(powers.max()))


def integrated_lufs(stem: StemMeasures) -> float:
    """Gated loudness by BS.1770-5 Annex 1, equations (4) to (7).

    Blocks of 400 ms every 100 ms; those over -70 LKFS give the relative gate 10 LU under their mean; the
    mean of those over both is the loudness. A block that the end cuts short is not used.

    Returns
    -------
    float
        LUFS; -inf where no block passes the gates.
    """
    powers = windowed_power(stem, MOMENTARY_CELLS, GATE_STEP_CELLS)
    powers = powers[loudness_lufs(powers) > GATE_ABSOLUTE_LUFS]
    if not len(powers):
        return -np.inf
    gate_lufs = loudness_lufs(powers.mean()) + GATE_RELATIVE_LU
    return float(loudness_lufs(powers[loudness_lufs(powers) > gate_lufs].mean()))


def loudness_range_lu(stem: StemMeasures, step_cells: int = RANGE_STEP_CELLS) -> float:
    """Loudness range by EBU Tech 3342 clause 3.1.

    Short-term values not under -70 LUFS give the relative gate 20 LU under their power mean; the range is
    from the 10th to the 95th percentile of those not under it. A percentile is the value at the nearest
    rank, as in the document's own example code (from memory).

    Parameters
    ----------
    stem : StemMeasures
        Powers on the grid.
    step_cells : int
        Cells from one short-term value to the next; the document asks for 10 or fewer.

    Returns
    -------
    float
        LU; 0 where no short-term value passes the gates.
    """
    powers = windowed_power(stem, SHORT_TERM_CELLS, step_cells)
    powers = powers[loudness_lufs(powers) >= GATE_ABSOLUTE_LUFS]
    if not len(powers):
        return 0.0
    gate_lufs = loudness_lufs(powers.mean()) + RANGE_RELATIVE_LU
    ranked = np.sort(loudness_lufs(powers[loudness_lufs(powers) >= gate_lufs]))
    low, high = (int((len(ranked) - 1) * percent / 100 + 0.5) for percent in (RANGE_LOW_PERCENT, RANGE_HIGH_PERCENT))
    return float(ranked[high] - ranked[low])
