"""Dialogs: new from stems, note, aim of a section, undo list, keys, walk-through, errors."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from PySide6.QtCore import QSignalBlocker, QSize, Qt, Signal
from PySide6.QtGui import QDragEnterEvent, QDropEvent, QGuiApplication
from PySide6.QtWidgets import (
    QDialog,
    QDialogButtonBox,
    QFileDialog,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QListWidget,
    QListWidgetItem,
    QPlainTextEdit,
    QPushButton,
    QScrollArea,
    QVBoxLayout,
    QWidget,
)

from ridebook.errors import RidebookError
from ridebook.gui.actions import KeyLine
from ridebook.gui.desk import Desk
from ridebook.gui.panel import SignedSpin
from ridebook.gui.settings import last_folder, remember_folder
from ridebook.gui.theme import themes
from ridebook.gui.timings_file import SUFFIXES
from ridebook.segment.spans import Span
from ridebook.session.document import Session

AUDIO_SUFFIXES = (".wav", ".wave", ".rf64", ".w64", ".aif", ".aiff", ".aifc", ".flac", ".ogg", ".oga", ".opus", ".mp3")
AUDIO_FILTER = f"Audio ({' '.join('*' + suffix for suffix in AUDIO_SUFFIXES)});;All files (*)"
VOICE_NAMES = ("vocal", "vox", "voice", "lead", "sing")


def heading(text: str, parent: QWidget | None = None) -> QLabel:
    """Make the line that a dialog opens with."""
    label = QLabel(text, parent)
    label.setFont(themes().current.title())
    label.setWordWrap(True)
    return label


def aside(text: str, parent: QWidget | None = None) -> QLabel:
    """Make a remark in pencil."""
    theme = themes().current
    label = QLabel(text, parent)
    label.setFont(theme.text())
    label.setStyleSheet(f"color: {theme.colours.pencil};")
    label.setWordWrap(True)
    return label


def spaced(layout: QVBoxLayout) -> QVBoxLayout:
    """Give a dialog's layout its margins."""
    px = themes().current.px
    layout.setContentsMargins(px(24), px(20), px(24), px(20))
    layout.setSpacing(px(12))
    return layout


def main_button(button: QPushButton) -> QPushButton:
    """Make a button the one that Enter presses."""
    button.setProperty("main", True)
    button.setDefault(True)
    # A button box has dressed its buttons already.
    button.style().unpolish(button)
    button.style().polish(button)
    return button


def audio_among(paths: Sequence[Path]) -> list[Path]:
    """Files among `paths` that look like audio by their name."""
    return [path for path in paths if path.suffix.lower() in AUDIO_SUFFIXES]


def vocal_and_beds(paths: Sequence[Path]) -> tuple[Path | None, list[Path]]:
    """Guess by their names which of some files is the vocal; the rest is its bed."""
    vocal = next((path for path in paths if any(name in path.stem.lower() for name in VOICE_NAMES)), None)
    return vocal, [path for path in paths if path is not vocal]


class DropDialog(QDialog):
    """A dialog that takes files that are dropped on it."""

    def take(self, paths: Sequence[Path]) -> None:
        """Take some files."""
        raise NotImplementedError

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        """Take files that are dragged in."""
        if event.mimeData().hasUrls():
            event.acceptProposedAction()

    def dropEvent(self, event: QDropEvent) -> None:
        """Take files that are dropped."""
        self.take([Path(url.toLocalFile()) for url in event.mimeData().urls() if url.isLocalFile()])
        event.acceptProposedAction()


