"""Which files a choice of deliverables means, all named alike by a pattern."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from pathlib import Path

from ridebook.errors import OutputExistsError, SettingError
from ridebook.exchange.names import DEFAULT_PATTERN, Naming, safe_name
from ridebook.session.document import Session
from ridebook.work.hand_over import AUDIO_SUFFIXES, SEGMENT_SUFFIXES, Output, What

STEPS_DB = (0.5, 1.0)
"""How far the vocal of the alternates is up and down (common practice, no source)."""

FURTHEST_STEP_DB = 12.0

_MOST_NUMBERS = 1000

_FOLLOWER_BYTES_N = 80
"""Bytes of a follower's name at most, so that the words around it have room."""


class Part(StrEnum):
    """What a user chooses; some are several files."""

    RIDES = "rides"
    MIDI = "midi"
    AAF = "aaf"
    SEGMENTS = "segments"
    STEM = "stem"
    MIX = "mix"
    ALTERNATES = "alternates"
    BED = "bed"
    FOLLOWERS = "followers"
    MANIFEST = "manifest"


@dataclass(frozen=True, slots=True)
class Formats:
    """Endings of the files, and steps of the alternates.

    Parameters
    ----------
    audio, segments : str
        Endings, with the dot.
    steps_db : tuple of float
        How far the vocal of the alternates is up, and down, in dB.

    Raises
    ------
    SettingError
        An ending is none that can be written, or a step is out of range.
    """

    audio: str = ".wav"
    segments: str = ".csv"
    steps_db: tuple[float, ...] = STEPS_DB

    def __post_init__(self) -> None:
        for name, suffix, known in (
            ("audio", self.audio, AUDIO_SUFFIXES),
            ("segments", self.segments, SEGMENT_SUFFIXES),
        ):
            if suffix.lower() not in known:
                raise SettingError(
                    f"{name} cannot be written as {suffix or 'a file without ending'}: {', '.join(known)}"
                )
        for step_db in self.steps_db:
            if not 0.0 < step_db <= FURTHEST_STEP_DB:
                raise SettingError(
                    f"an alternate has the vocal {step_db:g} dB up and down, but it must be above 0 and at most "
                    f"{FURTHEST_STEP_DB:g} dB"
                )


def naming_of(session: Session, pattern: str = DEFAULT_PATTERN, moment: datetime | None = None) -> Naming:
    """How a session's files are named; at this moment where none is told.

    Raises
    ------
    SettingError
        As for `Naming`.
    """
    vocal = Path(session.vocal.path).stem
    return Naming(session.title or vocal, vocal, moment or datetime.now(), pattern)


def deliverables(
    parts: Collection[Part], session: Session, formats: Formats | None = None
) -> Iterator[tuple[What, str, str, float, int]]:
    """Yield what each file holds: what, its word in the name, its ending, the vocal's step, and which follower.

    Order is that of the list in the window; followers' files carry the names of their sources.
    """
    formats = formats or Formats()
    if Part.RIDES in parts:
        yield What.RIDES, "rides", ".csv", 0.0, 0
    if Part.MIDI in parts:
        yield What.MIDI, "rides", ".mid", 0.0, 0
    if Part.AAF in parts:
        yield What.AAF, "rides", ".aaf", 0.0, 0
    if Part.SEGMENTS in parts:
        yield What.SEGMENTS, "segments", formats.segments, 0.0, 0
    if Part.STEM in parts:
        yield What.STEM, "ridden", formats.audio, 0.0, 0
    if Part.FOLLOWERS in parts:
        for i, name in enumerate(follower_names(session)):
            yield What.FOLLOWER, f"{name} ridden", formats.audio, 0.0, i
            if Part.RIDES in parts:
                yield What.FOLLOWER_RIDES, f"{name} rides", ".csv", 0.0, i
    if Part.MIX in parts:
        yield What.MIX, "mix", formats.audio, 0.0, 0
    if Part.ALTERNATES in parts:
        for step_db in formats.steps_db:
            yield What.MIX, f"mix vocal up {step_db:g} dB", formats.audio, step_db, 0
            yield What.MIX, f"mix vocal down {step_db:g} dB", formats.audio, -step_db, 0
    if Part.BED in parts:
        yield What.BED, "bed", formats.audio, 0.0, 0
    if Part.MANIFEST in parts:
        yield What.MANIFEST, "manifest", ".json", 0.0, 0


def named_outputs(
    parts: Collection[Part],
    session: Session,
    folder: Path,
    naming: Naming,
    formats: Formats | None = None,
    *,
    replace: bool = False,
) -> tuple[Output, ...]:
    """Files of a choice, in one folder.

    Parameters
    ----------
    parts : collection of Part
        What is chosen.
    session : Session
        The session.
    folder : Path
        Where.
    naming : Naming
        How they are named.
    formats : Formats, optional
        Their endings, and the steps of the alternates.
    replace : bool
        Whether files that are there may be replaced; else all get the first number behind their names with which none
        of them is there.

    Raises
    ------
    OutputExistsError
        There is no such number within reason.
    """
    files = list(deliverables(parts, session, formats))
    for number in range(1, 2 if replace else _MOST_NUMBERS):
        outputs = tuple(
            Output(what, folder / naming.file_name(word, suffix, number), step_db, follower_n)
            for what, word, suffix, step_db, follower_n in files
        )
        if replace or not any(output.path.exists() for output in outputs):
            return outputs
    raise OutputExistsError(f"{folder} holds a thousand hand-overs of these names; choose another folder or pattern")


def follower_names(session: Session) -> list[str]:
    """Name of each follower in the names of files: that of its source, numbered where it would be there twice."""
    names: list[str] = []
    taken: set[str] = set()
    for follower in session.followers:
        stem = safe_name(Path(follower.source.path).stem, _FOLLOWER_BYTES_N)
        name, number = stem, 1
        while name.casefold() in taken:
            number += 1
            name = f"{stem} {number}"
        names.append(name)
        taken.add(name.casefold())
    return names
