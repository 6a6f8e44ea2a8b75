"""Third-octave powers of stems on the 10 ms grid, for what the bed hides of the voice.

Two windows serve all bands, so that low bands are told apart and high ones are quick: 60 ms up to 562 Hz and 20 ms
over it. Their halves of full power lie 30 and 10 ms apart, close to the 35 ms at the lowest and 9.4 ms at the highest
band of the rectangular windows of Rhebergen and Versfeld (2005, JASA 117:2181-2192; the figures from memory).

The windows are sines: their squares, which are what power sees, add up to the same at every instant in steps of 10 ms,
so that no drum hit counts more for where it falls on the grid.

Limits: the lowest bands are narrower than the long window tells sharply, a pure tone in the middle of a band leaves up
to 0.2 dB to its neighbours, and one on the border of two bands goes to both.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from ridebook.measure.measures import CELLS_PER_S, grid_points_n
from ridebook.measure.product import SINGLE_N

if TYPE_CHECKING:
    from ridebook.audio.stems import StemPair

THIRD_OCTAVES = range(-8, 10)
"""Numbers of the bands of nominal 160 Hz to 8 kHz: band x lies around ``1000 * G**(x / 3)`` Hz."""

OCTAVE_RATIO = 10.0**0.3
"""G of IEC 61260-1:2014, clause 5 (base ten; from memory)."""

BAND_MIDDLES_HZ = tuple(1000.0 * OCTAVE_RATIO ** (x / 3) for x in THIRD_OCTAVES)
"""Exact mid-band frequencies (IEC 61260-1:2014, clause 5)."""

BAND_EDGES_HZ = tuple(1000.0 * OCTAVE_RATIO ** ((2 * x - 1) / 6) for x in range(-8, 11))
"""Borders of the third-octave bands (IEC 61260-1:2014, clause 5), 141 to 8913 Hz."""

EDGES_HZ = (1000.0 * OCTAVE_RATIO ** (-33 / 6), 1000.0 * OCTAVE_RATIO ** (-21 / 6), *BAND_EDGES_HZ)
"""Borders of all columns: 22 to 89 Hz, 89 to 141 Hz, then the third-octave bands."""

COLUMNS_N = len(EDGES_HZ) - 1
BELOW_N = COLUMNS_N - len(THIRD_OCTAVES)
"""Columns before the third-octave bands."""

LONG_WINDOW_S = 0.06
SHORT_WINDOW_S = 0.02
_LONG_COLUMNS_N = 8
"""Columns that the long window serves, up to 562 Hz."""

_LONG_RATE_HZ = 2_700.0
_SHORT_RATE_HZ = 21_000.0
"""Lowest rates that leave room for a filter over the highest border of either window's columns."""

_STOP_DB = 60.0
_RUN_OUT_N = 16


@dataclass(frozen=True, eq=False)
class StemBands:
    """Band powers of one stem on the 10 ms grid of the vocal.

    Parameters
    ----------
    rate_hz : int
        The pair's rate.
    frames_n : int
        Length of the vocal in frames; the grid covers just these.
    power : ndarray
        float32, shape (cells, COLUMNS_N). Mean power around the middle of each cell in each column of `EDGES_HZ`,
        full scale 1.0 squared, summed over channels as the stem is placed in the mix.
    """

    rate_hz: int
    frames_n: int
    power: np.ndarray

    @cached_property
    def grid_n(self) -> np.ndarray:
        """Frames of the grid's points, int64, shape (cells + 1,); the last is `frames_n`."""
        return grid_points_n(self.rate_hz, self.frames_n)

    @cached_property
    def middles_n(self) -> np.ndarray:
        """Frames in the middle of the cells, float64, shape (cells,)."""
        return np.asarray((self.grid_n[:-1] + self.grid_n[1:]) / 2.0)

    @cached_property
    def sums(self) -> np.ndarray:
        """Sum of power over the cells before each point of the grid, float64, shape (cells + 1, COLUMNS_N)."""
        sums = np.zeros((len(self.power) + 1, COLUMNS_N))
        np.cumsum(self.power, axis=0, dtype=np.float64, out=sums[1:])
        return sums


