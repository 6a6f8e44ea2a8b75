"""What was decided in past songs, kept on this machine and nowhere else.

One text file in the user's own data folder holds a record for each song and whether any is to be kept. No audio, no
path and no lyric is in it.
"""

from __future__ import annotations

import contextlib
import datetime
import threading
from dataclasses import dataclass, replace
from pathlib import Path

import msgspec
import numpy as np

from ridebook.audio.output import atomic_write
from ridebook.check.finding import counted
from ridebook.check.proof import song_balance_lu
from ridebook.check.standing import mean_rides_db
from ridebook.errors import HandUnreadableError
from ridebook.measure.measures import Measures
from ridebook.ride.hand import Case, Hand, SongRecord
from ridebook.ride.settings import RideSettings
from ridebook.session.document import Session, State
from ridebook.work.places import data_folder

FORMAT = "ridebook-hand"
VERSION = 1
_LOCK = threading.Lock()
"""One change at a time: each reads the file and writes it anew."""

SONGS_KEPT = 200
"""The oldest songs go when there are more."""


@dataclass(frozen=True, slots=True)
class KeptHand:
    """What is kept.

    Parameters
    ----------
    on : bool
        Whether songs are kept from now on.
    songs : tuple of SongRecord
        One for each song, the newest last.
    """

    on: bool = True
    songs: tuple[SongRecord, ...] = ()


class _File(msgspec.Struct, forbid_unknown_fields=True):
    format: str
    version: int
    on: bool = True
    songs: tuple[SongRecord, ...] = ()


class HandStore:
    """The file that it is kept in.

    Parameters
    ----------
    folder : Path, optional
        Where; the user's own data folder where it is left out.
    """

    def __init__(self, folder: Path | None = None) -> None:
        self.path = (folder if folder is not None else data_folder()) / "hand.json"

    def read(self) -> KeptHand:
        """Read what is kept; nothing where there is no file.

        Raises
        ------
        HandUnreadableError
            The file is damaged or of a newer version.
        """
        try:
            content = self.path.read_bytes()
        except FileNotFoundError:
            return KeptHand()
        except OSError as error:
            raise self._unreadable(error.strerror or str(error)) from error
        try:
            kept = msgspec.json.decode(content, type=_File)
        except msgspec.MsgspecError as error:
            raise self._unreadable(str(error)) from error
        if kept.format != FORMAT or kept.version != VERSION:
            raise self._unreadable(f"it is of the layout {kept.format!r} {kept.version}, not {FORMAT!r} {VERSION}")
        return KeptHand(kept.on, kept.songs)

    def keep(self, record: SongRecord) -> bool:
        """Keep a song in the place of what was kept of it before; returns whether it was kept.

        Nothing is written where keeping is switched off, or where nothing was decided in the song.

        Raises
        ------
        HandUnreadableError
            The file is damaged.
        OutputError
            The system refuses to write.
        """
        with _LOCK:
            kept = self.read()
            if not kept.on or not record.cases:
                return False
            others = tuple(song for song in kept.songs if song.id != record.id)
            self._write(replace(kept, songs=(*others, record)[-SONGS_KEPT:]))
            return True

    def switch(self, on: bool) -> None:
        """Keep songs from now on, or keep no more; what was kept stays until it is deleted."""
        with _LOCK:
            self._write(replace(self.read(), on=on))

    def delete(self, song_id: str | None = None) -> None:
        """Delete one song, or all that is kept; a damaged file goes with all."""
        with _LOCK:
            if song_id is not None:
                kept = self.read()
                self._write(replace(kept, songs=tuple(song for song in kept.songs if song.id != song_id)))
                return
            on = True
            with contextlib.suppress(HandUnreadableError):
                on = self.read().on
            self.path.unlink(missing_ok=True)
            if not on:
                self._write(KeptHand(on=False))

    def _write(self, kept: KeptHand) -> None:
        self.path.parent.mkdir(parents=True, exist_ok=True)
        content = msgspec.json.format(msgspec.json.encode(_File(FORMAT, VERSION, kept.on, kept.songs)))
        atomic_write(self.path, content)

    def _unreadable(self, what: str) -> HandUnreadableError:
        return HandUnreadableError(
            f"{self.path}, which holds what was learnt from past songs, cannot be read: {what}; delete it to begin anew"
        )


def song_record(session: Session, measures: Measures, day: datetime.date | None = None) -> SongRecord:
    """Record of a song: what was suggested for each phrase that was decided, and what became of it.

    Parameters
    ----------
    session : Session
        The song as it is left.
    measures : Measures
        Measures of its pair.
    day : date, optional
        When; today where it is left out.
    """
    settings = session.settings
    decided = [
        (phrase, decision)
        for phrase in session.segments.phrases
        if (decision := session.decision(phrase.id)).state is not State.OPEN
        and decision.decided_on is not None
        and not decision.quiet
    ]
    cases: tuple[Case, ...] = ()
    if decided:
        starts_n, ends_n = np.array([(phrase.start_n, phrase.end_n) for phrase, _ in decided]).T
        finals_db = mean_rides_db(session.lane, measures.vocal, starts_n, ends_n)
        cases = tuple(
            Case(
                round(decision.decided_on.ride_db, 3),
                round(float(final_db), 3),
                settings.share,
                settings.phrase_limit_db,
                decision.state is State.STRUCK,
            )
            for (_, decision), final_db in zip(decided, finals_db, strict=True)
            if decision.decided_on is not None
        )
    song_lu = song_balance_lu(session, measures, session.lane)
    return SongRecord(
        id=session.vocal.sha256[:16],
        title=session.title,
        day=(day or datetime.datetime.now(datetime.UTC).date()).isoformat(),
        cases=cases,
        left_lu=None if song_lu is None else round(song_lu - settings.lean_lu, 2),
    )


def hand_lines(hand: Hand, settings: RideSettings) -> tuple[str, ...]:
    """Say what was learnt and what it would change, with its numbers."""
    if not hand.phrases_n and hand.aim_lu is None:
        return ("Nothing was learnt yet: it takes saved songs in which phrases were inked, struck or drawn.",)
    after, lines = hand.applied(settings), []
    if hand.share is not None:
        lines.append(
            f"Share {100 * after.share:.0f} % (now {100 * settings.share:.0f} %): learnt from "
            f"{counted(hand.share_n, 'phrase')} of {counted(hand.songs_n, 'song')}; {hand.struck_n} struck."
        )
    if hand.phrase_limit_db is not None:
        lines.append(
            f"Phrases up to {after.phrase_limit_db:.1f} dB (now {settings.phrase_limit_db:.1f}): learnt from "
            f"{counted(hand.limit_n, 'phrase')} near the limit."
        )
    if hand.aim_lu is not None:
        among = f" between {hand.aims_lu[0]:+.1f} and {hand.aims_lu[1]:+.1f} LU" if hand.aim_n > 1 else ""
        lines.append(
            f"Aim {after.aim_lu:+.1f} LU (now {settings.aim_lu:+.1f}): learnt from how {counted(hand.aim_n, 'song')} "
            f"{'was' if hand.aim_n == 1 else 'were'} left{among}."
        )
    return tuple(lines)
