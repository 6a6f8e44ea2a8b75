"""What is measured of the sources beside their powers: clipping, offset, polarity, fit, and whether they changed."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from ridebook.audio.files import file_sha256
from ridebook.audio.stems import Stem, StemPair
from ridebook.check.source_faults import SourceHealth, onset_fit
from ridebook.measure.lag import best_place_n
from ridebook.measure.measures import CELLS_PER_S, Measures
from ridebook.session.document import Session, SourceFile
from ridebook.work.approved_mix import mix_fit
from ridebook.work.steps import CancelCheck, Progress, never, part_of, raise_if, silent

CLIPPED_N = 3
"""So many samples in a row at the very top are a flat top (common practice, no source)."""

CLIPPED_FROM = 0.25
"""Tops under a quarter of full scale are not looked at: there coarse steps make flat tops of their own."""

TOP_PART = 0.999
"""Flat tops lie this near to the highest sample of their side."""

_BLOCK_N = 1 << 17
_WINDOW_S = 8.0
_LAG_S = 0.1


class ClippedRuns:
    """Finds flat tops of a signal that is fed block by block."""

    def __init__(self) -> None:
        self._runs: list[tuple[int, int, float]] = []
        self._rest: np.ndarray | None = None
        self._at_n = 0
        self._tops = [0.0, 0.0]

    def feed(self, block: np.ndarray) -> None:
        """Take the next block, shape (frames, channels)."""
        if not len(block):
            return
        self._tops = [max(self._tops[0], float(block.max())), max(self._tops[1], -float(block.min()))]
        joined = block if self._rest is None else np.concatenate([self._rest, block])
        start_n = self._at_n - (0 if self._rest is None else len(self._rest))
        if max(self._tops) >= CLIPPED_FROM:
            for channel in joined.T:
                self._look(channel, start_n)
        self._rest = joined[-(CLIPPED_N - 1) :].copy()
        self._at_n += len(block)

    def _look(self, samples: np.ndarray, start_n: int) -> None:
        alike = (samples[1:] == samples[:-1]) & (np.abs(samples[1:]) >= CLIPPED_FROM)
        if not alike.any():
            return
        edges = np.flatnonzero(np.diff(np.concatenate([[False], alike, [False]]).astype(np.int8)))
        for first, last in edges.reshape(-1, 2).tolist():
            if last - first >= CLIPPED_N - 1:
                self._runs.append((start_n + first, start_n + last + 1, float(samples[first])))

    def finish(self) -> tuple[tuple[int, int], ...]:
        """Flat tops in order of time; those that overlap, in other channels or over blocks, are one."""
        found: list[tuple[int, int]] = []
        for start_n, end_n, top in sorted(self._runs):
            if abs(top) < TOP_PART * self._tops[0 if top > 0 else 1]:
                continue
            if found and start_n <= found[-1][1]:
                found[-1] = (found[-1][0], max(found[-1][1], end_n))
            else:
                found.append((start_n, end_n))
        return tuple(found)

    @property
    def peak(self) -> float:
        """Highest sample so far, of full scale."""
        return max(self._tops)


def source_health(
    pair: StemPair,
    session: Session,
    measures: Measures,
    progress: Progress = silent,
    cancelled: CancelCheck = never,
) -> SourceHealth:
    """Measure what a check has to say of the sources, in one pass over the samples, and another over an approved mix.

    Parameters
    ----------
    pair : StemPair
        The open pair.
    session : Session
        What the files were when the session was made.
    measures : Measures
        Measures of the pair.
    progress, cancelled
        As for `ridebook.work.analyse.analyse`.

    Raises
    ------
    SourceError
        A file breaks off.
    Cancelled
        The work was called off.
    """
    channels_n = pair.vocal.layout.channels_n
    clipped = ClippedRuns()
    sums = np.zeros(channels_n)
    products = np.zeros((channels_n, channels_n))
    lag_n = _likely_lag_n(pair, measures)
    shared = np.zeros((2, 2))
    approved = session.approved_mix
    told = part_of(progress, 0, 1 if approved is None else 2)
    for start_n in range(0, pair.frames_n, _BLOCK_N):
        raise_if(cancelled)
        stop_n = min(start_n + _BLOCK_N, pair.frames_n)
        vocal = pair.vocal.read(start_n, stop_n)
        clipped.feed(vocal)
        sums += vocal.sum(axis=0, dtype=np.float64)
        products += vocal.T @ vocal
        both = np.stack([_mono(vocal), _bed(pair, start_n + lag_n, stop_n + lag_n)])
        shared += both @ both.T
        told(stop_n / pair.frames_n)
    mix = None
    if approved is not None and Path(approved.path).is_file():
        mix = mix_fit(pair, approved.path, session.settings.centre_law_db, part_of(progress, 1, 2), cancelled)
    means = sums / pair.frames_n
    return SourceHealth(
        clipped=clipped.finish(),
        peak_dbfs=20.0 * float(np.log10(max(clipped.peak, 1e-12))),
        offset=float(means[np.argmax(np.abs(means))]),
        sides=_alike(products[:2, :2]) if channels_n == 2 else None,
        shared=_alike(shared) or 0.0,
        onsets=onset_fit(measures),
        changed=changed_sources((session.vocal, *session.beds)),
        mix=mix,
    )


def changed_sources(sources: Sequence[SourceFile]) -> tuple[str, ...]:
    """Names of the files whose content is no longer what was noted of them, or that are gone."""
    return tuple(
        Path(source.path).name
        for source in sources
        if not Path(source.path).is_file() or file_sha256(Path(source.path)) != source.sha256
    )


def _likely_lag_n(pair: StemPair, measures: Measures) -> int:
    """By how much the bed has the vocal later, if it holds it at all: from where the vocal is loudest."""
    length_n = min(round(_WINDOW_S * pair.rate_hz), pair.frames_n)
    power = measures.vocal.cell_power
    windows = np.convolve(power, np.ones(max(1, min(len(power), length_n * CELLS_PER_S // pair.rate_hz))), "valid")
    start_n = min(int(measures.vocal.grid_n[int(windows.argmax())]), pair.frames_n - length_n)
    far_n = round(_LAG_S * pair.rate_hz)
    vocal = _mono(pair.vocal.read(start_n, start_n + length_n))
    bed = _bed(pair, start_n - far_n, start_n + length_n + far_n)
    return best_place_n(vocal, bed) - far_n


def _mono(block: np.ndarray) -> np.ndarray:
    return np.asarray(block @ np.full(block.shape[1], 1.0 / block.shape[1], np.float32))


def _bed(pair: StemPair, start_n: int, stop_n: int) -> np.ndarray:
    def mono(stem: Stem) -> np.ndarray:
        return _mono(stem.read(start_n, stop_n))

    return np.asarray(sum((mono(bed) for bed in pair.beds[1:]), mono(pair.beds[0])))


def _alike(products: np.ndarray) -> float | None:
    """Correlation from sums of products; None where one of the two is silent."""
    norm = float(np.sqrt(products[0, 0] * products[1, 1]))
    return float(products[0, 1]) / norm if norm > 0.0 else None