@dataclass(frozen=True, eq=False)
class PairBands:
    """Band powers of a pair: the vocal, each bed alone, and the sum of the beds as heard.

    The powers of channels are added, with the weights and the placement that the loudness of the pair has, so that a
    mono vocal in a stereo mix counts twice here too and a balance in one band means the same as the balance. Adding
    powers is what the ear gets of unlike channels in a room; that two ears tell a voice in the middle from a wide bed
    is not in it, so it says rather too little of the voice than too much.

    Parameters
    ----------
    vocal : StemBands
        The vocal, at full amplitude on both sides where it is mono and the mix is wider.
    beds : tuple of StemBands
        Each bed file alone.
    bed : StemBands
        The sum of the beds (of their samples, not of their powers).
    """

    vocal: StemBands
    beds: tuple[StemBands, ...]
    bed: StemBands


class BandAccumulator:
    """Computes `StemBands` from blocks fed one after the other; the result does not depend on how they are cut.

    Parameters
    ----------
    rate_hz : int
        Sample rate, 8000 to 192000. Bands over half the rate are silent.
    weights : sequence of float
        What the power of each channel counts; a channel of weight 0 is not looked at.
    """

    def __init__(self, rate_hz: int, weights: Sequence[float]) -> None:
        self._rate_hz = rate_hz
        self._frames_n = 0
        self._channels = [(i, weight, _ChannelBands(rate_hz)) for i, weight in enumerate(weights) if weight > 0.0]

    def feed(self, block: np.ndarray) -> None:
        """Take the next frames.

        Parameters
        ----------
        block : ndarray
            Floating point, shape (frames, channels), full scale 1.0.
        """
        for i, _, channel in self._channels:
            channel.feed(block[:, i])
        self._frames_n += len(block)

    def finish(self) -> StemBands:
        """Band powers of all that was fed; what lies before and after it counts as silence."""
        grid_n = grid_points_n(self._rate_hz, self._frames_n)
        power = np.zeros((len(grid_n) - 1, COLUMNS_N), np.float32)
        for _, weight, channel in self._channels:
            power += np.float32(weight) * channel.finish(len(power))
        return StemBands(self._rate_hz, self._frames_n, power)


class PairBandAccumulator:
    """Computes `PairBands` from blocks of a pair's stems.

    Parameters
    ----------
    pair : StemPair
        The pair; nothing is read from it.
    """

    def __init__(self, pair: StemPair) -> None:
        # Here, since the settings know the listening level and come with the window: no sound files for that.
        from ridebook.audio.stems import placement

        placements = [placement(stem.layout, pair.mix_layout) for stem in pair.stems]
        weights = pair.mix_layout.weights.tolist()
        self._stems = [
            BandAccumulator(pair.rate_hz, (gains**2 @ pair.mix_layout.weights).tolist()) for gains in placements
        ]
        # A stem as wide as the mix is placed as it is; a product with so few columns takes longer than all the rest.
        self._gains = [
            None if np.array_equal(gains, np.eye(len(pair.mix_layout.weights))) else gains.astype(np.float32)
            for gains in placements[1:]
        ]
        self._together = BandAccumulator(pair.rate_hz, weights) if len(pair.beds) > 1 else None

    def feed(self, vocal: np.ndarray, beds: Sequence[np.ndarray]) -> None:
        """Take the next block of every stem, each of shape (frames, channels), beds in the pair's order."""
        for stem, block in zip(self._stems, (vocal, *beds), strict=True):
            stem.feed(block)
        if self._together is not None:
            placed = [block if gains is None else block @ gains for block, gains in zip(beds, self._gains, strict=True)]
            self._together.feed(sum(placed[1:], placed[0]))

    def finish(self) -> PairBands:
        """Band powers of all that was fed."""
        vocal, *beds = (stem.finish() for stem in self._stems)
        return PairBands(vocal, tuple(beds), beds[0] if self._together is None else self._together.finish())


class _ChannelBands:
    """Band powers of one channel: to a lower rate for the short window, from there to a lower one for the long."""

    def __init__(self, rate_hz: int) -> None:
        short, long = _plans(rate_hz)
        self._short, self._long = _Frames(short), _Frames(long)

    def feed(self, samples: np.ndarray) -> None:
        self._long.feed(self._short.feed(samples))

    def finish(self, cells_n: int) -> np.ndarray:
        self._long.feed(self._short.finish(cells_n))
        self._long.finish(cells_n)
        return np.concatenate([self._long.rows(), self._short.rows()], axis=1)


