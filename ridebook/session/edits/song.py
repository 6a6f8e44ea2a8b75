"""Edits of what holds for the whole song: trim, settings, aims, title, lyric, other files, accepted findings."""

from __future__ import annotations

from collections.abc import Iterable

from ridebook.errors import SegmentError, SettingError
from ridebook.ride.settings import RideSettings
from ridebook.segment.spans import Kind
from ridebook.session.document import (
    TRIM_LIMIT_DB,
    Follower,
    ReferencePair,
    Session,
    SourceFile,
    check_aim,
    check_followers,
)
from ridebook.session.edits.common import span_of, with_fields
from ridebook.session.limits import CheckLimits


def set_trim(session: Session, trim_db: float) -> Session:
    """Set the one static gain of the vocal.

    Raises
    ------
    SettingError
        It is out of its range.
    """
    if not -TRIM_LIMIT_DB <= trim_db <= TRIM_LIMIT_DB:
        raise SettingError(f"the trim is {trim_db:g} dB, but must lie within {TRIM_LIMIT_DB:g} dB either way")
    return with_fields(session, trim_db=float(trim_db))


def take_settings(session: Session, settings: RideSettings) -> Session:
    """Take the settings that suggestions are made by; no decision changes."""
    return with_fields(session, settings=settings)


def set_section_aim(session: Session, section_id: str, aim_lu: float | None) -> Session:
    """Give a section an aim of its own, or none.

    Raises
    ------
    SegmentError
        There is no such section.
    SettingError
        The aim is out of its range.
    """
    if span_of(session, section_id).kind is not Kind.SECTION:
        raise SegmentError(f"only a section has an aim of its own, and {section_id!r} is none")
    aims = {key: value for key, value in session.section_aims.items() if key != section_id}
    if aim_lu is not None:
        check_aim(aim_lu, section_id)
        aims[section_id] = float(aim_lu)
    return with_fields(session, section_aims=aims)


def set_title(session: Session, title: str) -> Session:
    """Set the song's title."""
    return with_fields(session, title=title)


def set_lyric(session: Session, lyric: str) -> Session:
    """Set the song's lyric; segments stay as they are."""
    return with_fields(session, lyric=lyric)


def set_references(session: Session, references: Iterable[SourceFile]) -> Session:
    """Set the finished mixes that are references."""
    return with_fields(session, references=tuple(references))


def set_reference_pairs(session: Session, pairs: Iterable[ReferencePair]) -> Session:
    """Set the vocals and beds that are references."""
    return with_fields(session, reference_pairs=tuple(pairs))


def set_followers(session: Session, followers: Iterable[Follower]) -> Session:
    """Set the other vocals that go along with the lead.

    Raises
    ------
    SettingError
        A share is out of its range, or a file is in the mix already.
    """
    chosen = tuple(followers)
    check_followers(session, chosen)
    return with_fields(session, followers=chosen)


def set_approved_mix(session: Session, mix: SourceFile | None) -> Session:
    """Take another mix as the approved one, or none."""
    return with_fields(session, approved_mix=mix)


def set_limits(session: Session, limits: CheckLimits) -> Session:
    """Hold the song against other limits."""
    return with_fields(session, limits=limits)


def accept_finding(session: Session, key: str, note: str = "") -> Session:
    """Accept a finding, which stays quiet from then on."""
    return with_fields(session, accepted={**session.accepted, key: note})


def withdraw_acceptance(session: Session, key: str) -> Session:
    """Let a finding that was accepted speak again."""
    return with_fields(session, accepted={each: note for each, note in session.accepted.items() if each != key})
