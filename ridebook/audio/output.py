"""Writing files so that a reader sees the old one or the new one, and never a source is lost."""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
from collections.abc import Iterable, Iterator, Sequence
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
        _keep_rights(real, aside)
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


def check_targets(targets: Sequence[str | Path], protect: Iterable[str | Path] = (), *, replace: bool = True) -> None:
    """Ask of several targets whether they may be written, before any work is done.

    Raises
    ------
    OutputError
        As for `check_target`, or one file is named for two of them.
    """
    protect = tuple(protect)
    for i, target in enumerate(targets):
        check_target(target, protect, replace=replace)
        if any(is_same_file(target, other) for other in targets[:i]):
            raise OutputError(f"{target} is named for two outputs; give each its own name")


@contextlib.contextmanager
def written_together(
    targets: Sequence[str | Path], protect: Iterable[str | Path] = (), *, replace: bool = True
) -> Iterator[list[Path]]:
    """Paths of new files beside `targets`, moved into their places together when the block ends well.

    Each has the name of its target, in a folder of its own that is gone afterwards. When the block raises, or not all
    of them are there at its end, none is moved.

    Parameters
    ----------
    targets : sequence of str or Path
        The files to write.
    protect, replace
        As for `check_target`.

    Yields
    ------
    list of Path
        Where to write, in the order of the targets; not there yet.

    Raises
    ------
    OutputError
        As for `check_targets`. Where the system refuses a move after others were made, it is told which are in place.
    """
    protect = tuple(protect)
    check_targets(targets, protect, replace=replace)
    reals = [Path(os.path.realpath(target)) for target in targets]
    with contextlib.ExitStack() as held:
        folders: dict[Path, Path] = {}
        for real in reals:
            if real.parent not in folders:
                folders[real.parent] = held.enter_context(_aside_folder(real.parent))
        asides = [folders[real.parent] / real.name for real in reals]
        try:
            yield asides
        except RidebookError as error:
            # The user named the target, not the place beside it.
            raise _renamed(error, asides, targets) from error
        for aside, target in zip(asides, targets, strict=True):
            try:
                with open(aside, "rb+") as stream:
                    os.fsync(stream.fileno())
            except OSError as error:
                raise OutputError(f"{target} cannot be written: {error.strerror or error}") from error
        check_targets(targets, protect, replace=replace)  # long work may lie between
        for i, (aside, real) in enumerate(zip(asides, reals, strict=True)):
            _keep_rights(real, aside)
            try:
                os.replace(aside, real)
            except OSError as error:
                there = ", ".join(str(target) for target in targets[:i]) or "nothing"
                raise OutputError(
                    f"{targets[i]} cannot be written: {error.strerror or error}. Written before that: {there}."
                ) from error
    for folder in folders:
        _sync_folder(folder)


@contextlib.contextmanager
def _aside_folder(parent: Path) -> Iterator[Path]:
    folder = parent / f".{secrets.token_hex(6)}.part"
    try:
        folder.mkdir()
    except OSError as error:
        raise OutputError(f"{parent} cannot be written to: {error.strerror or error}") from error
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _renamed(error: RidebookError, asides: Sequence[Path], targets: Sequence[str | Path]) -> RidebookError:
    text = str(error)
    for aside, target in zip(asides, targets, strict=True):
        text = text.replace(str(aside), str(target))
    return type(error)(text)


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


def _keep_rights(real: Path, aside: Path) -> None:
    """Give a new file the rights of the one whose place it takes, where there is one."""
    with contextlib.suppress(OSError):
        if real.exists():
            os.chmod(aside, real.stat().st_mode & 0o7777)


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
