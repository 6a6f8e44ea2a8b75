"""What the timeline shows, brought into arrays that are ready to be looked up at any zoom."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum
from functools import cached_property

import numpy as np

from ridebook.check.standing import Standing, Stands, standing
from ridebook.measure.loudness import MOMENTARY_CELLS, SHORT_TERM_CELLS, WORD_CELLS
from ridebook.measure.measures import ABSENT_LUFS, CELLS_PER_S, Measures, StemMeasures
from ridebook.measure.pyramid import Pyramid
from ridebook.measure.spans import balance_lu, law_db, span_loudness_lufs
from ridebook.ride.lane import Lane
from ridebook.ride.ridden import ridden, ridden_again
from ridebook.ride.suggestion import PhraseSuggestion, Suggestion
from ridebook.segment.spans import Segments, Span
from ridebook.session.document import Session, State


class Window(Enum):
    """Length of the sliding window that loudness and balance are read with, in cells, and its name."""

    WORD = (WORD_CELLS, "word, 150 ms")
    MOMENTARY = (MOMENTARY_CELLS, "momentary, 400 ms")
    SHORT_TERM = (SHORT_TERM_CELLS, "short-term, 3 s")

    @property
    def seconds(self) -> float:
        """Length in seconds."""
        return self.value[0] / CELLS_PER_S

    @property
    def label(self) -> str:
        """What it is called."""
        return self.value[1]


@dataclass(frozen=True, eq=False)
class SpanTable:
    """Spans of one kind as arrays, so that thousands of them can be placed at once."""

    spans: tuple[Span, ...]

    @cached_property
    def starts_n(self) -> np.ndarray:
        """First frames, int64."""
        return np.array([span.start_n for span in self.spans], dtype=np.int64)

    @cached_property
    def ends_n(self) -> np.ndarray:
        """Frames after the last, int64."""
        return np.array([span.end_n for span in self.spans], dtype=np.int64)

    def between(self, start_n: float, end_n: float) -> slice:
        """Which of them lie at least partly within a stretch."""
        return slice(
            int(np.searchsorted(self.ends_n, start_n, side="right")),
            int(np.searchsorted(self.starts_n, end_n, side="left")),
        )

    def holding(self, frames: np.ndarray) -> np.ndarray:
        """Find the span that holds each frame, -1 where there is none."""
        if not self.spans:
            return np.full(np.shape(frames), -1)
        i = np.searchsorted(self.starts_n, frames, side="right") - 1
        return np.where((i >= 0) & (frames < self.ends_n[i]), i, -1)


_FIELDS = frozenset({"session", "measures", "vocal_pyramid", "bed_pyramid", "suggestion", "stands"})


@dataclass(frozen=True, eq=False)
class TimelineData:
    """All that the timeline draws of one song; anything but the session may still be on its way.

    Parameters
    ----------
    session : Session
        The decisions.
    measures : Measures or None
        Powers on the 10 ms grid.
    vocal_pyramid, bed_pyramid : Pyramid or None
        Extremes of the samples.
    suggestion : Suggestion or None
        What the program would do.
    stands : Standing or None
        How the words stand; reckoned here, by their balance, where it is left out.
    """

    session: Session
    measures: Measures | None = None
    vocal_pyramid: Pyramid | None = None
    bed_pyramid: Pyramid | None = None
    suggestion: Suggestion | None = None
    stands: Standing | None = None

    @property
    def rate_hz(self) -> int:
        """The pair's rate."""
        return self.session.vocal.rate_hz

    @property
    def frames_n(self) -> int:
        """Length of the vocal in frames."""
        return self.session.vocal.frames_n

    @property
    def lane(self) -> Lane:
        """The rides."""
        return self.session.lane

    @property
    def segments(self) -> Segments:
        """All spans."""
        return self.session.segments

    @cached_property
    def sections(self) -> SpanTable:
        """The sections."""
        return SpanTable(self.segments.sections)

    @cached_property
    def phrases(self) -> SpanTable:
        """The phrases."""
        return SpanTable(self.segments.phrases)

    @cached_property
    def words(self) -> SpanTable:
        """The words."""
        return SpanTable(self.segments.words)

    @cached_property
    def word_texts(self) -> list[str]:
        """What to write at each word: its label, or its number in the phrase, as in the sheet."""
        owners = self.phrases.holding((self.words.starts_n + self.words.ends_n) // 2)
        texts, number, before = [], 0, -2
        for word, owner in zip(self.words.spans, owners.tolist()):
            number = number + 1 if owner == before else 1
            before = owner
            texts.append(word.label or str(number))
        return texts

    @cached_property
    def doubtful(self) -> np.ndarray:
        """Which words begin doubtfully, bool."""
        return np.array([span.doubtful for span in self.words.spans], dtype=bool)

    @cached_property
    def locked(self) -> np.ndarray:
        """Which phrases are locked, bool."""
        return np.array([self.session.decision(span.id).locked for span in self.phrases.spans], dtype=bool)

    @cached_property
    def struck(self) -> list[PhraseSuggestion]:
        """What was suggested and turned down."""
        decisions = self.session.decisions.values()
        return [said.decided_on for said in decisions if said.state is State.STRUCK and said.decided_on is not None]

    @cached_property
    def ridden(self) -> StemMeasures | None:
        """The vocal's powers with trim and lane on it."""
        return None if self.measures is None else ridden(self.measures.vocal, self.lane, self.session.trim_db)

    @cached_property
    def heard(self) -> Measures | None:
        """The pair's measures with the vocal as ridden."""
        return None if self.measures is None else replace(self.measures, vocal=self.ridden)

    @cached_property
    def borders_n(self) -> np.ndarray:
        """Frames that a breakpoint likes to stand at: borders of phrases and words and middles of gaps, rising."""
        phrases, words = self.phrases, self.words
        gaps = (phrases.ends_n[:-1] + phrases.starts_n[1:]) // 2
        return np.unique(np.concatenate([phrases.starts_n, phrases.ends_n, words.starts_n, words.ends_n, gaps]))

    def after(self, session: Session, stands: Standing | None = None) -> TimelineData:
        """Give the same for another session, keeping what did not change."""
        made = replace(self, session=session, stands=stands)
        kept = self.__dict__
        names = ["vocal_reach", "bed_reach", "loudest_lufs"]
        if session.segments is self.session.segments:
            names += ["sections", "phrases", "words", "word_texts", "doubtful", "borders_n"]
            if session.decisions is self.session.decisions:
                names += ["locked", "struck"]
        made.__dict__.update({name: kept[name] for name in names if name in kept})
        if "ridden" in kept and self.measures is not None and session.trim_db == self.session.trim_db:
            made.__dict__["ridden"] = ridden_again(
                self.measures.vocal, kept["ridden"], self.lane, session.lane, session.trim_db
            )
        return made

    def with_suggestion(self, suggestion: Suggestion | None) -> TimelineData:
        """Give the same with another suggestion."""
        made = replace(self, suggestion=suggestion)
        made.__dict__.update({key: value for key, value in self.__dict__.items() if key not in _FIELDS})
        return made

    @cached_property
    def _aims_lu(self) -> np.ndarray:
        """Aim of every section, then the song's."""
        aims, song_lu = self.session.section_aims, self.session.settings.aim_lu
        return np.array([*(aims.get(span.id, song_lu) for span in self.sections.spans), song_lu])

    def aims_lu(self, frames: np.ndarray) -> np.ndarray:
        """Aim at each frame, in LU: the section's own, or the song's."""
        return self._aims_lu[self.sections.holding(frames)]

    def loudness_lufs(self, which: str, middles_n: np.ndarray, window_n: float) -> np.ndarray:
        """Loudness around each frame of the vocal as ridden (``vocal``) or of the bed (``bed``), in LUFS."""
        stem = self.ridden if which == "vocal" else self.measures.bed
        starts_n, ends_n = self._windows(middles_n, window_n)
        lufs = span_loudness_lufs(stem, starts_n, ends_n)
        if which == "vocal":
            lufs = lufs + law_db(self.measures, self.session.settings.centre_law_db)
        return lufs

    def in_voice(self, frames: np.ndarray) -> np.ndarray:
        """Where the voice sounds: within phrases; everywhere while none are known."""
        return self.phrases.holding(frames) >= 0 if self.phrases.spans else np.ones(len(frames), dtype=bool)

    def _balances_lu(self, spans: SpanTable) -> np.ndarray:
        if self.measures is None or not spans.spans:
            return np.full(len(spans.spans), np.nan)
        return balance_lu(self.heard, spans.starts_n, spans.ends_n, self.session.settings.centre_law_db)

    def _windows(self, middles_n: np.ndarray, window_n: float) -> tuple[np.ndarray, np.ndarray]:
        starts_n = np.clip(middles_n - window_n / 2, 0, self.frames_n - 1)
        ends_n = np.clip(middles_n + window_n / 2, starts_n + 1, self.frames_n)
        return starts_n.astype(np.int64), ends_n.astype(np.int64)

    @cached_property
    def phrase_balances(self) -> np.ndarray:
        """Balance of every phrase with the vocal as ridden, in LU; NaN where there is no bed."""
        return self._balances_lu(self.phrases)

    @cached_property
    def _words_stand(self) -> Stands | None:
        if self.measures is None:
            return None
        return (self.stands or standing(self.session, self.measures)).words

    @property
    def lost(self) -> np.ndarray:
        """Which words are lost, bool."""
        return self._words_stand.lost if self._words_stand is not None else np.zeros(len(self.words.spans), bool)

    @property
    def sunk_share(self) -> np.ndarray:
        """How far each word has sunk, 0 to 1: half where it is just lost."""
        return self._words_stand.sunk if self._words_stand is not None else np.zeros(len(self.words.spans))

    @cached_property
    def vocal_reach(self) -> float:
        """Amplitude at the upper edge of the vocal's wave."""
        return _reach(self.vocal_pyramid, self.frames_n)

    @cached_property
    def bed_reach(self) -> float:
        """Amplitude at the upper edge of the bed's wave."""
        return _reach(self.bed_pyramid, self.frames_n)

    @cached_property
    def loudest_lufs(self) -> float:
        """Loudest momentary loudness of vocal file and bed, on which the loudness strip's range rests."""
        middles_n = np.linspace(0, self.frames_n, 3000)
        starts_n, ends_n = self._windows(middles_n, Window.MOMENTARY.seconds * self.rate_hz)
        both = [span_loudness_lufs(stem, starts_n, ends_n) for stem in (self.measures.vocal, self.measures.bed)]
        return float(max(np.max(lufs, initial=ABSENT_LUFS, where=np.isfinite(lufs)) for lufs in both))


def _reach(pyramid: Pyramid, frames_n: int) -> float:
    low, high = pyramid.envelope(0, frames_n, 2000)
    return max(float(np.max(-low, initial=0.0)), float(np.max(high, initial=0.0)), 1e-6) * 1.1
