"""Runs of words: the stretches of a phrase that stand at one level, each of which takes one gain.

A phrase is cut at its words, at clear dips between syllables and at steps of level inside long words, and the parts
are joined again to the fewest runs that the differences of level are worth. So one word that was sung away from the
microphone becomes a run of its own, whatever the borders found beside it, and a phrase in which the levels differ by no
more than a singer's own dynamics stays one run.

All constants are choices of this program, made on sung and on synthesized voices with known damage; no source.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Set
from dataclasses import dataclass

import numpy as np

from ridebook.measure.loudness import loudness_lufs
from ridebook.measure.measures import CELLS_PER_S, StemMeasures
from ridebook.segment.spans import Segments, Span

SYLLABLE_S = (0.35, 0.6)
"""Where two values stand below, the first is for syllables so quick, the second for syllables so slow."""
WORD_COST = (0.5, 1.5)
"""What a border at a word must gain in squared error, dB squared, for the runs beside it to be split there."""
DIP_COST = (1.0, 3.0)
"""The same at a dip between syllables that is no word's border: quick ones are words of their own more often than not,
slow ones are parts of a word."""
STEP_COST = 10.0
"""The same at a step of level inside a word: a note that is a little louder is no reason for a ride."""

DIP_DB = 7.0
DIP_REACH_S = 0.2
DIP_NEAR_S = 0.05
"""A dip lies this far under the highest levels this far before and after it, and this far from a word's border."""
DIP_LATE_CELLS = 2
"""A syllable begins this much after the lowest cell of the dip before it, in the middle of 320 spoken words."""

STEP_DB = 3.0
STEP_REACH_S = 0.3
STEP_SKIP_S = 0.02
STEP_NEAR_S = 0.3
"""A step is a change of the mean level of the stretches before and after it, a little left out between."""

HISS_NEAR_S = 0.03
"""A border this near the start of a sibilant is one at the sibilant."""

SHORTEST_S = 0.13
SHORTEST_SLOW_S = 0.3
"""No run is shorter, where syllables are quick and where they are slow: what is, is a sound of a word and no word."""
STEP_SHORTEST_S = 0.5
"""The same for a run that a step begins or ends, where syllables are slow: what is shorter is a swell of the note."""
TOO_SHORT_COST = 100.0

SETTLED_S = 0.3
"""A part this long weighs half as much as one without end: short ones vary more by nature."""
FAINT_LU = (-14.0, -10.0)
"""Against the middle of its phrase: no part of the level, and wholly part of it."""
BRIEF_FAINT_LU = (-8.0, -4.0)
BRIEF_S = (0.15, 0.35)
"""The same for a part that is brief, and where that ends: consonants are faint by nature."""
SILENT_LU = -25.0
"""Under the loud parts of the song: not voice."""


@dataclass(frozen=True, slots=True)
class Run:
    """A stretch at one level.

    Parameters
    ----------
    phrase : int
        Number of its phrase.
    start_n, end_n : int
        Where, in frames.
    words : tuple of Span
        Words whose middle it holds.
    own_lufs : float
        Loudness of the vocal over it, sibilants left out.
    """

    phrase: int
    start_n: int
    end_n: int
    words: tuple[Span, ...]
    own_lufs: float

    @property
    def length_n(self) -> int:
        """Length in frames."""
        return self.end_n - self.start_n

    @property
    def middle_n(self) -> int:
        """Frame in the middle."""
        return (self.start_n + self.end_n) // 2


