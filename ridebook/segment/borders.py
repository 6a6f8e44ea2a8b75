"""Where words and phrases begin: candidates, a score for each, and the best row of borders under a prior on lengths."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ridebook.measure.measures import CELLS_PER_S
from ridebook.segment.activity import Activity
from ridebook.segment.change import Change, moving_max

_LEAST_ONSET_DB = 4.0
_APART_N = 7
_NEAR_ACTIVE_N = 5
_BORDER_BEFORE_TOP_N = 2
_LONGEST_SIBILANT_N = 35
_FORCED = 1000.0

_PACE_WINDOW_S = 12.0
_PACE_DOUBT_S = 2.0
_SLOW_PER_S = 2.0
PACE_POWER = 3.0
"""Words get shorter by this power of the pace: quick singers and speakers use shorter words too. Chosen on speech."""


@dataclass(frozen=True)
class Scorer:
    """Log odds that a candidate is a border, and what is known of the lengths between borders.

    Parameters
    ----------
    bias : float
        Log odds where all features are 0; what makes up for the prior on lengths is in it.
    weights : tuple of float
        One for each column of `word_features` or `phrase_features`.
    length_s, spread : float
        Median of the log-normal prior on lengths, and its standard deviation in natural logarithm.
    trust : float
        Share of the prior that counts, 0 to 1.
    """

    bias: float
    weights: tuple[float, ...]
    length_s: float
    spread: float
    trust: float

    def scores(self, features: np.ndarray) -> np.ndarray:
        """Log odds of each row of `features`, float64."""
        return np.asarray(features @ np.array(self.weights) + self.bias)


# Fitted by tools/fit_word_scorer.py to the word and phrase times of the Turkish makam acapella sections dataset,
# UPF MTG, CC BY 4.0 (two singers, 18 takes, 87 words, 51 phrases), the words together with synthesized speech. The
# biases hold 0.5 and 1.0 for the prior on lengths; what the pace weighs was chosen on synthesized speech.
WORD_SCORER = Scorer(bias=-1.75, weights=(1.02, -3.15, 2.0), length_s=1.5, spread=0.7, trust=0.5)
PHRASE_SCORER = Scorer(bias=-6.5, weights=(1.27, 1.75, 0.143), length_s=3.0, spread=0.4, trust=1.0)


@dataclass(frozen=True, eq=False)
class Candidates:
    """Cells where something may begin, in order.

    Parameters
    ----------
    cells : ndarray
        int64, shape (candidates,), rising.
    evidence : tuple of ndarray
        For each candidate the cells whose features speak for it.
    is_step : ndarray
        bool, shape (candidates,). The level steps here.
    """

    cells: np.ndarray
    evidence: tuple[np.ndarray, ...]
    is_step: np.ndarray

    def best(self, scores: np.ndarray) -> np.ndarray:
        """Highest of the scores (one a cell of the take) over each candidate's evidence."""
        return np.array([scores[cells].max() for cells in self.evidence])


def word_features(change: Change, pace: np.ndarray) -> np.ndarray:
    """Return what speaks for the start of a word: float64, shape (cells, 3)."""
    return np.stack([np.sqrt(change.rise_150), change.dip, np.log(pace)], axis=1)


def phrase_features(change: Change) -> np.ndarray:
    """Return what speaks for the start of a phrase: float64, shape (cells, 3)."""
    return np.stack([np.sqrt(change.rise_250), change.relative_250, change.novelty], axis=1)


def onset_tops(change: Change, activity: Activity) -> np.ndarray:
    """Cells where the onset curve has a top, in or next to the voice; int64."""
    onset = change.onset
    near = moving_max(activity.active.astype(np.float32), _NEAR_ACTIVE_N) > 0
    return np.flatnonzero((onset == moving_max(onset, _APART_N)) & near & (onset > _LEAST_ONSET_DB))


def find_candidates(change: Change, activity: Activity, sibilants: np.ndarray, steps: np.ndarray) -> Candidates:
    """Candidates for borders.

    A border lies some 20 ms before the top of the onset curve. A syllable that begins with a sibilant begins with the
    sibilant: what the onset of its vowel says counts there.
    """
    tops = onset_tops(change, activity)
    free = np.ones(len(tops), bool)
    found: list[tuple[int, np.ndarray, bool]] = []
    for step in steps.tolist():
        near = np.abs(tops - step) <= _APART_N
        found.append((step, np.append(tops[near & free], step), True))
        free &= ~near
    for start, end in sibilants.tolist():
        inside = free & (tops >= start - 4) & (tops <= end + 6)
        if end - start <= _LONGEST_SIBILANT_N and inside.any():
            found.append((start, tops[inside], False))
            free &= ~inside
    found += [(max(top - _BORDER_BEFORE_TOP_N, 0), np.array([top]), False) for top in tops[free].tolist()]
    found.sort(key=lambda candidate: candidate[0])
    return Candidates(
        np.array([cell for cell, _, _ in found], np.int64),
        tuple(evidence for _, evidence, _ in found),
        np.array([is_step for _, _, is_step in found], bool),
    )


