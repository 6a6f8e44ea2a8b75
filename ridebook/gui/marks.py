"""Marks of the look, drawn the same wherever they stand: ride glyph, nib, bracket, gauge."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPainterPath, QPen, QPolygonF

from ridebook.gui.theme import Theme

GLYPH_REACH_DB = 6.0
"""A ride this far up or down reaches the edge of its glyph."""

WASH_ALPHA = 0.38
"""How strongly the bed's wash covers what is under it; words on it stay readable."""


def pencil_pen(theme: Theme, width: float = 1.4, role: str = "pencil") -> QPen:
    """Dashed pen of what is only suggested."""
    pen = QPen(theme.colour(role), width)
    pen.setDashPattern([3.0, 2.4])
    pen.setCapStyle(Qt.PenCapStyle.FlatCap)
    pen.setJoinStyle(Qt.PenJoinStyle.RoundJoin)
    return pen


def ink_pen(theme: Theme, width: float = 1.8, role: str = "ink") -> QPen:
    """Solid pen of what was decided."""
    pen = QPen(theme.colour(role), width)
    pen.setCapStyle(Qt.PenCapStyle.RoundCap)
    pen.setJoinStyle(Qt.PenJoinStyle.RoundJoin)
    return pen


def draw_ride(painter: QPainter, rect: QRectF, gains_db: Sequence[float] | np.ndarray, pen: QPen) -> None:
    """Draw the glyph of a ride: gains at even steps over a phrase, 0 dB in the middle of `rect`."""
    gains = np.clip(np.asarray(gains_db, dtype=np.float64), -GLYPH_REACH_DB, GLYPH_REACH_DB)
    xs = np.linspace(rect.left(), rect.right(), len(gains))
    ys = rect.center().y() - gains / GLYPH_REACH_DB * rect.height() / 2
    painter.setPen(pen)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.drawPolyline(QPolygonF([QPointF(x, y) for x, y in zip(xs.tolist(), ys.tolist())]))


def draw_nib(painter: QPainter, rect: QRectF, colour: QColor) -> None:
    """Draw a pen's nib, the mark of a ride that was drawn by hand."""
    w, h = rect.width(), rect.height()
    path = QPainterPath(QPointF(rect.left() + w * 0.10, rect.bottom() - h * 0.08))
    path.lineTo(rect.left() + w * 0.22, rect.top() + h * 0.46)
    path.lineTo(rect.left() + w * 0.62, rect.top() + h * 0.06)
    path.lineTo(rect.left() + w * 0.94, rect.top() + h * 0.38)
    path.lineTo(rect.left() + w * 0.54, rect.top() + h * 0.78)
    path.closeSubpath()
    painter.setPen(Qt.PenStyle.NoPen)
    painter.setBrush(colour)
    painter.drawPath(path)


def draw_bracket(painter: QPainter, x: float, top: float, bottom: float, foot: float, pen: QPen) -> None:
    """Draw the bracket of a locked phrase, open to the right."""
    painter.setPen(pen)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.drawPolyline(
        QPolygonF([QPointF(x + foot, top), QPointF(x, top), QPointF(x, bottom), QPointF(x + foot, bottom)])
    )


def draw_sunk(painter: QPainter, rect: QRectF, sunk: float, theme: Theme) -> None:
    """Draw what a lost word stands in: the bed's wash as high as the word has sunk, and the gauge at its left."""
    high = rect.height() * min(max(sunk, 0.12), 1.0)
    wash = QRectF(rect.left() - theme.px(1), rect.bottom() - high, rect.width() + theme.px(2), high)
    painter.fillRect(wash, theme.colour("bed", WASH_ALPHA))
    pen = QPen(theme.colour("lost"), max(1.5, theme.px(2)))
    pen.setCapStyle(Qt.PenCapStyle.FlatCap)
    painter.setPen(pen)
    x = wash.left() - theme.px(1)
    painter.drawLine(QPointF(x, wash.bottom()), QPointF(x, wash.top()))
    painter.drawLine(QPointF(x - theme.px(3), wash.top()), QPointF(x + pen.widthF() / 2, wash.top()))


def draw_doubt(painter: QPainter, x: float, y: float, theme: Theme) -> None:
    """Draw what marks a doubtful beginning: three dots under the first letters of a word."""
    step, size = max(3, theme.px(4)), max(2, theme.px(2))
    for k in range(3):
        painter.fillRect(QRectF(x + k * step, y, size, size), theme.colour("ink"))


def draw_out_of_band(painter: QPainter, x: float, middle_y: float, size: float, above: bool, colour: QColor) -> None:
    """Draw the small pointer beside a balance that lies above or below the aim's band."""
    half = size / 2
    tip = middle_y - half if above else middle_y + half
    base = middle_y + half * 0.7 if above else middle_y - half * 0.7
    painter.setPen(Qt.PenStyle.NoPen)
    painter.setBrush(colour)
    painter.drawPolygon(QPolygonF([QPointF(x, base), QPointF(x + size, base), QPointF(x + half, tip)]))
