"""Measures of a stem pair, gathered block by block in one pass over the vocal's frames."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from types import TracebackType

import numpy as np

from ridebook.audio.stems import StemPair, placement
from ridebook.measure.kweight import KFilter
from ridebook.measure.loudness import CellEnergy, cell_energies
from ridebook.measure.measures import Measures

WARM_UP_S = 1.0
"""How much of a bed that starts before the vocal goes through the filter before frame 0; by then the
38 Hz high-pass has forgotten what came before."""

_WAITING_BLOCKS = 3

_Filtered = tuple[list[tuple[int, np.ndarray]], list[np.ndarray]]
"""Energies of a block of one channel, as `cell_energies` gives them, and its filtered samples in stretches."""


class MeasureAccumulators:
    """Gathers the measures of a pair from blocks of its stems.

    Each source channel goes through the K-filter once. The filter is linear, so the sum of several beds is
    the sum of their filtered samples. Threads work on the channels, a few blocks behind what is fed, while
    the caller reads on. Blocks of a quarter of a million frames are quickest.

    A context manager; at its end the threads end, after an error or a cancel too.

    Parameters
    ----------
    pair : StemPair
        The pair. Only what a bed has before frame 0 is read from it here; the rest is fed.
    """

    def __init__(self, pair: StemPair) -> None:
        self._rate_hz = pair.rate_hz
        self._frames_n = pair.frames_n
        self._at_n = 0
        # The mix has the widest layout of all, so each of its channels takes at most one channel of a stem.
        # A channel of a stem that goes to several channels of the mix counts in each.
        weights = pair.mix_layout.weights
        placements = [placement(stem.layout, pair.mix_layout) for stem in pair.stems]
        self._stem_of = [stem for stem, gains in enumerate(placements) for _ in gains]
        self._channel_weights = np.concatenate([gains**2 @ weights for gains in placements])
        self._alone = [CellEnergy(pair.rate_hz) for _ in pair.stems]
        self._together = CellEnergy(pair.rate_hz)
        self._bed_gains = np.vstack([np.zeros_like(placements[0]), *placements[1:]])
        self._mix_weights = weights
        self._summing = len(pair.beds) > 1
        self._spread = len(placements[0]) == 1 < len(weights)

        self._filters = [KFilter(pair.rate_hz) for _ in self._stem_of]
        self._last: list[Future[_Filtered] | None] = [None for _ in self._stem_of]
        self._waiting: deque[list[tuple[CellEnergy, float, Future[_Filtered]]]] = deque()
        self._pool = ThreadPoolExecutor(min(len(self._filters), os.cpu_count() or 1), "k-weight")
        if any(bed.start_n < 0 for bed in pair.beds):
            self._warm_up(pair, round(WARM_UP_S * pair.rate_hz))

    def _warm_up(self, pair: StemPair, frames_n: int) -> None:
        channels = [samples for bed in pair.beds for samples in bed.read(-frames_n, 0).T]
        for kfilter, samples in zip(self._filters[-len(channels) :], channels, strict=True):
            deque(kfilter.stretches(samples), maxlen=0)

    def close(self) -> None:
        """End the threads; work that has not begun is dropped."""
        self._pool.shutdown(cancel_futures=True)

    def __enter__(self) -> MeasureAccumulators:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def feed(self, vocal: np.ndarray, beds: Sequence[np.ndarray]) -> None:
        """Take the next block of every stem.

        Parameters
        ----------
        vocal : ndarray
            Shape (frames, channels), full scale 1.0; the first block starts at frame 0. It is read on after
            this returns, so nothing may be changed in it.
        beds : sequence of ndarray
            The same frames of each bed, in the pair's order.
        """
        start_n = self._at_n

        def filtered(channel: int, before: Future[_Filtered] | None, samples: np.ndarray) -> _Filtered:
            if before is not None:
                before.result()
            stretches = self._filters[channel].stretches(samples)
            if not self._summing:
                return cell_energies(stretches, start_n, self._rate_hz), []
            kept = list(stretches)
            return cell_energies(kept, start_n, self._rate_hz), kept

        def summed(channels: list[Future[_Filtered]], gains: np.ndarray) -> _Filtered:
            heard = np.flatnonzero(gains)
            stretches = zip(*(channels[channel].result()[1] for channel in heard), strict=True)
            together = (sum(map(np.multiply, parts, gains[heard]), np.zeros(1)) for parts in stretches)
            return cell_energies(together, start_n, self._rate_hz), []

        # Jobs start in the order in which they are submitted, so whatever a job waits for is done or under way.
        samples = [column for block in (vocal, *beds) for column in block.T]
        channels = [
            self._pool.submit(filtered, channel, before, column)
            for channel, (before, column) in enumerate(zip(self._last, samples, strict=True))
        ]
        self._last = list(channels)
        parts = [
            (self._alone[stem], weight, channel)
            for stem, weight, channel in zip(self._stem_of, self._channel_weights, channels, strict=True)
        ]
        if self._summing:
            parts += [
                (self._together, weight, self._pool.submit(summed, channels, gains))
                for weight, gains in zip(self._mix_weights, self._bed_gains.T, strict=True)
            ]
        self._waiting.append(parts)
        self._at_n += len(vocal)
        if len(self._waiting) > _WAITING_BLOCKS:
            self._collect()

    def _collect(self) -> None:
        for energy, weight, part in self._waiting.popleft():
            energy.add(weight, part.result()[0])

    def measures(self) -> Measures:
        """Measures of all that was fed.

        Raises
        ------
        ValueError
            Not all of the vocal was fed.
        """
        if self._at_n != self._frames_n:
            raise ValueError(f"{self._at_n} of {self._frames_n} frames were fed")
        while self._waiting:
            self._collect()
        vocal, *beds = (energy.measures(self._frames_n) for energy in self._alone)
        bed = beds[0] if len(beds) == 1 else self._together.measures(self._frames_n)
        return Measures(vocal, tuple(beds), bed, vocal_spread=self._spread)
