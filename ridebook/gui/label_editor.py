"""A label typed in place: a line over the word, phrase or section that it belongs to."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QEvent, QObject, QRect, Qt, Signal
from PySide6.QtGui import QFocusEvent, QFont, QFontMetrics, QKeyEvent
from PySide6.QtWidgets import QLineEdit, QWidget

from ridebook.gui.desk import Desk
from ridebook.gui.theme import themes
from ridebook.segment.spans import Kind, Span
from ridebook.session.document import Session

LEAST_PX = 72
_STEPS = {Qt.Key.Key_Tab: 1, Qt.Key.Key_Backtab: -1}


class LabelEditor(QLineEdit):
    """Edits a label where it stands. Return and leaving keep what is typed, Escape does not, Tab goes on to the next.

    Parameters
    ----------
    text : str
        The label as it is.
    name : str
        What is edited, for a screen reader.
    font : QFont
        As the label is written.
    parent : QWidget
        What it lies over; it gets the focus back.
    """

    ended = Signal(str, bool, int)
    """The text, whether it is to be kept, and how many labels to go on (1, -1, or 0)."""

    def __init__(self, text: str, name: str, font: QFont, parent: QWidget) -> None:
        super().__init__(text, parent)
        self._done = False
        self.held_focus = False
        self._place = QRect()
        self.setFont(font)
        self.setAccessibleName(name)
        self.setToolTip("Return keeps it, Escape leaves it as it was, Tab goes on to the next")
        self.textChanged.connect(self._fit)
        self.selectAll()

    def put(self, place: QRect) -> None:
        """Stand over a label; grows to the right while more is typed."""
        self._place = place
        self._fit()

    def _fit(self) -> None:
        theme, place = themes().current, self._place
        needed = QFontMetrics(self.font()).horizontalAdvance(self.text()) + theme.px(24)
        wide = max(needed, place.width() + theme.px(16), theme.px(LEAST_PX))
        high = max(self.minimumSizeHint().height(), place.height())
        room = self.parentWidget().width()
        wide = min(wide, room)
        left = min(max(place.left() - theme.px(8), 0), room - wide)
        self.setGeometry(left, place.center().y() - high // 2, wide, high)

    def end(self, keep: bool, step: int = 0) -> None:
        """Say what became of it, once, and go."""
        if self._done:
            return
        self._done = True
        self.held_focus = self.hasFocus()
        self.hide()
        self.deleteLater()
        self.ended.emit(self.text(), keep, step)

    def event(self, event: QEvent) -> bool:
        """Take all keys before the window's shortcuts do, and Tab before it moves the focus."""
        if event.type() == QEvent.Type.ShortcutOverride:
            event.accept()
            return True
        if event.type() == QEvent.Type.KeyPress and isinstance(event, QKeyEvent) and event.key() in _STEPS:
            self.end(True, _STEPS[event.key()])
            return True
        return super().event(event)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Return keeps, Escape does not."""
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            self.end(True)
        elif event.key() == Qt.Key.Key_Escape:
            self.end(False)
        else:
            super().keyPressEvent(event)

    def focusOutEvent(self, event: QFocusEvent) -> None:
        """Keep what is typed when the user goes on elsewhere; not when a menu or another program comes between."""
        super().focusOutEvent(event)
        if event.reason() not in (Qt.FocusReason.PopupFocusReason, Qt.FocusReason.ActiveWindowFocusReason):
            self.end(True)


class LabelEditing(QObject):
    """The labels of one view, typed in place one at a time.

    Parameters
    ----------
    desk : Desk
        The model.
    over : QWidget
        What the labels stand on.
    view : QWidget
        What gets the focus back.
    place : callable
        Where the label of a span stands, or None where it is not to be seen.
    """

    written = Signal(str, str, int)
    """Id of a span, what was typed as its label, and how many labels to go on (1, -1, or 0)."""

    def __init__(self, desk: Desk, over: QWidget, view: QWidget, place: Callable[[Span], QRect | None]) -> None:
        super().__init__(view)
        self._desk = desk
        self._over = over
        self._view = view
        self._place = place
        self._span_id = ""
        self.editor: LabelEditor | None = None

    def begin(self, span: Span) -> bool:
        """Let the label of a span be typed; says whether it is to be seen here."""
        self.end()
        place = self._place(span)
        if place is None:
            return False
        theme = themes().current
        name = "Line" if span.kind is Kind.PHRASE else span.kind.value.capitalize()
        font = theme.text() if span.kind is Kind.SECTION else theme.lyric()
        self._span_id = span.id
        self.editor = LabelEditor(label_text(self._desk.session, span), name, font, self._over)
        self.editor.ended.connect(self._on_ended)
        self.editor.put(place)
        self.editor.show()
        self.editor.setFocus(Qt.FocusReason.OtherFocusReason)
        return True

    def follow(self) -> None:
        """Stand over the label where it is now; without keeping anything where it is gone."""
        if self.editor is not None:
            span = self._desk.span(self._span_id)
            place = self._place(span) if span is not None else None
            if place is None:
                self.editor.end(False)
            else:
                self.editor.put(place)

    def end(self) -> None:
        """Keep what is being typed."""
        if self.editor is not None:
            self.editor.end(True)

    def _on_ended(self, text: str, keep: bool, step: int) -> None:
        span_id, editor, self.editor = self._span_id, self.editor, None
        if editor.held_focus:
            self._view.setFocus(Qt.FocusReason.OtherFocusReason)
        if keep:
            self.written.emit(span_id, text, step)


def label_text(session: Session, span: Span) -> str:
    """Label to be typed anew: of a phrase its words, as the sheet shows them."""
    if span.kind is not Kind.PHRASE:
        return span.label
    return " ".join(word.label for word in session.segments.words_of(span) if word.label) or span.label
