"""Writing files so that a reader sees the old one or the new one, and never a source is lost."""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Iterable, Iterator
from pathlib import Path

from ridebook.errors import OutputError, OutputExistsError, OutputIsSourceError, RidebookError


def is_same_file(first: str | Path, second: str | Path) -> bool:
    """Whether two paths lead to one file, through links and whatever the case of letters the system tells apart."""
    try:
        return os.path.samefile(first, second)
    except OSError:  # one of them is not there
        return os.path.normcase(os.path.realpath(first)) == os.path.normcase(os.path.realpath(second))


def check_target(target: str | Path, protect: Iterable[str | Path] = (), *, replace: bool = True) -> Path:
    """Path to write to, links followed, after asking whether it may be written.

    Parameters
    ----------
    target : str or Path
        The file to write.
    protect : iterable of str or Path
        Sources, which are never written over.
    replace : bool
        Whether a file that is there already may be replaced.

    Raises
    ------
    OutputIsSourceError
        The target is one of `protect`.
    OutputExistsError
        It is there already and `replace` is False.
    OutputError
        Its folder is missing, it is no plain file, or it may not be written.
    """
    for source in protect:
        if is_same_file(target, source):
            raise OutputIsSourceError(f"{target} is a source and is never written over; choose another name")
    real = Path(os.path.realpath(target))
    if not real.parent.is_dir():
        raise OutputError(f"{target} cannot be written: there is no folder {real.parent}")
    if real.exists():
        if not real.is_file():
            raise OutputError(f"{target} cannot be written: it is not a plain file")
        if not replace:
            raise OutputExistsError(f"{target} is there already; choose another name, or say that it may be replaced")
        # os.replace asks the folder alone, so that a file set read-only would be lost.
        if not os.access(real, os.W_OK):
            raise OutputError(f"{target} cannot be written: it is read-only")
    return real


@contextlib.contextmanager
def written_aside(target: str | Path, protect: Iterable[str | Path] = (), *, replace: bool = True) -> Iterator[Path]:
    """Path of a new file beside `target`, moved into its place when the block ends well.

    The content is on the disk before the move, so that a crash at any moment leaves the old file or the new one,
    whole. When the block raises, the new file is removed and the old one stays.

    Parameters
    ----------
    target, protect, replace
        As for `check_target`.

    Yields
    ------
    Path
        Where to write; not there yet, in the target's folder, with the target's suffix.

    Raises
    ------
    OutputError
        As for `check_target`, or the system refused a step, with its reason.
    """
    protect = tuple(protect)
    real = check_target(target, protect, replace=replace)
    aside = real.with_name(f".{secrets.token_hex(6)}.part{real.suffix}")
    try:
        yield aside
        with open(aside, "rb+") as stream:
            os.fsync(stream.fileno())
        if real.exists():
            with contextlib.suppress(OSError):
                os.chmod(aside, real.stat().st_mode & 0o7777)
        check_target(target, protect, replace=replace)  # long work may lie between
        os.replace(aside, real)
    except RidebookError:  # some of them are OSErrors too
        raise
    except OSError as error:
        raise OutputError(f"{target} cannot be written: {error.strerror or error}") from error
    finally:
        with contextlib.suppress(OSError):
            aside.unlink(missing_ok=True)
    _sync_folder(real.parent)


def atomic_write(
    target: str | Path, content: bytes | str, protect: Iterable[str | Path] = (), *, replace: bool = True
) -> None:
    """Write a whole file at once; text as UTF-8, line ends as they are.

    Parameters
    ----------
    target, protect, replace
        As for `check_target`.
    content : bytes or str
        The whole content.

    Raises
    ------
    OutputError
        As for `written_aside`.
    """
    with written_aside(target, protect, replace=replace) as aside:
        aside.write_bytes(content.encode() if isinstance(content, str) else content)


def _sync_folder(folder: Path) -> None:
    """Make the move itself last through a power cut, where the system has a way to ask for it."""
    if os.name != "posix":
        return
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