class NewPairDialog(DropDialog):
    """Choose a vocal and the files of its bed."""

    chosen = Signal(object, object)

    def __init__(self, parent: QWidget | None = None, paths: Sequence[Path] = ()) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.setWindowTitle("New from stems")
        self.setAcceptDrops(True)
        self._folder = last_folder()
        self.vocal = QLineEdit(self)
        self.vocal.setAccessibleName("Vocal file")
        self.vocal.setPlaceholderText("the lead vocal alone, as it is in the mix")
        vocal_button = QPushButton("Choose…", self)
        vocal_button.clicked.connect(self._choose_vocal)
        self.beds = QListWidget(self)
        self.beds.setAccessibleName("Bed files")
        self.beds.setMinimumHeight(themes().current.px(96))
        add = QPushButton("Add…", self)
        add.clicked.connect(self._add_beds)
        remove = QPushButton("Take out", self)
        remove.clicked.connect(self._remove_beds)
        swap = QPushButton("This one is the vocal", self)
        swap.setToolTip("Make the chosen bed file the vocal, and the vocal part of the bed")
        swap.clicked.connect(self._swap)
        self.buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Cancel, parent=self)
        self.start = main_button(self.buttons.addButton("Measure", QDialogButtonBox.ButtonRole.AcceptRole))
        self.buttons.accepted.connect(self._accept)
        self.buttons.rejected.connect(self.reject)
        for button in (vocal_button, add, remove, swap):
            button.setAutoDefault(False)

        form = QGridLayout()
        form.setHorizontalSpacing(themes().current.px(12))
        form.addWidget(QLabel("Vocal", self), 0, 0)
        form.addWidget(self.vocal, 0, 1)
        form.addWidget(vocal_button, 0, 2)
        form.addWidget(QLabel("Bed", self), 1, 0, Qt.AlignmentFlag.AlignTop)
        form.addWidget(self.beds, 1, 1)
        side = QVBoxLayout()
        for button in (add, remove):
            side.addWidget(button)
        side.addStretch(1)
        form.addLayout(side, 1, 2)
        form.addWidget(swap, 2, 1, Qt.AlignmentFlag.AlignLeft)
        layout = spaced(QVBoxLayout(self))
        layout.addWidget(heading("New from a vocal and its bed", self))
        layout.addWidget(
            aside(
                "The bed is all the rest of the mix: one file, or several that sum to it. The files are only read; "
                "drop them here if you like.",
                self,
            )
        )
        layout.addLayout(form)
        layout.addStretch(1)
        layout.addWidget(self.buttons)
        self.vocal.textChanged.connect(self._refresh)
        self.resize(QSize(themes().current.px(680), themes().current.px(380)))
        self.take(paths)
        self._refresh()

    def take(self, paths: Sequence[Path]) -> None:
        """Take some files: the one that sounds like a vocal by its name as the vocal, the rest as the bed."""
        vocal, beds = vocal_and_beds(audio_among(paths))
        if self.vocal.text():
            beds = audio_among(paths)
        elif vocal is not None:
            self.vocal.setText(str(vocal))
        there = self.bed_paths()
        for path in beds:
            if path not in there:
                self.beds.addItem(str(path))
        self._refresh()

    def bed_paths(self) -> list[Path]:
        """Files of the bed."""
        return [Path(self.beds.item(i).text()) for i in range(self.beds.count())]

    def _refresh(self) -> None:
        self.start.setEnabled(bool(self.vocal.text().strip()) and self.beds.count() > 0)

    def _choose_vocal(self) -> None:
        path, _ = QFileDialog.getOpenFileName(self, "The vocal", self._folder, AUDIO_FILTER)
        if path:
            self._folder = str(Path(path).parent)
            self.vocal.setText(path)

    def _add_beds(self) -> None:
        paths, _ = QFileDialog.getOpenFileNames(self, "The bed", self._folder, AUDIO_FILTER)
        if paths:
            self._folder = str(Path(paths[0]).parent)
            self.beds.addItems([path for path in paths if Path(path) not in self.bed_paths()])
        self._refresh()

    def _remove_beds(self) -> None:
        for item in self.beds.selectedItems():
            self.beds.takeItem(self.beds.row(item))
        self._refresh()

    def _swap(self) -> None:
        item = self.beds.currentItem()
        if item is not None:
            before = self.vocal.text()
            self.vocal.setText(item.text())
            if before:
                item.setText(before)
            else:
                self.beds.takeItem(self.beds.row(item))
        self._refresh()

    def _accept(self) -> None:
        vocal = Path(self.vocal.text().strip())
        remember_folder(vocal)
        self.chosen.emit(vocal, self.bed_paths())
        self.accept()


