"""Which phrases and sections sing the same: by melody, loudness shape and colour, whatever their timing."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ridebook.measure.features import VocalFeatures
from ridebook.segment.activity import Activity
from ridebook.segment.spans import Kind, Segments, Span, inside

POINTS_N = 40
"""Points that each phrase is told by, evenly over its length."""

_LEVEL_PER_DB = 0.1
_COLOUR_PER_DB = 0.12
_MOST_PITCH_ST = 3.0
_PERIODIC = 0.6
_WARP_N = 4
_LENGTH_RATIO = 1.2
_SHORTEST_N = 60
_COLOUR_GROUPS = ((0, 5), (5, 9), (9, 13), (13, 18), (18, 24), (24, 30))
_BELOW_VOICE_DB = 40.0
_BLOCK_PAIRS_N = 2000
_ROWS_N = 100
_FARTHEST_HEIGHT_ST = 1.5
FARTHEST = 1.0
"""Phrases whose mean distance is under this sing the same. Chosen on singing whose lines repeat."""

_NUMBER = re.compile(r"[\s_\-]*\d+$")
_WORD = re.compile(r"\w+")

SHARE = 0.6
"""A section repeats another where this much of both, by time, are phrases that repeat in the same order."""


def contours(features: VocalFeatures, activity: Activity, phrases: np.ndarray) -> np.ndarray:
    """Melody, loudness and colour of phrases.

    Parameters
    ----------
    features : VocalFeatures
        The take.
    activity : Activity
        Its activity.
    phrases : ndarray
        int64, shape (phrases, 2): first cell and the cell after the last.

    Returns
    -------
    ndarray
        float32, shape (phrases, `POINTS_N`, 8): pitch in semitones (NaN where there is none), level in dB less the
        phrase's mean, and the power of six groups of bands in dB less the row's mean; all weighed as `distances` adds
        them up.
    """
    periodic = (features.periodicity > _PERIODIC) & activity.active
    pitch = np.where(periodic, 12.0 * np.log2(np.maximum(features.pitch_hz, 1.0) / 55.0), np.nan)
    level = np.maximum(features.level_db, np.float32(activity.voice_db - _BELOW_VOICE_DB))
    out = np.full((len(phrases), POINTS_N, 2 + len(_COLOUR_GROUPS)), np.nan, np.float32)
    for i, (start, end) in enumerate(phrases.tolist()):
        edges = np.linspace(start, end, POINTS_N + 1)
        middles = np.minimum(((edges[:-1] + edges[1:]) / 2).astype(np.int64), features.cells_n - 1)
        # A point is the median of the cells around it, which passes over single jumps of the octave.
        near = np.clip(middles[:, None] + np.arange(-3, 4), start, end - 1)
        around = np.sort(pitch[near], axis=1)  # what has no pitch comes last
        known_n = np.isfinite(around).sum(axis=1)
        known = known_n >= 4
        out[i, known, 0] = around[known, known_n[known] // 2]
        rows = level[near].mean(axis=1)
        out[i, :, 1] = (rows - rows.mean()) * _LEVEL_PER_DB
        bands = np.maximum(features.bands_db[middles], np.float32(activity.voice_db - 55.0))
        groups = np.stack([bands[:, a:b].mean(axis=1) for a, b in _COLOUR_GROUPS], axis=1)
        out[i, :, 2:] = (groups - groups.mean(axis=1, keepdims=True)) * _COLOUR_PER_DB
    return out


def distances(told: np.ndarray, pairs: np.ndarray) -> np.ndarray:
    """Mean distance of pairs of phrases along the best way to lay one on the other: float64, shape (pairs,).

    Dynamic time warping (Sakoe and Chiba, "Dynamic programming algorithm optimization for spoken word recognition",
    IEEE Trans. ASSP 26 (1978), 43-49, from memory; symmetric steps, a band of a tenth of the phrase to either side).
    A point is as far off as the pitch, at most 3 semitones (half of that where only one of the two has a pitch), plus
    loudness and colour.

    Parameters
    ----------
    told : ndarray
        float32, shape (phrases, `POINTS_N`, columns), from `contours`.
    pairs : ndarray
        int64, shape (pairs, 2).
    """
    blocks = [pairs[k : k + _BLOCK_PAIRS_N] for k in range(0, len(pairs), _BLOCK_PAIRS_N)]
    return np.concatenate([np.zeros(0), *(_distances(told[block[:, 0]], told[block[:, 1]]) for block in blocks)])


def _distances(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    shifts = np.arange(-_WARP_N, _WARP_N + 1)
    # Column c + 1 stands for the point of the second phrase that is shifts[c] after the first one's.
    row = np.full((len(first), 2 * _WARP_N + 3), np.inf, np.float32)
    row[:, _WARP_N + 1] = 0.0
    for i in range(POINTS_N):
        at = i + shifts
        other = second[:, np.clip(at, 0, POINTS_N - 1)]
        apart = np.abs(other - first[:, i : i + 1])
        one_alone = np.isnan(first[:, i : i + 1, 0]) != np.isnan(other[..., 0])
        pitch = np.where(one_alone, _MOST_PITCH_ST / 2, np.nan_to_num(np.minimum(apart[..., 0], _MOST_PITCH_ST)))
        cost = pitch + apart[..., 1] + apart[..., 2:].mean(axis=2)
        cost[:, (at < 0) | (at >= POINTS_N)] = np.inf
        reached = np.minimum(row[:, 1:-1] + 2.0 * cost, row[:, 2:] + cost)
        row = np.full_like(row, np.inf)
        for c in range(2 * _WARP_N + 1):
            row[:, c + 1] = np.minimum(reached[:, c], row[:, c] + cost[:, c])
    return np.asarray(row[:, _WARP_N + 1] / (2.0 * POINTS_N), np.float64)


def repeated_phrases(features: VocalFeatures, activity: Activity, phrases: np.ndarray) -> list[str]:
    """Name for each phrase that sings what another one does ("A", "B", ...), empty for all others.

    A phrase takes the name of the earlier one that it is nearest to, if it is near enough; a melody that is sung
    higher or much faster is another one.
    """
    if len(phrases) < 2 or not activity.active.any():
        return [""] * len(phrases)
    told = contours(features, activity, phrases)
    length_n = (phrases[:, 1] - phrases[:, 0]).astype(np.float64)
    # Heights of the eighths of each phrase tell most pairs apart before any is warped.
    pitch = told[:, :, 0].reshape(len(phrases), 8, -1)
    known = np.isfinite(pitch)
    heights = np.where(known.any(axis=2), np.where(known, pitch, 0.0).sum(axis=2) / known.sum(axis=2).clip(1), np.nan)
    group = np.arange(len(phrases))
    for first in range(0, len(phrases), _ROWS_N):
        later = np.arange(first, min(first + _ROWS_N, len(phrases)))
        ratio = length_n[later, None] / length_n
        alike = (np.maximum(ratio, 1.0 / ratio) < _LENGTH_RATIO) & (
            np.minimum(length_n[later, None], length_n) >= _SHORTEST_N
        )
        alike &= later[:, None] > np.arange(len(phrases))
        rows, earlier = np.nonzero(alike)
        steps = np.abs(heights[later[rows]] - heights[earlier])
        close = (
            np.nan_to_num(np.minimum(steps, _MOST_PITCH_ST), nan=_MOST_PITCH_ST / 2).mean(axis=1) < _FARTHEST_HEIGHT_ST
        )
        pairs = np.column_stack([earlier, later[rows]])[close]
        apart = distances(told, pairs)
        for k in later.tolist():
            own = np.flatnonzero(pairs[:, 1] == k)
            if len(own) and apart[own].min() < FARTHEST:
                group[k] = group[pairs[own[int(apart[own].argmin())], 0]]
    return named(group.tolist())


def named(groups: Sequence[object]) -> list[str]:
    """Letters in order of time for what occurs more than once, empty for the rest."""
    seen: dict[object, int] = {}
    for key in groups:
        seen[key] = seen.get(key, 0) + 1
    letters: dict[object, str] = {}
    for key in groups:
        if seen[key] > 1 and key not in letters:
            letters[key] = _letters(len(letters))
    return [letters.get(key, "") for key in groups]


def _letters(number: int) -> str:
    """Return A to Z, then AA, AB and so on."""
    return (_letters(number // 26 - 1) if number >= 26 else "") + chr(ord("A") + number % 26)


def sung_name(span: Span) -> str:
    """Name that a phrase or section shares with those that sing the same: what it is called goes before what was heard.

    A section's name without its number ("chorus 2"), a phrase's words without their punctuation; empty where nothing is
    known.
    """
    if span.kind is Kind.SECTION:
        return _said_name(span) or span.repeats
    return " ".join(_WORD.findall(span.label.casefold())) or span.repeats


def repeats_of(segments: Segments, span: Span) -> tuple[Span, ...]:
    """Other phrases, or sections that hold a phrase, that sing the same as `span`, in order of time."""
    if span.kind not in (Kind.PHRASE, Kind.SECTION) or not sung_name(span):
        return ()
    others = segments.phrases if span.kind is Kind.PHRASE else tuple(filter(segments.phrases_of, segments.sections))
    return tuple(other for other in others if other.id != span.id and sung_name(other) == sung_name(span))


def with_repeats(segments: Segments) -> Segments:
    """Segments that were read, in which phrases of the same words, and sections by name or phrases, are repeats."""
    names: list[object] = [sung_name(phrase) or k for k, phrase in enumerate(segments.phrases)]
    phrases = [replace(phrase, repeats=name) for phrase, name in zip(segments.phrases, named(names))]
    sections = sections_by_repeats(segments.sections, phrases)
    return segments.with_spans(Kind.PHRASE, phrases).with_spans(Kind.SECTION, sections)


def sections_by_repeats(sections: Sequence[Span], phrases: Sequence[Span]) -> tuple[Span, ...]:
    """Sections that know which of them sing the same, by what their phrases repeat.

    A section repeats the earlier one with which it shares most, if that is `SHARE` of both by time; what has the name
    of an earlier section ("chorus", "chorus 2") repeats it whatever it shares.
    """
    group: list[object] = list(range(len(sections)))
    rows = [[(p.repeats, p.length_n) for p in inside(tuple(phrases), section)] for section in sections]
    for later, own in enumerate(rows):
        shares = [_shared(rows[earlier], own) for earlier in range(later)]
        name = _said_name(sections[later])
        namesake = next((k for k in range(later) if name and _said_name(sections[k]) == name), None)
        if namesake is not None:
            group[later] = group[namesake]
        elif shares and max(shares) >= SHARE:
            group[later] = group[int(np.argmax(shares))]
    return tuple(replace(section, repeats=name) for section, name in zip(sections, named(group)))


def _said_name(section: Span) -> str:
    return _NUMBER.sub("", section.label.strip()).casefold()


def _shared(first: Sequence[tuple[str, int]], second: Sequence[tuple[str, int]]) -> float:
    """How much of both by time repeats in the same order: the longest common row, weighed by length."""
    total = max(sum(length for _, length in first), sum(length for _, length in second))
    best = np.zeros((len(first) + 1, len(second) + 1))
    for i, (name, length) in enumerate(first):
        for j, (other, other_length) in enumerate(second):
            both = best[i, j] + (min(length, other_length) if name and name == other else 0.0)
            best[i + 1, j + 1] = max(both, best[i, j + 1], best[i + 1, j])
    return float(best[-1, -1]) / total if total else 0.0
