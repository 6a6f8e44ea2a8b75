"""The line at the top: the song, what suggestions are made by, and export."""

from __future__ import annotations

import time

from PySide6.QtCore import QSignalBlocker, Qt, QTimer
from PySide6.QtGui import QAction, QResizeEvent
from PySide6.QtWidgets import QFrame, QHBoxLayout, QLabel, QPushButton, QToolButton, QWidget

from ridebook.gui.desk import Desk
from ridebook.gui.panel import set_setting
from ridebook.gui.theme import themes
from ridebook.gui.words import ago, signed

SCALES = ("section", "phrase", "word")
TICK_MS = 5000


class Header(QFrame):
    """Title, how long ago it was saved, suggest and ink, aim, share, scales, export."""

    def __init__(self, desk: Desk, actions: dict[str, QAction], parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._desk = desk
        self.setAutoFillBackground(True)
        self._title = QToolButton(self)
        self._title.setDefaultAction(actions["rename"])
        self._title.setAccessibleName("Title of the song")
        self._saved = QLabel(self)
        self._suggest = self._button(actions["suggest_again"])
        self._ink_all = self._button(actions["ink_all"])
        self._aim = QToolButton(self)
        self._share = QToolButton(self)
        for button in (self._aim, self._share):
            button.setToolTip(actions["panel"].toolTip())
            button.clicked.connect(actions["panel"].trigger)
            button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self._ride = QLabel("ride", self)
        self._scales: dict[str, QToolButton] = {}
        for scale in SCALES:
            button = QToolButton(self)
            button.setText(scale)
            button.setCheckable(True)
            button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
            button.setProperty("soft", True)
            button.setToolTip(f"Whether {scale}s get a ride of their own")
            button.setAccessibleName(f"Ride {scale}s")
            button.toggled.connect(lambda on, name=f"ride_{scale}s": set_setting(desk, name, on))
            self._scales[scale] = button
        self._export = self._button(actions["export"])
        self._export.setText("Export")
        self._export.setProperty("main", True)

        line = QHBoxLayout(self)
        line.addWidget(self._title)
        line.addWidget(self._saved)
        line.addStretch(2)
        line.addWidget(self._suggest)
        line.addWidget(self._ink_all)
        line.addStretch(1)
        line.addWidget(self._aim)
        line.addWidget(self._share)
        line.addStretch(1)
        line.addWidget(self._ride)
        for button in self._scales.values():
            line.addWidget(button)
        line.addStretch(1)
        line.addWidget(self._export)
        self._line = line
        self._tick = QTimer(self)
        self._tick.setInterval(TICK_MS)
        self._tick.timeout.connect(self._tell_saved)
        self._tick.start()
        desk.session_changed.connect(self._refresh)
        desk.saved.connect(self._tell_saved)
        desk.opened.connect(self._tell_saved)
        themes().theme_changed.connect(self._dress)
        self._dress()

    def _button(self, action: QAction) -> QPushButton:
        """Make a push button that does what an action does."""
        button = QPushButton(action.text().replace("&", "").removesuffix("…"), self)
        button.setToolTip(action.toolTip())
        button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        button.clicked.connect(action.trigger)
        button.setEnabled(action.isEnabled())
        action.enabledChanged.connect(button.setEnabled)
        return button

    def _dress(self) -> None:
        theme = themes().current
        palette = self.palette()
        palette.setColor(self.backgroundRole(), theme.colour("card"))
        self.setPalette(palette)
        self._line.setContentsMargins(theme.px(10), theme.px(6), theme.px(16), theme.px(6))
        self._line.setSpacing(theme.px(6))
        self._title.setFont(theme.title())
        self._saved.setFont(theme.small())
        for label in (self._saved, self._ride):
            label.setStyleSheet(f"color: {theme.colours.pencil};")
        self._refresh()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Leave out what can be seen elsewhere when there is little room."""
        super().resizeEvent(event)
        self._refresh()

    def _refresh(self, *_sessions: object) -> None:
        theme = themes().current
        session = self._desk.session
        there = session is not None
        roomy = self.width() >= theme.px(1180)
        for widget in (self._saved, self._aim, self._share, self._ride, *self._scales.values()):
            widget.setVisible(there)
        self._suggest.setVisible(there)
        self._ink_all.setVisible(there)
        self._export.setVisible(there)
        if not there:
            self._title.setText("Ridebook")
            return
        self._ride.setVisible(roomy)
        room = theme.px(300 if roomy else 180)
        self._title.setText(self._title.fontMetrics().elidedText(_title_of(session), Qt.TextElideMode.ElideRight, room))
        now = session.settings
        band = f" ({signed(now.aim_lu - now.band_lu)} to {signed(now.aim_lu + now.band_lu)})" if roomy else ""
        self._aim.setText(f"aim {signed(now.aim_lu)} LU{band}")
        self._aim.setAccessibleName(f"Aim {signed(now.aim_lu)} LU, opens the settings of suggestions")
        self._share.setText(f"share {now.share * 100:.0f} %")
        self._share.setAccessibleName(f"Share {now.share * 100:.0f} percent, opens the settings of suggestions")
        for scale, button in self._scales.items():
            with QSignalBlocker(button):
                button.setChecked(getattr(now, f"ride_{scale}s"))
        self._tell_saved()

    def _tell_saved(self) -> None:
        desk = self._desk
        if desk.session is None:
            return
        if desk.saved_at_s is not None:
            text = f"saved {ago(time.time() - desk.saved_at_s)}"
            if desk.changed:
                text += ", changed since"
        elif desk.path is None:
            text = "not saved yet"
        else:
            text = "changed" if desk.changed else "as on disk"
        self._saved.setText(text)


def _title_of(session: object) -> str:
    return session.title or "Untitled"