class NoteDialog(QDialog):
    """Write a note in the margin."""

    written = Signal(str)

    def __init__(self, about: str, note: str, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.setWindowTitle("Note")
        self.field = QPlainTextEdit(note, self)
        self.field.setAccessibleName("Note")
        self.field.setTabChangesFocus(True)
        self.field.selectAll()
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Cancel, parent=self)
        main_button(buttons.addButton("Keep", QDialogButtonBox.ButtonRole.AcceptRole))
        buttons.accepted.connect(self._accept)
        buttons.rejected.connect(self.reject)
        layout = spaced(QVBoxLayout(self))
        layout.addWidget(heading(about, self))
        layout.addWidget(self.field)
        layout.addWidget(buttons)
        self.resize(QSize(themes().current.px(440), themes().current.px(240)))

    def _accept(self) -> None:
        self.written.emit(self.field.toPlainText().strip())
        self.accept()


class LyricDialog(QDialog):
    """Paste the lyric, or open it, and lay it on the voice.

    Parameters
    ----------
    lyric : str
        The lyric as it is.
    folder : str
        Where to look for one.
    misfits : sequence of str
        What of it did not fit when it was laid.
    parent : QWidget, optional
        The window.
    """

    given = Signal(str)
    """The lyric, to be laid on the voice."""
    timings_given = Signal(Path)
    """A file that has times of words or lines."""

    def __init__(self, lyric: str, folder: str, misfits: Sequence[str] = (), parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.setWindowTitle("Lyric")
        self._folder = folder
        self.field = QPlainTextEdit(lyric, self)
        self.field.setAccessibleName("Lyric")
        self.field.setTabChangesFocus(True)
        self.field.setFont(themes().current.lyric())
        self.field.setPlaceholderText("[verse 1]\nThe first line\nand the next\n\n[chorus]\n…")
        self.field.textChanged.connect(self._refresh)
        aside = QLabel(
            "One line for each phrase, a blank line between sections, names of sections in [brackets]. Decisions stay "
            "where a phrase stays; what you moved by hand is not moved. A file with times (WebVTT, TextGrid, "
            "tab-separated) can be opened too: it says where its words lie.",
            self,
        )
        aside.setWordWrap(True)
        aside.setFont(themes().current.small())
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Cancel, parent=self)
        self.lay = buttons.addButton("Lay it on the voice", QDialogButtonBox.ButtonRole.AcceptRole)
        main_button(self.lay)
        opened = buttons.addButton("Open a text…", QDialogButtonBox.ButtonRole.ActionRole)
        opened.clicked.connect(self._open)
        buttons.accepted.connect(self._accept)
        buttons.rejected.connect(self.reject)
        layout = spaced(QVBoxLayout(self))
        layout.addWidget(heading("Lyric", self))
        layout.addWidget(self.field, 1)
        self.misfits = QPlainTextEdit("\n".join(misfits), self)
        self.misfits.setReadOnly(True)
        self.misfits.setFont(themes().current.small())
        self.misfits.setAccessibleName("What there was to look at")
        self.misfits.setTabChangesFocus(True)
        self.misfits.setFixedHeight(themes().current.px(min(20 + 20 * len(misfits), 110)))
        did_not_fit = QLabel("When it was laid last, there was this to look at:", self)
        for widget in (did_not_fit, self.misfits):
            widget.setVisible(bool(misfits))
            layout.addWidget(widget)
        layout.addWidget(aside)
        layout.addWidget(buttons)
        self.resize(QSize(themes().current.px(520), themes().current.px(560)))
        self._refresh()

    def _refresh(self) -> None:
        self.lay.setEnabled(bool(self.field.toPlainText().strip()))

    def _open(self) -> None:
        kinds = "Text or timings (*.txt *.md *.vtt *.TextGrid *.textgrid *.tsv);;All files (*)"
        dialog = QFileDialog(self, "Open a lyric", self._folder, kinds)
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.setFileMode(QFileDialog.FileMode.ExistingFile)
        dialog.fileSelected.connect(self._read)
        dialog.open()

    def _read(self, path: str) -> None:
        from ridebook.work.words import lyric_text  # here, since laying a lyric brings much with it

        if Path(path).suffix.lower() in SUFFIXES:
            self.timings_given.emit(Path(path))
            self.reject()
            return
        try:
            self.field.setPlainText(lyric_text(path))
        except RidebookError as error:
            ask(self, "That did not work", str(error), (("OK", lambda: None),))

    def _accept(self) -> None:
        self.given.emit(self.field.toPlainText())
        self.accept()


