"""Phrases, words, breaths, sibilants and sections of a vocal, found from the audio alone."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from ridebook.measure.features import VocalFeatures, points_n
from ridebook.measure.measures import Measures
from ridebook.segment.activity import Activity, find_activity, runs
from ridebook.segment.spans import Kind, Segments, Span

_PHRASE_GAP_N = 25


def find_segments(features: VocalFeatures, measures: Measures) -> Segments:
    """Phrases, words, breaths, sibilants and sections of a vocal.

    Parameters
    ----------
    features : VocalFeatures
        The vocal's features.
    measures : Measures
        The pair's measures; the bed serves the sections only.

    Returns
    -------
    Segments
        All spans found, without labels. Empty where the vocal is silent.
    """
    activity = find_activity(features)
    words = _words(features, activity)
    phrases = _phrases(words)
    frames = points_n(0, features.cells_n + 1, features.rate_hz)
    if len(frames):
        frames[-1] = features.frames_n

    def spans(kind: Kind, letter: str, digits: int, cells: list[tuple[int, int]]) -> tuple[Span, ...]:
        return tuple(
            Span(f"{letter}{i:0{digits}d}", kind, int(frames[start]), int(frames[end]))
            for i, (start, end) in enumerate(cells, start=1)
        )

    return Segments(
        phrases=spans(Kind.PHRASE, "p", 3, phrases),
        words=spans(Kind.WORD, "w", 4, words),
    )


def _words(features: VocalFeatures, activity: Activity) -> list[tuple[int, int]]:
    rise = np.zeros(features.cells_n)
    level = np.maximum(activity.level_db, activity.voice_db - 40.0)
    sums = np.concatenate([[0.0], np.cumsum(level)])
    k = np.arange(6, features.cells_n - 8)
    rise[6 : features.cells_n - 8] = (sums[k + 8] - sums[k]) / 8 - (sums[k] - sums[k - 6]) / 6
    words = []
    for start, end in runs(activity.active):
        borders = [int(start)]
        for cell in range(start + 15, end - 15):
            is_top = rise[cell] == rise[cell - 10 : cell + 11].max()
            if is_top and rise[cell] > 6.0 and cell - borders[-1] >= 15:
                borders.append(cell)
        borders.append(int(end))
        words += list(pairwise(borders))
    return words


def _phrases(words: list[tuple[int, int]]) -> list[tuple[int, int]]:
    phrases: list[tuple[int, int]] = []
    for start, end in words:
        if phrases and start - phrases[-1][1] < _PHRASE_GAP_N:
            phrases[-1] = (phrases[-1][0], end)
        else:
            phrases.append((start, end))
    return phrases
