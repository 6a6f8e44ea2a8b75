"""A line of widgets that goes on in the next line where there is no more room."""

from __future__ import annotations

from PySide6.QtCore import QRect, QSize, Qt
from PySide6.QtWidgets import QLayout, QLayoutItem, QWidget


class FlowLayout(QLayout):
    """Widgets one after the other at the width they would like, in as many lines as it takes."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._items: list[QLayoutItem] = []
        self.setSpacing(0)

    def addItem(self, item: QLayoutItem) -> None:
        """Take an item."""
        self._items.append(item)

    def count(self) -> int:
        """How many there are."""
        return len(self._items)

    def itemAt(self, index: int) -> QLayoutItem | None:
        """Item of a number, or None."""
        return self._items[index] if 0 <= index < len(self._items) else None

    def takeAt(self, index: int) -> QLayoutItem | None:
        """Take an item out."""
        return self._items.pop(index) if 0 <= index < len(self._items) else None

    def expandingDirections(self) -> Qt.Orientation:
        """Want no more room than needed."""
        return Qt.Orientation(0)

    def hasHeightForWidth(self) -> bool:
        """Height depends on width."""
        return True

    def heightForWidth(self, width: int) -> int:
        """Height of all lines."""
        return self._placed(QRect(0, 0, width, 0), move=False)

    def setGeometry(self, rect: QRect) -> None:
        """Place all items."""
        super().setGeometry(rect)
        self._placed(rect, move=True)

    def sizeHint(self) -> QSize:
        """All in one line."""
        sizes = [item.sizeHint() for item in self._items if not item.isEmpty()]
        margins = self.contentsMargins()
        wide = sum(size.width() for size in sizes) + margins.left() + margins.right()
        high = max((size.height() for size in sizes), default=0) + margins.top() + margins.bottom()
        return QSize(wide, high)

    def minimumSize(self) -> QSize:
        """Room for the widest alone."""
        margins = self.contentsMargins()
        wide = max((item.sizeHint().width() for item in self._items if not item.isEmpty()), default=0)
        return QSize(wide + margins.left() + margins.right(), self.sizeHint().height())

    def _placed(self, rect: QRect, *, move: bool) -> int:
        inner = rect.marginsRemoved(self.contentsMargins())
        x, y, line_px = inner.left(), inner.top(), 0
        for item in self._items:
            if item.isEmpty():
                continue
            size = item.sizeHint()
            if x > inner.left() and x + size.width() > inner.right() + 1:
                x, y, line_px = inner.left(), y + line_px, 0
            if move:
                item.setGeometry(QRect(x, y, min(size.width(), inner.width()), size.height()))
            x += size.width()
            line_px = max(line_px, size.height())
        return y + line_px - rect.top() + self.contentsMargins().bottom()
