"""What is seen before anything is opened: the job in three sentences, and where to begin."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QAction
from PySide6.QtWidgets import QHBoxLayout, QLabel, QPushButton, QVBoxLayout, QWidget

from ridebook.gui.settings import recent_sessions
from ridebook.gui.specimen import Specimen
from ridebook.gui.theme import themes

SENTENCES = (
    "Give Ridebook the vocal and the rest of the mix, and it reads where the voice sinks under the band and where it "
    "jumps out.",
    "It pencils a ride for every phrase into the margin of the lyric; you ink it, strike it out or draw your own.",
    "What you decided goes out as breakpoints for any workstation, or as a ridden vocal that lines up to the sample.",
)
HEARING = "Listening starts 12 dB down. Long listening at high level damages hearing: turn up slowly, rest often."
RECENT_SHOWN = 5


class FirstPage(QWidget):
    """The first page."""

    recent_chosen = Signal(object)

    def __init__(self, actions: dict[str, QAction], parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._head = QLabel("Ride the vocal, word by word.", self)
        self._body = QLabel("", self)
        self._body.setWordWrap(True)
        self._body.setText(" ".join(SENTENCES))
        self._buttons: list[QPushButton] = []
        buttons = QHBoxLayout()
        for name, text in (
            ("demo", "Open the demo song"),
            ("new_pair", "New from stems…"),
            ("open", "Open a session…"),
        ):
            button = QPushButton(text, self)
            button.setToolTip(actions[name].toolTip())
            button.clicked.connect(actions[name].trigger)
            button.setAutoDefault(True)
            self._buttons.append(button)
            buttons.addWidget(button)
        self._buttons[0].setProperty("main", True)
        buttons.addStretch(1)
        self._drop = QLabel("or drop a vocal and its bed, or a session, anywhere in the window", self)
        self._recent_head = QLabel("RECENT", self)
        self._recent = QVBoxLayout()
        self._hearing = QLabel(HEARING, self)
        self._hearing.setWordWrap(True)
        self._column = QWidget(self)
        column = QVBoxLayout(self._column)
        for widget in (self._head, self._body, Specimen(self)):
            column.addWidget(widget)
        column.addLayout(buttons)
        column.addWidget(self._drop)
        column.addWidget(self._recent_head)
        column.addLayout(self._recent)
        column.addWidget(self._hearing)
        self._layout = column
        outer = QHBoxLayout(self)
        outer.addStretch(1)
        outer.addWidget(self._column, 0, Qt.AlignmentFlag.AlignVCenter)
        outer.addStretch(1)
        themes().theme_changed.connect(self._dress)
        self._dress()
        self.refresh()

    def _dress(self) -> None:
        theme = themes().current
        px = theme.px
        self._column.setFixedWidth(px(640))
        self._layout.setSpacing(px(16))
        head = theme.title()
        head.setPixelSize(px(34))
        self._head.setFont(head)
        self._body.setFont(theme.lyric())
        for label in (self._drop, self._hearing):
            label.setFont(theme.text())
            label.setStyleSheet(f"color: {theme.colours.pencil};")
        self._recent_head.setFont(theme.heading())
        for button in self._buttons:
            button.setMinimumHeight(px(34))

    def refresh(self) -> None:
        """List the recent sessions anew."""
        while self._recent.count():
            self._recent.takeAt(0).widget().deleteLater()
        theme = themes().current
        paths = recent_sessions()[:RECENT_SHOWN]
        self._recent_head.setVisible(bool(paths))
        for path in paths:
            button = QPushButton(f"{path.stem}   {_short(path.parent)}", self)
            button.setFlat(True)
            button.setStyleSheet(
                f"QPushButton {{ border: none; text-align: left; padding: {theme.px(3)}px 0;"
                f" color: {theme.colours.vocal}; }}"
                f"QPushButton:focus, QPushButton:hover {{ text-decoration: underline; }}"
            )
            button.clicked.connect(lambda _checked=False, where=path: self.recent_chosen.emit(where))
            self._recent.addWidget(button)


def _short(folder: Path) -> str:
    """Folder with the home folder left out."""
    try:
        return f"~/{folder.relative_to(Path.home())}"
    except ValueError:
        return str(folder)
