"""The sheet: phrases as lines with their words, rides pencilled or inked in the margin, lost words in the bed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from PySide6.QtCore import QEvent, QPoint, QPointF, QRect, QRectF, QSize, Qt, QTimer, Signal
from PySide6.QtGui import (
    QAccessible,
    QAccessibleEvent,
    QContextMenuEvent,
    QFocusEvent,
    QFontMetricsF,
    QHelpEvent,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QPen,
    QRegion,
    QResizeEvent,
    QShowEvent,
)
from PySide6.QtWidgets import (
    QAbstractScrollArea,
    QButtonGroup,
    QLabel,
    QMenu,
    QToolButton,
    QToolTip,
    QVBoxLayout,
    QWidget,
)

from ridebook.check.standing import SpanStanding
from ridebook.gui.desk import Desk
from ridebook.gui.flow import FlowLayout
from ridebook.gui.label_editor import LabelEditing
from ridebook.gui.marks import (
    draw_bracket,
    draw_doubt,
    draw_nib,
    draw_out_of_band,
    draw_ride,
    draw_sunk,
    ink_pen,
    pencil_pen,
)
from ridebook.gui.pool import NEXT_TURN_MS
from ridebook.gui.sheet_rows import (
    Columns,
    Filter,
    Row,
    WordBox,
    columns,
    counts_of,
    is_changed,
    lay_out,
    passes,
    row_at,
    rows_of,
)
from ridebook.gui.theme import Theme, themes
from ridebook.gui.timers import rest_timer
from ridebook.gui.why import WhyLine, balance_said, heard_said
from ridebook.gui.words import clock, counted, doubt_said, signed, with_minus
from ridebook.ride.lane import Lane
from ridebook.ride.ridden import changed_span
from ridebook.ride.suggestion import PhraseSuggestion
from ridebook.segment.spans import Kind, Span
from ridebook.session.document import Decision, Session, State

GLYPH_POINTS = 40
AFTER_TIMELINE_MS = 15
"""The sheet of a song that was just opened is painted so long after the window has taken it up."""

LARGE_PX = 160
"""A stretch of the page higher than this is painted in a turn of its own."""

LATER_MS = 60

STATE_WORDS = {
    State.OPEN: "open",
    State.INKED: "inked",
    State.STRUCK: "struck out",
    State.DRAWN: "drawn by hand",
}


class SheetView(QAbstractScrollArea):
    """The lines of the sheet. Only what is seen is painted.

    Arrow keys move between lines, right and left go into the words and out to the section.
    """

    section_aim_asked = Signal(str)
    """A section's aim was clicked; its id."""
    delete_asked = Signal()
    """What is selected is to be deleted."""

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._desk = desk
        self._filter = Filter.ALL
        self._rows: list[Row] = []
        self._rows_by_id: dict[str, Row] = {}
        self._height = 0.0
        self._laid_out = False
        self._laid_for: tuple[Theme, int] | None = None
        self._anchor_id: str | None = None
        self.menu: QMenu | None = None
        self.setObjectName("sheet")
        self.setAccessibleName("Sheet: phrases and their rides")
        self.setFrameShape(QAbstractScrollArea.Shape.NoFrame)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setMinimumWidth(280)
        self._later = rest_timer(self, LATER_MS, self._catch_up)
        self._behind = False
        self._held_back = False
        self.labels = LabelEditing(desk, self.viewport(), self, self._label_place)
        self.verticalScrollBar().valueChanged.connect(lambda _value: self.labels.follow())
        desk.session_changed.connect(self._on_session_changed)
        desk.opened.connect(self._hold_back)
        desk.analysis_changed.connect(self.viewport().update)
        desk.suggestion_changed.connect(self._on_suggestion_changed)
        desk.hearing.changed.connect(self._on_hearing_changed)
        desk.selection_changed.connect(self._on_selection_changed)
        themes().theme_changed.connect(self.rebuild)
        self.rebuild()

    # --- rows ------------------------------------------------------------------------------------

    @property
    def filter(self) -> Filter:
        """Which phrases are shown."""
        return self._filter

    def set_filter(self, wanted: Filter) -> None:
        """Show other phrases."""
        if wanted is not self._filter:
            self._filter = wanted
            self.rebuild()

    def shown_phrases(self) -> list[str]:
        """Ids of the phrases that the filter shows, in order of time."""
        return [row.span.id for row in self._rows if not row.is_section]

    def rebuild(self) -> None:
        """Make all rows anew."""
        session = self._desk.session
        if session is None:
            self._rows = []
        else:
            standing = self._desk.standing
            shown = {
                phrase.id
                for phrase in session.segments.phrases
                if passes(self._filter, phrase, session, standing, self._desk.suggestion_of(phrase.id))
            }
            self._rows = rows_of(session.segments, shown)
        kept = self._rows_by_id
        self._rows_by_id = {row.span.id: row for row in self._rows}
        self._laid_out = False
        if self.isVisible():  # else when it is shown, and so at the width that it has then
            self._lay_out(kept)

    def showEvent(self, event: QShowEvent) -> None:
        """Lay out what was made while nobody saw it."""
        super().showEvent(event)
        if not self._laid_out:
            self._lay_out()

    def _lay_out(self, kept: Mapping[str, Row] | None = None) -> None:
        """Place everything; `kept` are rows of before, of use where theme and width are those of before too."""
        self._laid_out = True
        self._behind = False
        session, theme, width = self._desk.session, themes().current, self.viewport().width()
        before, self._laid_for = self._laid_for, (theme, width)
        if before != self._laid_for:
            kept = None
        self._height = lay_out(self._rows, session, theme, width, kept) if session is not None else 0.0
        self._fit_bar()

    def _fit_bar(self) -> None:
        bar = self.verticalScrollBar()
        bar.setRange(0, max(0, round(self._height) - self.viewport().height()))
        bar.setPageStep(self.viewport().height())
        bar.setSingleStep(themes().current.row_px)
        self.labels.follow()
        self.viewport().update()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Wrap the lines anew."""
        super().resizeEvent(event)
        if event.size().width() != event.oldSize().width() or not self._laid_out:
            self._lay_out()
        else:
            self._fit_bar()
        span = self._desk.span(self._desk.selection.current_id)
        row = self._row_of(span) if span is not None else None
        if row is not None:
            self.show_row(row)

    def sizeHint(self) -> QSize:
        """Wide enough for a line of eight words and the margin."""
        theme = themes().current
        return QSize(theme.px(480), theme.px(560))

    def _on_session_changed(self, before: Session | None, after: Session) -> None:
        if self._desk.in_gesture and before is not None and before.segments is not after.segments:
            self._behind = True
        elif before is None or before.segments is not after.segments or self._filter is not Filter.ALL or self._behind:
            self.rebuild()
        elif before.decisions is not after.decisions:
            notes = {key: bool(decision.note) for key, decision in before.decisions.items()}
            if any(bool(decision.note) != notes.get(key, False) for key, decision in after.decisions.items()):
                self._lay_out()
        # While a hand drags in the timeline the page follows a little later, so that the hand is not held up.
        if self._desk.in_gesture:
            if not self._later.isActive():
                self._later.start()
        elif before is not None and replace(before, lane=after.lane, decisions=after.decisions) == after:
            self._update_changed(before, after)
        else:
            self.viewport().update()

    def _catch_up(self) -> None:
        if self._behind and not self._desk.in_gesture:
            self.rebuild()
        self.viewport().update()

    def _update_changed(self, before: Session, after: Session) -> None:
        """Have painted anew the phrases whose lane or decision is another."""
        first_n, last_n = changed_span(before.lane, after.lane, after.vocal.frames_n)
        offset = self.verticalScrollBar().value()
        touched = QRegion()
        for row in self._rows:
            if row.is_section:
                continue
            phrase = row.span
            air_n = _glyph_air_n(phrase)
            moved = first_n < phrase.end_n + air_n and phrase.start_n - air_n < last_n
            if moved or before.decisions.get(phrase.id) != after.decisions.get(phrase.id):
                rect = QRectF(0, row.top - offset, self.viewport().width(), row.height)
                touched += rect.toAlignedRect()
        touched &= self.viewport().rect()
        if touched.boundingRect().height() > LARGE_PX:
            # The timeline paints for this edit too: in turns of their own both let the keys through between them.
            QTimer.singleShot(NEXT_TURN_MS, self.viewport(), lambda: self.viewport().update(touched))
        else:
            self.viewport().update(touched)

    def _on_hearing_changed(self) -> None:
        if self._filter is Filter.LOST:
            self.rebuild()
        self.viewport().update()

    def _on_suggestion_changed(self) -> None:
        if self._filter is Filter.CHANGED:
            self.rebuild()
        self.viewport().update()

    def _on_selection_changed(self) -> None:
        self.viewport().update()
        span = self._desk.span(self._desk.selection.current_id)
        if span is None:
            return
        row = self._row_of(span)
        if row is not None:
            self.show_row(row)
        if self.hasFocus():
            self._announce(span)

    def _row_of(self, span: Span) -> Row | None:
        if span.kind is Kind.WORD:
            phrase = self._desk.session.segments.phrase_of(span)
            return self._rows_by_id.get(phrase.id) if phrase is not None else None
        return self._rows_by_id.get(span.id)

    def show_row(self, row: Row) -> None:
        """Scroll so that a row is seen whole, with the one before it."""
        bar = self.verticalScrollBar()
        air = themes().current.row_px
        if row.top - air < bar.value():
            bar.setValue(round(row.top - air))
        elif row.top + row.height + air > bar.value() + self.viewport().height():
            bar.setValue(round(row.top + row.height + air - self.viewport().height()))

    def _label_place(self, span: Span) -> QRect | None:
        """Where a label stands, in pixels of the viewport; None where the filter does not show it."""
        row = self._row_of(span)
        if row is None or not self.isVisible():
            return None
        where = columns(themes().current, self.viewport().width())
        if row.is_section:
            place = QRectF(where.time, row.top + row.height - themes().current.px(30), 0, themes().current.px(24))
        elif span.kind is Kind.PHRASE:
            place = QRectF(row.words[0].rect)
            place.setLeft(where.words)
            place.setRight(where.words_end)
        else:
            found = next((box for box in row.words if box.span is not None and box.span.id == span.id), None)
            if found is None:
                return None
            place = found.rect
        return place.translated(0, -self.verticalScrollBar().value()).toRect()

    # --- what is said of a row ---------------------------------------------------------------------

    @property
    def rows(self) -> list[Row]:
        """Headings and lines that the filter shows, from above."""
        return self._rows

    def row_number(self, span: Span) -> int | None:
        """Give the number of the row that holds a span, or None where it is not shown."""
        row = self._row_of(span)
        return next((i for i, each in enumerate(self._rows) if each is row), None) if row is not None else None

    def current_span(self) -> Span | None:
        """Give the span that keys go to."""
        return self._desk.span(self._desk.selection.current_id)

    def is_selected(self, row: Row) -> bool:
        """Whether a row, or a word in it, is selected."""
        return any(self._row_of(span) is row for span in self._desk.selected_spans())

    def place_of(self, row: Row) -> QRect:
        """Give a row's place on the screen."""
        above = round(row.top) - self.verticalScrollBar().value()
        corner = self.viewport().mapToGlobal(QPoint(0, above))
        return QRect(corner, QSize(self.viewport().width(), round(row.height)))

    def named(self, row: Row) -> str:
        """Say what a row reads: its words, or its number where none are known."""
        words = " ".join(box.text for box in row.words if not box.numbered)
        return row.span.label or words or f"{'Section' if row.is_section else 'Phrase'} {row.number}"

    def described(self, span: Span) -> str:
        """Say in words what the sheet shows of a span, for a tooltip or a screen reader."""
        desk = self._desk
        session = desk.session
        rate_hz = session.vocal.rate_hz
        when = clock(span.start_n, rate_hz, 1)
        if span.kind is Kind.SECTION:
            aim_lu = session.section_aims.get(span.id, session.settings.aim_lu)
            own = "of its own" if span.id in session.section_aims else "of the song"
            return f"{span.label or 'Section'}, {when}. Aim {own}: {signed(aim_lu)} LU."
        standing = desk.standing
        if span.kind is Kind.WORD:
            parts = [f"“{span.label}”, {when}." if span.label else f"Word at {when}."]
            found = standing.words.get(span.id) if standing is not None else None
            if found is not None:
                parts.append(balance_said(found))
                parts += [heard] if (heard := heard_said(desk, span)) else []
            if span.id in session.quiet_words:
                parts.append("Meant to be quiet.")
            if span.doubtful:
                parts.append(f"Doubtful, {doubt_said(span.start_n, rate_hz)}.")
            return " ".join(parts)
        decision = session.decision(span.id)
        suggestion = desk.suggestion_of(span.id)
        number = session.segments.phrases.index(span) + 1
        parts = [f"Phrase {number}, {when}, {STATE_WORDS[decision.state]}."]
        found = standing.phrases.get(span.id) if standing is not None else None
        if found is not None:
            parts.append(balance_said(found))
        if suggestion is not None:
            parts.append(f"Suggested: {signed(suggestion.ride_db)} dB. {with_minus(suggestion.reason)}")
        lost = sum(1 for word in session.segments.words_of(span) if self._is_lost(word))
        if lost:
            parts.append(f"{counted(lost, 'word')} lost.")
        if decision.locked:
            parts.append("Locked.")
        if decision.quiet:
            parts.append("Meant to be quiet.")
        if decision.note:
            parts.append(f"Note: {decision.note}")
        return " ".join(parts)

    def _is_lost(self, word: Span) -> bool:
        standing = self._desk.standing
        return standing is not None and standing.words.sunk_of_lost(word.id) is not None

    def _announce(self, span: Span) -> None:
        self.setAccessibleDescription(self.described(span))
        QAccessible.updateAccessibility(QAccessibleEvent(self, QAccessible.Event.DescriptionChanged))
        at = self.row_number(span)
        if at is not None and QAccessible.isActive():
            event = QAccessibleEvent(self, QAccessible.Event.Focus)
            event.setChild(at)
            QAccessible.updateAccessibility(event)

    # --- painting --------------------------------------------------------------------------------

    def _hold_back(self) -> None:
        """Paint another song after the timeline has, in a turn of the loop of its own."""
        self._held_back = True

    def paintEvent(self, event: QPaintEvent) -> None:
        """Paint the rows that are seen."""
        theme = themes().current
        painter = QPainter(self.viewport())
        if self._held_back:
            self._held_back = False
            painter.fillRect(event.rect(), theme.colour("page"))
            QTimer.singleShot(AFTER_TIMELINE_MS, self.viewport(), lambda: self.viewport().update())
            return
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.fillRect(event.rect(), theme.colour("page"))
        offset = self.verticalScrollBar().value()
        painter.translate(0, -offset)
        seen = QRectF(event.rect()).translated(0, offset)
        where = columns(theme, self.viewport().width())
        if not self._rows:
            self._paint_empty(painter, theme)
        for row in self._rows:
            if row.top > seen.bottom():
                break
            if row.top + row.height < seen.top():
                continue
            if row.is_section:
                self._paint_section(painter, row, theme, where)
            else:
                self._paint_phrase(painter, row, theme, where)
        painter.end()

    def _paint_empty(self, painter: QPainter, theme: Theme) -> None:
        if self._desk.session is None:
            return
        segments = self._desk.session.segments
        if segments.phrases:
            text = {
                Filter.OPEN: "Every phrase is decided.",
                Filter.LOST: "No word is lost.",
                Filter.CHANGED: "No suggestion has changed since it was decided on.",
                Filter.LOCKED: "No phrase is locked.",
                Filter.NOTED: "No phrase has a note.",
                Filter.DOUBTFUL: "No word is doubtful.",
            }.get(self._filter, "")
        elif self._desk.measures is None:
            text = "Listening through the stems…"
        else:
            text = "No phrase was found in the vocal."
        painter.setFont(theme.lyric())
        painter.setPen(theme.colour("pencil"))
        area = QRectF(theme.px(16), theme.px(32), self.viewport().width() - theme.px(32), theme.px(64))
        painter.drawText(area, Qt.AlignmentFlag.AlignHCenter | Qt.TextFlag.TextWordWrap, text)

    def _paint_section(self, painter: QPainter, row: Row, theme: Theme, where: Columns) -> None:
        session = self._desk.session
        selected = row.span.id in self._desk.selection.span_ids
        if selected:
            self._paint_selected(painter, row, theme, current=row.span.id == self._desk.selection.current_id)
        base = row.top + row.height - theme.px(14)
        name = (row.span.label or f"Section {row.number}").upper()
        painter.setFont(theme.heading())
        painter.setPen(theme.colour("ink"))
        painter.drawText(QPointF(where.time, base), name)
        name_end = where.time + QFontMetricsF(theme.heading()).horizontalAdvance(name) + theme.px(12)
        own = row.span.id in session.section_aims
        aim_lu = session.section_aims.get(row.span.id, session.settings.aim_lu)
        painter.setFont(theme.small(bold=own))
        painter.setPen(theme.colour("ink" if own else "pencil"))
        aim = f"aim {signed(aim_lu)}"
        aim_rect = self._aim_rect(row, theme, where)
        painter.drawText(aim_rect, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignBottom, aim)
        painter.setPen(QPen(theme.colour("hairline"), 1))
        aim_start = aim_rect.right() - QFontMetricsF(painter.font()).horizontalAdvance(aim) - theme.px(10)
        painter.drawLine(QPointF(name_end, base - theme.px(4)), QPointF(aim_start, base - theme.px(4)))

    @staticmethod
    def _aim_rect(row: Row, theme: Theme, where: Columns) -> QRectF:
        bottom = row.top + row.height - theme.px(11)
        return QRectF(where.ride_end - theme.px(72), bottom - theme.px(24), theme.px(72), theme.px(24))

    def _paint_selected(self, painter: QPainter, row: Row, theme: Theme, *, current: bool) -> None:
        painter.fillRect(QRectF(0, row.top, self.viewport().width(), row.height), theme.colour("selected"))
        if current:
            # The edge tells whether keys go to the sheet.
            edge = theme.colour("selection" if self.hasFocus() else "edge")
            painter.fillRect(QRectF(0, row.top, theme.px(4), row.height), edge)

    def _paint_phrase(self, painter: QPainter, row: Row, theme: Theme, where: Columns) -> None:
        desk = self._desk
        session = desk.session
        selection = desk.selection
        phrase = row.span
        decision = session.decision(phrase.id)
        holds_current = any(box.span is not None and box.span.id == selection.current_id for box in row.words)
        if phrase.id in selection.span_ids:
            self._paint_selected(painter, row, theme, current=phrase.id == selection.current_id)
        elif holds_current and selection.kind is Kind.WORD:
            painter.fillRect(QRectF(0, row.top, theme.px(4), row.height), theme.colour("selection"))
        middle = row.top + theme.row_px / 2

        painter.setFont(theme.small())
        painter.setPen(theme.colour("pencil"))
        time_rect = QRectF(where.time, middle - theme.px(12), theme.px(40), theme.px(24))
        painter.drawText(time_rect, Qt.AlignmentFlag.AlignVCenter, clock(phrase.start_n, session.vocal.rate_hz))
        if decision.locked:
            top, bottom = row.words[0].rect.top(), row.words[-1].rect.bottom()
            draw_bracket(painter, where.words - theme.px(12), top, bottom, theme.px(5), ink_pen(theme, 1.6))
        painter.setFont(theme.small() if row.words and row.words[0].numbered else theme.lyric())
        painter.setPen(theme.colour("ink"))
        for box in row.words:
            self._paint_word(painter, box, theme)
        if decision.note:
            painter.setFont(theme.small(italic=True))
            painter.setPen(theme.colour("pencil"))
            note_rect = QRectF(where.words, row.note_top, where.words_end - where.words, theme.px(18))
            note = painter.fontMetrics().elidedText(
                decision.note.replace("\n", " "), Qt.TextElideMode.ElideRight, int(note_rect.width())
            )
            painter.drawText(note_rect, Qt.AlignmentFlag.AlignVCenter, note)
        self._paint_margin(painter, row, middle, decision, theme, where)

    def _paint_word(self, painter: QPainter, box: WordBox, theme: Theme) -> None:
        selection = self._desk.selection
        standing = self._desk.standing
        span = box.span
        sunk = standing.words.sunk_of_lost(span.id) if span is not None and standing is not None else None
        line = box.rect.adjusted(0, theme.px(2), 0, -theme.px(2))
        if sunk is not None:
            draw_sunk(painter, line, sunk, theme)
            painter.setPen(theme.colour("ink"))
        if span is not None and span.doubtful:
            draw_doubt(painter, round(box.rect.left()), round(line.bottom() - theme.px(2)), theme)
        if span is not None and span.id in selection.span_ids:
            painter.setPen(QPen(theme.colour("selection"), 2 if span.id == selection.current_id else 1))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRoundedRect(line.adjusted(-theme.px(3), 0, theme.px(3), 0), theme.px(3), theme.px(3))
            painter.setPen(theme.colour("ink"))
        if box.numbered:
            painter.drawText(line, Qt.AlignmentFlag.AlignCenter, box.text)
            painter.setPen(QPen(theme.colour("pencil"), 1))
            painter.drawLine(line.bottomLeft(), line.bottomRight())
            painter.setPen(theme.colour("ink"))
        elif span is not None and span.id in self._desk.session.quiet_words:
            painter.save()
            font = theme.lyric()
            font.setItalic(True)
            painter.setFont(font)
            painter.setPen(theme.colour("pencil"))
            painter.drawText(box.rect.adjusted(0, 0, theme.px(8), 0), Qt.AlignmentFlag.AlignVCenter, box.text)
            painter.restore()
        else:
            painter.drawText(box.rect.adjusted(0, 0, theme.px(8), 0), Qt.AlignmentFlag.AlignVCenter, box.text)

    def _paint_margin(
        self, painter: QPainter, row: Row, middle: float, decision: Decision, theme: Theme, where: Columns
    ) -> None:
        desk = self._desk
        phrase = row.span
        suggestion = desk.suggestion_of(phrase.id)
        standing = desk.standing.phrases.get(phrase.id) if desk.standing is not None else None
        pencilled = decision.state in (State.OPEN, State.STRUCK)
        if pencilled:
            shown = suggestion if decision.state is State.OPEN else (decision.decided_on or suggestion)
            ride_db = shown.ride_db if shown is not None else None
            lane = Lane(shown.points) if shown is not None else None
        else:
            ride_db = standing.ride_db if standing is not None else None
            lane = desk.session.lane
        glyph = QRectF(where.glyph, middle - theme.px(11), where.glyph_end - where.glyph, theme.px(22))
        pen = pencil_pen(theme) if pencilled else ink_pen(theme)
        if lane is not None:
            air_n = _glyph_air_n(phrase)
            at_n = np.linspace(phrase.start_n - air_n, phrase.end_n + air_n, GLYPH_POINTS)
            draw_ride(painter, glyph, lane.gain_db_at(at_n), pen)
        number = QRectF(where.glyph_end, middle - theme.px(12), where.ride_end - where.glyph_end, theme.px(24))
        painter.setFont(theme.text(italic=pencilled, bold=not pencilled))
        painter.setPen(theme.colour("pencil" if pencilled else "ink"))
        right = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
        if ride_db is not None:
            text = signed(ride_db)
            painter.drawText(number, right, text)
            if decision.state is State.STRUCK:
                wide = painter.fontMetrics().horizontalAdvance(text)
                painter.setPen(QPen(theme.colour("ink"), 1.4))
                y = middle + theme.px(1)
                painter.drawLine(
                    QPointF(where.ride_end - wide - theme.px(4), y), QPointF(where.ride_end + theme.px(3), y)
                )
        mark = QRectF(where.mark, middle - theme.px(7), theme.px(12), theme.px(14))
        if decision.state is State.DRAWN:
            draw_nib(painter, mark, theme.colour("ink"))
        elif decision.quiet:
            # The musician's p, for piano.
            font = theme.lyric()
            font.setItalic(True)
            font.setBold(True)
            painter.setFont(font)
            painter.setPen(theme.colour("ink"))
            painter.drawText(
                mark.adjusted(0, -theme.px(4), theme.px(8), theme.px(2)), Qt.AlignmentFlag.AlignVCenter, "p"
            )
        if where.balance is not None:
            self._paint_balance(painter, middle, decision, suggestion, standing, theme, where)
        if is_changed(desk.session, suggestion):
            again = QRectF(number).translated(0, theme.px(14))
            painter.setFont(theme.small(italic=True))
            painter.setPen(theme.colour("pencil"))
            painter.drawText(again, right, f"now {signed(suggestion.ride_db)}")

    def _paint_balance(
        self,
        painter: QPainter,
        middle: float,
        decision: Decision,
        suggestion: PhraseSuggestion | None,
        standing: SpanStanding | None,
        theme: Theme,
        where: Columns,
    ) -> None:
        """Paint the balance before and after; after is what the pencil promises while a phrase is open."""
        if standing is None:
            return
        rect = QRectF(where.balance, middle - theme.px(12), where.balance_end - where.balance, theme.px(24))
        centre = rect.center().x() + theme.px(2)
        painter.setFont(theme.small())
        painter.setPen(theme.colour("pencil"))
        if standing.before_lu is None:
            painter.drawText(rect, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter, "no bed")
            return
        flags = Qt.AlignmentFlag.AlignVCenter
        before = QRectF(rect.left(), rect.top(), centre - theme.px(8) - rect.left(), rect.height())
        painter.drawText(before, flags | Qt.AlignmentFlag.AlignRight, signed(standing.before_lu))
        pencilled = decision.state is State.OPEN
        after_lu = suggestion.balance_after_lu if pencilled and suggestion is not None else standing.after_lu
        if after_lu is None:
            return
        arrow = QPen(theme.colour("pencil"), 1)
        painter.setPen(arrow)
        tip = QPointF(centre + theme.px(4), middle + theme.px(1))
        painter.drawLine(QPointF(centre - theme.px(4), tip.y()), tip)
        painter.drawLine(tip, tip + QPointF(-theme.px(3), -theme.px(3)))
        painter.drawLine(tip, tip + QPointF(-theme.px(3), theme.px(3)))
        band_lu = self._desk.session.settings.band_lu
        off_lu = after_lu - standing.aim_lu
        after = QRectF(centre + theme.px(8), rect.top(), rect.right() - centre - theme.px(8), rect.height())
        painter.setFont(theme.small(italic=pencilled))
        painter.setPen(theme.colour("pencil" if pencilled else "ink"))
        painter.drawText(after, flags | Qt.AlignmentFlag.AlignRight, signed(after_lu))
        if abs(off_lu) > band_lu and not decision.quiet:
            draw_out_of_band(painter, rect.right() + theme.px(3), middle, theme.px(7), off_lu > 0, theme.colour("lost"))

    # --- mouse -----------------------------------------------------------------------------------

    def _row_and_word(self, position: QPointF) -> tuple[Row | None, WordBox | None]:
        at = position + QPointF(0, self.verticalScrollBar().value())
        row = row_at(self._rows, at.y())
        if row is None:
            return None, None
        air = themes().current.px(2)
        box = next((b for b in row.words if b.span is not None and b.rect.adjusted(-air, 0, air, 0).contains(at)), None)
        return row, box

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Select a line; a click on a word of a line that is selected already selects the word."""
        row, box = self._row_and_word(event.position())
        if event.button() is not Qt.MouseButton.LeftButton:
            self._select_for_menu(row, box)
            return
        if row is None:
            self._desk.select()
            return
        theme = themes().current
        if row.is_section:
            at = event.position() + QPointF(0, self.verticalScrollBar().value())
            if self._aim_rect(row, theme, columns(theme, self.viewport().width())).contains(at):
                self.section_aim_asked.emit(row.span.id)
                return
        shift = bool(event.modifiers() & Qt.KeyboardModifier.ShiftModifier)
        control = bool(event.modifiers() & Qt.KeyboardModifier.ControlModifier)
        words = self._desk.selection.kind is Kind.WORD and box is not None
        if box is not None and not shift and not control and self._line_is_current(row):
            self._select_span(box.span)
        elif words and (shift or control) and self._desk.selection.span_ids:
            self._add_word(box.span, through=shift)
        elif control and not row.is_section:
            self._toggle(row)
        elif shift and not row.is_section:
            self._extend_to(row)
        else:
            self._select_row(row)

    def _select_for_menu(self, row: Row | None, box: WordBox | None) -> None:
        """Select what a menu is opened on, unless it is selected: a word where its line is, else the line."""
        selection = self._desk.selection
        if row is None or (box is not None and box.span.id in selection.span_ids):
            return
        if box is not None and self._line_is_current(row) and len(selection.span_ids) < 2:
            self._select_span(box.span)
        elif row.span.id not in selection.span_ids:
            self._select_row(row)

    def _add_word(self, word: Span, *, through: bool) -> None:
        """Add a word to the selected ones or take it out; `through` all from the current one to it."""
        selection, words = self._desk.selection, self._desk.session.segments.words
        if through:
            ids = [each.id for each in words]
            anchor = ids.index(self._anchor_id if self._anchor_id in ids else selection.current_id)
            first, last = sorted((anchor, ids.index(word.id)))
            chosen = set(ids[first : last + 1])
        else:
            chosen = set(selection.span_ids) ^ {word.id}
        self._desk.select(sorted(chosen), kind=Kind.WORD, current_id=word.id)

    def _line_is_current(self, row: Row) -> bool:
        current = self._desk.selection.current_id
        return current == row.span.id or any(b.span is not None and b.span.id == current for b in row.words)

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        """Let a word be typed anew; zoom the timeline to a line that is clicked beside its words."""
        row, box = self._row_and_word(event.position())
        if event.button() is not Qt.MouseButton.LeftButton:
            return
        if box is not None and not box.numbered:
            self._select_span(box.span)
            self.labels.begin(box.span)
        elif row is not None:
            self._desk.zoom_to(self._desk.span(self._desk.selection.current_id) or row.span)

    def contextMenuEvent(self, event: QContextMenuEvent) -> None:
        """Offer what can be done with the selection."""
        if self.menu is not None and self._desk.selection.span_ids:
            self.menu.popup(event.globalPos())

    def focusInEvent(self, event: QFocusEvent) -> None:
        """Show that keys go here."""
        super().focusInEvent(event)
        self.viewport().update()

    def focusOutEvent(self, event: QFocusEvent) -> None:
        """Show that keys go elsewhere."""
        super().focusOutEvent(event)
        self.viewport().update()

    def viewportEvent(self, event: QEvent) -> bool:
        """Show what is said of the line or word under the pointer."""
        if event.type() == QEvent.Type.ToolTip and isinstance(event, QHelpEvent):
            row, box = self._row_and_word(QPointF(event.pos()))
            if row is None:
                QToolTip.hideText()
            else:
                span = box.span if box is not None and box.span is not None else row.span
                QToolTip.showText(event.globalPos(), f"<p>{_escaped(self.described(span))}</p>", self)
            return True
        return super().viewportEvent(event)

    # --- keys ------------------------------------------------------------------------------------

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Move between lines and words."""
        key = event.key()
        shift = bool(event.modifiers() & Qt.KeyboardModifier.ShiftModifier)
        phrases = [row for row in self._rows if not row.is_section]
        if not phrases or event.modifiers() & ~(Qt.KeyboardModifier.ShiftModifier | Qt.KeyboardModifier.KeypadModifier):
            super().keyPressEvent(event)
            return
        page = max(1, self.viewport().height() // themes().current.row_px - 1)
        steps = {
            Qt.Key.Key_Up: -1,
            Qt.Key.Key_Down: 1,
            Qt.Key.Key_PageUp: -page,
            Qt.Key.Key_PageDown: page,
            Qt.Key.Key_Home: -len(self._rows),
            Qt.Key.Key_End: len(self._rows),
        }
        if key in steps:
            self._step_lines(phrases, steps[key], extend=shift)
        elif key == Qt.Key.Key_Right:
            self._go_in(1, extend=shift)
        elif key == Qt.Key.Key_Left:
            self._go_out(extend=shift)
        elif key == Qt.Key.Key_Escape:
            self._escape()
        elif key in (Qt.Key.Key_Delete, Qt.Key.Key_Backspace):
            self.delete_asked.emit()
        else:
            super().keyPressEvent(event)

    def _step_lines(self, phrases: list[Row], by: int, *, extend: bool) -> None:
        span = self._desk.span(self._desk.selection.current_id)
        rows = phrases
        if span is not None and span.kind is Kind.SECTION:
            rows = [row for row in self._rows if row.is_section]
        row = self._row_of(span) if span is not None else None
        if row is None or row not in rows:
            # From nowhere a step leads to the first line or the last, and the End key to the end.
            by, row = (by - 1, rows[0]) if by > 0 else (by + 1, rows[-1])
        there = rows[min(max(rows.index(row) + by, 0), len(rows) - 1)]
        if extend and not there.is_section:
            self._extend_to(there)
        else:
            self._select_row(there)

    def _go_in(self, by: int, *, extend: bool = False) -> None:
        """From a section to its first line, from a line to its first word, from a word to the next."""
        session = self._desk.session
        span = self._desk.span(self._desk.selection.current_id)
        if span is None:
            return
        segments = session.segments
        if span.kind is Kind.SECTION:
            inner = [phrase for phrase in segments.phrases_of(span) if phrase.id in self._rows_by_id]
            if inner:
                self._select_span(inner[0])
        elif span.kind is Kind.PHRASE:
            inner = segments.words_of(span)
            if inner:
                self._select_span(inner[0])
        else:
            i = segments.words.index(span) + by
            if 0 <= i < len(segments.words) and extend:
                self._add_word(segments.words[i], through=True)
            elif 0 <= i < len(segments.words):
                self._select_span(segments.words[i])

    def _go_out(self, *, extend: bool = False) -> None:
        """From a word to the one before or out to its line, from a line to its section."""
        segments = self._desk.session.segments
        span = self._desk.span(self._desk.selection.current_id)
        if span is None:
            return
        if span.kind is Kind.WORD and extend:
            self._go_in(-1, extend=True)
        elif span.kind is Kind.WORD:
            phrase = segments.phrase_of(span)
            if phrase is not None and segments.words_of(phrase)[0].id == span.id:
                self._select_span(phrase)
            else:
                self._go_in(-1)
        elif span.kind is Kind.PHRASE:
            section = segments.section_of(span)
            if section is not None:
                self._select_span(section)

    def _escape(self) -> None:
        span = self._desk.span(self._desk.selection.current_id)
        phrase = self._desk.session.segments.phrase_of(span) if span is not None and span.kind is Kind.WORD else None
        if phrase is not None:
            self._select_span(phrase)
        else:
            self._desk.select()

    def _select_row(self, row: Row) -> None:
        self._select_span(row.span)

    def _select_span(self, span: Span) -> None:
        self._anchor_id = span.id
        self._desk.select([span.id], kind=span.kind, current_id=span.id)
        self._desk.show_span(span)

    def _toggle(self, row: Row) -> None:
        selection = self._desk.selection
        ids = set(selection.span_ids) if selection.kind is Kind.PHRASE else set()
        ids ^= {row.span.id}
        self._anchor_id = row.span.id
        self._desk.select(sorted(ids), kind=Kind.PHRASE, current_id=row.span.id)

    def _extend_to(self, row: Row) -> None:
        phrases = self.shown_phrases()
        anchor = self._anchor_id if self._anchor_id in phrases else row.span.id
        first, last = sorted((phrases.index(anchor), phrases.index(row.span.id)))
        self._desk.select(phrases[first : last + 1], kind=Kind.PHRASE, current_id=row.span.id)
        self._desk.show_span(row.span)


class Sheet(QWidget):
    """The sheet with its head: how much is still open, and which lines are shown."""

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._desk = desk
        self.view = SheetView(desk, self)
        self._count = QLabel(self)
        self._count.setAccessibleName("Phrases still open")
        self._filters = QButtonGroup(self)
        self._filters.setExclusive(True)
        head = FlowLayout()
        for index, wanted in enumerate(Filter, start=1):
            button = QToolButton(self)
            button.setCheckable(True)
            button.setChecked(wanted is Filter.ALL)
            button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
            button.setProperty("wanted", wanted.value)
            button.setProperty("soft", True)
            button.setToolTip(f"Show {_FILTER_TIPS[wanted]} (Alt+{index})")
            button.setAccessibleName(f"Show {_FILTER_TIPS[wanted]}")
            self._filters.addButton(button)
            head.addWidget(button)
        QWidget.setTabOrder(self._filters.buttons()[-1], self.view)
        self._filters.buttonClicked.connect(lambda button: self.show_filter(Filter(button.property("wanted"))))
        self._head = head
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addWidget(self._count)
        layout.addLayout(head)
        layout.addWidget(self.view, 1)
        self.why = WhyLine(desk, self)
        layout.addWidget(self.why)
        self._later = rest_timer(self, LATER_MS, self._refresh)
        desk.session_changed.connect(lambda _before, _after: self._later.isActive() or self._later.start())
        desk.suggestion_changed.connect(self._refresh)
        desk.hearing.changed.connect(self._refresh)
        themes().theme_changed.connect(self._dress)
        self._dress()

    def show_filter(self, wanted: Filter) -> None:
        """Show other lines."""
        for button in self._filters.buttons():
            if button.property("wanted") == wanted.value:
                button.setChecked(True)
        self.view.set_filter(wanted)

    def _dress(self) -> None:
        theme = themes().current
        self._count.setContentsMargins(theme.px(16), theme.px(12), theme.px(16), theme.px(2))
        self._head.setContentsMargins(theme.px(10), 0, theme.px(8), theme.px(4))
        for button in self._filters.buttons():
            button.setFont(theme.small())
        self._refresh()

    def _refresh(self) -> None:
        session = self._desk.session
        counts = dict.fromkeys(Filter, 0)
        if session is not None:
            counts = counts_of(session, self._desk.standing, self._desk.suggestion_of)
        phrases_n = counts[Filter.ALL]
        if not phrases_n:
            self._count.setText("")
        elif counts[Filter.OPEN]:
            self._count.setText(f"<b>{counts[Filter.OPEN]}</b> of {counted(phrases_n, 'phrase')} still open")
        else:
            self._count.setText(f"All {counted(phrases_n, 'phrase')} decided")
        for index, button in enumerate(self._filters.buttons(), start=1):
            wanted = Filter(button.property("wanted"))
            count = counts[wanted]
            button.setText(wanted.value if wanted is Filter.ALL or not count else f"{wanted.value} {count}")
            button.setShortcut(f"Alt+{index}")  # a new text takes it away
            button.setEnabled(phrases_n > 0)
            if wanted is Filter.DOUBTFUL:  # of use with a lyric alone
                button.setVisible(count > 0 or button.isChecked())


_FILTER_TIPS = {
    Filter.ALL: "all phrases",
    Filter.OPEN: "phrases that are not decided",
    Filter.LOST: "phrases with a word that the bed hides, by its audibility",
    Filter.CHANGED: "phrases whose suggestion has changed since it was decided on",
    Filter.LOCKED: "locked phrases",
    Filter.NOTED: "phrases with a note",
    Filter.DOUBTFUL: "phrases with a word whose beginning is doubtful",
}


def _glyph_air_n(phrase: Span) -> int:
    """So much of the lane is seen on both sides of a phrase."""
    return phrase.length_n // 8


def _escaped(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