class SectionAimDialog(QDialog):
    """Give a section an aim of its own."""

    aimed = Signal(object)

    def __init__(self, section: Span, session: Session, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        name = section.label or "this section"
        self.setWindowTitle("Aim of the section")
        self.field = SignedSpin(self)
        self.field.setRange(-20, 20)
        self.field.setSingleStep(0.5)
        self.field.setDecimals(1)
        self.field.setSuffix(" LU")
        self.field.setValue(session.section_aims.get(section.id, session.settings.aim_lu))
        self.field.setAccessibleName(f"Aim of {name}")
        self.field.selectAll()
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Cancel, parent=self)
        as_song = buttons.addButton("As the song", QDialogButtonBox.ButtonRole.ResetRole)
        main_button(buttons.addButton("Set", QDialogButtonBox.ButtonRole.AcceptRole))
        as_song.clicked.connect(lambda: self._done(None))
        buttons.accepted.connect(lambda: self._done(self.field.value()))
        buttons.rejected.connect(self.reject)
        layout = spaced(QVBoxLayout(self))
        layout.addWidget(heading(f"Aim of {name}", self))
        layout.addWidget(aside("A chorus often sits half to one and a half LU lower, though the voice rises.", self))
        layout.addWidget(self.field)
        layout.addWidget(buttons)

    def _done(self, aim_lu: float | None) -> None:
        self.aimed.emit(aim_lu)
        self.accept()


class UndoList(QDialog):
    """All steps of this sitting; a click goes there."""

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.setWindowTitle("Undo list")
        self._desk = desk
        self.list = QListWidget(self)
        self.list.setAccessibleName("Steps")
        self.list.currentRowChanged.connect(self._on_row)
        layout = spaced(QVBoxLayout(self))
        layout.addWidget(heading("Undo list", self))
        layout.addWidget(aside("Choose a step to go back to it, or on to it.", self))
        layout.addWidget(self.list, 1)
        desk.session_changed.connect(self.refresh)
        self.resize(QSize(themes().current.px(360), themes().current.px(480)))
        self.refresh()

    def refresh(self, *_sessions: object) -> None:
        """List the steps anew."""
        history = self._desk.history
        theme = themes().current
        with QSignalBlocker(self.list):
            self.list.clear()
            if history is None:
                return
            for i, label in enumerate(["As it was opened", *(step.label for step in history.steps)]):
                item = QListWidgetItem(label, self.list)
                done = i <= history.done_n
                item.setFont(theme.text(bold=i == history.done_n, italic=not done))
                item.setForeground(theme.colour("ink" if done else "pencil"))
            self.list.setCurrentRow(history.done_n)

    def _on_row(self, row: int) -> None:
        if row >= 0:
            self._desk.jump(row)