def find_runs(
    vocal: StemMeasures, segments: Segments, least_db: float, quiet_ids: Set[str] = frozenset()
) -> tuple[Run, ...]:
    """Find the runs of all phrases, in order of time.

    Parameters
    ----------
    vocal : StemMeasures
        The vocal's powers.
    segments : Segments
        Its spans.
    least_db : float
        Least difference of level between two runs of a phrase, in dB; infinite for one run a phrase.
    quiet_ids : set of str
        Words that are meant to be quiet: they tell nothing about the level of their run.

    Returns
    -------
    tuple of Run
        Each phrase is covered by its runs without gaps.
    """
    voice = _Voice.of(vocal, segments)
    dips = _dips(vocal)
    slow = _slowness(dips, segments, vocal.rate_hz)
    word_cost, dip_cost, shortest_s = (
        quick + slow * (held - quick) for quick, held in (WORD_COST, DIP_COST, (SHORTEST_S, SHORTEST_SLOW_S))
    )
    cuts = (
        (dips, DIP_NEAR_S, dip_cost, shortest_s),
        (_steps(vocal), STEP_NEAR_S, STEP_COST, max(shortest_s, slow * STEP_SHORTEST_S)),
    )
    hisses = [(span.start_n, span.middle_n) for span in segments.sibilants]
    runs: list[Run] = []
    middles = [word.middle_n for word in segments.words]
    for p, phrase in enumerate(segments.phrases):
        words = segments.words[bisect_left(middles, phrase.start_n) : bisect_left(middles, phrase.end_n)]
        shortest: dict[int, float] = {}
        costs = {phrase.start_n: word_cost, phrase.end_n: word_cost}
        if np.isfinite(least_db):
            costs |= {word.start_n: word_cost for word in words[1:]}
            borders = np.array(sorted(costs))
            # Where a lyric says which words there are, a dip between two syllables is inside one of them.
            known = bool(words) and all(word.label for word in words)
            for places, near_s, cost, least_s in cuts[known:]:
                inner = places[np.searchsorted(places, phrase.start_n) : np.searchsorted(places, phrase.end_n)]
                away = np.abs(inner[:, None] - borders).min(axis=1, initial=vocal.frames_n) > near_s * vocal.rate_hz
                shortest |= {n: least_s for n in inner[away].tolist() if n not in costs}
                costs |= {n: cost for n in inner[away].tolist() if n not in costs}
        edges = np.array(sorted(costs))
        energy, lengths_n = voice.parts(edges)
        levels = np.maximum(loudness_lufs(energy / lengths_n), voice.silent_lufs)
        counts = _counts(levels, lengths_n / vocal.rate_hz)
        for word in words:
            if word.id in quiet_ids:
                counts[(edges[:-1] >= word.start_n) & (edges[:-1] < word.end_n)] = 1e-3
        weights = counts * lengths_n / (lengths_n + SETTLED_S * vocal.rate_hz)
        energy, lengths_n = counts * energy, counts * lengths_n
        border_costs = np.array([costs[n] for n in edges.tolist()])
        shortest_n = np.array([shortest.get(n, shortest_s) for n in edges.tolist()]) * vocal.rate_hz
        split = _split(edges, levels, weights, border_costs, shortest_n)
        for first, last in _joined(split, levels, weights, least_db):
            start_n, end_n = (_in_hiss(int(n), hisses, vocal.rate_hz) for n in edges[[first, last]])
            own = loudness_lufs(energy[first:last].sum() / lengths_n[first:last].sum())
            held = tuple(word for word in words if start_n <= word.middle_n < end_n)
            runs.append(Run(p, start_n, end_n, held, max(float(own), voice.silent_lufs)))
    return tuple(runs)


def _slowness(dips: np.ndarray, segments: Segments, rate_hz: int) -> float:
    """0 to 1: how far the syllables are from quick ones, that are words of their own more often than not."""
    starts, ends = (np.array([getattr(phrase, side) for phrase in segments.phrases]) for side in ("start_n", "end_n"))
    if not len(starts):
        return 1.0
    syllables_n = (np.searchsorted(dips, ends) - np.searchsorted(dips, starts) + 1).sum()
    length_s = float((ends - starts).sum()) / rate_hz / syllables_n
    return float(np.clip((length_s - SYLLABLE_S[0]) / (SYLLABLE_S[1] - SYLLABLE_S[0]), 0.0, 1.0))


def _counts(levels: np.ndarray, lengths_s: np.ndarray) -> np.ndarray:
    """How far each part of a phrase is voice that has a say in the level, nearly 0 to 1."""
    order = np.argsort(levels)
    # The middle of the amplitude, so that pauses count for little.
    upto = np.cumsum((lengths_s * 10.0 ** (levels / 20.0))[order])
    middle = levels[order][np.searchsorted(upto, 0.5 * upto[-1])]
    brief = np.clip((BRIEF_S[1] - lengths_s) / (BRIEF_S[1] - BRIEF_S[0]), 0.0, 1.0)
    nothing, wholly = (middle + least + brief * (most - least) for least, most in zip(FAINT_LU, BRIEF_FAINT_LU))
    return np.asarray(np.clip((levels - nothing) / (wholly - nothing), 1e-3, 1.0))


def _in_hiss(border_n: int, hisses: list[tuple[int, int]], rate_hz: int) -> int:
    """Move a border at the start of a sibilant to its middle.

    Which of two words a sibilant between them belongs to is not known, and a move is best hidden in it.
    """
    k = bisect_left(hisses, (border_n - round(HISS_NEAR_S * rate_hz), 0))
    if k < len(hisses) and abs(hisses[k][0] - border_n) <= HISS_NEAR_S * rate_hz:
        return hisses[k][1]
    return border_n


