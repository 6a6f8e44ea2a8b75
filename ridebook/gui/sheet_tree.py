"""The sheet as a screen reader meets it: a list whose lines are its children.

The sheet paints its lines itself, so that Qt knows one widget there and nothing in it. Here every line that the filter
shows is given a name, a place, what is said of it, and whether it is selected. What is done to a line is done by keys.
"""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QObject, QPoint, QRect
from PySide6.QtGui import QAccessible, QAccessibleInterface, QColor, QWindow
from PySide6.QtWidgets import QAccessibleWidget
from shiboken6 import isValid

from ridebook.gui.sheet import SheetView
from ridebook.gui.sheet_rows import Row

_trees: dict[int, SheetTree] = {}
"""Qt keeps the interfaces but not their Python halves, which must live as long as the sheets."""
_installed: list[Callable[..., object]] = []


def install() -> None:
    """Have sheets known to screen readers by their lines; further calls do nothing."""
    if not _installed:
        _installed.append(_made)
        QAccessible.installFactory(_made)


def _made(_key: str, thing: QObject | None) -> QAccessibleInterface | None:
    if not isinstance(thing, SheetView):
        return None
    key = id(thing)
    _trees[key] = tree = SheetTree(thing)
    thing.destroyed.connect(lambda: _let_go(key))
    return tree


def _let_go(key: int) -> None:
    tree = _trees.pop(key, None)
    if tree is not None:
        tree.let_lines_go()


class SheetTree(QAccessibleWidget):
    """The sheet, a list of what the filter shows."""

    def __init__(self, view: SheetView) -> None:
        super().__init__(view, QAccessible.Role.List, view.accessibleName())
        self.view = view
        self._lines: dict[str, SheetLine] = {}

    def let_lines_go(self) -> None:
        """Take the lines from Qt's list of interfaces."""
        lines, self._lines = self._lines, {}
        for line in lines.values():
            QAccessible.deleteAccessibleInterface(QAccessible.uniqueId(line))

    def childCount(self) -> int:
        """Lines that the filter shows."""
        return len(self.view.rows) if isValid(self.view) else 0

    def child(self, index: int) -> QAccessibleInterface | None:
        """Line number `index`."""
        if not 0 <= index < self.childCount():
            return None
        span_id = self.view.rows[index].span.id
        if span_id not in self._lines:
            self._lines[span_id] = line = SheetLine(self.view, span_id)
            QAccessible.registerAccessibleInterface(line)
        return self._lines[span_id]

    def indexOfChild(self, child: QAccessibleInterface) -> int:
        """Give the number of a line; -1 where it is not shown."""
        span_id = child.span_id if isinstance(child, SheetLine) else ""
        return next((i for i in range(self.childCount()) if self.view.rows[i].span.id == span_id), -1)

    def childAt(self, x: int, y: int) -> QAccessibleInterface | None:
        """Line at a place of the screen."""
        return next(
            (self.child(i) for i in range(self.childCount()) if self.view.place_of(self.view.rows[i]).contains(x, y)),
            None,
        )

    def focusChild(self) -> QAccessibleInterface | None:
        """Line that has the focus."""
        span = self.view.current_span() if isValid(self.view) and self.view.hasFocus() else None
        at = self.view.row_number(span) if span is not None else None
        return self.child(at) if at is not None else None


class SheetLine(QAccessibleInterface):
    """A phrase, or the heading of a section."""

    def __init__(self, view: SheetView, span_id: str) -> None:
        super().__init__()
        self.view = view
        self.span_id = span_id

    def _row(self) -> Row | None:
        rows = self.view.rows if isValid(self.view) else []
        return next((row for row in rows if row.span.id == self.span_id), None)

    def isValid(self) -> bool:
        """Whether the line is still there."""
        return self._row() is not None

    def object(self) -> QObject | None:
        """No object of its own."""
        return None

    def window(self) -> QWindow | None:
        """Window of the sheet."""
        return self.view.window().windowHandle() if isValid(self.view) else None

    def parent(self) -> QAccessibleInterface | None:
        """Give the sheet."""
        return QAccessible.queryAccessibleInterface(self.view) if isValid(self.view) else None

    def child(self, _index: int) -> QAccessibleInterface | None:
        """Give no child: the words are in the name."""
        return None

    def childAt(self, _x: int, _y: int) -> QAccessibleInterface | None:
        """Tell of none."""
        return None

    def childCount(self) -> int:
        """Tell of none."""
        return 0

    def indexOfChild(self, _child: QAccessibleInterface) -> int:
        """Tell of none."""
        return -1

    def focusChild(self) -> QAccessibleInterface | None:
        """Tell of none."""
        return None

    def relations(self, _which: object) -> list[object]:
        """None."""
        return []

    def setText(self, _kind: QAccessible.Text, _text: str) -> None:
        """Do nothing: names are typed in the sheet."""

    def foregroundColor(self) -> QColor:
        """Not told."""
        return QColor()

    def backgroundColor(self) -> QColor:
        """Not told."""
        return QColor()

    def interface_cast(self, _kind: QAccessible.InterfaceType) -> None:
        """No further interface."""

    def virtual_hook(self, _number: int, _data: object) -> None:
        """Nothing."""

    def rect(self) -> QRect:
        """Place on the screen."""
        row = self._row()
        return self.view.place_of(row) if row is not None else QRect()

    def role(self) -> QAccessible.Role:
        """Heading or line of a list."""
        row = self._row()
        return QAccessible.Role.Heading if row is not None and row.is_section else QAccessible.Role.ListItem

    def state(self) -> QAccessible.State:
        """Whether it can be seen, is selected, has the focus."""
        state = QAccessible.State()
        row = self._row()
        if row is None:
            state.invalid = True
            return state
        state.selectable = state.focusable = True
        state.selected = self.view.is_selected(row)
        current = self.view.current_span()
        at = self.view.row_number(current) if current is not None and self.view.hasFocus() else None
        state.focused = at is not None and self.view.rows[at] is row
        view = self.view.viewport()
        state.offscreen = not QRect(view.mapToGlobal(QPoint(0, 0)), view.size()).intersects(self.rect())
        return state

    def text(self, kind: QAccessible.Text) -> str:
        """Words of the line as its name; what the sheet shows of it as its description."""
        row = self._row()
        if row is None:
            return ""
        if kind == QAccessible.Text.Name:
            return self.view.named(row)
        return self.view.described(row.span) if kind == QAccessible.Text.Description else ""