class KeysPage(QDialog):
    """The page of keys."""

    def __init__(self, lines: Sequence[KeyLine], parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.setWindowTitle("Keys")
        theme = themes().current
        groups: dict[str, list[KeyLine]] = {}
        for line in lines:
            groups.setdefault(line.group, []).append(line)
        page = QWidget(self)
        columns = QHBoxLayout(page)
        columns.setSpacing(theme.px(40))
        for column in _balanced(groups, 3):
            side = QVBoxLayout()
            side.setSpacing(theme.px(6))
            for group in column:
                label = QLabel(group.upper(), page)
                label.setFont(theme.heading())
                side.addSpacing(theme.px(10))
                side.addWidget(label)
                grid = QGridLayout()
                grid.setHorizontalSpacing(theme.px(16))
                grid.setVerticalSpacing(theme.px(4))
                for row, line in enumerate(groups[group]):
                    keys = QLabel(line.keys, page)
                    keys.setFont(theme.text(bold=True))
                    grid.addWidget(keys, row, 0, Qt.AlignmentFlag.AlignTop)
                    what = QLabel(line.what, page)
                    what.setWordWrap(True)
                    grid.addWidget(what, row, 1)
                grid.setColumnMinimumWidth(0, theme.px(124))
                grid.setColumnStretch(1, 1)
                side.addLayout(grid)
            side.addStretch(1)
            columns.addLayout(side, 1)
        area = QScrollArea(self)
        area.setWidget(page)
        area.setWidgetResizable(True)
        area.setFrameShape(QScrollArea.Shape.NoFrame)
        layout = spaced(QVBoxLayout(self))
        layout.addWidget(heading("Keys", self))
        layout.addWidget(area, 1)
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Close, parent=self)
        buttons.rejected.connect(self.reject)
        layout.addWidget(buttons)
        self.resize(QSize(theme.px(1120), theme.px(680)))


def _balanced(groups: dict[str, list[KeyLine]], columns_n: int) -> list[list[str]]:
    """Share groups out over columns of about the same height, in their order."""
    total = sum(len(lines) + 2 for lines in groups.values())
    columns: list[list[str]] = [[]]
    filled = 0.0
    for name, lines in groups.items():
        high = len(lines) + 2
        if columns[-1] and len(columns) < columns_n and filled + high / 2 > total / columns_n * len(columns):
            columns.append([])
        columns[-1].append(name)
        filled += high
    return columns


WALK = (
    (
        "1. Open the demo",
        "Help, then “Open the demo song”. On the left lies the sheet, the lyric as lines. On the right runs the same "
        "song as a river of time: vocal, bed, loudness, balance, and the lane, which is the vocal's level as you will "
        "have it.",
    ),
    (
        "2. See where it sinks",
        "A word that stands in a wash with a tick at its left is lost: the bed covers it. The higher the wash, the "
        "deeper it has sunk. Press M to go from one lost word to the next. The balance beside each line says by how "
        "much: before, and as it would be.",
    ),
    (
        "3. Ink, strike, leave open",
        "What is pencilled in the margin, grey and slanted, is only a suggestion. Press Return to ink it and go on to "
        "the next open line, X to strike it out, O to leave it open again. Inked rides stand dark and upright, and "
        "the lost words in them rise. Ctrl+Z takes anything back.",
    ),
    (
        "4. Ride by hand",
        "Press + and - to ride the selected line half a dB up or down, or go into the line with the right arrow and "
        "ride one word. In the timeline drag the breakpoints of the lane, or draw freehand. A line that you drew bears "
        "a nib; K locks it with a bracket, so that no suggestion touches it. Where a word begins too early or is "
        "another one, drag its border above the waves, or press F2 and type.",
    ),
    (
        "5. Set what is suggested",
        "Press P for the panel: how loud the vocal is to stand over the bed, how much of the way to go, how far. Each "
        "change is seen at once in pencil; what you have decided stays. A section may have an aim of its own: Shift+A.",
    ),
    (
        "6. Check and hand on",
        "Read the findings below: each says what is the matter and what cures it. When none must be seen to, export: "
        "breakpoints for your workstation, or the ridden vocal, which lines up to the sample.",
    ),
)


