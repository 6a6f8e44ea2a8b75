"""Rows of the sheet: which there are, and where everything in them stands."""

from __future__ import annotations

import unicodedata
from bisect import bisect_right
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QFontMetricsF

from ridebook.check.standing import Standing
from ridebook.gui.theme import Theme
from ridebook.ride.suggestion import PhraseSuggestion
from ridebook.segment.spans import Segments, Span
from ridebook.session.document import Session, State

CHANGED_DB = 0.25
"""A suggestion that moved by more than this since it was decided on counts as changed."""


class Filter(StrEnum):
    """Which phrases the sheet shows."""

    ALL = "all"
    OPEN = "open"
    LOST = "lost"
    CHANGED = "changed"
    LOCKED = "locked"
    NOTED = "noted"
    DOUBTFUL = "doubtful"


@dataclass(slots=True)
class WordBox:
    """A word of a row, or a piece of a line whose words are not known by themselves."""

    span: Span | None
    text: str
    rect: QRectF
    numbered: bool = False


@dataclass(slots=True)
class Row:
    """A section's heading or a phrase."""

    span: Span
    is_section: bool
    number: int
    words: list[WordBox] = field(default_factory=list)
    note_top: float = 0.0
    top: float = 0.0
    height: float = 0.0
    laid: tuple[tuple[Span, ...], bool] | None = None
    """The words that it was laid out with, and whether it has a note."""


@dataclass(frozen=True, slots=True)
class Columns:
    """Where the columns of the sheet stand, in pixels from its left; `balance` is None where there is no room."""

    time: float
    words: float
    words_end: float
    balance: float | None
    balance_end: float
    glyph: float
    glyph_end: float
    ride_end: float
    mark: float


def columns(theme: Theme, width: float) -> Columns:
    """Columns for a sheet of this width."""
    px = theme.px
    mark = width - px(20)
    ride_end = mark - px(4)
    glyph_end = ride_end - px(40)
    glyph = glyph_end - px(40)
    balance_end = glyph - px(16)
    roomy = width >= px(400)
    balance = balance_end - px(72) if roomy else None
    words_end = (balance if roomy else glyph) - px(8)
    return Columns(px(16), px(60), words_end, balance, balance_end, glyph, glyph_end, ride_end, mark)


def is_changed(session: Session, suggestion: PhraseSuggestion | None) -> bool:
    """Whether a decided phrase is suggested something else now than what it was decided on."""
    if suggestion is None:
        return False
    decision = session.decision(suggestion.phrase_id)
    if decision.state is State.OPEN or decision.decided_on is None:
        return False
    return abs(decision.decided_on.ride_db - suggestion.ride_db) > CHANGED_DB


def passes(
    wanted: Filter,
    phrase: Span,
    session: Session,
    standing: Standing | None,
    suggestion: PhraseSuggestion | None,
) -> bool:
    """Whether a filter shows a phrase."""
    decision = session.decision(phrase.id)
    match wanted:
        case Filter.OPEN:
            return decision.state is State.OPEN
        case Filter.LOST:
            return standing is not None and phrase.id in standing.lost_phrases
        case Filter.CHANGED:
            return is_changed(session, suggestion)
        case Filter.LOCKED:
            return decision.locked
        case Filter.NOTED:
            return bool(decision.note)
        case Filter.DOUBTFUL:
            return any(word.doubtful for word in session.segments.words_of(phrase))
    return True


def counts_of(
    session: Session, standing: Standing | None, suggestion_of: Callable[[str], PhraseSuggestion | None]
) -> dict[Filter, int]:
    """How many phrases each filter shows; as `passes` of each, without a look at those of which nothing is said."""
    said = session.decisions.values()
    phrases_n = len(session.segments.phrases)
    return {
        Filter.ALL: phrases_n,
        Filter.OPEN: phrases_n - sum(decision.state is not State.OPEN for decision in said),
        Filter.LOST: len(standing.lost_phrases) if standing is not None else 0,
        Filter.CHANGED: sum(is_changed(session, suggestion_of(phrase_id)) for phrase_id in session.decisions),
        Filter.LOCKED: sum(decision.locked for decision in said),
        Filter.NOTED: sum(bool(decision.note) for decision in said),
        Filter.DOUBTFUL: len(doubtful_phrases(session.segments)),
    }


def doubtful_phrases(segments: Segments) -> set[str]:
    """Ids of the phrases with a word whose beginning is doubtful."""
    phrases = (segments.phrase_of(word) for word in segments.words if word.doubtful)
    return {phrase.id for phrase in phrases if phrase is not None}


