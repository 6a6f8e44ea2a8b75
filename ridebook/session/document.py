"""The session: what the engineer decided. Small, immutable, saved as text."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from ridebook.ride.lane import Lane
from ridebook.ride.settings import RideSettings
from ridebook.ride.suggestion import PhraseSuggestion
from ridebook.segment.spans import Segments


class State(StrEnum):
    """What has been decided of a phrase's suggestion."""

    OPEN = "open"
    INKED = "inked"
    STRUCK = "struck"
    DRAWN = "drawn"


@dataclass(frozen=True, slots=True)
class SourceFile:
    """A source audio file as it was when it was opened.

    Parameters
    ----------
    path : str
        Where it was; a session file keeps it relative to itself where it can.
    sha256 : str
        Hash of the whole file.
    rate_hz, channels_n, frames_n : int
        As the file says.
    """

    path: str
    sha256: str
    rate_hz: int
    channels_n: int
    frames_n: int


@dataclass(frozen=True, slots=True)
class Decision:
    """What has been decided of one phrase.

    Parameters
    ----------
    state : State
        Open, inked, struck or drawn.
    decided_on : PhraseSuggestion or None
        The suggestion that it was decided on.
    locked : bool
        No suggestion and no edit of many phrases touches it.
    quiet : bool
        It is meant to be quiet.
    note : str
        The engineer's note.
    """

    state: State = State.OPEN
    decided_on: PhraseSuggestion | None = None
    locked: bool = False
    quiet: bool = False
    note: str = ""


@dataclass(frozen=True, slots=True)
class Session:
    """All decisions about one song.

    Parameters
    ----------
    vocal : SourceFile
        The vocal; its rate and length are the session's clock.
    beds : tuple of SourceFile
        The bed's files.
    trim_db : float
        The one static gain of the vocal.
    settings : RideSettings
        What suggestions are made by.
    section_aims : dict of str to float
        Aim in LU of sections that have their own, by id.
    segments : Segments
        All spans.
    decisions : dict of str to Decision
        By phrase id; a phrase that is not in it is open.
    lane : Lane
        The rides, trim not included.
    title, lyric, note : str
        The song's title, its lyric, a note about the whole.
    quiet_words : frozenset of str
        Ids of words that are meant to be quiet.
    accepted : dict of str to str
        Findings that were accepted: key and note.
    references : tuple of SourceFile
        Reference files.
    """

    vocal: SourceFile
    beds: tuple[SourceFile, ...]
    trim_db: float = 0.0
    settings: RideSettings = field(default_factory=RideSettings)
    section_aims: dict[str, float] = field(default_factory=dict)
    segments: Segments = field(default_factory=Segments)
    decisions: dict[str, Decision] = field(default_factory=dict)
    lane: Lane = field(default_factory=Lane)
    title: str = ""
    lyric: str = ""
    note: str = ""
    quiet_words: frozenset[str] = frozenset()
    accepted: dict[str, str] = field(default_factory=dict)
    references: tuple[SourceFile, ...] = ()

    def decision(self, phrase_id: str) -> Decision:
        """Decision about a phrase; open where none was taken."""
        return self.decisions.get(phrase_id, Decision())
