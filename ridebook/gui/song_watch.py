"""What the findings need beside the measures: health of the sources, true peaks; measured anew when it may change."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QFileSystemWatcher, QObject, Signal

from ridebook.check.source_faults import SourceHealth
from ridebook.gui.desk import Desk
from ridebook.gui.timers import rest_timer
from ridebook.session.document import Session
from ridebook.work.steps import CancelCheck, Progress

if TYPE_CHECKING:
    from ridebook.audio.stems import StemPair
    from ridebook.work.peaks import Heights, Known, TruePeaks

PEAKS_MS = 100
"""Rest after an edit before the true peaks are found anew, so that a gesture does not start them at each step."""

FIRST_MS = 500
"""Rest after a song was opened, so that it is painted before the samples are gone through again."""

FILES_MS = 1_000
"""Rest after a file changed on disk, as it may still be being written."""


class SongWatch(QObject):
    """Keeps health and true peaks of what is on the desk.

    Attributes
    ----------
    health : SourceHealth or None
        What was measured of the sources; None until it is.
    peaks_dbtp : dict of str to float
        True peaks of ridden stem and mix; empty until they are known of the lane as it is.
    """

    changed = Signal()

    def __init__(self, desk: Desk, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._desk = desk
        self.health: SourceHealth | None = None
        self.peaks_dbtp: dict[str, float] = {}
        self._heights: Heights | None = None
        self._known: dict[str, Known] | None = None
        self._files = QFileSystemWatcher(self)
        self._files.fileChanged.connect(lambda _path: self._written.start())
        self._rest = rest_timer(self, PEAKS_MS, self._find_peaks)
        self._written = rest_timer(self, FILES_MS, self._look_at_files)
        self._first = rest_timer(self, FIRST_MS, self._measure)
        desk.session_changed.connect(self._on_session_changed)
        desk.opened.connect(self._on_opened)
        desk.closing.connect(self._let_go)

    def _on_opened(self) -> None:
        self.health = None
        self._desk.pool.cancel_group("files")
        self._forget_peaks()
        self._heights = None
        self._watch_files()
        self._first.start()

    def _measure(self) -> None:
        self._measure_health()
        self._measure_heights()

    def _let_go(self) -> None:
        self._first.stop()
        self._rest.stop()
        self._written.stop()
        if self._files.files():
            self._files.removePaths(self._files.files())

    def _on_session_changed(self, before: Session | None, after: Session) -> None:
        if before is None:
            return
        if before.approved_mix != after.approved_mix:
            self._watch_files()
            self._measure_health()
        if before.settings.centre_law_db != after.settings.centre_law_db or before.followers != after.followers:
            self._forget_peaks()
            self._heights = None
            self._measure_heights()
        elif before.lane is not after.lane or before.trim_db != after.trim_db:
            self._forget_peaks()
            self._rest.start()

    def _forget_peaks(self) -> None:
        """Let go of the peaks, and of those that are being found, as they are of what was before."""
        self.peaks_dbtp = {}
        self._desk.pool.cancel_group("peaks")

    def _watch_files(self) -> None:
        session = self._desk.session
        if self._files.files():
            self._files.removePaths(self._files.files())
        sources = session.sources if session is not None else ()
        there = [source.path for source in sources if Path(source.path).is_file()]
        if there:
            self._files.addPaths(there)

    def _look_at_files(self) -> None:
        """See whether a file that was written is still what the session was made on."""
        session, health = self._desk.session, self.health
        if session is None or health is None or self._desk.pair is None:
            return

        def work(_progress: Progress, _cancelled: CancelCheck) -> tuple[str, ...]:
            from ridebook.work.source_health import changed_sources

            return changed_sources((session.vocal, *session.beds))

        def done(changed: tuple[str, ...]) -> None:
            if self.health is not None and changed != self.health.changed:
                self.health = replace(self.health, changed=changed)
                self.changed.emit()
            # A file that is written beside and moved into place is no longer the one that was watched.
            self._watch_files()

        self._desk.pool.start(work, done=done, group="files")

    def _measure_health(self) -> None:
        desk = self._desk
        session, measures = desk.session, desk.measures
        if desk.pair is None or session is None or measures is None:
            return

        def work(progress: Progress, cancelled: CancelCheck) -> SourceHealth:
            from ridebook.work.source_health import source_health

            with _files_of_its_own(session) as pair:
                return source_health(pair, session, measures, progress, cancelled)

        def done(health: SourceHealth) -> None:
            self.health = health
            self.changed.emit()

        desk.pool.start(work, done=done, failed=desk.failed.emit, group="health")

    def _measure_heights(self) -> None:
        desk = self._desk
        session = desk.session
        if desk.pair is None or session is None:
            return

        def work(progress: Progress, cancelled: CancelCheck) -> Heights:
            from ridebook.work.peaks import heights_of

            with _files_of_its_own(session) as pair:
                return heights_of(pair, session.settings.centre_law_db, progress, cancelled)

        def done(heights: Heights) -> None:
            self._heights, self._known = heights, None
            self._find_peaks()

        desk.pool.start(work, done=done, failed=desk.failed.emit, group="heights")

    def _find_peaks(self) -> None:
        desk = self._desk
        session, heights = desk.session, self._heights
        if desk.pair is None or session is None or heights is None:
            return

        known = self._known

        def work(_progress: Progress, cancelled: CancelCheck) -> TruePeaks:
            from ridebook.work.peaks import true_peaks

            with _files_of_its_own(session) as pair:
                return true_peaks(pair, session, heights, known, cancelled)

        def done(found: TruePeaks) -> None:
            self.peaks_dbtp, self._known = found.dbtp, found.known
            self.changed.emit()

        def failed(error: Exception) -> None:
            # No dialog: it would come at every edit while a file is away, and nobody asked for this.
            desk.message.emit(f"The true peaks are not known: {error}.")

        desk.pool.start(work, done=done, failed=failed, group="peaks")


def _files_of_its_own(session: Session) -> StemPair:
    """Open the pair anew: the desk may let go of its own at any time."""
    from ridebook.work.opened import opened_pair

    return opened_pair(session, with_followers=True)
