"""The application: its one QApplication, its windows, and what happens when something unexpected does."""

from __future__ import annotations

import logging
import logging.handlers
import platform
import sys
import threading
import traceback
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType

import PySide6
from platformdirs import user_log_path
from pyqtgraph.util.garbage_collector import GarbageCollector
from PySide6.QtCore import QObject, QTimer, Signal
from PySide6.QtGui import QIcon
from PySide6.QtWidgets import QApplication

from ridebook import __version__
from ridebook.errors import RidebookError
from ridebook.gui.dialogs import ErrorDialog, ask
from ridebook.gui.icons import app_icon
from ridebook.gui.settings import settings
from ridebook.gui.theme import ThemeChoice, themes
from ridebook.gui.window import Window
from ridebook.gui.words import counted
from ridebook.session.file import SUFFIX
from ridebook.session.recovery import Recovery, find_recoveries, write_recovery

log = logging.getLogger("ridebook")

SWITCH_S = 0.0005
"""Longest that a thread keeps the interpreter while another wants it."""

WARM_UP_MS = 300
"""So long the first page has for itself."""


class Windows(QObject):
    """All windows that are open."""

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.open: list[Window] = []

    def make(self) -> Window:
        """Make another window; the caller shows it."""
        window = Window(self.make)
        self.open.append(window)
        window.closed.connect(self.open.remove)
        return window


class CrashHook(QObject):
    """Takes what nothing else has caught: log, recovery copies, a dialog with details to copy."""

    _caught = Signal(str)

    def __init__(self, windows: Windows) -> None:
        super().__init__(windows)
        self._windows = windows
        self._dialog: ErrorDialog | None = None
        self._caught.connect(self._show)

    def install(self) -> None:
        """Take unexpected errors from now on."""
        sys.excepthook = self.caught
        threading.excepthook = lambda args: self.caught(args.exc_type, args.exc_value, args.exc_traceback)

    def caught(self, kind: type[BaseException], error: BaseException | None, trace: TracebackType | None) -> None:
        """Take one error, on any thread."""
        if issubclass(kind, KeyboardInterrupt):
            sys.__excepthook__(kind, error, trace)
            return
        log.error("unexpected", exc_info=(kind, error, trace))
        self._caught.emit("".join(traceback.format_exception(kind, error, trace)))

    def _show(self, details: str) -> None:
        copies = [copy for window in self._windows.open if (copy := self._copied(window)) is not None]
        if self._dialog is not None:
            return
        summary = "The program goes on, but something in it did not work as it should. "
        if copies:
            summary += f"A recovery copy of {counted(len(copies), 'session')} was kept: save now, to be safe."
        system = f"Ridebook {__version__}, Python {platform.python_version()}, PySide6 {PySide6.__version__}, "
        parent = QApplication.activeWindow() or (self._windows.open[0] if self._windows.open else None)
        self._dialog = ErrorDialog(summary, f"{system}{platform.platform()}\n\n{details}", parent)
        self._dialog.finished.connect(self._on_closed)
        self._dialog.open()

    def _on_closed(self, _result: int) -> None:
        self._dialog = None

    @staticmethod
    def _copied(window: Window) -> Path | None:
        desk = window.desk
        if desk.session is None or not desk.changed:
            return None
        try:
            return write_recovery(desk.session, desk.path)
        except (OSError, RidebookError):
            log.exception("no recovery copy could be written")
            return None


def make_app(argv: Sequence[str] = ()) -> QApplication:
    """Make the application, or take the one that is there, and give it its look."""
    # Each time a painter's call returns, the window's thread asks for the interpreter back; by default work on another
    # thread may keep it for 5 ms then, ten times over in one painting.
    sys.setswitchinterval(SWITCH_S)
    app = QApplication.instance() or QApplication(["ridebook", *argv])
    app.setApplicationName("Ridebook")
    app.setApplicationVersion(__version__)
    app.setDesktopFileName("ridebook")
    QApplication.setStyle("Fusion")
    QApplication.setWindowIcon(QIcon(app_icon()))
    stored = settings()
    look = themes()
    choice = str(stored.value("theme", ThemeChoice.SYSTEM.value))
    try:
        size = float(stored.value("text_size", 1.0))
    except (TypeError, ValueError):
        size = 1.0
    look.choose(choice if choice in list(ThemeChoice) else ThemeChoice.SYSTEM, size)
    look.apply()
    return app


def collect_here() -> GarbageCollector:
    """Let Python take garbage apart on this thread alone, as long as what is returned lives.

    A Qt object that is taken apart on another thread than the window's crashes.
    """
    return GarbageCollector()


def _log_to_file() -> None:
    try:
        folder = user_log_path("ridebook", appauthor=False)
        folder.mkdir(parents=True, exist_ok=True)
        handler = logging.handlers.RotatingFileHandler(folder / "ridebook.log", maxBytes=500_000, backupCount=2)
    except OSError:
        return
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(name)s: %(message)s"))
    log.addHandler(handler)
    log.setLevel(logging.INFO)


def offer_recoveries(window: Window, recoveries: Sequence[Recovery]) -> None:
    """Ask about each copy that an earlier run left behind, one after the other."""
    if not recoveries:
        return
    copy, rest = recoveries[0], recoveries[1:]
    title = copy.session.title or "Untitled"

    def take() -> None:
        window._free().desk.open_read(copy.session, copy.session_path, copy.known_sha256, unsaved=True)
        copy.path.unlink(missing_ok=True)
        offer_recoveries(window, rest)

    def decline() -> None:
        copy.path.unlink(missing_ok=True)
        offer_recoveries(window, rest)

    def later() -> None:
        offer_recoveries(window, rest)

    ask(
        window,
        f"“{title}” was not saved when Ridebook last ended",
        "A copy of the work was kept. Open it? It is not written over anything until you save.",
        (("Open the copy", take), ("Throw it away", decline), ("Later", later)),
        escape=later,
    )


def run(files: Sequence[str] = ()) -> int:
    """Open the window and run until the last one is closed.

    Parameters
    ----------
    files : sequence of str
        A session, or a vocal and the files of its bed; empty for the first page.

    Returns
    -------
    int
        Exit code.
    """
    app = make_app()
    collector = collect_here()
    app.aboutToQuit.connect(collector.timer.stop)
    _log_to_file()
    windows = Windows(app)
    hook = CrashHook(windows)
    hook.install()
    window = windows.make()
    window.show()
    paths = [Path(name) for name in files]
    if len(paths) > 1 and all(path.suffix != SUFFIX for path in paths):
        window.desk.open_pair(paths[0], paths[1:])
    elif paths:
        window.open_files(paths)
    else:
        QTimer.singleShot(WARM_UP_MS, window.desk.warm_up)
    QTimer.singleShot(0, lambda: offer_recoveries(window, find_recoveries()))
    return app.exec()
