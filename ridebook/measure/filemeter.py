"""Loudness and peaks of one file."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from ridebook.audio.stems import open_stem
from ridebook.measure.loudness import (
    MOMENTARY_CELLS,
    SHORT_TERM_CELLS,
    CellPower,
    integrated_lufs,
    loudness_range_lu,
    maximum_lufs,
)
from ridebook.measure.truepeak import TruePeak

_BLOCK_N = 1 << 17


@dataclass(frozen=True, slots=True)
class FileLoudness:
    """What a meter says of one file, by ITU-R BS.1770-5, EBU Tech 3341 and EBU Tech 3342.

    Parameters
    ----------
    rate_hz, channels : int
        As the file says.
    seconds : float
        Length.
    integrated_lufs : float
        Gated loudness; -inf where nothing is over the gate at -70 LUFS.
    loudness_range_lu : float
        Loudness range; 0 for a file shorter than 3 s.
    momentary_max_lufs, short_term_max_lufs : float
        Highest loudness over 400 ms and over 3 s.
    true_peak_dbtp, sample_peak_dbfs : float
        Highest over all channels.
    """

    rate_hz: int
    channels: int
    seconds: float
    integrated_lufs: float
    loudness_range_lu: float
    momentary_max_lufs: float
    short_term_max_lufs: float
    true_peak_dbtp: float
    sample_peak_dbfs: float


def measure_file(
    path: str | os.PathLike[str],
    progress: Callable[[float], None] | None = None,
) -> FileLoudness:
    """Measure one file.

    Parameters
    ----------
    path : path-like
        Anything that `ridebook.audio` reads.
    progress : callable, optional
        Told how much is done, 0 to 1. What it raises ends the measurement.

    Raises
    ------
    SourceUnreadableError
        The file is missing, not audio, or broken.
    SourceUnusableError
        It is too short, all silence, holds NaN or infinity, or has a layout that is not known.
    """
    with open_stem(path) as stem, ThreadPoolExecutor(1, "true-peak") as worker:
        powers = CellPower(stem.rate_hz, stem.layout.weights.tolist())
        peaks = TruePeak(stem.rate_hz)
        pending = worker.submit(peaks.feed, stem.read(0, 0))
        for start_n, block in stem.blocks(_BLOCK_N):
            pending.result()
            pending = worker.submit(peaks.feed, block)
            powers.feed(block)
            if progress is not None:
                progress((start_n + len(block)) / stem.end_n)
        pending.result()
        measures = powers.measures()
        return FileLoudness(
            rate_hz=stem.rate_hz,
            channels=stem.layout.channels_n,
            seconds=stem.end_n / stem.rate_hz,
            integrated_lufs=integrated_lufs(measures),
            loudness_range_lu=loudness_range_lu(measures),
            momentary_max_lufs=maximum_lufs(measures, MOMENTARY_CELLS),
            short_term_max_lufs=maximum_lufs(measures, SHORT_TERM_CELLS),
            true_peak_dbtp=peaks.dbtp,
            sample_peak_dbfs=peaks.sample_dbfs,
        )
