"""Every GUI test starts with fresh settings and folders, and leaves no window and no thread behind."""

from __future__ import annotations

import gc
import os
import threading

import pytest

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

from PySide6.QtCore import QCoreApplication, QEvent, QSettings, QThreadPool
from PySide6.QtWidgets import QApplication
from pytestqt.qtbot import QtBot

from ridebook.gui.app import Windows, make_app
from ridebook.gui.theme import ThemeChoice, themes
from tests.gui.hands import put
from tests.gui.songs import song

PATIENCE_MS = 60_000


class PatientBot(QtBot):
    """Waits long enough for a slow machine that does other work: what comes at once costs no more by it."""

    def waitActive(self, widget, *, timeout=PATIENCE_MS):
        return super().waitActive(widget, timeout=timeout)

    def waitExposed(self, widget, *, timeout=PATIENCE_MS):
        return super().waitExposed(widget, timeout=timeout)

    def waitSignal(self, signal, *, timeout=PATIENCE_MS, **how):
        return super().waitSignal(signal, timeout=timeout, **how)

    def waitSignals(self, signals, *, timeout=PATIENCE_MS, **how):
        return super().waitSignals(signals, timeout=timeout, **how)

    def waitUntil(self, callback, *, timeout=PATIENCE_MS):
        return super().waitUntil(callback, timeout=timeout)


@pytest.fixture
def qtbot(qapp, request):
    return PatientBot(request)


def pytest_collection_modifyitems(items):
    for item in items:
        # The offscreen platform says so of every window with a least size and of menus; it is no fault of the program.
        item.add_marker(
            pytest.mark.qt_log_ignore("does not support (propagateSizeHints|raise|grabbing the keyboard)", extend=True)
        )


def own_threads():
    """Threads that Python started; those of Qt's pools are counted by the pools."""
    return [thread for thread in threading.enumerate() if not isinstance(thread, threading._DummyThread)]


@pytest.fixture(autouse=True, scope="module")
def _collected_here():
    """Qt objects are taken apart on this thread alone, as in the program itself."""
    gc.disable()
    yield
    gc.collect()
    gc.enable()


@pytest.fixture(autouse=True)
def _fresh(qapp, tmp_path, monkeypatch):
    for name in ("XDG_CONFIG_HOME", "XDG_CACHE_HOME", "XDG_STATE_HOME", "XDG_DATA_HOME"):
        monkeypatch.setenv(name, str(tmp_path / "user" / name.lower()))
    QSettings.setPath(QSettings.Format.IniFormat, QSettings.Scope.UserScope, str(tmp_path / "user" / "settings"))
    make_app()
    themes().choose(ThemeChoice.PAPER, 1.0)
    before = set(QApplication.topLevelWidgets())
    threads = set(own_threads())
    yield
    for _ in range(3):
        qapp.processEvents()
        QCoreApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete)
    gc.collect(1)
    left = [widget for widget in QApplication.topLevelWidgets() if widget not in before and widget.isVisible()]
    assert not left, f"windows left open: {left}"
    assert QThreadPool.globalInstance().activeThreadCount() == 0
    assert set(own_threads()) <= threads


@pytest.fixture(name="window")
def song_window(qapp, qtbot):
    """A window of 1280 x 800 with the constructed song in it."""
    windows = Windows()
    made = windows.make()
    made.resize(1280, 800)
    made.show()
    qtbot.waitExposed(made)
    put(made, song())
    yield made
    for each in list(windows.open):
        each._leaving = True
        each.close()
    windows.deleteLater()
