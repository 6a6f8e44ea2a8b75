"""The part for listening: what is heard, at which level, round what, and the hand on the ride."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

from PySide6.QtCore import QEvent, QObject, QSignalBlocker, Qt
from PySide6.QtGui import QAction, QKeyEvent, QMouseEvent, QPainter, QPaintEvent, QPen, QWheelEvent
from PySide6.QtWidgets import (
    QButtonGroup,
    QFileDialog,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QSlider,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from ridebook.gui.actions import ActionSet
from ridebook.gui.icons import icon
from ridebook.gui.player import Player
from ridebook.gui.theme import themes
from ridebook.gui.words import clock, signed
from ridebook.work.preview import START_LEVEL_DB, Heard

HEARING = "Starts 12 dB down. Long listening at high level damages hearing."
LOWEST_DB = -48
WHEEL_DB = 0.5
HAND_KEYS = {Qt.Key.Key_U: 1.0, Qt.Key.Key_J: -1.0}
"""Held while it plays: up and, under it on the keyboard, down."""
HEARD_KEYS = {Heard.BEFORE: "5", Heard.RIDDEN: "6", Heard.VOCAL: "7", Heard.BED: "8", Heard.REFERENCE: "9"}


class HandFader(QWidget):
    """The lane's gain under the playhead; pulled or wheeled while it plays, it writes the ride."""

    def __init__(self, player: Player, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._player = player
        self.setToolTip("Ride by hand while it plays: pull, wheel, or hold U and J")
        self.setAccessibleName("Ride by hand")
        player.hand_changed.connect(self.update)
        player.playing_changed.connect(self.update)
        player.desk.playhead_changed.connect(self.update)
        player.desk.session_changed.connect(self.update)
        themes().theme_changed.connect(self._dress)
        self._dress()

    def _dress(self) -> None:
        theme = themes().current
        self.setFixedWidth(theme.px(72))
        self.setMinimumHeight(theme.px(76))

    def _reach(self) -> tuple[float, float]:
        session = self._player.desk.session
        if session is None:
            return -6.0, 6.0
        return session.settings.lowest_db, session.settings.highest_db

    def _y(self, gain_db: float) -> float:
        low, high = self._reach()
        room = self.height() - 2 * self._margin()
        return self._margin() + room * (high - gain_db) / max(high - low, 1e-9)

    def _gain_at(self, y: float) -> float:
        low, high = self._reach()
        room = max(self.height() - 2 * self._margin(), 1)
        return min(max(high - (y - self._margin()) / room * (high - low), low), high)

    def _margin(self) -> int:
        return themes().current.px(8)

    def gain_db(self) -> float:
        """Gain that is shown: the hand's, or the lane's under the playhead."""
        player = self._player
        if player.hand_db is not None:
            return player.hand_db
        session = player.desk.session
        return 0.0 if session is None else float(session.lane.gain_db_at([player.desk.playhead_n])[0])

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Take hold."""
        self._player.hand_to(self._gain_at(event.position().y()))

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        """Pull."""
        self._player.hand_to(self._gain_at(event.position().y()))

    def wheelEvent(self, event: QWheelEvent) -> None:
        """Step up or down."""
        self._player.hand_by(WHEEL_DB * event.angleDelta().y() / 120)
        event.accept()

    def paintEvent(self, _event: QPaintEvent) -> None:
        """Paint a scale and where the ride stands."""
        theme = themes().current
        painter = QPainter(self)
        low, high = self._reach()
        x = theme.px(14)
        painter.setPen(QPen(theme.colour("edge"), 1))
        painter.drawLine(x, round(self._y(high)), x, round(self._y(low)))
        painter.setFont(theme.small())
        for gain_db in (high, 0.0, low):
            y = round(self._y(gain_db))
            painter.setPen(QPen(theme.colour("edge"), 1))
            painter.drawLine(x - theme.px(4), y, x + theme.px(4), y)
        painter.setPen(theme.colour("pencil"))
        # Its name stands where the number is not.
        upper = self._y(self.gain_db()) < self.height() / 2
        foot = Qt.AlignmentFlag.AlignBottom if upper else Qt.AlignmentFlag.AlignTop
        painter.drawText(self.rect().adjusted(x + theme.px(8), 0, 0, 0), Qt.AlignmentFlag.AlignLeft | foot, "by hand")
        at = self._player.hand_db
        role = "selection" if at is not None else "ink"
        gain_db = self.gain_db()
        y = round(self._y(gain_db))
        painter.setPen(QPen(theme.colour(role), 2))
        painter.drawLine(x - theme.px(9), y, x + theme.px(9), y)
        painter.setPen(theme.colour(role))
        painter.setFont(theme.text(bold=at is not None))
        room = self.rect().adjusted(x + theme.px(12), 0, 0, 0)
        room.moveTop(
            round(min(max(y - self.height() / 2, -self.height() / 2 + theme.px(9)), self.height() / 2 - theme.px(9)))
        )
        painter.drawText(room, Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter, signed(gain_db))
        painter.end()


class HandKeys(QObject):
    """Keys that are held to ride: press and release, heard anywhere in the window but in a text field."""

    def __init__(self, player: Player, window: QWidget) -> None:
        super().__init__(window)
        self._player = player
        self._held: list[float] = []
        window.installEventFilter(self)

    def eventFilter(self, _watched: QObject, event: QEvent) -> bool:
        """Follow the two keys."""
        kind = event.type()
        if kind == QEvent.Type.WindowDeactivate and self._held:
            self._held.clear()
            self._player.hold(0.0)
        if kind not in (QEvent.Type.KeyPress, QEvent.Type.KeyRelease) or not isinstance(event, QKeyEvent):
            return False
        direction = HAND_KEYS.get(Qt.Key(event.key()))
        if direction is None or event.modifiers() & ~Qt.KeyboardModifier.KeypadModifier:
            return False
        if event.isAutoRepeat():
            return True
        if kind == QEvent.Type.KeyPress:
            self._held.append(direction)
        elif direction in self._held:
            self._held.remove(direction)
        self._player.hold(self._held[-1] if self._held else 0.0)
        return True


class ListenPart(QWidget):
    """Buttons for what is heard, the transport, level, and the fader for riding by hand."""

    def __init__(self, player: Player, actions: ActionSet, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._player = player
        self._actions = actions
        self._note = QLabel(HEARING, self)
        self._note.setWordWrap(True)
        self._place = QLabel(self)
        self._matched = self._toggle("listen_matched")
        self._mono = self._toggle("listen_mono")
        self._small = self._toggle("listen_small")
        self._loop = self._toggle("listen_loop")
        self._play = self._toggle("listen_play")
        self._play.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonIconOnly)
        self._heard = QButtonGroup(self)
        self._heard_row = QHBoxLayout()
        self._buttons: dict[Heard, QToolButton] = {}
        for heard in Heard:
            button = self._toggle(f"listen_{heard.name.lower()}")
            self._heard.addButton(button)
            self._heard_row.addWidget(button)
            self._buttons[heard] = button
        self._heard_row.addStretch(1)
        self._level = QSlider(Qt.Orientation.Horizontal, self)
        self._level.setRange(LOWEST_DB * 2, 0)
        self._level.setValue(round(START_LEVEL_DB * 2))
        self._level.setAccessibleName("Level of listening, dB")
        self._level.setToolTip(f"Level of listening. {HEARING}")
        self._level.valueChanged.connect(lambda value: player.listen(level_db=value / 2))
        self._level_text = QLabel(self)
        self._save = QPushButton("Save as WAV…", self)
        self._save.setToolTip(actions["listen_save"].toolTip())
        self._save.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self._save.clicked.connect(actions["listen_save"].trigger)
        self.fader = HandFader(player, self)

        self._transport = QHBoxLayout()
        for widget in (self._play, self._place, self._loop, self._matched, self._mono, self._small):
            self._transport.addWidget(widget)
        self._transport.addStretch(1)
        self._levels = QHBoxLayout()
        for widget in (self._level, self._level_text, self._save):
            self._levels.addWidget(widget)
        self._levels.addStretch(1)
        self._rows = QVBoxLayout()
        self._rows.addLayout(self._heard_row)
        self._rows.addLayout(self._transport)
        self._rows.addLayout(self._levels)
        self._rows.addWidget(self._note)
        self._rows.addStretch(1)
        self._all = QHBoxLayout(self)
        self._all.addLayout(self._rows, 1)
        self._all.addWidget(self.fader)
        in_order = (*self._buttons.values(), self._play, self._loop, self._matched, self._mono, self._small)
        for before, after in pairwise((*in_order, self._level, self._save)):
            QWidget.setTabOrder(before, after)
        player.listening_changed.connect(self._refresh)
        player.playing_changed.connect(self._refresh)
        player.message.connect(self._note.setText)
        player.desk.playhead_changed.connect(self._tell_place)
        player.desk.session_changed.connect(self._refresh)
        themes().theme_changed.connect(self._dress)
        self._dress()

    def _toggle(self, name: str) -> QToolButton:
        button = QToolButton(self)
        button.setDefaultAction(self._actions[name])
        button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        button.setProperty("soft", True)
        return button

    def _dress(self) -> None:
        theme = themes().current
        self._all.setContentsMargins(theme.px(16), theme.px(4), theme.px(8), theme.px(4))
        self._rows.setSpacing(theme.px(4))
        for line in (self._heard_row, self._transport, self._levels):
            line.setSpacing(theme.px(6))
        self._level.setFixedWidth(theme.px(140))
        self._level_text.setFixedWidth(theme.px(64))
        self._place.setFixedWidth(theme.px(64))
        self._note.setFont(theme.small())
        self._note.setStyleSheet(f"color: {theme.colours.pencil};")
        self._actions["listen_loop"].setIcon(icon("loop", theme))
        self._refresh()

    def _refresh(self, *_sessions: object) -> None:
        player, theme = self._player, themes().current
        how = player.listening
        there = player.renderer is not None
        self.setEnabled(there)
        self._actions["listen_play"].setIcon(icon("stop" if player.playing else "play", theme))
        for name, on in (
            ("listen_matched", how.matched),
            ("listen_mono", how.mono),
            ("listen_small", how.small),
            ("listen_loop", player.loop),
            *((f"listen_{heard.name.lower()}", heard is how.heard) for heard in Heard),
        ):
            action = self._actions[name]
            with QSignalBlocker(action):
                action.setChecked(on)
        # The blocked actions do not tell their buttons.
        for button in (self._matched, self._mono, self._small, self._loop, *self._buttons.values()):
            button.setChecked(button.defaultAction().isChecked())
        self._actions["listen_matched"].setIconText(
            f"matched {signed(player.match_db)} dB" if how.matched else "bed held"
        )
        self._level_text.setText(f"{signed(how.level_db)} dB")
        self._tell_place()

    def _tell_place(self) -> None:
        self._place.setText(clock(self._player.desk.playhead_n, self._player.desk.rate_hz, 1))

    def tell(self, sentence: str) -> None:
        """Say something about listening."""
        self._note.setText(sentence)


def make_listen_actions(
    player: Player, actions: ActionSet, save: Callable[[], object], reference: Callable[[], object]
) -> None:
    """Make the actions of listening: one each for keys, menu and part."""
    group = "Listening"

    def add(name: str, text: str, keys: str, slot: Callable[..., object], tip: str, checkable: bool = False) -> QAction:
        action = actions.add(group, name, text[0].upper() + text[1:], keys, slot, tip, checkable=checkable)
        # What the button says.
        action.setIconText(text.replace("&", ""))
        action.setIconVisibleInMenu(False)
        return action

    add("listen_play", "&Play or stop", "Space", player.toggle, "Play from the playhead, or stop")
    add("listen_swap", "S&wap as it was and with rides", "H", player.swap, "Swap: as it was, with rides")

    def choose(heard: Heard) -> Callable[[bool], None]:
        def chosen(_on: bool) -> None:
            if heard is Heard.REFERENCE and (player.renderer is None or player.renderer.reference is None):
                reference()
            player.listen(heard=heard)

        return chosen

    for heard in Heard:
        name = f"listen_{heard.name.lower()}"
        add(name, str(heard), HEARD_KEYS[heard], choose(heard), f"Hear: {heard}", checkable=True)
    add("listen_loop", "loop", "R", player.set_loop, "Go round the selection, with a run-up", checkable=True)
    add(
        "listen_matched",
        "matched",
        "E",
        lambda on: player.listen(matched=on),
        "Play all mixes equally loud, or hold the bed",
        checkable=True,
    )
    add("listen_mono", "mono", "G", lambda on: player.listen(mono=on), "Hear it in mono", checkable=True)
    add(
        "listen_small",
        "small speaker",
        "Shift+G",
        lambda on: player.listen(small=on),
        "Hear it as a small loudspeaker gives it",
        checkable=True,
    )
    add(
        "listen_save",
        "Save the p&review as WAV…",
        "",
        save,
        "Write what is heard, of the selection or the song, to a WAV file",
    )
    add(
        "listen_drop",
        "Take back the ride by hand",
        "Ctrl+Backspace",
        player.drop_hand,
        "Take back the ride by hand that is under way",
    )


MENU = (
    "listen_play",
    "listen_swap",
    "",
    *(f"listen_{heard.name.lower()}" for heard in Heard),
    "",
    "listen_loop",
    "listen_matched",
    "listen_mono",
    "listen_small",
    "",
    "listen_drop",
    "listen_save",
)


def ask_wav(parent: QWidget, folder: Path, done: Callable[[Path], object]) -> QFileDialog:
    """Ask where a preview is to be saved."""
    dialog = QFileDialog(parent, "Save the preview", str(folder), "WAV (*.wav)")
    dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
    dialog.setAcceptMode(QFileDialog.AcceptMode.AcceptSave)
    dialog.setDefaultSuffix("wav")
    dialog.selectFile("preview.wav")
    dialog.fileSelected.connect(lambda path: done(Path(path)))
    dialog.open()
    return dialog
