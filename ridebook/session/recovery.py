"""Recovery copies: what a crash would lose, kept as text in a folder of their own.

A copy is a line of JSON that says where it comes from, and under it the text of a session file. Each process writes
copies of its own, one for each session that it has open, so that no copy is written over by the next run before
somebody has looked at it.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import secrets
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import msgspec
from platformdirs import user_state_path

from ridebook.audio.output import atomic_write
from ridebook.session.document import Session
from ridebook.session.file import session_from_text, session_text

_SUFFIX = ".recovery"
_THIS_RUN = secrets.token_hex(6)


class _Note(msgspec.Struct):
    run: str
    process: int
    written_s: float
    session_path: str | None = None
    known_sha256: str | None = None


@dataclass(frozen=True, slots=True)
class Recovery:
    """A recovery copy that was left behind.

    Parameters
    ----------
    path : Path
        The copy.
    session_path : Path or None
        The session's own file; None where it had none yet.
    known_sha256 : str or None
        Hash of that file as it was last read or saved.
    written_s : float
        When the copy was written, in seconds since 1970.
    session : Session
        What it holds.
    """

    path: Path
    session_path: Path | None
    known_sha256: str | None
    written_s: float
    session: Session


def recovery_folder() -> Path:
    """Folder of the user's recovery copies; it need not exist yet."""
    return user_state_path("ridebook", appauthor=False) / "recovery"


def write_recovery(
    session: Session,
    session_path: str | Path | None = None,
    known_sha256: str | None = None,
    folder: Path | None = None,
) -> Path:
    """Write the recovery copy of a session that is open, over the last one of this run.

    Parameters
    ----------
    session : Session
        As it is now.
    session_path : str or Path, optional
        Its file, where it has one.
    known_sha256 : str, optional
        Hash of that file as it was last read or saved.
    folder : Path, optional
        Where copies are kept; `recovery_folder` by default.

    Returns
    -------
    Path
        The copy.

    Raises
    ------
    OutputError
        The system refuses to write.
    """
    path = _copy_path(session, session_path, folder)
    with contextlib.suppress(OSError):  # what is wrong with the folder, the writing says
        path.parent.mkdir(parents=True, exist_ok=True)
    own = None if session_path is None else os.path.abspath(session_path)
    note = json.dumps(msgspec.structs.asdict(_Note(_THIS_RUN, os.getpid(), time.time(), own, known_sha256)))
    atomic_write(path, f"{note}\n{session_text(session, path)}".encode("utf-8", "backslashreplace"))
    return path


def discard_recovery(session: Session, session_path: str | Path | None = None, folder: Path | None = None) -> None:
    """Remove this run's copy of a session, after a save or a close on purpose."""
    with contextlib.suppress(OSError):
        _copy_path(session, session_path, folder).unlink(missing_ok=True)


def find_recoveries(folder: Path | None = None) -> tuple[Recovery, ...]:
    """Return the copies that runs which have ended left behind, the newest first.

    Those of this run and of others that go on are left out, and so are files that cannot be read. The one who opens or
    declines a copy removes it by its path.
    """
    folder = recovery_folder() if folder is None else folder
    found = []
    for path in sorted(folder.glob(f"*{_SUFFIX}")):
        with contextlib.suppress(OSError, ValueError, RecursionError):  # what is wrong with a session is a ValueError
            first, _, text = path.read_bytes().partition(b"\n")
            note = msgspec.convert(json.loads(first), _Note)
            if note.run != _THIS_RUN and not _goes_on(note.process):
                own = None if note.session_path is None else Path(note.session_path)
                session = session_from_text(text, path)
                found.append(Recovery(path, own, note.known_sha256, note.written_s, session))
    return tuple(sorted(found, key=lambda copy: -copy.written_s))


def _copy_path(session: Session, session_path: str | Path | None, folder: Path | None) -> Path:
    belongs_to = os.path.abspath(session.vocal.path if session_path is None else session_path)
    name = hashlib.sha256(os.fsencode(belongs_to)).hexdigest()[:12]
    return (recovery_folder() if folder is None else folder) / f"{name}-{_THIS_RUN}{_SUFFIX}"


def _goes_on(process: int) -> bool:
    """Whether another process with this number runs; where that cannot be told, it does not."""
    if process == os.getpid() or process <= 0 or sys.platform == "win32":
        return False
    try:
        os.kill(process, 0)  # sends nothing, only asks
    except (ProcessLookupError, OverflowError):
        return False
    except OSError:
        return True
    return True
