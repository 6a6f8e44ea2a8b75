"""The user's hand: what saved songs say of it, seen, taken, switched off and deleted."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, QSignalBlocker, QSize, Qt, Signal
from PySide6.QtWidgets import (
    QCheckBox,
    QDialog,
    QHBoxLayout,
    QLabel,
    QListWidget,
    QListWidgetItem,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from ridebook.gui.desk import Desk
from ridebook.gui.dialogs import aside, heading, spaced
from ridebook.gui.panel import set_settings
from ridebook.gui.theme import themes
from ridebook.gui.words import counted, signed
from ridebook.ride.hand import Hand
from ridebook.ride.settings import RideSettings
from ridebook.work.steps import CancelCheck, Progress

if TYPE_CHECKING:
    from ridebook.ride.hand import SongRecord
    from ridebook.session.document import Session
    from ridebook.work.hand import HandStore, KeptHand


class HandKeeper(QObject):
    """Keeps what is decided when a session is saved, and says in the panel what was learnt. It changes no setting.

    Parameters
    ----------
    desk : Desk
        The window's model.
    button : QPushButton
        Says in the panel what was learnt, and opens the dialog.
    """

    changed = Signal()

    def __init__(self, desk: Desk, button: QPushButton, parent: QWidget) -> None:
        super().__init__(parent)
        self._desk = desk
        self._button = button
        self._window = parent
        self.kept: KeptHand | None = None
        self.hand: Hand | None = None
        button.clicked.connect(self.show)
        desk.saved.connect(self._on_saved)
        desk.opened.connect(self.read)
        desk.session_changed.connect(self._on_session_changed)
        self._tell()

    def read(self) -> None:
        """Read what is kept, off the window's thread."""
        self._do(lambda _store: None)

    def switch(self, on: bool) -> None:
        """Keep songs from now on, or keep no more."""
        self._do(lambda store: store.switch(on))

    def delete(self, song_id: str | None = None) -> None:
        """Delete one song, or all."""
        self._do(lambda store: store.delete(song_id))

    def _on_session_changed(self, before: Session | None, after: Session) -> None:
        if before is None or before.settings is not after.settings:
            self._tell()

    def _on_saved(self) -> None:
        session, measures = self._desk.session, self._desk.measures
        if session is None or measures is None:
            return

        def keep(store: HandStore) -> None:
            from ridebook.work.hand import song_record

            store.keep(song_record(session, measures))

        self._do(keep)

    def _do(self, change: Callable[[HandStore], object]) -> None:
        def work(_progress: Progress, _cancelled: CancelCheck) -> tuple[KeptHand, Hand]:
            from ridebook.ride.hand import learnt_hand
            from ridebook.work.hand import HandStore

            store = HandStore()
            change(store)
            kept = store.read()
            return kept, learnt_hand(kept.songs)

        # No group: a change must not be called off by the next one.
        self._desk.pool.start(work, done=self._on_read, failed=lambda error: self._desk.message.emit(str(error)))

    def _on_read(self, read: tuple[KeptHand, Hand]) -> None:
        self.kept, self.hand = read
        self._tell()
        self.changed.emit()

    def lines(self) -> tuple[str, ...]:
        """Say what was learnt, and what it would change now."""
        from ridebook.work.hand import hand_lines

        session = self._desk.session
        settings = RideSettings() if session is None else session.settings
        return () if self.hand is None else hand_lines(self.hand, settings)

    def leaning(self) -> dict[str, float]:
        """Give the settings of the session that the hand would change."""
        session = self._desk.session
        if session is None or self.hand is None:
            return {}
        now = asdict(session.settings)
        after = asdict(self.hand.applied(session.settings))
        return {name: value for name, value in after.items() if value != now[name]}

    def take(self) -> None:
        """Suggest with what was learnt."""
        changes = self.leaning()
        if changes:
            set_settings(self._desk, "Suggest with your hand", changes)

    def show(self) -> HandDialog:
        """Show what is kept beside the window."""
        dialog = HandDialog(self, self._desk, self._window)
        dialog.show()
        return dialog

    def _tell(self) -> None:
        hand, kept = self.hand, self.kept
        if kept is not None and not kept.on:
            said = "your hand: off…"
        elif hand is None or not hand.phrases_n:
            said = "your hand: nothing yet…"
        else:
            told = (
                None if hand.share is None else f"{100 * hand.share:.0f} %",
                None if hand.aim_lu is None else f"{signed(hand.aim_lu)} LU",
            )
            said = f"your hand: {', '.join(filter(None, told))}…" if self.leaning() else "by your hand…"
        self._button.setText(said)
        self._button.setToolTip("\n".join(self.lines()) or "What your saved songs say of how you ride")


