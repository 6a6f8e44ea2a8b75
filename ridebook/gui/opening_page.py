"""What is seen while a song is measured: its waves as soon as they are read, and how far the measuring has come."""

from __future__ import annotations

import numpy as np
from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QFontMetricsF, QPainter, QPaintEvent, QPixmap
from PySide6.QtWidgets import QSizePolicy, QWidget

from ridebook.gui.desk import Desk
from ridebook.gui.theme import themes
from ridebook.gui.timeline_paint import fill_rects

REMARK = "Every moment of the song is measured once; the next time it opens at once."
WAVE_PX = 120


class OpeningPage(QWidget):
    """The page between the first one and the song."""

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._desk = desk
        self._pictures: dict[str, tuple[object, QPixmap, QPixmap]] = {}
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        desk.opening_changed.connect(self._refresh)
        desk.busy_changed.connect(self.update)
        themes().theme_changed.connect(self.update)

    def _refresh(self) -> None:
        opening = self._desk.opening
        if opening is None:
            self._pictures.clear()
        self.setAccessibleName(opening.label if opening is not None else "")
        self.update()

    def pictures(self) -> list[QPixmap]:
        """Pictures of the waves that were painted of what is being opened."""
        return [after for _, _, after in self._pictures.values()]

    def done_share(self) -> float:
        """How much of it is measured, 0 to 1."""
        opening = self._desk.opening
        return next((share for _, label, share in self._desk.pool.running() if label == opening.label), 0.0)

    def paintEvent(self, _event: QPaintEvent) -> None:
        """Paint both waves across the page, what is measured in its own colour."""
        theme = themes().current
        painter = QPainter(self)
        painter.fillRect(self.rect(), theme.colour("page"))
        opening = self._desk.opening
        if opening is None:
            return
        left, wide = theme.px(64), self.width() - theme.px(128)
        high = min(theme.px(WAVE_PX), self.height() // 5)
        line = QFontMetricsF(theme.title()).height()
        top = (self.height() - 2 * high - theme.px(24) - 3 * line) / 2
        painter.setPen(theme.colour("ink"))
        painter.setFont(theme.title())
        painter.drawText(QRectF(left, top, wide, line), Qt.AlignmentFlag.AlignVCenter, opening.label)
        top += 1.5 * line
        for role in ("vocal", "bed"):
            field = QRectF(left, top, wide, high)
            if opening.waves is not None:
                self._paint_wave(painter, field, role)
            else:
                painter.setPen(theme.colour("hairline"))
                painter.drawLine(round(left), round(top + high / 2), round(left + wide), round(top + high / 2))
            painter.setFont(theme.text())
            painter.setPen(theme.colour(role))
            painter.drawText(QRectF(theme.px(12), top, left, high), Qt.AlignmentFlag.AlignVCenter, role)
            top += high + theme.px(24)
        painter.setFont(theme.text())
        painter.setPen(theme.colour("pencil"))
        painter.drawText(QRectF(left, top, wide, line), Qt.AlignmentFlag.AlignVCenter, REMARK)
        painter.end()

    def _paint_wave(self, painter: QPainter, field: QRectF, role: str) -> None:
        """Lay the picture of the measured wave over that of the wave, as far as it has come."""
        ratio = self.devicePixelRatioF()
        key = (self._desk.opening, themes().current, field.size().toTuple(), ratio)
        if self._pictures.get(role, (None,))[0] != key:
            self._pictures[role] = (key, self._picture(field, role, 0.35), self._picture(field, role, 1.0))
        _, before, after = self._pictures[role]
        painter.drawPixmap(field.topLeft(), before)
        done = QRectF(field.left(), field.top(), round(field.width() * self.done_share()), field.height())
        painter.drawPixmap(done, after, QRectF(0, 0, done.width() * ratio, done.height() * ratio))

    def _picture(self, field: QRectF, role: str, alpha: float) -> QPixmap:
        theme = themes().current
        pyramid = getattr(self._desk.opening.waves, role)
        columns = int(field.width())
        low, high = pyramid.envelope(0, pyramid.frames_n, columns)
        reach = max(float(np.abs(low).max(initial=0)), float(np.abs(high).max(initial=0)), 1e-6)
        half = field.height() / 2
        tops = np.floor(half - high / reach * half)
        tall = np.ceil(half - low / reach * half) - tops
        made = QPixmap((field.size() * self.devicePixelRatioF()).toSize())
        made.setDevicePixelRatio(self.devicePixelRatioF())
        made.fill(theme.colour("page"))
        painter = QPainter(made)
        fill_rects(
            painter, np.arange(columns, dtype=float), tops, 1.0, np.maximum(tall, 1.0), theme.colour(role, alpha)
        )
        painter.end()
        return made