@dataclass(frozen=True, eq=False)
class _Voice:
    """Energy of the vocal without its sibilants, summed up to each point of the grid."""

    grid_n: np.ndarray
    energy: np.ndarray
    voiced_n: np.ndarray
    silent_lufs: float

    @classmethod
    def of(cls, vocal: StemMeasures, segments: Segments) -> _Voice:
        grid_n = vocal.grid_n
        cells_n = np.diff(grid_n).astype(np.float64)
        for span in segments.sibilants:
            first, last = np.searchsorted(grid_n, [span.start_n, span.end_n])
            cells_n[first:last] = 0.0
        loud = loudness_lufs(np.quantile(vocal.cell_power, 0.99)) if len(cells_n) else -np.inf
        return cls(
            grid_n.astype(np.float64),
            np.concatenate([[0.0], np.cumsum(cells_n * vocal.cell_power)]),
            np.concatenate([[0.0], np.cumsum(cells_n)]),
            max(float(loud) + SILENT_LU, -120.0),
        )

    def parts(self, edges: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Energy and length in frames of the parts between edges; a part of sibilants alone has next to no length."""
        energy = np.diff(np.interp(edges, self.grid_n, self.energy))
        return np.maximum(energy, 0.0), np.maximum(np.diff(np.interp(edges, self.grid_n, self.voiced_n)), 1.0)


def _level(vocal: StemMeasures, power: np.ndarray, floor_lu: float) -> np.ndarray:
    loud = np.quantile(vocal.cell_power, 0.99) if len(power) else 1.0
    return loudness_lufs(np.maximum(power, max(loud * 10.0 ** (floor_lu / 10.0), 1e-12)))


def _highest(values: np.ndarray, reach: int) -> np.ndarray:
    """Highest value within `reach` cells on either side; shape of `values`."""
    padded = np.pad(values, reach, constant_values=-np.inf)
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1).max(axis=1))


def _dips(vocal: StemMeasures) -> np.ndarray:
    """Frames at which the vocal's level dips between two syllables."""
    reach = round(DIP_REACH_S * CELLS_PER_S)
    if len(vocal.cell_power) < 2 * reach + 1:
        return np.zeros(0, dtype=np.int64)
    smooth = np.convolve(vocal.cell_power, np.full(5, 0.2), mode="same")
    level = _level(vocal, smooth, 2.0 * SILENT_LU)
    highest = np.lib.stride_tricks.sliding_window_view(level, reach).max(axis=1)
    k = np.arange(reach, len(level) - reach)
    depth = np.minimum(highest[k - reach], highest[k + 1]) - level[k]
    lowest = -_highest(-level, reach // 2)
    k = k[(depth >= DIP_DB) & (level[k] <= lowest[k])]
    # Of a silence the last cell.
    k = k[np.append(np.diff(k) > 1, True)] if len(k) else k
    return np.asarray(vocal.grid_n[np.minimum(k + DIP_LATE_CELLS, len(level))])


def _steps(vocal: StemMeasures) -> np.ndarray:
    """Frames at which the vocal's level steps up or down and stays there for a while."""
    reach, skip = round(STEP_REACH_S * CELLS_PER_S), round(STEP_SKIP_S * CELLS_PER_S)
    level = _level(vocal, vocal.cell_power, SILENT_LU)
    sums = np.concatenate([[0.0], np.cumsum(level)])
    k = np.arange(reach + skip, len(level) - reach - skip)
    if not len(k):
        return np.zeros(0, dtype=np.int64)
    step_db = np.zeros(len(level))
    after, before = sums[k + skip + reach] - sums[k + skip], sums[k - skip] - sums[k - skip - reach]
    step_db[k] = np.abs(after - before) / reach
    tops = np.flatnonzero((step_db >= STEP_DB) & (step_db >= _highest(step_db, reach)))
    return np.asarray(vocal.grid_n[tops])


def _split(
    edges: np.ndarray, levels: np.ndarray, weights: np.ndarray, costs: np.ndarray, shortest_n: np.ndarray
) -> list[tuple[int, int]]:
    """Split of a row of levels into runs, least in squared error plus the cost of the borders between runs.

    Exact, by dynamic programming over the end of the last run. `costs` and `shortest_n` have one value for each edge of
    the row; a run shorter than that of either of its ends is left only where there is no other.
    """
    size = len(levels)
    mass = np.concatenate([[0.0], np.cumsum(weights)])
    moment = np.concatenate([[0.0], np.cumsum(weights * levels)])
    square = np.concatenate([[0.0], np.cumsum(weights * levels**2)])
    best = np.zeros(size + 1)
    best[0] = -costs[0]
    cut = np.zeros(size + 1, dtype=np.int64)
    for k in range(1, size + 1):
        error = square[k] - square[:k] - (moment[k] - moment[:k]) ** 2 / (mass[k] - mass[:k])
        too_short = edges[k] - edges[:k] < np.maximum(shortest_n[:k], shortest_n[k])
        total = best[:k] + costs[:k] + error + TOO_SHORT_COST * too_short
        cut[k] = int(np.argmin(total))
        best[k] = total[cut[k]]
    runs = []
    k = size
    while k > 0:
        runs.append((int(cut[k]), k))
        k = int(cut[k])
    return runs[::-1]


def _joined(
    runs: list[tuple[int, int]], levels: np.ndarray, weights: np.ndarray, least_db: float
) -> list[tuple[int, int]]:
    """Join neighbours that stand less than `least_db` apart, the nearest first."""
    mass, moment = (np.concatenate([[0.0], np.cumsum(row)]) for row in (weights, weights * levels))
    while len(runs) > 1:
        edges = [first for first, _ in runs] + [runs[-1][1]]
        apart = np.abs(np.diff(np.diff(moment[edges]) / np.diff(mass[edges])))
        k = int(np.argmin(apart))
        if apart[k] >= least_db:
            break
        runs = [*runs[:k], (runs[k][0], runs[k + 1][1]), *runs[k + 2 :]]
    return runs
