"""Timers of the window."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QObject, QTimer


def rest_timer(owner: QObject, rest_ms: int, do: Callable[[], object]) -> QTimer:
    """Make a timer that does something once, when so long has passed since it was last started."""
    timer = QTimer(owner)
    timer.setSingleShot(True)
    timer.setInterval(rest_ms)
    timer.timeout.connect(do)
    return timer
