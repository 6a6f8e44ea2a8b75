"""How much of the singer's own dynamics a lane leaves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ridebook.measure.measures import Measures
from ridebook.measure.spans import span_loudness_lufs
from ridebook.ride.lane import Lane
from ridebook.ride.ridden import ridden
from ridebook.segment.spans import Segments, Span


@dataclass(frozen=True, slots=True)
class DynamicsKept:
    """How much of a difference of the singer's is left after the rides.

    Each is the slope of the regression of loudness after the rides on that before: 1 keeps all, 0 is perfectly even.

    Parameters
    ----------
    phrases : float or None
        From phrase to phrase. None where the phrases were equally loud, or are fewer than two.
    words : float or None
        The same for the words, each against the mean of the words of its phrase.
    """

    phrases: float | None
    words: float | None

    @property
    def sentence(self) -> str:
        """Both figures as words that follow a subject; empty where neither is known."""
        inside, between = ("" if kept is None else f"{100 * kept:.0f} %" for kept in (self.words, self.phrases))
        if inside and between:
            return f"keeps {inside} of the dynamics inside phrases, {between} between them"
        if inside:
            return f"keeps {inside} of the dynamics inside phrases"
        return f"keeps {between} of the dynamics between phrases" if between else ""


def dynamics_kept(measures: Measures, segments: Segments, lane: Lane) -> DynamicsKept:
    """Find how much of the singer's dynamics a lane leaves, between phrases and inside them.

    Parameters
    ----------
    measures : Measures
        Measures of the pair.
    segments : Segments
        Its phrases and words.
    lane : Lane
        The rides.
    """
    vocal = ridden(measures.vocal, lane, 0.0)
    owned = [(word, p) for p, phrase in enumerate(segments.phrases) for word in segments.words_of(phrase)]
    words, phrases_of = tuple(word for word, _ in owned), np.array([p for _, p in owned], np.int64)

    def slope(spans: tuple[Span, ...], groups: np.ndarray) -> float | None:
        """Slope of the loudness of spans after on that before, each against the mean of its group."""
        if len(spans) < 2:
            return None
        starts_n, ends_n = np.array([(span.start_n, span.end_n) for span in spans]).T
        before_lufs = span_loudness_lufs(measures.vocal, starts_n, ends_n)
        after_lufs = span_loudness_lufs(vocal, starts_n, ends_n)
        sounds = np.isfinite(before_lufs)
        before_lufs, after_lufs, groups = before_lufs[sounds], after_lufs[sounds], groups[sounds]
        if len(before_lufs) < 2:
            return None
        members_n = np.maximum(np.bincount(groups), 1)
        apart = before_lufs - (np.bincount(groups, before_lufs) / members_n)[groups]
        if np.abs(apart).max() < 1e-6:
            return None
        apart_after = after_lufs - (np.bincount(groups, after_lufs) / members_n)[groups]
        return float((apart * apart_after).sum() / (apart**2).sum())

    phrases = segments.phrases
    return DynamicsKept(slope(phrases, np.zeros(len(phrases), np.int64)), slope(words, phrases_of))
