"""A line of the sheet on the first page, which shows what its marks mean."""

from __future__ import annotations

from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QFontMetricsF, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QWidget

from ridebook.gui.marks import draw_nib, draw_ride, draw_sunk, ink_pen, pencil_pen
from ridebook.gui.theme import Theme, themes
from ridebook.gui.words import MINUS

RIDE_DB = (0.0, 0.0, 3.0, 3.0, 3.0, 4.5, 4.5, 3.0, 3.0, 0.0, 0.0)

# Words, which of them is lost and how deep, number in the margin, how the line stands, and what that means.
LINES = (
    ("Low water under the pier", 2, 0.62, "+1.5", "pencil", "pencil: suggested, and a word that is lost in the bed"),
    ("counting every lamp we passed", None, 0.0, "+2.0", "ink", "ink: taken; the word stands clear again"),
    ("turn the tide, I am wide awake", None, 0.0, f"{MINUS}1.5", "struck", "struck out: turned down"),
    ("nobody waits for long", None, 0.0, "+3.5", "drawn", "with a nib: drawn by hand"),
)


class Specimen(QWidget):
    """Four lines and what their marks mean."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAccessibleName("How the sheet is read")
        self.setAccessibleDescription("; ".join(meaning for *_, meaning in LINES))

    def sizeHint(self) -> QSize:
        """Four rows."""
        theme = themes().current
        return QSize(theme.px(620), len(LINES) * theme.row_px + theme.px(16))

    def paintEvent(self, _event: QPaintEvent) -> None:
        """Paint the lines."""
        theme = themes().current
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.fillRect(self.rect(), theme.colour("card"))
        for i, line in enumerate(LINES):
            self._paint_line(painter, theme, theme.px(8) + i * theme.row_px, *line)
        painter.end()

    def _paint_line(
        self,
        painter: QPainter,
        theme: Theme,
        top: float,
        text: str,
        lost: int | None,
        sunk: float,
        number: str,
        state: str,
        meaning: str,
    ) -> None:
        px = theme.px
        middle = top + theme.row_px / 2
        metrics = QFontMetricsF(theme.lyric())
        x = float(px(16))
        for k, word in enumerate(text.split()):
            wide = metrics.horizontalAdvance(word)
            rect = QRectF(x, middle - px(12), wide, px(24))
            if k == lost:
                draw_sunk(painter, rect.adjusted(0, px(2), 0, -px(2)), sunk, theme)
            painter.setFont(theme.lyric())
            painter.setPen(theme.colour("ink"))
            painter.drawText(rect.adjusted(0, 0, px(8), 0), Qt.AlignmentFlag.AlignVCenter, word)
            x += wide + metrics.horizontalAdvance(" ") + px(1.5)
        inked = state in ("ink", "drawn")
        glyph = QRectF(px(268), middle - px(11), px(40), px(22))
        gains = [-gain / 2 for gain in RIDE_DB] if state == "struck" else RIDE_DB
        draw_ride(painter, glyph, gains, ink_pen(theme) if inked else pencil_pen(theme))
        figure = QRectF(px(312), middle - px(12), px(40), px(24))
        painter.setFont(theme.text(bold=inked, italic=not inked))
        painter.setPen(theme.colour("ink" if inked else "pencil"))
        painter.drawText(figure, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter, number)
        if state == "struck":
            painter.setPen(QPen(theme.colour("ink"), 1.4))
            painter.drawLine(QPointF(px(318), middle + 1), QPointF(px(355), middle + 1))
        if state == "drawn":
            draw_nib(painter, QRectF(px(356), middle - px(7), px(12), px(14)), theme.colour("ink"))
        painter.setFont(theme.small())
        painter.setPen(theme.colour("pencil"))
        said = QRectF(px(384), top, self.width() - px(392), theme.row_px)
        painter.drawText(said, Qt.AlignmentFlag.AlignVCenter | Qt.TextFlag.TextWordWrap, meaning)