class WalkThrough(QDialog):
    """The five-minute walk-through, a page at a time beside the window."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.setWindowTitle("Five minutes with Ridebook")
        theme = themes().current
        self.page = 0
        self._head = heading("", self)
        self._text = QLabel(self)
        self._text.setFont(theme.lyric())
        self._text.setWordWrap(True)
        self._text.setAlignment(Qt.AlignmentFlag.AlignTop)
        self.back = QPushButton("Back", self)
        self.on = main_button(QPushButton("Next", self))
        self.back.clicked.connect(lambda: self.show_page(self.page - 1))
        self.on.clicked.connect(lambda: self.show_page(self.page + 1))
        line = QHBoxLayout()
        line.addStretch(1)
        line.addWidget(self.back)
        line.addWidget(self.on)
        layout = spaced(QVBoxLayout(self))
        layout.addWidget(self._head)
        layout.addWidget(self._text, 1)
        layout.addLayout(line)
        self.resize(QSize(theme.px(480), theme.px(320)))
        self.show_page(0)

    def show_page(self, page: int) -> None:
        """Show one page; after the last it closes."""
        if page >= len(WALK):
            self.accept()
            return
        self.page = max(0, page)
        title, text = WALK[self.page]
        self._head.setText(title)
        self._text.setText(text)
        self.back.setEnabled(self.page > 0)
        self.on.setText("Done" if self.page == len(WALK) - 1 else "Next")


class ErrorDialog(QDialog):
    """Something unexpected happened: what it was, where the work is, details to copy."""

    def __init__(self, summary: str, details: str, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.setWindowTitle("Something went wrong")
        theme = themes().current
        self.details = QPlainTextEdit(details, self)
        self.details.setReadOnly(True)
        self.details.setAccessibleName("Details")
        copy = QPushButton("Copy the details", self)
        copy.clicked.connect(lambda: QGuiApplication.clipboard().setText(details))
        buttons = QDialogButtonBox(parent=self)
        buttons.addButton(copy, QDialogButtonBox.ButtonRole.ActionRole)
        main_button(buttons.addButton("Go on", QDialogButtonBox.ButtonRole.AcceptRole))
        buttons.accepted.connect(self.accept)
        layout = spaced(QVBoxLayout(self))
        layout.addWidget(heading("Something went wrong", self))
        layout.addWidget(aside(summary, self))
        layout.addWidget(self.details, 1)
        layout.addWidget(buttons)
        self.resize(QSize(theme.px(640), theme.px(420)))


def ask(
    parent: QWidget,
    question: str,
    explained: str,
    answers: Sequence[tuple[str, Callable[[], object]]],
    title: str = "Ridebook",
    escape: Callable[[], object] = lambda: None,
) -> QDialog:
    """Open a question with named answers, the first of them the default.

    Parameters
    ----------
    parent : QWidget
        The window that it is about.
    question, explained : str
        What is asked, and what to know about it.
    answers : sequence of (str, callable)
        Name and what it does.
    title : str
        The dialog's title.
    escape : callable
        What Escape does.

    Returns
    -------
    QDialog
        The open dialog; it deletes itself when it closes.
    """
    dialog = QDialog(parent)
    dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
    dialog.setWindowTitle(title)
    dialog.setModal(True)
    layout = spaced(QVBoxLayout(dialog))
    layout.addWidget(heading(question, dialog))
    if explained:
        layout.addWidget(aside(explained, dialog))
    line = QHBoxLayout()
    line.addStretch(1)
    for i, (text, do) in reversed(list(enumerate(answers))):
        button = QPushButton(text, dialog)
        button.setAutoDefault(False)
        if i == 0:
            main_button(button)
        button.clicked.connect(dialog.accept)
        button.clicked.connect(lambda _checked=False, do=do: do())
        line.addWidget(button)
    dialog.rejected.connect(lambda: escape())
    layout.addLayout(line)
    dialog.setMinimumWidth(themes().current.px(440))
    dialog.open()
    return dialog
