"""What hands do on a whole window, for its tests."""

from __future__ import annotations

from PySide6.QtCore import Qt, QTimer
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication


def put(window, made):
    """Put a constructed song into the window."""
    session, measures, suggestion = made
    window.desk.show_session(session, measures=measures, suggestion=suggestion)
    window.desk.opened.emit()
    QApplication.processEvents()


def press(window, key, modifiers=Qt.KeyboardModifier.NoModifier):
    """Press a key where the focus is."""
    QTest.keyClick(window.focusWidget(), key, modifiers)
    QApplication.processEvents()


def steps(window):
    """Names of the steps that can be undone."""
    return [step.label for step in window.desk.history.steps]


def rest(widget, qtbot):
    """Wait until the widget has nothing more to catch up with, and is laid out and painted."""
    qtbot.waitUntil(lambda: not any(each.isSingleShot() and each.isActive() for each in widget.findChildren(QTimer)))
    for _ in range(3):
        QApplication.processEvents()