@dataclass(frozen=True, eq=False)
class _Plan:
    """Tables of one window at one rate.

    Parameters
    ----------
    grid_rate_hz : int
        Rate of the stem, which the grid's points are rounded to.
    factor : int
        From how many samples of its input it makes one.
    whole_factor : int
        The same counted from the stem's samples.
    lead_n : int
        Samples of silence before the input that centre the filter.
    kernels : tuple of ndarray
        Filter and decimation as a product: a run of `_RUN_OUT_N` outputs is the sum of this many runs of input, each
        times its kernel, float32, shape (factor * _RUN_OUT_N, _RUN_OUT_N). Empty where the rate stays.
    window : ndarray
        float32, shape (size,).
    size_n : int
        Length of the transform.
    bins : slice
        Real and imaginary parts of the bins that the columns need.
    weights : ndarray
        float32, shape (parts, columns): what the square of each of those parts counts in each column.
    runs_n, rows_n : int
        Runs of output and rows of windows that are made at once.
    """

    grid_rate_hz: int
    factor: int
    whole_factor: int
    lead_n: int
    kernels: tuple[np.ndarray, ...]
    window: np.ndarray
    size_n: int
    bins: slice
    weights: np.ndarray
    runs_n: int
    rows_n: int


@lru_cache(maxsize=8)
def _plans(rate_hz: int) -> tuple[_Plan, _Plan]:
    """Tables of the short and of the long window."""
    factor = max(int(rate_hz / _SHORT_RATE_HZ), 1)
    short = _plan(rate_hz, 1, factor, SHORT_WINDOW_S, EDGES_HZ[_LONG_COLUMNS_N:])
    factor_2 = max(int(rate_hz / factor / _LONG_RATE_HZ), 1)
    return short, _plan(rate_hz, factor, factor_2, LONG_WINDOW_S, EDGES_HZ[: _LONG_COLUMNS_N + 1])


