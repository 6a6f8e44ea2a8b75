"""Why: what is to be said of the selected word or phrase, with its numbers, at the foot of the sheet."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QLabel, QWidget

from ridebook.check.hidden import hidden
from ridebook.check.in_the_way import index_text
from ridebook.check.standing import SpanStanding, Standing
from ridebook.gui.desk import Desk
from ridebook.gui.theme import themes
from ridebook.gui.timers import rest_timer
from ridebook.gui.words import counted, signed, with_minus
from ridebook.measure.audibility import LOST
from ridebook.segment.spans import Kind, Span

LATER_MS = 60
LINES_N = 3


def balance_said(found: SpanStanding) -> str:
    """Say how a span stands by its balance, before and now."""
    if found.after_lu is None:
        return "No bed here."
    sinks = " It sinks." if found.sinks else ""
    return (
        f"Balance {signed(found.before_lu)} before, {signed(found.after_lu)} LU now, aim {signed(found.aim_lu)}.{sinks}"
    )


def heard_said(desk: Desk, word: Span) -> str:
    """Say what is heard of a word and what is in its way; while that is not known, whether it sinks."""
    stands, session = desk.standing, desk.session
    if stands is None or session is None or word.id not in stands.words:
        return ""
    found = stands.words[word.id]
    if stands.hearing is None:
        return "Lost by its balance; what is heard of it is not measured yet." if found.lost else ""
    if found.apart_lu is None:
        return ""
    known = hidden(session, stands, [word])[word.id]
    index = f"audibility {index_text(known.obstacle.audibility)}"
    if found.lost:
        return f"Lost: {index}, and {LOST:.2f} is the least. {_sentence(known.said)}"
    if known.obstacle.lost:
        return f"Lost, {index}, but meant to be quiet."
    return f"Heard: {index}." if not known.said else f"{_sentence(index)} {_sentence(known.said)}"


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


class WhyLine(QLabel):
    """A few lines about what is selected, or about the whole song where nothing is."""

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._desk = desk
        self.setObjectName("why")
        self.setAccessibleName("Why")
        self.setWordWrap(True)
        self.setTextFormat(Qt.TextFormat.PlainText)
        self.setAlignment(Qt.AlignmentFlag.AlignTop | Qt.AlignmentFlag.AlignLeft)
        self._later = rest_timer(self, LATER_MS, self.refresh)
        for signal in (
            desk.session_changed,
            desk.selection_changed,
            desk.suggestion_changed,
            desk.analysis_changed,
            desk.hearing.changed,
        ):
            signal.connect(self._soon)
        themes().theme_changed.connect(self._dress)
        self._dress()

    def _soon(self, *_changed: object) -> None:
        if not self._later.isActive():
            self._later.start()

    def _dress(self) -> None:
        theme = themes().current
        self.setFont(theme.small())
        self.setContentsMargins(theme.px(16), theme.px(6), theme.px(16), theme.px(6))
        palette = self.palette()
        palette.setColor(self.foregroundRole(), theme.colour("ink"))
        self.setPalette(palette)
        self.setFixedHeight(LINES_N * self.fontMetrics().lineSpacing() + theme.px(14))
        self.refresh()

    def refresh(self) -> None:
        """Say it anew."""
        text = self.said()
        self.setText(text)
        self.setToolTip(text)

    def said(self) -> str:
        """Give the text for what is selected now."""
        desk = self._desk
        stands = desk.standing
        if desk.session is None or stands is None:
            return ""
        selection = desk.selection
        span = desk.span(selection.current_id) if len(selection.span_ids) == 1 else None
        if span is None or span.kind is Kind.SECTION:
            return _song_said(stands, desk.session.settings.listening_level_db)
        return self._word_said(span) if span.kind is Kind.WORD else self._phrase_said(span)

    def _phrase_said(self, phrase: Span) -> str:
        desk, parts = self._desk, []
        stands, session = desk.standing, desk.session
        if stands is not None and session is not None:
            lost_n = sum(stands.words.is_lost(word.id) for word in session.segments.words_of(phrase))
            if lost_n:
                by = "audibility" if stands.hearing is not None else "balance"
                parts.append(f"{counted(lost_n, 'word')} lost by {by}.")
        suggestion = desk.suggestion_of(phrase.id)
        if suggestion is not None:
            parts.append(f"Suggested: {signed(suggestion.ride_db)} dB. {with_minus(suggestion.reason.rstrip('.'))}.")
        return " ".join(parts)

    def _word_said(self, word: Span) -> str:
        desk = self._desk
        stands, session = desk.standing, desk.session
        parts = [heard_said(desk, word)]
        if stands is not None and word.id in stands.words:
            parts.append(balance_said(stands.words[word.id]))
        phrase = session.segments.phrase_of(word) if session is not None else None
        suggestion = desk.suggestion_of(phrase.id) if phrase is not None else None
        own = dict(suggestion.word_reasons).get(word.id) if suggestion is not None else None
        if own:
            parts.append(f"Its suggested ride: {with_minus(own)}.")
        return " ".join(part for part in parts if part)


def _song_said(stands: Standing, level_db: float) -> str:
    words = stands.words
    lost_n, sunk_n = int(words.lost.sum()), int(words.sinks.sum())
    if not len(words):
        return ""
    low = f"{counted(sunk_n, 'word stands', 'words stand')} far under the aim"
    if stands.hearing is None:
        return f"{low}. What is heard of each is not measured yet; until then these count as lost."
    lost = "No word is lost" if not lost_n else f"{counted(lost_n, 'word is', 'words are')} lost: M goes to the next"
    return f"{lost} (audibility, heard at {level_db:g} dB SPL). {low} (balance)."
