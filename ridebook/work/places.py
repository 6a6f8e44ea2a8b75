"""Where the program finds what ships with it, and where it keeps what can be thrown away."""

from __future__ import annotations

from pathlib import Path

from platformdirs import user_cache_path, user_data_path

_PACKAGE = Path(__file__).resolve().parent.parent


def shipped(name: str) -> Path:
    """Folder that ships with the program: ``assets`` or ``demo_sessions``.

    Inside the package when it was installed, at the top of the checkout otherwise.
    """
    inside = _PACKAGE / "_data" / name
    return inside if inside.is_dir() else _PACKAGE.parent / name


def cache_folder() -> Path:
    """Folder for what can be computed again; it need not exist yet."""
    return user_cache_path("ridebook", appauthor=False)


def data_folder() -> Path:
    """Folder for what is kept of this user and cannot be computed again; it need not exist yet."""
    return user_data_path("ridebook", appauthor=False)