def rows_of(segments: Segments, shown: set[str]) -> list[Row]:
    """Rows in order of time: the phrases whose ids are in `shown`, each section's heading before its first."""
    rows: list[Row] = []
    last_section: Span | None = None
    for number, phrase in enumerate(segments.phrases, start=1):
        if phrase.id not in shown:
            continue
        section = segments.section_of(phrase)
        if section is not None and section is not last_section:
            rows.append(Row(section, is_section=True, number=segments.sections.index(section) + 1))
        last_section = section
        rows.append(Row(phrase, is_section=False, number=number))
    return rows


def lay_out(
    rows: Iterable[Row], session: Session, theme: Theme, width: float, kept: Mapping[str, Row] | None = None
) -> float:
    """Place all rows and their words; returns the height of all of them.

    Parameters
    ----------
    rows : iterable of Row
        The rows.
    session : Session
        Words and notes.
    theme : Theme
        Fonts and sizes.
    width : float
        Width of the sheet.
    kept : mapping of str to Row, optional
        Rows that were laid out for the same theme and width, by the id of their span; what stands in one that says the
        same is taken over.
    """
    kept = kept or {}
    words = session.segments.words_by_phrase()
    where = columns(theme, width)
    lyric = QFontMetricsF(theme.lyric())
    small = QFontMetricsF(theme.small())
    top = float(theme.px(4))
    for row in rows:
        row.top = top
        if row.is_section:
            row.height = theme.px(44)
        else:
            row.laid = words[row.span.id], bool(session.decision(row.span.id).note)
            if not _taken_over(row, kept.get(row.span.id)):
                _lay_out_phrase(row, session, theme, where, lyric, small)
        top += row.height
    return top + theme.px(16)


def _taken_over(row: Row, old: Row | None) -> bool:
    """Take over what stands in a row that says the same, moved to where this one is; says whether it does."""
    if old is None or (old.span.label, old.number, old.laid) != (row.span.label, row.number, row.laid):
        return False
    by_px = row.top - old.top
    if by_px:
        for box in old.words:
            box.rect.translate(0, by_px)
    row.words, row.note_top, row.height = old.words, old.note_top + by_px, old.height
    return True


def _lay_out_phrase(
    row: Row, session: Session, theme: Theme, where: Columns, lyric: QFontMetricsF, small: QFontMetricsF
) -> None:
    words, noted = row.laid
    known = any(word.label for word in words)
    if known or not words:
        texts = [(word, word.label or "\N{HORIZONTAL ELLIPSIS}") for word in words]
        if not words:
            texts = [(None, part) for part in (row.span.label or f"phrase {row.number}").split()]
        pieces = [(span, text, lyric.horizontalAdvance(text), False) for span, text in texts]
        between = lyric.horizontalAdvance(" ") + theme.px(1.5)
    else:
        per_s = theme.px(44)
        rate_hz = session.vocal.rate_hz
        pieces = []
        for i, word in enumerate(words, start=1):
            wide = min(max(word.length_n / rate_hz * per_s, theme.px(16)), theme.px(88))
            pieces.append((word, str(i), wide, True))
        between = theme.px(5)
    line_px = max(theme.px(24), round(lyric.height()))
    room = where.words_end - where.words
    row.words = []
    x, line = 0.0, 0
    first_top = row.top + (theme.row_px - line_px) / 2
    for span, text, wide, numbered in pieces:
        if wide > room:
            wide = room
            text = lyric.elidedText(text, Qt.TextElideMode.ElideRight, room)
        if x > 0 and x + wide > room:
            x, line = 0.0, line + 1
        rect = QRectF(where.words + x, first_top + line * line_px, wide, line_px)
        row.words.append(WordBox(span, text, rect, numbered))
        x += wide + between
    if any(unicodedata.bidirectional(text[0]) in ("R", "AL") for _, text, _, _ in pieces if text):
        for box in row.words:
            box.rect.moveLeft(where.words + where.words_end - box.rect.right())
    row.height = theme.row_px + line * line_px
    row.note_top = row.top + row.height - theme.px(8)
    if noted:
        row.height += round(small.height()) + theme.px(2)


def row_at(rows: list[Row], y: float) -> Row | None:
    """Row at a height, or None."""
    i = bisect_right(rows, y, key=lambda row: row.top) - 1
    if i >= 0 and y < rows[i].top + rows[i].height:
        return rows[i]
    return None
