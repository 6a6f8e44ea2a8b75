"""Icons out of assets/, in the colours of the theme."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from PySide6.QtCore import QByteArray, QRectF, Qt
from PySide6.QtGui import QIcon, QPainter, QPixmap
from PySide6.QtSvg import QSvgRenderer

from ridebook.gui.theme import Theme
from ridebook.work.places import shipped

_SIZES_PX = (16, 24, 32, 48)


@cache
def _source(name: str) -> str:
    return (shipped("assets") / "icons" / f"{name}.svg").read_text("utf-8")


@cache
def _drawn(name: str, colour: str) -> QIcon:
    renderer = QSvgRenderer(QByteArray(_source(name).replace("currentColor", colour).encode()))
    icon = QIcon()
    for size_px in _SIZES_PX:
        pixmap = QPixmap(size_px, size_px)
        pixmap.fill(Qt.GlobalColor.transparent)
        painter = QPainter(pixmap)
        renderer.render(painter, QRectF(0, 0, size_px, size_px))
        painter.end()
        icon.addPixmap(pixmap)
    return icon


def icon(name: str, theme: Theme, role: str = "ink") -> QIcon:
    """Icon of this name in the colour of a role."""
    return _drawn(name, getattr(theme.colours, role))


def app_icon() -> QIcon:
    """Icon of the program, which has colours of its own."""
    return QIcon(str(Path(shipped("assets")) / "icons" / "ridebook.svg"))
