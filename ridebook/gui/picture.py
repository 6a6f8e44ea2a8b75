"""A picture of the window on a session, for a page: ``python -m ridebook.gui.picture SESSION PNG [THEME]``."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

SIZE_PX = (1440, 900)
WAIT_S = 120.0
SETTLE_MS = 600


def take_picture(session: Path, target: Path, theme: str = "paper") -> bool:
    """Take a picture in a process of its own, without a display, so that nothing of it can touch this one.

    Parameters
    ----------
    session : Path
        The session to show.
    target : Path
        PNG file to write.
    theme : str
        ``paper`` or ``lamp``.

    Returns
    -------
    bool
        Whether the picture was taken; it is not where the system lacks what Qt needs.
    """
    command = [sys.executable, "-m", "ridebook.gui.picture", str(session), str(target), theme]
    environment = {**os.environ, "QT_QPA_PLATFORM": "offscreen"}
    try:
        made = subprocess.run(command, env=environment, capture_output=True, timeout=WAIT_S + 30, check=False)
    except (OSError, subprocess.TimeoutExpired):
        return False
    return made.returncode == 0 and target.is_file()


def main(arguments: list[str]) -> int:
    """Show the window off the screen, wait until the session lies in it, and write what it looks like."""
    from PySide6.QtCore import QSettings

    session, target, theme = Path(arguments[0]), Path(arguments[1]), (*arguments[2:], "paper")[0]
    with tempfile.TemporaryDirectory() as nowhere:
        # The user's own settings neither shape the picture nor are changed by it.
        QSettings.setPath(QSettings.Format.IniFormat, QSettings.Scope.UserScope, nowhere)
        return _pictured(session, target, theme)


def _pictured(session: Path, target: Path, theme: str) -> int:
    from PySide6.QtCore import QTimer

    from ridebook.gui.app import Windows, collect_here, make_app
    from ridebook.gui.theme import themes

    app = make_app()
    collector = collect_here()
    themes().choose(theme, 1.0)
    window = Windows(app).make()
    window.resize(*SIZE_PX)
    window.show()
    code = 1

    settle = QTimer()
    settle.setInterval(SETTLE_MS)

    def take() -> None:
        nonlocal code
        # Findings and peaks come after the song; a picture without them would show less than there is.
        if not window.desk.pool.idle:
            return
        settle.stop()
        code = 0 if window.grab().save(str(target), "PNG") else 1
        window.close()
        app.quit()

    settle.timeout.connect(take)
    window.desk.opened.connect(settle.start)
    window.desk.failed.connect(lambda _error: app.quit())
    window.desk.sources_missing.connect(lambda *_missing: app.quit())
    QTimer.singleShot(round(WAIT_S * 1000), app.quit)
    window.desk.open_session(session)
    app.exec()
    collector.timer.stop()
    return code


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