class HandDialog(QDialog):
    """What was learnt, with its numbers, and what is kept."""

    def __init__(self, keeper: HandKeeper, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.setWindowTitle("Your hand")
        self._keeper = keeper
        px = themes().current.px
        self.learnt = QLabel(self)
        self.learnt.setWordWrap(True)
        self.take = self._button("Suggest with these", keeper.take)
        self.on = QCheckBox("Keep what I decide when a session is saved", self)
        self.on.toggled.connect(keeper.switch)
        self.songs = QListWidget(self)
        self.songs.setAccessibleName("Songs that are kept")
        self.songs.itemSelectionChanged.connect(self._refresh_buttons)
        self.delete_one = self._button("Delete this song", self._delete_one)
        self.delete_all = self._button("Delete all", lambda: keeper.delete())
        close = self._button("Close", self.close)
        taking = QHBoxLayout()
        taking.addWidget(self.take)
        taking.addStretch(1)
        last = QHBoxLayout()
        for button in (self.delete_one, self.delete_all):
            last.addWidget(button)
        last.addStretch(1)
        last.addWidget(close)
        layout = spaced(QVBoxLayout(self))
        layout.addWidget(heading("What your saved songs say", self))
        layout.addWidget(self.learnt)
        layout.addLayout(taking)
        layout.addWidget(
            aside(
                "Of each saved song the suggested and the final ride of every decided phrase are kept, on this machine "
                "only: no sound, no lyric, no path. The more there are, the further the settings lean from the "
                "defaults. Nothing changes until you say so.",
                self,
            )
        )
        layout.addWidget(self.on)
        layout.addWidget(self.songs, 1)
        layout.addLayout(last)
        self.resize(QSize(px(600), px(480)))
        keeper.changed.connect(self._refresh)
        desk.session_changed.connect(self._refresh)
        self._refresh()
        keeper.read()

    def _button(self, text: str, clicked: Callable[[], object]) -> QPushButton:
        button = QPushButton(text, self)
        button.setAutoDefault(False)
        button.clicked.connect(lambda _on=False: clicked())
        return button

    def _refresh(self, *_sessions: object) -> None:
        keeper = self._keeper
        self.learnt.setText("\n".join(keeper.lines()))
        self.take.setEnabled(bool(keeper.leaning()))
        kept = keeper.kept
        with QSignalBlocker(self.on):
            self.on.setChecked(kept is None or kept.on)
        chosen = self._chosen_id()
        self.songs.clear()
        for song in reversed(kept.songs if kept is not None else ()):
            item = QListWidgetItem(_song_said(song))
            item.setData(_ID, song.id)
            self.songs.addItem(item)
            if song.id == chosen:
                self.songs.setCurrentItem(item)
        self._refresh_buttons()

    def _refresh_buttons(self) -> None:
        self.delete_one.setEnabled(self._chosen_id() is not None)
        self.delete_all.setEnabled(self.songs.count() > 0)

    def _chosen_id(self) -> str | None:
        chosen = self.songs.selectedItems()
        return chosen[0].data(_ID) if chosen else None

    def _delete_one(self) -> None:
        song_id = self._chosen_id()
        if song_id is not None:
            self._keeper.delete(song_id)


_ID = Qt.ItemDataRole.UserRole


def _song_said(song: SongRecord) -> str:
    struck_n = sum(case.struck for case in song.cases)
    struck = f", {struck_n} struck" if struck_n else ""
    return f"{song.title or 'Untitled'}: {counted(len(song.cases), 'phrase')} decided{struck}, {song.day}"
