"""From a stem pair to what is measured of it and where its voice is, in one pass over the samples."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from threadpoolctl import threadpool_limits

from ridebook.audio.stems import Stem, StemPair
from ridebook.measure.features import FeatureAccumulator
from ridebook.measure.measures import Measures
from ridebook.measure.pair import MeasureAccumulators
from ridebook.measure.pyramid import Pyramid, PyramidAccumulator
from ridebook.segment.find import doubts, find_segments
from ridebook.segment.spans import Segments
from ridebook.work.steps import CancelCheck, Progress, never, raise_if, silent

_BLOCK_N = 1 << 17
_PASS_SHARE = 0.9
"""Part of the work that the pass over the samples is, for progress."""


@dataclass(frozen=True, eq=False)
class Analysis:
    """What depends on the audio alone.

    Parameters
    ----------
    measures : Measures
        Powers of all stems on the 10 ms grid.
    segments : Segments
        Spans found in the vocal.
    vocal_pyramid, bed_pyramid : Pyramid
        Extremes of the samples for drawing: of the vocal, and of the sum of the beds, each folded to mono.
    notices : tuple of str
        What the user is to know, as sentences.
    """

    measures: Measures
    segments: Segments
    vocal_pyramid: Pyramid
    bed_pyramid: Pyramid
    notices: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Waves:
    """What is drawn of the samples themselves: the vocal, and the sum of the beds, each folded to mono."""

    vocal: Pyramid
    bed: Pyramid


def waves_of(pair: StemPair, cancelled: CancelCheck = never) -> Waves:
    """Waves of a pair alone, in a fraction of the time of its analysis; takes and raises what `analyse` does."""

    def drawn(stems: Sequence[Stem]) -> Pyramid:
        extremes = PyramidAccumulator()
        for start_n in range(0, pair.frames_n, _BLOCK_N):
            raise_if(cancelled)
            stop_n = min(start_n + _BLOCK_N, pair.frames_n)
            extremes.feed(_summed([stem.read(start_n, stop_n) for stem in stems]))
        return extremes.finish()

    with ThreadPoolExecutor(1, "bed-wave") as worker:
        bed = worker.submit(drawn, pair.beds)
        return Waves(drawn([pair.vocal]), bed.result())


def analyse(
    pair: StemPair, progress: Progress = silent, cancelled: CancelCheck = never, *, waves: Waves | None = None
) -> Analysis:
    """Measure a pair and find the phrases and words of its vocal.

    Parameters
    ----------
    pair : StemPair
        The open pair.
    progress : callable
        Told how much is done.
    cancelled : callable
        Asked between blocks.
    waves : Waves, optional
        The pair's waves, where they are known already.

    Raises
    ------
    SourceUnreadableError, SourceUnusableError
        A file breaks off, holds NaN or infinity, or is all silence.
    Cancelled
        The work was called off.
    """
    # The work has threads of its own; those of the linear algebra library would only wait for each other, busily.
    with threadpool_limits(1, "blas"):
        return _analysed(pair, progress, cancelled, waves)


def _analysed(pair: StemPair, progress: Progress, cancelled: CancelCheck, waves: Waves | None) -> Analysis:
    features = FeatureAccumulator(pair.rate_hz)
    vocal_extremes, bed_extremes = PyramidAccumulator(), PyramidAccumulator()

    def take_vocal(block: np.ndarray) -> None:
        features.feed(block)
        if waves is None:
            vocal_extremes.feed(_summed([block]))

    with MeasureAccumulators(pair) as powers, ThreadPoolExecutor(1, "features") as worker:
        pending = worker.submit(lambda: None)
        for start_n in range(0, pair.frames_n, _BLOCK_N):
            raise_if(cancelled)
            stop_n = min(start_n + _BLOCK_N, pair.frames_n)
            vocal = pair.vocal.read(start_n, stop_n)
            beds = [bed.read(start_n, stop_n) for bed in pair.beds]
            pending.result()
            pending = worker.submit(take_vocal, vocal)
            powers.feed(vocal, beds)
            if waves is None:
                bed_extremes.feed(_summed(beds))
            progress(_PASS_SHARE * stop_n / pair.frames_n)
        pending.result()
        notices = pair.check_sound()
        measures = powers.measures()
    raise_if(cancelled)
    heard = features.finish()
    segments = find_segments(heard, measures)
    notices += doubts(heard)
    progress(1.0)
    if waves is None:
        waves = Waves(vocal_extremes.finish(), bed_extremes.finish())
    return Analysis(measures, segments, waves.vocal, waves.bed, notices)


def _summed(blocks: Sequence[np.ndarray]) -> np.ndarray:
    """Sum of some stems, each folded to mono."""
    return sum((_folded(block) for block in blocks[1:]), _folded(blocks[0]))


def _folded(block: np.ndarray) -> np.ndarray:
    """Mean of the channels; a product is several times faster than `numpy.mean` along the short axis."""
    channels_n = block.shape[1]
    if channels_n == 1:
        return block[:, 0]
    return np.asarray(block @ np.full(channels_n, 1.0 / channels_n, np.float32))
