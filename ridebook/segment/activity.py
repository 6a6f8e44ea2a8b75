"""Where the voice sounds: an activity detector that adapts to the take."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ridebook.measure.features import VocalFeatures

SILENCE_DB = -100.0
"""Cells under this are digital silence and say nothing of the take's noise (a choice of this program, no source)."""

_RANGE_DB = 60.0
_SHORTEST_SOUND_N = 6
_LONGEST_HOLE_N = 5


@dataclass(frozen=True, eq=False)
class Activity:
    """Where the voice sounds, by cells of 10 ms.

    Parameters
    ----------
    level_db : ndarray
        float64, shape (cells,). Level of the vocal, smoothed over 30 ms.
    active : ndarray
        bool, shape (cells,). True where the voice sounds, consonants and breaths included.
    voice_db : float
        Level of the take's louder notes (90th percentile of what is no pause); NaN where there is no voice at all.
    threshold_db : float
        Level over which a sound is taken for the voice.
    voiced : ndarray
        bool, shape (cells,). True where the sound is periodic.
    is_whispered : bool
        The take has hardly a voiced sound.
    """

    level_db: np.ndarray
    active: np.ndarray
    voice_db: float
    threshold_db: float
    voiced: np.ndarray
    is_whispered: bool


def runs(mask: np.ndarray) -> np.ndarray:
    """Stretches where `mask` is true: int64, shape (stretches, 2), first cell and the cell after the last."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], np.asarray(mask, bool), [False]])))
    return edges.reshape(-1, 2)


def moving_mean(values: np.ndarray, length_n: int) -> np.ndarray:
    """Mean over a centred window of odd length, ends held; same shape."""
    if not len(values):
        return values
    half = length_n // 2
    padded = np.concatenate([np.repeat(values[:1], half + 1), values, np.repeat(values[-1:], half)])
    sums = np.cumsum(padded, dtype=np.float64)
    return (sums[2 * half + 1 :] - sums[: -2 * half - 1]) / (2 * half + 1)


def valley_db(levels_db: np.ndarray) -> float:
    """Level that parts two crowds of levels best.

    Notes
    -----
    Otsu, "A threshold selection method from gray-level histograms", IEEE Trans. SMC 9 (1979), 62-66 (from memory):
    the threshold with the largest variance between the classes.
    """
    counts, edges = np.histogram(levels_db, bins=120)
    middles = (edges[:-1] + edges[1:]) / 2
    below = np.cumsum(counts)
    total = np.cumsum(counts * middles)
    above = below[-1] - below
    with np.errstate(divide="ignore", invalid="ignore"):
        between = below * above * (total / below - (total[-1] - total) / above) ** 2
    between = np.where((below > 0) & (above > 0), between, -1.0)
    # Where nothing lies between the crowds, all thresholds there are as good: the middle one.
    best = np.flatnonzero(between >= between.max() * (1 - 1e-9))
    return float(edges[1 + best[len(best) // 2]])


def find_activity(features: VocalFeatures) -> Activity:
    """Where the voice sounds in a take.

    The threshold lies between what the take has in its pauses (noise, bleed) and its notes, so that noise or bleed
    25 dB under the voice is no voice, and a quiet line in a clean take is.

    Parameters
    ----------
    features : VocalFeatures
        The take.

    Returns
    -------
    Activity
    """
    level = moving_mean(features.level_db.astype(np.float64), 3)
    voiced = features.periodicity > 0.6
    heard = level > SILENCE_DB
    nothing = Activity(level, np.zeros(len(level), bool), float("nan"), float("nan"), voiced, False)
    if heard.sum() < _SHORTEST_SOUND_N:
        return nothing
    loud = level[level > level.max() - 30.0]
    voice = float(np.percentile(loud, 90))
    clipped = np.maximum(level[heard], voice - _RANGE_DB)
    valley = valley_db(clipped)
    pauses = clipped[clipped < valley]
    # The upper part of what sounds in the pauses; a take without pauses has no noise to tell.
    floor = float(np.percentile(pauses, 60)) if len(pauses) > 0.02 * len(clipped) else voice - _RANGE_DB
    threshold = float(np.clip(floor + 9.0, voice - 32.0, voice - 14.0))
    low = max(threshold - 8.0, min(floor + 4.0, threshold))
    active = np.zeros(len(level), bool)
    for start, end in runs(level > low):
        if level[start:end].max() > threshold and end - start >= _SHORTEST_SOUND_N:
            active[start:end] = True
    for start, end in runs(~active):
        if end - start <= _LONGEST_HOLE_N and start > 0 and end < len(active):
            active[start:end] = True
    strong = active & (level > voice - 15.0)
    whispered = bool(strong.any()) and float(np.mean(voiced[strong])) < 0.2
    return Activity(level, active, voice, threshold, voiced, whispered)
