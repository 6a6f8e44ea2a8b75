"""A session as a file: one UTF-8 JSON text, named ``*.ridebook``.

The text is meant to be read and compared by people as well: a segment, a decision, a breakpoint and a line of the
lyric stand on a line of their own, and what is at its default is left out of decisions and segments.

* ``format`` is always ``ridebook-session``, ``version`` the number of the layout. An addition that an older program
  would drop on its next save raises the number, and a file of a higher number is refused. So a field that is not
  known can only be a slip of a hand or damage, and is refused too, by its name.
* A source in or under the session's folder is kept as a path relative to that folder, so that the folder can be
  moved whole. Any other is kept both ways: relative first, ``absolute`` to fall back on.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import json
import operator
import os
import posixpath
import unicodedata
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec

from ridebook import __version__
from ridebook.audio.files import file_sha256
from ridebook.audio.output import atomic_write
from ridebook.errors import SessionChangedError, SessionUnreadableError
from ridebook.ride.lane import Breakpoint, Lane
from ridebook.ride.settings import RideSettings
from ridebook.ride.suggestion import PhraseSuggestion
from ridebook.segment.spans import Kind, Segments, Span
from ridebook.session.document import Decision, Follower, ReferencePair, Session, SourceFile, check_session
from ridebook.session.limits import CheckLimits

FORMAT = "ridebook-session"
VERSION = 3
"""1 had no confidences, repeats and plosives among its segments, 2 no followers; both are read."""
SUFFIX = ".ridebook"


class _Source(msgspec.Struct, forbid_unknown_fields=True):
    path: str
    sha256: str
    rate_hz: int
    channels_n: int
    frames_n: int
    absolute: str = ""


class _Follower(_Source):
    share: float = 1.0


class _Pair(msgspec.Struct, forbid_unknown_fields=True):
    vocal: _Source
    beds: list[_Source]


class _Document(msgspec.Struct, forbid_unknown_fields=True):
    """The layout of the text, in the order of its fields."""

    format: str
    version: int
    vocal: _Source
    beds: list[_Source]
    written_by: str = ""
    title: str = ""
    note: str = ""
    followers: list[_Follower] = []  # msgspec copies it
    references: list[_Source] = []
    reference_pairs: list[_Pair] = []
    approved_mix: _Source | None = None
    limits: CheckLimits = msgspec.field(default_factory=CheckLimits)
    trim_db: float = 0.0
    settings: RideSettings = msgspec.field(default_factory=RideSettings)
    section_aims: dict[str, float] = {}
    segments: list[Span] = []
    decisions: dict[str, Decision] = {}
    quiet_words: list[str] = []
    lane: list[Breakpoint] = []
    accepted: dict[str, str] = {}
    lyric: list[str] = []


def session_text(session: Session, path: Path) -> str:
    """Text of a session file that lies at `path`.

    Parameters
    ----------
    session : Session
        What to write.
    path : Path
        Where the file will lie; sources are named from there.

    Raises
    ------
    RidebookError
        The session breaks one of its own rules, as `check_session` says.
    """
    check_session(session)
    folder = Path(os.path.abspath(path)).parent
    document: dict[str, Any] = {
        "format": FORMAT,
        "version": VERSION,
        "written_by": __version__,
        "title": session.title,
        "note": session.note,
        "vocal": _source_fields(session.vocal, folder),
        "beds": [_source_fields(source, folder) for source in session.beds],
        "followers": [_source_fields(each.source, folder) | {"share": each.share} for each in session.followers],
        "references": [_source_fields(source, folder) for source in session.references],
        "reference_pairs": [
            {"vocal": _source_fields(pair.vocal, folder), "beds": [_source_fields(bed, folder) for bed in pair.beds]}
            for pair in session.reference_pairs
        ],
        "approved_mix": None if session.approved_mix is None else _source_fields(session.approved_mix, folder),
        "limits": _fields(session.limits),
        "trim_db": session.trim_db,
        "settings": dataclasses.asdict(session.settings),
        "section_aims": session.section_aims,
        "segments": [_fields(span) for span in session.segments.all_spans()],
        "decisions": {phrase_id: _fields(decision) for phrase_id, decision in session.decisions.items()},
        "quiet_words": sorted(session.quiet_words),
        "lane": list(session.lane.points),
        "accepted": session.accepted,
        "lyric": session.lyric.split("\n") if session.lyric else [],
    }
    return "{\n" + ",\n".join(f"  {_json(key)}: {_block(value)}" for key, value in document.items()) + "\n}\n"


def session_from_text(text: bytes, path: Path) -> Session:
    """Session out of the content of the file at `path`.

    Raises
    ------
    SessionUnreadableError
        The content is no session, is of a newer version, or breaks a rule; says which and where.
    """
    try:
        raw = json.loads(text.decode("utf-8-sig"), object_pairs_hook=_without_twins, parse_constant=_no_constant)
    except UnicodeDecodeError as error:
        raise _unreadable(path, f"it is not UTF-8 text (byte {error.start})") from error
    except (ValueError, RecursionError) as error:
        raise _unreadable(path, f"it is not JSON text, or was cut off ({error})") from error
    if not isinstance(raw, dict) or raw.get("format") != FORMAT:
        raise _unreadable(path, f"it is not a session ('format' is not '{FORMAT}')")
    version = raw.get("version")
    if isinstance(version, int) and version > VERSION:
        raise _unreadable(
            path,
            f"it was written by a newer version of this program ({raw.get('written_by') or 'unknown'}, layout "
            f"{version}; this one knows up to {VERSION}); open it with that one",
        )
    if not isinstance(version, int) or isinstance(version, bool) or version < 1:
        raise _unreadable(path, f"'version' is {version!r}, but must be a whole number from 1 to {VERSION}")
    try:
        document = msgspec.convert(raw, _Document)
        for unknown in _unknown_fields(raw):
            raise _unreadable(path, f"it holds a field that is not known: {unknown}")
        session = _session(document, Path(os.path.abspath(path)).parent)
        check_session(session)
    except SessionUnreadableError:
        raise
    except OverflowError as error:
        raise _unreadable(path, "a breakpoint lies beyond any song") from error
    except ValueError as error:  # msgspec's ValidationError is one, and so are the leaves of the family
        raise _unreadable(path, str(error)) from error
    return session


def read_session(path: str | Path) -> tuple[Session, str]:
    """Session in a file, and the hash of the file's content.

    Parameters
    ----------
    path : str or Path
        The file.

    Returns
    -------
    Session
        With absolute paths of its sources, whether these are there or not.
    str
        SHA-256 of the content, for `save_session` to know later that nobody else has written it since.

    Raises
    ------
    SessionUnreadableError
        The file is missing, no session, of a newer version, or damaged; the message says which, and where.
    """
    path = Path(path)
    try:
        content = path.read_bytes()
    except OSError as error:
        raise _unreadable(path, error.strerror or str(error)) from error
    return session_from_text(content, path), _hash(content)


def load_session(path: str | Path) -> Session:
    """Session in a file, as `read_session` without the hash."""
    return read_session(path)[0]


def save_session(session: Session, path: str | Path, *, known_sha256: str | None = None, force: bool = False) -> str:
    """Write a session so that a crash at any moment leaves the old file or the new one.

    Parameters
    ----------
    session : Session
        What to write.
    path : str or Path
        Where; the paths of sources are kept relative to its folder.
    known_sha256 : str, optional
        Hash of the content as it was last read or saved; None for a file that should be new.
    force : bool
        Replace whatever is there, but for a source.

    Returns
    -------
    str
        Hash of the content, to pass on at the next save.

    Raises
    ------
    OutputExistsError
        A file is there already and `known_sha256` is None.
    SessionChangedError
        The file on disk is not the one that was read; it stays as it is.
    OutputIsSourceError
        `path` is one of the session's sources.
    OutputError
        The system refuses to write.
    RidebookError
        The session breaks one of its own rules.
    """
    path = Path(path)
    content = session_text(session, path).encode("utf-8", "backslashreplace")
    if known_sha256 is not None and not force:
        with contextlib.suppress(FileNotFoundError):  # removed since: nothing is lost by writing it again
            if _hash(path.read_bytes()) != known_sha256:
                raise SessionChangedError(
                    f"{path} was changed by another program since it was read; save under another name, "
                    "or say that it may be replaced"
                )
    atomic_write(path, content, [source.path for source in session.sources], replace=force or known_sha256 is not None)
    return _hash(content)


def missing_sources(session: Session) -> tuple[SourceFile, ...]:
    """Return the sources whose file is not where it was."""
    return tuple(source for source in session.sources if not os.path.isfile(source.path))


def locate(session: Session, folder: str | Path) -> Session:
    """Session whose missing sources are taken from where they lie now, in or under `folder`.

    A file is the one that was moved when both its name and its content are: a file of the same name with other
    content is a new version, which is for `ridebook.session.edits.change_source`.

    Parameters
    ----------
    session : Session
        Whose sources may be missing; those that are not found stay missing.
    folder : str or Path
        Where to look; folders that may not be read are passed over.

    Returns
    -------
    Session
        The same object when nothing was found.
    """
    wanted: dict[str, list[SourceFile]] = {}
    for source in missing_sources(session):
        wanted.setdefault(_name_key(source.path), []).append(source)
    moved: dict[SourceFile, SourceFile] = {}
    for where, _, names in os.walk(folder):
        for name in names:
            candidates = [source for source in wanted.get(_name_key(name), ()) if source not in moved]
            if candidates:
                path = os.path.abspath(os.path.join(where, name))
                with contextlib.suppress(OSError):
                    sha256 = file_sha256(path)
                    moved |= {old: dataclasses.replace(old, path=path) for old in candidates if old.sha256 == sha256}
        if len(moved) == sum(map(len, wanted.values())):
            break
    if not moved:
        return session
    return dataclasses.replace(
        session,
        vocal=moved.get(session.vocal, session.vocal),
        beds=tuple(moved.get(source, source) for source in session.beds),
        followers=tuple(
            dataclasses.replace(each, source=moved.get(each.source, each.source)) for each in session.followers
        ),
        references=tuple(moved.get(source, source) for source in session.references),
        reference_pairs=tuple(pair.with_moved(moved) for pair in session.reference_pairs),
        approved_mix=moved.get(session.approved_mix, session.approved_mix) if session.approved_mix else None,
    )


def _name_key(path: str) -> str:
    """Name of a file, the same however a file system spells its letters."""
    return unicodedata.normalize("NFC", os.path.basename(path)).casefold()


def _unreadable(path: Path, what: str) -> SessionUnreadableError:
    return SessionUnreadableError(f"{path} cannot be opened as a session: {what}")


def _hash(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _json(value: object) -> str:
    # Numbers of numpy, which a computed span or gain may be, are asked for the plain one.
    return json.dumps(value, ensure_ascii=False, allow_nan=False, default=operator.methodcaller("item"))


def _block(value: object) -> str:
    """JSON with one item a line where there are several."""
    if isinstance(value, dict) and value:
        return "{\n" + ",\n".join(f"    {_json(key)}: {_json(item)}" for key, item in value.items()) + "\n  }"
    if isinstance(value, list) and value:
        return "[\n" + ",\n".join(f"    {_json(item)}" for item in value) + "\n  ]"
    return _json(value)


def _fields(value: Any) -> dict[str, Any]:
    """Fields of a dataclass that are not at their default, those of dataclasses inside it too."""
    fields = {}
    for field in dataclasses.fields(value):
        item = getattr(value, field.name)
        if item != field.default:
            fields[field.name] = _fields(item) if dataclasses.is_dataclass(item) else item
    return fields


def _source_fields(source: SourceFile, folder: Path) -> dict[str, Any]:
    fields = dataclasses.asdict(source)
    absolute = os.path.abspath(source.path)
    try:
        relative = Path(os.path.relpath(absolute, folder)).as_posix()
    except ValueError:  # another drive of Windows
        return fields | {"path": Path(absolute).as_posix(), "absolute": absolute}
    fields["path"] = relative
    if relative.startswith("../"):
        fields["absolute"] = absolute
    return fields


def _source(fields: _Source, folder: Path) -> SourceFile:
    beside = os.path.normpath(folder / posixpath.normpath(fields.path))
    kept = fields.absolute and not os.path.exists(beside) and os.path.exists(fields.absolute)
    return SourceFile(
        fields.absolute if kept else beside, fields.sha256, fields.rate_hz, fields.channels_n, fields.frames_n
    )


def _session(document: _Document, folder: Path) -> Session:
    spans = document.segments
    return Session(
        vocal=_source(document.vocal, folder),
        beds=tuple(_source(fields, folder) for fields in document.beds),
        trim_db=document.trim_db,
        limits=document.limits,
        settings=document.settings,
        section_aims=document.section_aims,
        segments=Segments(*(tuple(span for span in spans if span.kind == kind) for kind in Kind)),
        decisions=document.decisions,
        lane=Lane(tuple(document.lane)),
        title=document.title,
        lyric="\n".join(document.lyric),
        note=document.note,
        quiet_words=frozenset(document.quiet_words),
        accepted=document.accepted,
        followers=tuple(Follower(_source(fields, folder), fields.share) for fields in document.followers),
        references=tuple(_source(fields, folder) for fields in document.references),
        reference_pairs=tuple(
            ReferencePair(_source(pair.vocal, folder), tuple(_source(bed, folder) for bed in pair.beds))
            for pair in document.reference_pairs
        ),
        approved_mix=None if document.approved_mix is None else _source(document.approved_mix, folder),
    )


def _without_twins(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    fields = dict(pairs)
    if len(fields) < len(pairs):
        twin = next(key for i, (key, _) in enumerate(pairs) if key in dict(pairs[:i]))
        raise ValueError(f"{twin!r} stands twice in one place")
    return fields


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is not a number of JSON")


def _unknown_fields(raw: dict[str, Any]) -> Iterator[str]:
    """Fields of the dataclasses inside a document that msgspec has converted, and so passed over."""
    inside: list[tuple[str, dict[str, Any], type]] = [
        ("settings", raw.get("settings", {}), RideSettings),
        ("limits", raw.get("limits", {}), CheckLimits),
    ]
    inside += [(f"segments[{i}]", span, Span) for i, span in enumerate(raw.get("segments", []))]
    for phrase_id, decision in raw.get("decisions", {}).items():
        inside.append((f"decisions.{phrase_id}", decision, Decision))
        if decision.get("decided_on") is not None:
            inside.append((f"decisions.{phrase_id}.decided_on", decision["decided_on"], PhraseSuggestion))
    for where, fields, kind in inside:
        for name in fields.keys() - {field.name for field in dataclasses.fields(kind)}:
            yield f"{where}.{name}"