def _plan(grid_rate_hz: int, before: int, factor: int, window_s: float, edges_hz: tuple[float, ...]) -> _Plan:
    from scipy import fft

    lead_n: int = 0
    kernels: tuple[np.ndarray, ...] = ()
    if factor > 1:
        lead_n, kernels = _kernels(grid_rate_hz / before, factor, edges_hz[-1])
    rate_hz = grid_rate_hz / before / factor
    window_n = round(window_s * rate_hz)
    window = np.sin(np.pi * (np.arange(window_n) + 0.5) / window_n)
    # Where a band is hardly wider than a bin, bins of half the width follow its borders.
    size = fft.next_fast_len(2 * window_n if window_s > SHORT_WINDOW_S else window_n, real=True)
    bin_hz = rate_hz / size
    low_hz = (np.arange(size // 2 + 1) - 0.5) * bin_hz
    # A bin on a border counts to both sides by the part of its width.
    edges = np.asarray(edges_hz)
    shares = np.minimum(low_hz[:, None] + bin_hz, edges[1:]) - np.maximum(low_hz[:, None], edges[:-1])
    shares = np.maximum(shares, 0.0) / bin_hz
    heard = np.flatnonzero(shares.any(axis=1))
    first, last = (int(heard[0]), int(heard[-1]) + 1) if len(heard) else (0, 0)
    # Parseval: mean square under the window, one-sided.
    shares *= 2.0 / (size * (window**2).sum())
    weights = np.repeat(shares[first:last], 2, axis=0).astype(np.float32)
    return _Plan(
        grid_rate_hz=grid_rate_hz,
        factor=factor,
        whole_factor=before * factor,
        lead_n=lead_n,
        kernels=kernels,
        window=window.astype(np.float32),
        size_n=size,
        bins=slice(2 * first, 2 * last),
        weights=weights,
        runs_n=min(SINGLE_N // (factor * _RUN_OUT_N**2), 256),
        rows_n=min(SINGLE_N // max(weights.size, 1), 128),
    )


def _kernels(rate_hz: float, factor: int, pass_hz: float) -> tuple[int, tuple[np.ndarray, ...]]:
    """Low-pass that keeps what folds over out of the pass band, as products of runs; see `_Plan`.

    A sinc under Kaiser's window (length and shape by his formulas, from memory).
    """
    stop_hz = rate_hz / factor - pass_hz
    half_n = math.ceil((_STOP_DB - 8.0) / (2.285 * 2.0 * np.pi * (stop_hz - pass_hz) / rate_hz) / 2.0)
    shape = 0.1102 * (_STOP_DB - 8.7)
    t = np.arange(-half_n, half_n + 1)
    taps = np.sinc((pass_hz + stop_hz) / rate_hz * t) * np.kaiser(len(t), shape)
    taps /= taps.sum()
    run_n = factor * _RUN_OUT_N
    runs = math.ceil(((_RUN_OUT_N - 1) * factor + len(taps)) / run_n)
    product = np.zeros((runs * run_n, _RUN_OUT_N), np.float32)
    for out in range(_RUN_OUT_N):
        product[out * factor : out * factor + len(taps), out] = taps
    return half_n, tuple(np.ascontiguousarray(part) for part in product.reshape(runs, run_n, _RUN_OUT_N))


Cells = TypeVar("Cells", float, np.ndarray)


class _Frames:
    """One channel at a lower rate, and the band powers of its windows.

    Products are always of the same size, so that sums come out the same to the last bit however the input is cut.
    """

    def __init__(self, plan: _Plan) -> None:
        self._plan = plan
        self._input = _Queue(plan.lead_n)
        # Silence before the file, so that the first windows are whole.
        self._samples = _Queue(len(plan.window))
        self._samples_start_n = -len(plan.window)
        self._cell = 0
        self._needed_n = self._last_n()
        self._rows: list[np.ndarray] = []

    def feed(self, samples: np.ndarray) -> np.ndarray:
        """Take samples at the rate before, give those at the lower rate that are ready."""
        plan = self._plan
        if not plan.kernels:
            out = np.asarray(samples, np.float32)
        else:
            self._input.push(samples)
            run_n = len(plan.kernels[0])
            taken_n = plan.runs_n * run_n
            parts = []
            while self._input.size_n >= taken_n + (len(plan.kernels) - 1) * run_n:
                held = self._input.joined()
                product = held[:taken_n].reshape(plan.runs_n, run_n) @ plan.kernels[0]
                for i, kernel in enumerate(plan.kernels[1:], start=1):
                    product += held[i * run_n : i * run_n + taken_n].reshape(plan.runs_n, run_n) @ kernel
                parts.append(product.reshape(-1))
                self._input.drop(taken_n)
            out = np.concatenate(parts) if parts else np.zeros(0, np.float32)
        self._samples.push(out)
        while self._needed_n <= self._samples_start_n + self._samples.size_n:
            self._take_rows()
        return out

    def finish(self, cells_n: int) -> np.ndarray:
        """Silence after the file, until there are `cells_n` rows; gives the samples made on the way."""
        out = []
        silence = np.zeros(self._plan.runs_n * _RUN_OUT_N * self._plan.factor, np.float32)
        while self._cell < cells_n:
            out.append(self.feed(silence))
        self._rows = [np.concatenate(self._rows or [np.zeros((0, self._plan.weights.shape[1]), np.float32)])[:cells_n]]
        return np.concatenate(out) if out else silence[:0]

    def rows(self) -> np.ndarray:
        return self._rows[0]

    def _last_n(self) -> int:
        """Sample after the last that the next rows need."""
        return round(self._exact_start_n(self._cell + self._plan.rows_n - 1)) + len(self._plan.window)

    def _exact_start_n(self, cell: Cells) -> Cells:
        """Where the window of a cell begins, before it is rounded to a sample."""
        plan = self._plan
        return (cell + 0.5) * plan.grid_rate_hz / CELLS_PER_S / plan.whole_factor - len(plan.window) / 2

    def _take_rows(self) -> None:
        from scipy import fft

        plan = self._plan
        held = self._samples.joined()
        window_n = len(plan.window)
        starts = np.round(self._exact_start_n(np.arange(self._cell, self._cell + plan.rows_n + 1.0)))
        starts = starts.astype(np.int64) - self._samples_start_n
        # Every stretch of the window's length as a row; what numpy offers for it takes longer than the transform.
        view = np.ndarray((len(held) - window_n + 1, window_n), np.float32, held, strides=held.strides * 2)
        frames = view[starts[:-1]]
        frames *= plan.window
        parts = fft.rfft(frames, plan.size_n, axis=1, overwrite_x=True).view(np.float32)
        self._rows.append(np.square(parts[:, plan.bins]) @ plan.weights)
        self._cell += plan.rows_n
        done_n = int(starts[-1])
        self._samples.drop(done_n)
        self._samples_start_n += done_n
        self._needed_n = self._last_n()


class _Queue:
    """Samples that wait, float32; joined only when they are looked at."""

    def __init__(self, silence_n: int) -> None:
        self._parts = [np.zeros(silence_n, np.float32)]
        self.size_n = silence_n

    def push(self, samples: np.ndarray) -> None:
        self._parts.append(np.asarray(samples, np.float32))
        self.size_n += len(samples)

    def joined(self) -> np.ndarray:
        if len(self._parts) > 1:
            self._parts = [np.concatenate(self._parts)]
        return self._parts[0]

    def drop(self, count_n: int) -> None:
        self._parts = [self.joined()[count_n:]]
        self.size_n -= count_n
