"""The panel of what a suggestion is made by. A change is seen at once in pencil and touches no decision."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from PySide6.QtCore import QEvent, QObject, QSignalBlocker, Qt, Signal
from PySide6.QtGui import QKeyEvent, QShowEvent
from PySide6.QtWidgets import (
    QCheckBox,
    QComboBox,
    QDoubleSpinBox,
    QFrame,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QSlider,
    QVBoxLayout,
    QWidget,
)

from ridebook.check.dynamics import dynamics_kept
from ridebook.gui.desk import Desk
from ridebook.gui.theme import themes
from ridebook.gui.words import MINUS, signed
from ridebook.ride.settings import AIMS_LU, CENTRE_LAWS_DB
from ridebook.ride.trim import trim_for
from ridebook.session.document import Session
from ridebook.session.edits import set_trim, take_settings

TRIM_REACH_DB = 24.0
OWN_STYLE = "own"
TRIM_SETTINGS = ("aim_lu", "lean_lu", "centre_law_db")
"""What the trim depends on."""


class KeyGuard(QObject):
    """Keeps the keys that a field types with from being taken as the window's."""

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Claim plain keys for the field, but for those that only a window knows and those that it has no use for."""
        if event.type() == QEvent.Type.ShortcutOverride and isinstance(event, QKeyEvent):
            # A field would go to its end by Ctrl+E, and take P for nothing.
            plain = event.modifiers() == Qt.KeyboardModifier.NoModifier
            needless = plain and event.key() == Qt.Key.Key_P and isinstance(watched, QDoubleSpinBox)
            if needless or (event.modifiers() == Qt.KeyboardModifier.ControlModifier and event.key() == Qt.Key.Key_E):
                event.ignore()
                return True
        if (
            event.type() == QEvent.Type.ShortcutOverride
            and isinstance(event, QKeyEvent)
            and not Qt.Key.Key_F1 <= event.key() <= Qt.Key.Key_F35
            and not event.modifiers() & (Qt.KeyboardModifier.ControlModifier | Qt.KeyboardModifier.AltModifier)
        ):
            event.accept()
            return True
        return False


class SignedSpin(QDoubleSpinBox):
    """Field for a gain or a balance, with its sign and a true minus."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        # The style sheet does not reach the text inside.
        self.lineEdit().setTextMargins(themes().current.px(4), 0, 0, 0)

    def textFromValue(self, value: float) -> str:
        """Write the value with its sign."""
        return signed(value, self.decimals()) if self.minimum() < 0 else super().textFromValue(value)

    def valueFromText(self, text: str) -> float:
        """Read what was typed, with either minus."""
        return super().valueFromText(self._plain(text))

    def validate(self, text: str, position: int) -> object:
        """Allow a sign before the digits."""
        # The field keeps what was typed: only the judgement is about the plain number.
        return super().validate(self._plain(text), position)[0], text, position

    @staticmethod
    def _plain(text: str) -> str:
        return text.replace(MINUS, "-").replace("+", "")


