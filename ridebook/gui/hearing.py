"""How the words on the desk are heard: listened for off the window's thread, once the suggestion is shown."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Signal

from ridebook.gui.timers import rest_timer
from ridebook.ride.hearing import Hearing, hearing_of
from ridebook.segment.spans import Span
from ridebook.session.document import Session
from ridebook.work.steps import CancelCheck, Progress

if TYPE_CHECKING:
    from ridebook.gui.desk import Desk
    from ridebook.measure.bands import PairBands
    from ridebook.measure.measures import Measures

FIRST_MS = 150
"""Rest after a song was opened, so that it is painted first."""

AT_ONCE_N = 24
"""So many words are listened to at once, as when a border is moved: a few milliseconds. More go to the pool."""


class DeskHearing(QObject):
    """Keeps what the words on the desk take to be heard.

    Until that is known, a second or so after a song was opened, the desk goes by the balance alone.
    """

    changed = Signal()
    """What the words take to be heard is known, or known anew."""

    def __init__(self, desk: Desk) -> None:
        super().__init__(desk)
        self._desk = desk
        self._bands: PairBands | None = None
        self._of: Measures | None = None
        self._hearing: Hearing | None = None
        self._asked: tuple[tuple[Span, ...], float] | None = None
        self._begin = rest_timer(self, FIRST_MS, self._listen_first)
        desk.opened.connect(self._on_opened)
        desk.closing.connect(self._begin.stop)

    def of(self, session: Session, measures: Measures) -> Hearing | None:
        """Give what the words of a session take to be heard; None where it is not known yet."""
        hearing = self._hearing
        if hearing is None or self._of is not measures:
            return None
        words, level_db = session.segments.words, session.settings.listening_level_db
        if hearing.fits(words, level_db):
            return hearing
        known = {(word.start_n, word.end_n) for word in hearing.words} if level_db == hearing.listening_db else set()
        new_n = sum((word.start_n, word.end_n) not in known for word in words)
        if new_n <= AT_ONCE_N:
            self._hearing = hearing_of(hearing.bands, measures, words, level_db, hearing)
            return self._hearing
        if self._asked is None or self._asked[0] is not words or self._asked[1] != level_db:
            self._asked = words, level_db
            self._listen(session, measures)
        return None

    def _on_opened(self) -> None:
        self._bands = self._of = self._hearing = self._asked = None
        self._begin.start()

    def _listen_first(self) -> None:
        desk = self._desk
        if desk.pair is not None and desk.session is not None and desk.measures is not None:
            self._listen(desk.session, desk.measures)

    def _listen(self, session: Session, measures: Measures) -> None:
        known, before = self._bands, self._hearing
        keep = self._desk.cache_on

        def work(progress: Progress, cancelled: CancelCheck) -> Hearing:
            from ridebook.work.cache import AnalysisCache
            from ridebook.work.hearing import session_hearing
            from ridebook.work.opened import opened_pair

            if known is not None:
                level_db = session.settings.listening_level_db
                return hearing_of(known, measures, session.segments.words, level_db, before)
            # Files of its own: the desk may let go of its pair at any time.
            with opened_pair(session) as pair:
                cache = AnalysisCache() if keep else None
                return session_hearing(session, pair, measures, cache=cache, progress=progress, cancelled=cancelled)

        def done(hearing: Hearing) -> None:
            if self._desk.measures is not measures:
                return
            self._bands, self._of, self._hearing, self._asked = hearing.bands, measures, hearing, None
            self.changed.emit()
            self._desk.suggest_again()

        def failed(error: Exception) -> None:
            # No dialog: nobody asked for this, and the balance still tells who sinks.
            self._desk.message.emit(f"What is heard of the words is not known: {error}")

        self._desk.pool.start(work, done=done, failed=failed, group="hearing")
