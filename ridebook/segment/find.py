"""Phrases, words, breaths, sibilants, plosives and sections of a vocal, found from the audio alone."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ridebook.measure.features import VocalFeatures, points_n
from ridebook.measure.measures import Measures
from ridebook.segment.activity import Activity, find_activity, runs
from ridebook.segment.borders import (
    PACE_POWER,
    PHRASE_SCORER,
    WORD_SCORER,
    Candidates,
    Scorer,
    best_row,
    find_candidates,
    find_pace,
    forced,
    phrase_features,
    word_features,
)
from ridebook.segment.change import find_change
from ridebook.segment.noises import find_breaths, find_sibilants
from ridebook.segment.nuclei import nuclei_cells
from ridebook.segment.plosives import POP, find_plosives
from ridebook.segment.repeats import repeated_phrases, sections_by_repeats
from ridebook.segment.sections import find_sections
from ridebook.segment.spans import Kind, Segments, Span
from ridebook.segment.steps import find_steps

WORD_AFTER_PAUSE_N = 20
"""After a pause of this many cells a word begins, whatever the scores say."""

PHRASE_AFTER_PAUSE_N = 40
"""After a pause of this many cells a phrase begins."""

_SHORTEST_WORD_S = 0.15
_SHORTEST_PHRASE_S = 0.5
_NO_CELLS = np.zeros((0, 2), np.int64)


@dataclass(frozen=True, eq=False)
class Found:
    """Stretches found, each int64 of shape (stretches, 2): first cell and the cell after the last.

    `pops` says of each plosive whether it thumps on the microphone, `repeats` of each phrase what it sings again.
    """

    phrases: np.ndarray
    words: np.ndarray
    breaths: np.ndarray
    sibilants: np.ndarray
    plosives: np.ndarray
    pops: np.ndarray
    repeats: tuple[str, ...] = ()


def find_segments(features: VocalFeatures, measures: Measures) -> Segments:
    """Phrases, words, breaths, sibilants, plosives and sections of a vocal.

    Parameters
    ----------
    features : VocalFeatures
        The vocal's features.
    measures : Measures
        The pair's measures; the bed serves the sections.

    Returns
    -------
    Segments
        All spans found, without labels but for "pop" on a plosive that thumps. Empty where the vocal is silent. A
        phrase begins where a word does; words do not overlap and cover their phrase but for its pauses.
    """
    found = find_cells(features)
    frames = points_n(0, features.cells_n + 1, features.rate_hz)
    frames[-1] = features.frames_n

    def spans(kind: Kind, letter: str, digits: int, cells: np.ndarray) -> tuple[Span, ...]:
        return tuple(
            Span(f"{letter}{i:0{digits}d}", kind, int(frames[start]), int(frames[end]))
            for i, (start, end) in enumerate(cells.tolist(), start=1)
        )

    plosives = spans(Kind.PLOSIVE, "t", 4, found.plosives)
    sections = spans(Kind.SECTION, "s", 2, find_sections(found.phrases, measures.bed, features.cells_n))
    phrases = spans(Kind.PHRASE, "p", 3, found.phrases)
    phrases = tuple(replace(span, repeats=name) for span, name in zip(phrases, found.repeats))
    return Segments(
        sections=sections_by_repeats(sections, phrases),
        phrases=phrases,
        words=spans(Kind.WORD, "w", 4, found.words),
        breaths=spans(Kind.BREATH, "b", 3, found.breaths),
        sibilants=spans(Kind.SIBILANT, "x", 3, found.sibilants),
        plosives=tuple(replace(span, label=POP if pop else "") for span, pop in zip(plosives, found.pops)),
    )


def doubts(features: VocalFeatures) -> tuple[str, ...]:
    """Sentences for the user on what the words found in a vocal are worth.

    Without a voice to its vowels a whisper's words cannot be told from its syllables: on synthesized whispers as many
    words are found as there are nuclei.
    """
    activity = find_activity(features)
    if activity.active.any() and activity.is_whispered:
        return (
            "The vocal is whispered: its words cannot be told from its syllables, so that what is marked as a word is "
            "rather a syllable. A lyric laid on it puts the words right.",
        )
    return ()


def find_cells(
    features: VocalFeatures, word_scorer: Scorer = WORD_SCORER, phrase_scorer: Scorer = PHRASE_SCORER
) -> Found:
    """Phrases, words, breaths, sibilants and plosives in cells of the grid.

    Parameters
    ----------
    features : VocalFeatures
        The vocal's features.
    word_scorer, phrase_scorer : Scorer
        What weighs the borders.

    Returns
    -------
    Found
    """
    activity = find_activity(features)
    if not activity.active.any():
        return Found(_NO_CELLS, _NO_CELLS, _NO_CELLS, _NO_CELLS, _NO_CELLS, np.zeros(0, bool))
    sibilants = find_sibilants(features, activity)
    breaths = find_breaths(features, activity, sibilants)
    plosives, pops = find_plosives(features, activity, sibilants)
    activity = _without(activity, breaths)
    change = find_change(features, activity)
    pace = find_pace(nuclei_cells(features, activity), activity)
    candidates = find_candidates(change, activity, sibilants, find_steps(features, activity))
    candidates, pauses_n = _with_pauses(candidates, activity)
    word_scores = candidates.best(word_scorer.scores(word_features(change, pace)))
    word_scores = forced(word_scores, candidates.is_step | (pauses_n >= WORD_AFTER_PAUSE_N))
    clock_n = np.cumsum(pace**PACE_POWER)[candidates.cells]
    word_starts = best_row(clock_n, word_scores, word_scorer, _SHORTEST_WORD_S)
    cells = candidates.cells[word_starts]
    phrase_scores = candidates.best(phrase_scorer.scores(phrase_features(change)))
    phrase_scores = forced(phrase_scores, pauses_n >= PHRASE_AFTER_PAUSE_N)[word_starts]
    firsts = best_row(cells, phrase_scores, phrase_scorer, _SHORTEST_PHRASE_S)
    words = _ended(cells, activity)
    lasts = np.append(firsts[1:], len(words)) - 1
    phrases = np.column_stack([words[firsts, 0], words[lasts, 1]])
    repeats = tuple(repeated_phrases(features, activity, phrases))
    return Found(phrases, words, breaths, sibilants, plosives, pops, repeats)


def _without(activity: Activity, breaths: np.ndarray) -> Activity:
    active = activity.active.copy()
    for start, end in breaths:
        active[start:end] = False
    # What is left of a stretch around a breath may be too short to be a voice.
    for start, end in runs(active):
        if end - start < 4:
            active[start:end] = False
    return replace(activity, active=active) if active.any() else activity


def _with_pauses(candidates: Candidates, activity: Activity) -> tuple[Candidates, np.ndarray]:
    """Candidates with the starts of the voice among them, and the length of the pause before each (0: none)."""
    active = runs(activity.active)
    pauses = np.diff(np.concatenate([[-PHRASE_AFTER_PAUSE_N], active.ravel()]))[::2]
    cells, evidence = candidates.cells.tolist(), list(candidates.evidence)
    rows: dict[int, tuple[int, np.ndarray, bool]] = {}
    taken: set[int] = set()
    for (start, end), pause in zip(active.tolist(), pauses.tolist()):
        first, last = np.searchsorted(candidates.cells, [start - 10, min(start + 9, end)]).tolist()
        near = [i for i in range(first, last) if i not in taken]
        spoken = np.concatenate([evidence[i] for i in near]) if near else np.array([start])
        taken.update(near)
        rows[start] = (pause, spoken, False)
    for i, cell in enumerate(cells):
        if i not in taken:
            rows.setdefault(cell, (0, evidence[i], bool(candidates.is_step[i])))
    order = sorted(rows)
    return (
        Candidates(
            np.array(order, np.int64),
            tuple(rows[cell][1] for cell in order),
            np.array([rows[cell][2] for cell in order], bool),
        ),
        np.array([rows[cell][0] for cell in order], np.int64),
    )


def _ended(starts: np.ndarray, activity: Activity) -> np.ndarray:
    """Give each start the end of the last sound before the next start."""
    ends = np.append(starts[1:], len(activity.active))
    last_active = np.maximum.accumulate(np.where(activity.active, np.arange(len(activity.active)), -1))
    return np.column_stack([starts, np.maximum(np.minimum(last_active[ends - 1] + 1, ends), starts + 1)])
