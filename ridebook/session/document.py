"""The session: what the engineer decided. Small, immutable, saved as text."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from ridebook.errors import SegmentError, SettingError
from ridebook.ride.lane import Lane
from ridebook.ride.settings import RideSettings
from ridebook.ride.suggestion import PhraseSuggestion
from ridebook.segment.spans import Segments
from ridebook.session.limits import CheckLimits

TRIM_LIMIT_DB = 60.0
"""Furthest that a trim may go either way, in dB: far beyond any static level of a mix (a choice of this program)."""


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
class Follower:
    """Another vocal that goes along with the lead: a double, a harmony, an effects return.

    It takes the lead's lane scaled by its share. The trim is the lead's own static gain and is not followed. A follower
    sounds in the mix beside the vocal and its bed, so it is none of their files.

    Parameters
    ----------
    source : SourceFile
        Its file.
    share : float
        How much of the lane it takes, 0 to 1: gains in dB are multiplied by it.
    """

    source: SourceFile
    share: float = 1.0


@dataclass(frozen=True, slots=True)
class ReferencePair:
    """Vocal and bed of another song, to learn from how loud the voice stands there.

    Parameters
    ----------
    vocal : SourceFile
        The other song's vocal.
    beds : tuple of SourceFile
        Its bed's files; at least one.

    Raises
    ------
    SettingError
        There is no bed.
    """

    vocal: SourceFile
    beds: tuple[SourceFile, ...]

    def __post_init__(self) -> None:
        if not self.beds:
            raise SettingError(f"the reference {self.vocal.path} has no bed, so there is nothing to stand against")

    @property
    def sources(self) -> tuple[SourceFile, ...]:
        """Its files."""
        return (self.vocal, *self.beds)

    def with_moved(self, moved: Mapping[SourceFile, SourceFile]) -> ReferencePair:
        """Pair with other files in the place of those that `moved` has."""
        return ReferencePair(moved.get(self.vocal, self.vocal), tuple(moved.get(bed, bed) for bed in self.beds))


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
        Finished mixes of other songs, to listen to and to learn the aim from.
    reference_pairs : tuple of ReferencePair
        Vocals and beds of other songs, to learn the aim from.
    approved_mix : SourceFile or None
        The mix that was approved, which vocal plus bed are to add up to.
    limits : CheckLimits
        What the checks hold the song against.
    followers : tuple of Follower
        Other vocals that go along with the lead.
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
    reference_pairs: tuple[ReferencePair, ...] = ()
    approved_mix: SourceFile | None = None
    limits: CheckLimits = field(default_factory=CheckLimits)
    followers: tuple[Follower, ...] = ()

    def decision(self, phrase_id: str) -> Decision:
        """Decision about a phrase; open where none was taken."""
        return self.decisions.get(phrase_id, Decision())

    @property
    def sources(self) -> tuple[SourceFile, ...]:
        """Every file that the session reads: vocal, beds, followers, references."""
        return (self.vocal, *self.beds, *(follower.source for follower in self.followers), *self.reference_sources)

    @property
    def reference_sources(self) -> tuple[SourceFile, ...]:
        """Every file of the references, mixes and pairs."""
        return (*self.references, *(source for pair in self.reference_pairs for source in pair.sources))


def check_session(session: Session) -> None:
    """Hold the rules that the parts of a session cannot hold by themselves.

    Raises
    ------
    SettingError
        The trim, a section's aim or what is noted of a source or a follower is out of its range.
    SegmentError
        Two spans share an id, a span lies outside the vocal, or something is said of a span that is not there.
    LaneError
        The points of a suggestion that was decided on are not a lane.
    """
    if not -TRIM_LIMIT_DB <= session.trim_db <= TRIM_LIMIT_DB:
        raise SettingError(f"the trim is {session.trim_db:g} dB, but must lie within {TRIM_LIMIT_DB:g} dB either way")
    for section_id, aim_lu in session.section_aims.items():
        check_aim(aim_lu, section_id)
    for source in session.sources:
        if not source.path or "\0" in source.path:
            raise SettingError(f"{source.path!r} is no path of a source")
        if min(source.rate_hz, source.channels_n, source.frames_n) <= 0:
            raise SettingError(
                f"{source.path} is noted with {source.rate_hz} Hz, {source.channels_n} channels and "
                f"{source.frames_n} frames; each must be more than 0"
            )
    check_followers(session, session.followers)
    segments = session.segments
    for span_id, times in Counter(span.id for span in segments.all_spans()).items():
        if times > 1 or not span_id:
            raise SegmentError(f"{times} segments have the id {span_id!r}; each needs one of its own")
    for span in segments.all_spans():
        if span.start_n < 0 or span.end_n > session.vocal.frames_n:
            raise SegmentError(
                f"{span.kind} {span.id!r} lies outside the vocal: frames {span.start_n} to {span.end_n} "
                f"of {session.vocal.frames_n}"
            )
        if span.confidence is not None and not 0.0 <= span.confidence <= 1.0:
            raise SegmentError(f"{span.kind} {span.id!r} has the confidence {span.confidence}; it must be 0 to 1")
    for said, of_ids, kind, spans in (
        ("a decision", session.decisions, "phrase", segments.phrases),
        ("an aim", session.section_aims, "section", segments.sections),
        ("'meant to be quiet'", session.quiet_words, "word", segments.words),
    ):
        for span_id in sorted(frozenset(of_ids) - {span.id for span in spans}):
            raise SegmentError(f"{said} is noted for the {kind} {span_id!r}, which is not among the segments")
    for phrase_id, decision in session.decisions.items():
        if decision.decided_on is not None:
            _check_suggestion(phrase_id, decision.decided_on)


def _check_suggestion(phrase_id: str, suggestion: PhraseSuggestion) -> None:
    Lane(suggestion.points)
    for name in ("ride_db", "balance_before_lu", "balance_after_lu"):
        value = getattr(suggestion, name)
        if value is not None and not math.isfinite(value):
            raise SegmentError(f"{name} of what phrase {phrase_id!r} was decided on is not a number")


def check_followers(session: Session, followers: Sequence[Follower]) -> None:
    """Raise `SettingError` unless each follower's share is 0 to 1 and its file sounds once in the mix."""
    sounding = {source.path for source in (session.vocal, *session.beds)}
    for follower in followers:
        if not 0.0 <= follower.share <= 1.0:
            raise SettingError(
                f"{follower.source.path} follows the rides by {follower.share:g}, but the share must be 0 to 1"
            )
        if follower.source.path in sounding:
            raise SettingError(
                f"{follower.source.path} is named as a follower, but is in the mix already; name each file once"
            )
        sounding.add(follower.source.path)


def check_aim(aim_lu: float, section_id: str) -> None:
    """Raise `SettingError` unless a section's own aim lies in the range of `RideSettings.aim_lu`."""
    if not -20.0 <= aim_lu <= 20.0:
        raise SettingError(f"the aim of section {section_id!r} is {aim_lu:g} LU, but must lie between -20 and 20")