class SuggestionPanel(QFrame):
    """Aim, band, share, follow, furthest up and down, which scales ride, and the trim."""

    left = Signal()
    """Escape was pressed in it."""

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._desk = desk
        self._guard = KeyGuard(self)
        self._grids: list[QGridLayout] = []
        self._labels: list[QLabel] = []
        self.setAutoFillBackground(True)
        self.setAccessibleName("What suggestions are made by")

        self.style_box = QComboBox(self)
        self.style_box.addItems([*AIMS_LU, OWN_STYLE])
        self.style_box.setToolTip("Aims to begin from, by style (common practice)")
        self.style_box.activated.connect(self._on_style)
        self._guard_keys(self.style_box)
        self.fields: dict[str, QDoubleSpinBox] = {}
        self.scales: dict[str, QCheckBox] = {}
        self.sliders: dict[str, QSlider] = {}

        aim = self._group("Aim")
        self._row(aim, "style", self.style_box)
        self._row(aim, "balance", self._field("aim_lu", -20, 20, 0.5, "LU", "Balance aimed for while the voice sounds"))
        self._row(aim, "lean", self._field("lean_lu", 0, 3, 0.25, "LU", "How far to err on the loud side in doubt"))
        self.references = self._link(aim)
        way = self._group("How much")
        self._row(way, "band ±", self._field("band_lu", 0.5, 6, 0.5, "LU", "Half width of the band around the aim"))
        self._row(way, "share", self._slider("share", "How much of the way to the aim a suggestion goes"))
        self._row(way, "follow", self._slider("follow", "How much of the bed's changes the vocal follows"))
        self.hand = self._link(way)
        reach = self._group("Furthest")
        self._row(reach, "up", self._field("highest_db", 0, 24, 0.5, "dB", "Furthest up that the lane goes"))
        self._row(reach, "down", self._field("lowest_db", -24, 0, 0.5, "dB", "Furthest down that the lane goes"))
        scales = self._group("What rides, and how far")
        for scale in ("section", "phrase", "word"):
            box = QCheckBox(f"{scale}s", self)
            box.setToolTip(f"Whether {scale}s get a ride of their own")
            box.toggled.connect(lambda on, name=f"ride_{scale}s": self._set(name, on))
            self.scales[f"ride_{scale}s"] = box
            self._row(scales, box, self._field(f"{scale}_limit_db", 0, 12, 0.5, "dB", f"Furthest ride of a {scale}"))
        level = self._group("Level")
        self.trim = self._spin(-TRIM_REACH_DB, TRIM_REACH_DB, 0.5, "dB", "The one static gain of the vocal")
        self.trim.valueChanged.connect(self._on_trim)
        self._row(level, "trim", self.trim)
        self.centre = QComboBox(self)
        for law_db in CENTRE_LAWS_DB:
            self.centre.addItem("0 dB" if not law_db else f"{signed(law_db)} dB", law_db)
        self.centre.setToolTip("Gain at which your mixer puts a mono vocal on either side")
        self.centre.activated.connect(lambda _i: self._set("centre_law_db", self.centre.currentData()))
        self._guard_keys(self.centre)
        self._row(level, "centre law", self.centre)
        tip = (
            "Sound pressure level at which the mix is heard, for which words are lost; 75 lies between studio and home"
        )
        self._row(level, "listening", self._field("listening_level_db", 50, 100, 1, "dB", tip))
        self.take_trim = QPushButton(self)
        self.take_trim.setToolTip("Take the trim that the aim asks for")
        self.take_trim.clicked.connect(desk.take_trim)
        level.addWidget(self.take_trim, level.rowCount(), 0, 1, 2)

        self._groups = QHBoxLayout()
        for grid in (aim, way, reach, scales, level):
            column = QVBoxLayout()
            column.addLayout(grid)
            column.addStretch(1)
            self._groups.addLayout(column)
        self._groups.addStretch(1)
        outer = QVBoxLayout(self)
        outer.addLayout(self._groups)
        self.dynamics = QLabel(self)
        self.dynamics.setToolTip("How much of the singer's own differences in loudness all suggested rides leave")
        outer.addWidget(self.dynamics)
        self._outer = outer
        desk.session_changed.connect(self._on_session_changed)
        desk.suggestion_changed.connect(self._tell_trim)
        desk.suggestion_changed.connect(self._tell_dynamics)
        themes().theme_changed.connect(self._dress)
        self._dress()
        self._refresh()

    # --- building --------------------------------------------------------------------------------

    def _group(self, title: str) -> QGridLayout:
        grid = QGridLayout()
        self._grids.append(grid)
        label = QLabel(title, self)
        label.setProperty("heading", True)
        self._labels.append(label)
        grid.addWidget(label, 0, 0, 1, 2)
        return grid

    def _row(self, grid: QGridLayout, name: str | QWidget, field: QWidget) -> None:
        row = grid.rowCount()
        if isinstance(name, str):
            label = QLabel(name, self)
            label.setBuddy(field)
            self._labels.append(label)
            field.setAccessibleName(name)
        else:
            label = name
            field.setAccessibleName(f"{name.text()}, furthest")
        grid.addWidget(label, row, 0)
        grid.addWidget(field, row, 1)

    def _link(self, grid: QGridLayout) -> QPushButton:
        """Make a button under a group that says what is known and opens more about it."""
        button = QPushButton(self)
        grid.addWidget(button, grid.rowCount(), 0, 1, 2)
        return button

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Leave with Escape."""
        if event.key() == Qt.Key.Key_Escape:
            self.left.emit()
        else:
            super().keyPressEvent(event)

    def _guard_keys(self, widget: QWidget) -> None:
        widget.installEventFilter(self._guard)
        for inner in widget.findChildren(QWidget):
            inner.installEventFilter(self._guard)

    def _spin(self, low: float, high: float, step: float, unit: str, tip: str) -> QDoubleSpinBox:
        spin = SignedSpin(self)
        spin.setDecimals(2 if step < 0.5 else 1)
        spin.setRange(low, high)
        spin.setSingleStep(step)
        spin.setSuffix(f" {unit}")
        spin.setToolTip(tip)
        spin.setKeyboardTracking(False)
        spin.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self._guard_keys(spin)
        return spin

    def _field(self, name: str, low: float, high: float, step: float, unit: str, tip: str) -> QDoubleSpinBox:
        spin = self._spin(low, high, step, unit, tip)
        spin.valueChanged.connect(lambda value: self._set(name, value))
        self.fields[name] = spin
        return spin

    def _slider(self, name: str, tip: str) -> QWidget:
        holder = QWidget(self)
        slider = QSlider(Qt.Orientation.Horizontal, holder)
        slider.setRange(0, 100)
        slider.setSingleStep(5)
        slider.setPageStep(10)
        slider.setToolTip(tip)
        slider.setAccessibleName(name)
        shown = QLabel(holder)
        slider.valueChanged.connect(lambda value: (shown.setText(f"{value} %"), self._set(name, value / 100)))
        self._guard_keys(slider)
        line = QHBoxLayout(holder)
        line.setContentsMargins(0, 0, 0, 0)
        line.addWidget(slider, 1)
        line.addWidget(shown)
        holder.setFocusProxy(slider)
        self.sliders[name] = slider
        slider.shown = shown
        return holder

    def _dress(self) -> None:
        theme = themes().current
        px = theme.px
        palette = self.palette()
        palette.setColor(self.backgroundRole(), theme.colour("card"))
        self.setPalette(palette)
        self._outer.setContentsMargins(px(16), px(8), px(16), px(12))
        self._outer.setSpacing(px(8))
        self._groups.setSpacing(px(32))
        for grid in self._grids:
            grid.setHorizontalSpacing(px(12))
            grid.setVerticalSpacing(px(4))
            for row in range(1, grid.rowCount()):
                grid.setRowMinimumHeight(row, px(28))
        for label in self._labels:
            label.setFont(theme.heading() if label.property("heading") else theme.text())
        for button in (self.take_trim, self.references, self.hand):
            button.setFont(theme.small(italic=True))
        self.dynamics.setFont(theme.small(italic=True))
        for field in (*self.fields.values(), self.trim):
            field.setFixedWidth(px(104))
        for box in (self.style_box, self.centre):
            box.setFixedWidth(px(104))
        for slider in self.sliders.values():
            slider.setFixedWidth(px(96))
            slider.shown.setFixedWidth(px(44))
            slider.shown.setAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)

    # --- from the session and to it --------------------------------------------------------------

    def _on_session_changed(self, before: Session | None, after: Session) -> None:
        if before is None or before.settings is not after.settings or before.trim_db != after.trim_db:
            self._refresh()

    def _refresh(self) -> None:
        session = self._desk.session
        self.setEnabled(session is not None)
        if session is None:
            return
        now = session.settings
        for name, field in self.fields.items():
            with QSignalBlocker(field):
                field.setValue(getattr(now, name))
        for name, box in self.scales.items():
            with QSignalBlocker(box):
                box.setChecked(getattr(now, name))
            self.fields[f"{name.removeprefix('ride_').removesuffix('s')}_limit_db"].setEnabled(getattr(now, name))
        for name, slider in self.sliders.items():
            with QSignalBlocker(slider):
                slider.setValue(round(getattr(now, name) * 100))
            slider.shown.setText(f"{getattr(now, name) * 100:.0f} %")
        with QSignalBlocker(self.trim):
            self.trim.setValue(session.trim_db)
        style = next((name for name, aim_lu in AIMS_LU.items() if aim_lu == now.aim_lu), OWN_STYLE)
        # Country and rap share an aim: keep the name that was chosen while it still fits.
        chosen = self.style_box.currentText()
        if AIMS_LU.get(chosen) != now.aim_lu:
            self.style_box.setCurrentText(style)
        self.centre.setCurrentIndex(CENTRE_LAWS_DB.index(now.centre_law_db))
        self._tell_trim()

    def _tell_trim(self) -> None:
        wanted_db = self._desk.suggested_trim_db
        follows = wanted_db is None or self._desk.trim_follows
        self.take_trim.setEnabled(not follows)
        self.take_trim.setText("as the aim asks" if follows else f"suggested {signed(wanted_db)} dB: take")

    def showEvent(self, event: QShowEvent) -> None:
        """Tell what changed while it was not seen."""
        super().showEvent(event)
        self._tell_dynamics()

    def _tell_dynamics(self) -> None:
        """Say what the suggestion leaves of the dynamics; 2 ms for five minutes, so only where it is seen."""
        if not self.isVisible():
            return
        session, measures, suggestion = self._desk.session, self._desk.measures, self._desk.suggestion
        known = session is not None and measures is not None and suggestion is not None
        kept = dynamics_kept(measures, session.segments, suggestion.lane).sentence if known else ""
        self.dynamics.setText(kept and f"The suggestion {kept}.")

    def _set(self, name: str, value: float | bool) -> None:
        set_setting(self._desk, name, value)

    def _on_style(self, _index: int) -> None:
        style = self.style_box.currentText()
        if style in AIMS_LU:
            self._set("aim_lu", AIMS_LU[style])

    def _on_trim(self, trim_db: float) -> None:
        self._desk.edit(f"Trim {signed(trim_db)} dB", lambda now: set_trim(now, trim_db), merge_key="trim")


def set_setting(desk: Desk, name: str, value: float | bool) -> None:
    """Make suggestions by another setting, as one undo step; a trim that follows the aim goes along."""
    set_settings(desk, f"Suggest with {_said(name, value)}", {name: value}, merge_key=f"settings {name}")


def set_settings(desk: Desk, label: str, changes: Mapping[str, float | bool], *, merge_key: str | None = None) -> None:
    """Make suggestions by other settings, as one undo step; a trim that follows the aim goes along."""
    session, measures = desk.session, desk.measures
    if session is None or all(getattr(session.settings, name) == value for name, value in changes.items()):
        return
    follows = desk.trim_follows and any(name in TRIM_SETTINGS for name in changes)

    def edit(now: Session) -> Session:
        after = take_settings(now, replace(now.settings, **changes))
        return set_trim(after, trim_for(measures, after.segments, after.settings)) if follows else after

    desk.edit(label, edit, merge_key=merge_key)


_NAMES = {
    "aim_lu": "aim {} LU",
    "lean_lu": "lean {} LU",
    "band_lu": "band {} LU",
    "highest_db": "up to {} dB",
    "lowest_db": "down to {} dB",
    "section_limit_db": "sections up to {} dB",
    "phrase_limit_db": "phrases up to {} dB",
    "word_limit_db": "words up to {} dB",
    "centre_law_db": "centre law {} dB",
    "listening_level_db": "listening at {} dB SPL",
}


def _said(name: str, value: float | bool) -> str:
    if isinstance(value, bool):
        scale = name.removeprefix("ride_")
        return scale if value else f"no {scale}"
    if name in ("share", "follow"):
        return f"{name} {value * 100:.0f} %"
    return _NAMES[name].format(signed(value) if name in ("aim_lu", "highest_db", "lowest_db") else f"{value:g}")
