"""What the program remembers of its user between runs."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtCore import QSettings

RECENT_KEPT = 10


def settings() -> QSettings:
    """Give the user's settings, a text file in the system's place for them."""
    return QSettings(QSettings.Format.IniFormat, QSettings.Scope.UserScope, "ridebook", "ridebook")


def recent_sessions() -> list[Path]:
    """Sessions that were opened or saved lately and are still there, the newest first."""
    stored = settings().value("recent", [])
    paths = [stored] if isinstance(stored, str) else list(stored or [])
    return [Path(path) for path in paths if Path(path).is_file()]


def remember_session(path: Path) -> None:
    """Put a session at the head of the recent ones."""
    path = Path(path).resolve()
    kept = [path, *(other for other in recent_sessions() if other != path)]
    settings().setValue("recent", [str(each) for each in kept[:RECENT_KEPT]])


def forget_recent() -> None:
    """Empty the list of recent sessions."""
    settings().remove("recent")


def last_folder() -> str:
    """Folder that a file was last chosen in."""
    return str(settings().value("folder", "") or "")


def remember_folder(path: Path) -> None:
    """Note the folder of a file that was chosen."""
    settings().setValue("folder", str(Path(path).parent))