def _penalties(scorer: Scorer, longest_s: float) -> np.ndarray:
    """Penalty of each length in cells; the last one stands for all that are longer."""
    lengths_s = np.arange(1, round(8.0 * longest_s * CELLS_PER_S)) / CELLS_PER_S
    penalty = scorer.trust * np.log(lengths_s / scorer.length_s) ** 2 / (2 * scorer.spread**2)
    penalty = np.where(lengths_s > longest_s, np.minimum(penalty, scorer.trust * 0.5), penalty)
    return np.concatenate([[penalty[0]], penalty])


def best_row(
    cells: np.ndarray, scores: np.ndarray, scorer: Scorer, least_s: float, longest_s: float = 3.5
) -> np.ndarray:
    """Choose the borders whose scores and lengths between them are the likeliest together.

    Dynamic programming over the candidates: the sum of scores less `trust` times the log-normal's fall from its top.
    Lengths over `longest_s` may hold a rest and are all alike.

    Parameters
    ----------
    cells : ndarray
        Shape (candidates,), rising; in cells, or on any clock of 100 a second.
    scores : ndarray
        float64, shape (candidates,).
    scorer : Scorer
        The prior on lengths.
    least_s : float
        No two borders come closer than this, but forced ones.

    Returns
    -------
    ndarray
        Indices of the chosen candidates, rising.
    """
    count = len(cells)
    best = np.zeros(count)
    before = np.full(count, -1)
    penalties = _penalties(scorer, longest_s)
    farthest = len(penalties) - 1
    is_forced = scores > _FORCED / 2
    first = 0
    # The best row that ends more than the table's length ago: it costs the same for all.
    best_far, far = -np.inf, -1
    for i in range(count):
        while cells[i] - cells[first] >= farthest:
            if best[first] > best_far:
                best_far, far = best[first], first
            first += 1
        lengths_n = np.round(cells[i] - cells[first:i]).astype(np.int64)
        totals = best[first:i] - penalties[lengths_n]
        too_close = (lengths_n < least_s * CELLS_PER_S) & ~is_forced[first:i]
        if not is_forced[i]:
            totals[too_close] = -np.inf
        best[i] = 0.0
        if best_far - penalties[-1] > best[i]:
            best[i], before[i] = best_far - penalties[-1], far
        if len(totals) and totals.max() > best[i]:
            before[i] = first + int(totals.argmax())
            best[i] = totals.max()
        best[i] += scores[i]
    chosen: list[int] = []
    i = int(best.argmax()) if count else -1
    while i >= 0:
        chosen.append(i)
        i = int(before[i])
    return np.array(chosen[::-1], np.int64)


def find_pace(nuclei: np.ndarray, activity: Activity) -> np.ndarray:
    """How much faster than slow singing the syllables come: float64, shape (cells,), at least 1.

    Syllables in a second of voice over the 12 s around, drawn to slow singing where little is heard.
    """
    counts = np.zeros(len(activity.active))
    np.add.at(counts, np.clip(nuclei.astype(np.int64), 0, len(counts) - 1), 1.0)
    half = round(_PACE_WINDOW_S * CELLS_PER_S / 2)
    sums = np.concatenate([[0.0], np.cumsum(counts)])
    voice = np.concatenate([[0.0], np.cumsum(activity.active)]) / CELLS_PER_S
    k = np.arange(len(counts))
    start, end = np.maximum(k - half, 0), np.minimum(k + half, len(counts))
    syllables, seconds = sums[end] - sums[start], voice[end] - voice[start]
    per_s = (syllables + _SLOW_PER_S * _PACE_DOUBT_S) / (seconds + _PACE_DOUBT_S)
    return np.asarray(np.clip(per_s / _SLOW_PER_S, 1.0, 3.0))


def forced(scores: np.ndarray, which: np.ndarray) -> np.ndarray:
    """Scores in which the candidates `which` are sure to be chosen."""
    return np.where(which, scores + _FORCED, scores)
