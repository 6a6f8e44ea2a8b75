"""Spans of the vocal: sections, phrases, words, breaths, sibilants and plosives."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable
from copy import copy
from dataclasses import dataclass
from enum import StrEnum

from ridebook.errors import SegmentError

LOW_CONFIDENCE = 0.5
"""Words that begin less surely than this are to be looked at."""


class Kind(StrEnum):
    """What a span is."""

    SECTION = "section"
    PHRASE = "phrase"
    WORD = "word"
    BREATH = "breath"
    SIBILANT = "sibilant"
    PLOSIVE = "plosive"


class Origin(StrEnum):
    """Where a span comes from. What came by hand is never moved by a later analysis."""

    FOUND = "found"
    LYRIC = "lyric"
    FILE = "file"
    HAND = "hand"


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of the vocal.

    Parameters
    ----------
    id : str
        Stable for the life of a session, unique over all kinds.
    kind : Kind
        Section, phrase, word, breath, sibilant or plosive.
    start_n, end_n : int
        Frames at the pair's rate, counted from the vocal file's first frame; ``start_n < end_n``.
    label : str
        The lyric's word or line, a section's name; empty where none is known.
    origin : Origin
        Where the span comes from.
    confidence : float or None
        For a word that a lyric was laid by: how likely its start is right, 0 to 1. None where nothing is known, or
        where a person or a file set it.
    repeats : str
        Phrases, and sections, that sing the same share a name here ("A", "B"); empty where nothing repeats.
    """

    id: str
    kind: Kind
    start_n: int
    end_n: int
    label: str = ""
    origin: Origin = Origin.FOUND
    confidence: float | None = None
    repeats: str = ""

    @property
    def length_n(self) -> int:
        """Length in frames."""
        return self.end_n - self.start_n

    @property
    def middle_n(self) -> int:
        """Frame in the middle."""
        return (self.start_n + self.end_n) // 2

    @property
    def doubtful(self) -> bool:
        """Whether somebody should look where it begins."""
        return self.confidence is not None and self.confidence < LOW_CONFIDENCE


def _checked(spans: Iterable[Span], kind: Kind) -> tuple[Span, ...]:
    ordered = tuple(sorted(spans, key=lambda span: (span.start_n, span.end_n)))
    before = None
    for span in ordered:
        if span.kind is not kind and span.kind != kind:
            raise SegmentError(f"{span.id} is a {span.kind}, but was given among the {kind}s")
        if span.end_n <= span.start_n:
            raise SegmentError(f"{kind} {span.id} ends at frame {span.end_n}, not after its start at {span.start_n}")
        if before is not None and span.start_n < before.end_n:
            raise SegmentError(f"{kind}s {before.id} and {span.id} overlap at frame {span.start_n}")
        before = span
    return ordered


@dataclass(frozen=True, slots=True)
class Segments:
    """All spans of one vocal, each kind in order of time and without overlap.

    A word belongs to the phrase that holds its middle, a phrase to the section that holds its middle.

    Raises
    ------
    SegmentError
        A span is empty, overlaps another of its kind, or stands under the wrong kind.
    """

    sections: tuple[Span, ...] = ()
    phrases: tuple[Span, ...] = ()
    words: tuple[Span, ...] = ()
    breaths: tuple[Span, ...] = ()
    sibilants: tuple[Span, ...] = ()
    plosives: tuple[Span, ...] = ()

    def __post_init__(self) -> None:
        for name, kind in (
            ("sections", Kind.SECTION),
            ("phrases", Kind.PHRASE),
            ("words", Kind.WORD),
            ("breaths", Kind.BREATH),
            ("sibilants", Kind.SIBILANT),
            ("plosives", Kind.PLOSIVE),
        ):
            object.__setattr__(self, name, _checked(getattr(self, name), kind))

    def all_spans(self) -> tuple[Span, ...]:
        """Every span, sections first, each kind in order of time."""
        return self.sections + self.phrases + self.words + self.breaths + self.sibilants + self.plosives

    def words_of(self, phrase: Span) -> tuple[Span, ...]:
        """Words whose middle lies in `phrase`."""
        return inside(self.words, phrase)

    def phrases_of(self, section: Span) -> tuple[Span, ...]:
        """Phrases whose middle lies in `section`."""
        return inside(self.phrases, section)

    def section_of(self, span: Span) -> Span | None:
        """Section that holds the middle of `span`, or None."""
        return holder(self.sections, span.middle_n)

    def phrase_of(self, span: Span) -> Span | None:
        """Phrase that holds the middle of `span`, or None."""
        return holder(self.phrases, span.middle_n)

    def cell_of(self, phrase: Span, frames_n: int) -> tuple[int, int]:
        """Stretch of the lane that `phrase` owns.

        From the middle of the gap before it to the middle of the gap after it; the first phrase owns
        from frame 0, the last to `frames_n`.

        Returns
        -------
        tuple of int
            First frame and the frame after the last.
        """
        i = self.phrases.index(phrase)
        start = 0 if i == 0 else (self.phrases[i - 1].end_n + phrase.start_n) // 2
        last = i == len(self.phrases) - 1
        end = frames_n if last else (phrase.end_n + self.phrases[i + 1].start_n) // 2
        return start, end

    def with_spans(self, kind: Kind, spans: Iterable[Span]) -> Segments:
        """Copy in which the spans of `kind` are replaced; the tuples of the others are the same ones."""
        made = copy(self)
        object.__setattr__(made, f"{kind.value}s", _checked(spans, kind))
        return made

    def words_by_phrase(self) -> dict[str, tuple[Span, ...]]:
        """Words of every phrase by its id, as `words_of` gives them, in one go."""
        held: dict[str, tuple[Span, ...]] = {}
        middles = [word.middle_n for word in self.words]
        for phrase in self.phrases:
            first = bisect_left(middles, phrase.start_n)
            held[phrase.id] = self.words[first : bisect_left(middles, phrase.end_n, lo=first)]
        return held


def holder(spans: tuple[Span, ...], frame_n: int) -> Span | None:
    """Span of a sorted tuple without overlaps that holds `frame_n`, or None."""
    i = bisect_right(spans, frame_n, key=lambda span: span.start_n) - 1
    if i >= 0 and frame_n < spans[i].end_n:
        return spans[i]
    return None


def inside(spans: tuple[Span, ...], outer: Span) -> tuple[Span, ...]:
    """Spans of a sorted tuple without overlaps whose middle lies in `outer`."""
    first = bisect_left(spans, outer.start_n, key=lambda span: span.middle_n)
    return spans[first : bisect_left(spans, outer.end_n, lo=first, key=lambda span: span.middle_n)]
