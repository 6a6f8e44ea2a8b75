"""Long work as steps, with progress and cancel."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[float], None]
"""Told how much of the work is done, 0 to 1."""

CancelCheck = Callable[[], bool]
"""Asked between blocks whether to stop."""


class Cancelled(Exception):
    """The work was called off; nothing was written."""


def silent(_done: float) -> None:
    """Progress that tells nobody."""


def part_of(progress: Progress, index: int, parts_n: int) -> Progress:
    """Progress of part `index` of `parts_n` like parts of a whole."""
    return lambda done: progress((index + done) / parts_n)


def never() -> bool:
    """Cancel check of work that is not to be stopped."""
    return False


def raise_if(cancelled: CancelCheck) -> None:
    """Raise `Cancelled` if the work is to stop.

    Raises
    ------
    Cancelled
        It is.
    """
    if cancelled():
        raise Cancelled
