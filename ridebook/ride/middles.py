"""Middles that a few outliers do not move: of levels, and of the balance of a song and its sections."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ridebook.measure.loudness import loudness_lufs
from ridebook.measure.measures import ABSENT_LUFS, Measures, StemMeasures
from ridebook.measure.spans import law_db, span_power
from ridebook.ride.runs import Run
from ridebook.segment.spans import Segments, Span, holder

OUTLIER_DB = 1.0
"""A word counts at most this far from the middle of its section in the power of its phrase (a choice of this program,
no source)."""

ENDS = 0.15
"""Part of the weights left out at either end."""


def middle_mean(values: np.ndarray, weights: np.ndarray) -> float:
    """Mean of the middle of weighted values: a few that are far off do not move it."""
    order = np.argsort(values, kind="stable")
    values, weights = values[order], weights[order]
    upto = np.cumsum(weights)
    low, high = ENDS * upto[-1], (1.0 - ENDS) * upto[-1]
    inside = np.clip(np.minimum(upto, high) - np.maximum(upto - weights, low), 0.0, None)
    return float((values * inside).sum() / inside.sum())


def weighted_quantile(values: np.ndarray, weights: np.ndarray, part: float) -> float:
    """Value under which the given part of the weights lies."""
    order = np.argsort(values, kind="stable")
    upto = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(upto, part * upto[-1])])


def borders(spans: Sequence[Span | Run]) -> tuple[np.ndarray, np.ndarray]:
    """First frames and frames after the last, each int64 of shape (spans,)."""
    return np.array([span.start_n for span in spans], np.int64), np.array([span.end_n for span in spans], np.int64)


def section_numbers(segments: Segments) -> np.ndarray:
    """Return the number of the section of each phrase, int64, shape (phrases,); -1 where it is in none."""
    numbers = {section.id: i for i, section in enumerate(segments.sections)}
    held = [holder(segments.sections, phrase.middle_n) for phrase in segments.phrases]
    return np.array([-1 if section is None else numbers[section.id] for section in held], np.int64)


def mended_power(vocal: StemMeasures, segments: Segments) -> np.ndarray:
    """Mean power of each phrase, words that sink or stick out brought near the middle of their section.

    How loud a vocal is should not depend on what a ride is going to mend.

    Parameters
    ----------
    vocal : StemMeasures
        The vocal.
    segments : Segments
        Phrases, words and sections.

    Returns
    -------
    ndarray
        float64, shape (phrases,).
    """
    starts_n, ends_n = borders(segments.phrases)
    energy = span_power(vocal, starts_n, ends_n) * (ends_n - starts_n)
    word_starts_n, word_ends_n = borders(segments.words)
    owners = np.searchsorted(starts_n, (word_starts_n + word_ends_n) // 2, side="right") - 1
    inside = (owners >= 0) & (word_starts_n >= starts_n[owners]) & (word_ends_n <= ends_n[owners])
    word_starts_n, word_ends_n, owners = word_starts_n[inside], word_ends_n[inside], owners[inside]
    if not len(owners):
        return np.asarray(energy / (ends_n - starts_n))
    lengths_n = word_ends_n - word_starts_n
    power = span_power(vocal, word_starts_n, word_ends_n)
    level = np.maximum(loudness_lufs(power), -120.0)
    sections = section_numbers(segments)[owners]
    nearer = level.copy()
    for number in np.unique(sections):
        own = sections == number
        middle = middle_mean(level[own], lengths_n[own].astype(np.float64))
        nearer[own] = np.clip(level[own], middle - OUTLIER_DB, middle + OUTLIER_DB)
    sounds = power > 0.0
    change = np.where(sounds, power * lengths_n * (10.0 ** ((nearer - level) / 10.0) - 1.0), 0.0)
    energy += np.bincount(owners, change, len(energy))
    return np.asarray(np.maximum(energy, 0.0) / (ends_n - starts_n))


def mended_balances_lu(measures: Measures, segments: Segments, chosen: np.ndarray, centre_law_db: float) -> np.ndarray:
    """Balances of the mended vocal, each from the mean powers over some of the phrases.

    Parameters
    ----------
    measures : Measures
        Measures of the pair.
    segments : Segments
        Phrases, words and sections.
    chosen : ndarray
        bool, shape (balances, phrases). Phrases to count in each. Those without a bed never do.
    centre_law_db : float
        As for `balance_lu`.

    Returns
    -------
    ndarray
        float64, shape (balances,), LU; NaN where no phrase has a bed, -inf where the vocal is silent.
    """
    starts_n, ends_n = borders(segments.phrases)
    bed = span_power(measures.bed, starts_n, ends_n)
    lengths_n = np.where(chosen & (loudness_lufs(bed) >= ABSENT_LUFS), ends_n - starts_n, 0)
    vocal = lengths_n @ mended_power(measures.vocal, segments)
    heard = lengths_n.any(axis=1)
    lu = loudness_lufs(vocal) - np.where(heard, loudness_lufs(lengths_n @ bed), 0.0)
    return np.where(heard, lu + law_db(measures, centre_law_db), np.nan)
