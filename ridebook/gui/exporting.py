"""What of the window hands over: asks what is to go out, writes it beside the window, and tells what was written."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, QUrl
from PySide6.QtGui import QDesktopServices
from PySide6.QtWidgets import QWidget

from ridebook.gui import settings as user
from ridebook.gui.desk import Desk
from ridebook.session.document import Follower, Session, State
from ridebook.session.edits import set_followers
from ridebook.work.steps import CancelCheck, Progress

# What writes is imported when it is first asked for, so that the window comes up at once.
if TYPE_CHECKING:
    from ridebook.gui.export_dialog import Chosen, ExportDialog
    from ridebook.gui.followers_dialog import FollowersDialog
    from ridebook.work.hand_over import HandedOver, HandOver


class Exporting(QObject):
    """Export and followers of one window.

    Parameters
    ----------
    desk : Desk
        The window's desk.
    window : QWidget
        What dialogs are opened over.
    own_folder : callable
        Gives the folder of the song.
    failed : callable
        Shows an error.
    """

    def __init__(
        self, desk: Desk, window: QWidget, own_folder: Callable[[], Path], failed: Callable[[Exception], object]
    ) -> None:
        super().__init__(window)
        self._desk = desk
        self._window = window
        self._own_folder = own_folder
        self._failed = failed

    def ask(self) -> ExportDialog | None:
        """Ask what is to go out, and write it."""
        from ridebook.gui.export_dialog import ExportDialog
        from ridebook.work.choices import choices_from

        desk, session = self._desk, self._desk.session
        if session is None:
            return None
        desk.commit()
        session = desk.session
        open_n = sum(session.decision(phrase.id).state is State.OPEN for phrase in session.segments.phrases)
        choices = choices_from(str(user.settings().value("export_choices", "") or ""))
        dialog = ExportDialog(session, open_n, self._folder(session), choices, self._selected(session), self._window)
        dialog.chosen.connect(self._on_chosen)
        dialog.followers_asked.connect(lambda: self.ask_followers(dialog))
        desk.session_changed.connect(dialog.on_session_changed)
        dialog.open()
        return dialog

    def ask_followers(self, over: QWidget | None = None) -> FollowersDialog | None:
        """Ask which other vocals go along with the lead, and note them in the session."""
        from ridebook.gui.followers_dialog import FollowersDialog

        if self._desk.session is None:
            return None
        self._desk.commit()
        dialog = FollowersDialog(self._desk.session, over or self._window)
        dialog.chosen.connect(self._set_followers)
        dialog.open()
        return dialog

    def write(self, plan: HandOver, folder: Path) -> None:
        """Write what is planned, on another thread."""
        session, session_path = self._desk.session, self._desk.path

        def work(progress: Progress, cancelled: CancelCheck) -> HandedOver:
            from ridebook.work.hand_over import hand_over

            protect = [] if session_path is None else [session_path]
            return hand_over(session, plan, protect=protect, progress=progress, cancelled=cancelled)

        self._desk.pool.start(
            work,
            done=lambda done: self._on_written(folder, done),
            failed=self._failed,
            called_off=lambda: self._desk.message.emit("The export was called off; nothing was written."),
            label="Exporting",
        )

    def _folder(self, session: Session) -> Path:
        """Folder that this song was exported to last, or its own."""
        stored = user.settings()
        folder = Path(str(stored.value("export_folder", "") or ""))
        same = str(stored.value("export_song", "") or "") == session.vocal.path
        return folder if same and folder.is_dir() else self._own_folder()

    def _selected(self, session: Session) -> tuple[int, int] | None:
        wanted = set(self._desk.selection.span_ids)
        spans = [span for span in session.segments.all_spans() if span.id in wanted]
        return (min(span.start_n for span in spans), max(span.end_n for span in spans)) if spans else None

    def _on_chosen(self, chosen: Chosen) -> None:
        from ridebook.work.choices import choices_text

        stored = user.settings()
        stored.setValue("export_choices", choices_text(chosen.choices))
        stored.setValue("export_folder", str(chosen.folder))
        stored.setValue("export_song", self._desk.session.vocal.path)
        self.write(chosen.plan, chosen.folder)

    def _on_written(self, folder: Path, done: HandedOver) -> None:
        from ridebook.gui.export_dialog import ExportedDialog

        def show() -> None:
            QDesktopServices.openUrl(QUrl.fromLocalFile(str(folder)))

        ExportedDialog(folder, done.lines(names_only=True), done.notices, show, self._window).open()

    def _set_followers(self, named: list[tuple[Path, float]]) -> None:
        def work(_progress: Progress, _cancelled: CancelCheck) -> list[Follower]:
            from ridebook.audio.files import read_info
            from ridebook.work.song import source_file

            return [Follower(source_file(read_info(path)), share) for path, share in named]

        def done(followers: list[Follower]) -> None:
            self._desk.edit("Followers", lambda session: set_followers(session, followers))

        self._desk.pool.start(work, done=done, failed=self._failed, group="followers", label="Reading the followers")
