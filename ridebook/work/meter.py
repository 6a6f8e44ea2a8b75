"""Loudness and true peak of a signal while it is written, on a thread that works a block behind."""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor

import numpy as np

from ridebook.audio.broadcast import BroadcastLoudness
from ridebook.audio.files import Layout
from ridebook.measure.loudness import (
    MOMENTARY_CELLS,
    SHORT_TERM_CELLS,
    CellPower,
    integrated_lufs,
    loudness_range_lu,
    maximum_lufs,
)
from ridebook.measure.truepeak import TruePeak


class Meter:
    """Meter of one signal, by ITU-R BS.1770-5, EBU Tech 3341 and EBU Tech 3342.

    Parameters
    ----------
    rate_hz : int
        Sample rate.
    layout : Layout
        Its channels.
    worker : ThreadPoolExecutor
        Whose threads do the sums.
    """

    def __init__(self, rate_hz: int, layout: Layout, worker: ThreadPoolExecutor) -> None:
        self._power = CellPower(rate_hz, layout.weights.tolist())
        self._peak = TruePeak(rate_hz)
        self._worker = worker
        self._pending: Future[None] | None = None
        self._figures: BroadcastLoudness | None = None

    def feed(self, block: np.ndarray) -> None:
        """Take the next block, shape (frames, channels), full scale 1.0; it is copied."""
        self._wait()
        self._pending = self._worker.submit(self._take, block.copy())

    def figures(self) -> BroadcastLoudness:
        """All figures of what was fed; -inf where it is silent."""
        self._wait()
        if self._figures is None:
            measures = self._power.measures()
            self._figures = BroadcastLoudness(
                integrated_lufs(measures),
                float(loudness_range_lu(measures)),
                self._peak.dbtp,
                maximum_lufs(measures, MOMENTARY_CELLS),
                maximum_lufs(measures, SHORT_TERM_CELLS),
            )
        return self._figures

    def _take(self, block: np.ndarray) -> None:
        self._power.feed(block)
        self._peak.feed(block)

    def _wait(self) -> None:
        if self._pending is not None:
            self._pending.result()
            self._pending = None
