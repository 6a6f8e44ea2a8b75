"""The export dialog: what goes out, in which form, by which names; Enter writes it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from PySide6.QtCore import QSignalBlocker, QSize, Qt, Signal
from PySide6.QtWidgets import (
    QButtonGroup,
    QCheckBox,
    QComboBox,
    QDialog,
    QDialogButtonBox,
    QDoubleSpinBox,
    QFileDialog,
    QFrame,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPlainTextEdit,
    QPushButton,
    QScrollArea,
    QStackedWidget,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from ridebook.errors import RidebookError
from ridebook.exchange.aaf_rides import GainOn
from ridebook.exchange.breakpoints import ListGain, ListTime, list_preview
from ridebook.exchange.names import PLACEHOLDERS
from ridebook.exchange.timecode import TimecodeRate
from ridebook.gui.dialogs import aside, heading, main_button, spaced
from ridebook.gui.theme import themes
from ridebook.gui.words import clock, counted
from ridebook.session.document import Session
from ridebook.work.choices import Choices, hand_over_of, numbers_of
from ridebook.work.deliverables import Part
from ridebook.work.hand_over import HandOver

TIMES = (
    (ListTime.SECONDS, "seconds"),
    (ListTime.SAMPLES, "samples"),
    (ListTime.TIMECODE, "timecode"),
    (ListTime.BARS, "bars and beats"),
)
GAINS = ((ListGain.DB, "decibels"), (ListGain.LINEAR, "linear factor"))
SEGMENTS = ((".csv", "table (.csv)"), (".vtt", "WebVTT (.vtt)"), (".TextGrid", "TextGrid"), (".tsv", "labels (.tsv)"))
SOUND = ((".wav", "WAV"), (".flac", "FLAC"))
RATES = tuple(
    (rate, rate.value.replace("drop", " drop-frame") + (" non-drop" if rate is TimecodeRate.F29_97 else ""))
    for rate in TimecodeRate
)
NO_TEMPO, ONE_TEMPO, TEMPO_FILE = range(3)
PREVIEW_ROWS_N = 5


@dataclass(frozen=True, slots=True)
class Chosen:
    """What the dialog was left with: the choices to remember, where, and what is to be written."""

    choices: Choices
    folder: Path
    plan: HandOver


class ExportDialog(QDialog):
    """Choose what goes out, in which form and where to.

    Parameters
    ----------
    session : Session
        What is exported.
    open_n : int
        Phrases that are still open.
    folder : Path
        Where to begin with.
    choices : Choices
        What was chosen last.
    selection : (int, int) or None
        First and last frame of what is selected.
    """

    chosen = Signal(object)
    """A `Chosen`."""
    followers_asked = Signal()

    PARTS = (
        (
            "Rides",
            (
                (Part.RIDES, "&Breakpoints", "a table of times and gains"),
                (Part.MIDI, "&MIDI", "the ride as a controller, phrases as markers"),
                (Part.AAF, "&AAF", "stems as clips with the ride on the vocal"),
                (Part.SEGMENTS, "&Phrases and words", "a list with their times"),
            ),
        ),
        (
            "Sound",
            (
                (Part.STEM, "&Ridden vocal", "lines up to the sample with the vocal"),
                (Part.MIX, "Mi&x", "ridden vocal and bed together"),
                (Part.ALTERNATES, "Vocal &up and down", "the mix again, by small steps"),
                (Part.BED, "Bed a&lone", "over the length of the mix"),
                (Part.FOLLOWERS, "&Followers", "other vocals on the same ride"),
            ),
        ),
        ("With it", ((Part.MANIFEST, "Man&ifest", "hashes, settings and loudness of all files"),)),
    )

    def __init__(
        self,
        session: Session,
        open_n: int,
        folder: Path,
        choices: Choices,
        selection: tuple[int, int] | None = None,
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.setWindowTitle("Export")
        self._session = session
        self._open_n = open_n
        self._selection = selection
        self._moment = datetime.now()
        self._chosen: Chosen | None = None
        theme = themes().current
        px = theme.px

        self.checks: dict[Part, QCheckBox] = {}
        self.remarks: dict[Part, QLabel] = {}
        what = self._what_goes_out()
        self.pages = QStackedWidget(self)
        self.tabs: dict[str, QToolButton] = {}
        tabs = QHBoxLayout()
        tabs.setSpacing(px(4))
        group = QButtonGroup(self)
        for name, page in (
            ("Breakpoints", self._breakpoints_page()),
            ("Timeline", self._timeline_page()),
            ("MIDI", self._midi_page()),
            ("AAF", self._aaf_page()),
            ("Sound", self._sound_page()),
        ):
            tab = QToolButton(self)
            tab.setText(name)
            tab.setCheckable(True)
            tab.setProperty("soft", True)
            tab.setFont(theme.text())
            tab.setAccessibleName(f"Form of: {name}")
            tab.clicked.connect(lambda _on=False, name=name: self.show_page(name))
            group.addButton(tab)
            tabs.addWidget(tab)
            self.tabs[name] = tab
            self.pages.addWidget(page)
        tabs.addStretch(1)

        self.written = QLabel(self)
        self.written.setFont(theme.small())
        self.written.setWordWrap(True)
        self.written.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.written.setAccessibleName("Will be written")
        self.remark = aside("", self)
        self.buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Cancel, parent=self)
        self.start = main_button(self.buttons.addButton("Export", QDialogButtonBox.ButtonRole.AcceptRole))
        self.buttons.accepted.connect(self._accept)
        self.buttons.rejected.connect(self.reject)

        right = QVBoxLayout()
        right.setSpacing(px(8))
        right.addWidget(self._small_heading("Where"))
        right.addLayout(self._where(folder))
        right.addSpacing(px(8))
        right.addWidget(self._small_heading("In which form"))
        right.addLayout(tabs)
        right.addWidget(self.pages)
        right.addSpacing(px(4))
        right.addWidget(self._small_heading("Will be written"))
        right.addWidget(self.written)
        right.addStretch(1)
        middle = QWidget(self)
        across = QHBoxLayout(middle)
        across.setContentsMargins(0, 0, px(8), 0)
        across.setSpacing(px(28))
        across.addWidget(what)
        across.addLayout(right, 1)
        area = QScrollArea(self)
        area.setWidget(middle)
        area.setWidgetResizable(True)
        area.setFrameShape(QFrame.Shape.NoFrame)
        area.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        layout = spaced(QVBoxLayout(self))
        layout.addWidget(heading("Export", self))
        layout.addWidget(area, 1)
        layout.addWidget(self.remark)
        layout.addWidget(self.buttons)
        self._show(choices)
        self.show_page("Breakpoints")
        self._refresh()
        self.resize(self._fitting(middle))
        self.start.setFocus()

    # --- building --------------------------------------------------------------------------------

    def _fitting(self, middle: QWidget) -> QSize:
        """Size that shows everything, where the screen has room for it."""
        px = themes().current.px
        wanted = QSize(max(px(960), middle.sizeHint().width() + px(64)), px(724))
        screen = self.screen().availableSize()
        return QSize(min(wanted.width(), screen.width() - px(40)), min(wanted.height(), screen.height() - px(60)))

    def _small_heading(self, text: str) -> QLabel:
        label = QLabel(text.upper(), self)
        label.setFont(themes().current.heading())
        return label

    def _what_goes_out(self) -> QWidget:
        theme = themes().current
        px = theme.px
        card = QFrame(self)
        card.setObjectName("card")
        card.setStyleSheet(f"QFrame#card {{ background: {theme.colours.card}; border-radius: {px(6)}px; }}")
        column = QVBoxLayout(card)
        column.setContentsMargins(px(16), px(12), px(16), px(12))
        column.setSpacing(0)
        for i, (title, parts) in enumerate(self.PARTS):
            if i:
                column.addSpacing(px(10))
            column.addWidget(self._small_heading(title))
            column.addSpacing(px(2))
            for part, text, remark in parts:
                check = QCheckBox(text, card)
                check.setMinimumHeight(theme.target_px)
                check.toggled.connect(self._refresh)
                check.clicked.connect(lambda on, part=part: self._show_form_of(part, on))
                label = aside(remark, card)
                label.setFont(theme.small())
                label.setWordWrap(False)
                label.setContentsMargins(px(24), 0, 0, px(3))
                column.addWidget(check)
                column.addWidget(label)
                self.checks[part], self.remarks[part] = check, label
        column.addStretch(1)
        return card

    def _where(self, folder: Path) -> QGridLayout:
        grid = self._grid()
        self.folder = QLineEdit(str(folder), self)
        self.folder.textChanged.connect(self._refresh)
        button = QPushButton("Choose…", self)
        button.setAutoDefault(False)
        button.clicked.connect(self._choose_folder)
        self._row(grid, "Folder", self.folder, button)
        self.pattern = QLineEdit(self)
        self.pattern.textChanged.connect(self._refresh)
        known = "\n".join(f"{{{name}}}  {what}" for name, what in PLACEHOLDERS.items())
        self.pattern.setToolTip(f"What may stand in a name:\n{known}")
        self.replace = QCheckBox("Replace what is there", self)
        self.replace.setToolTip("Otherwise a number behind the names keeps both")
        self.replace.toggled.connect(self._refresh)
        self._row(grid, "Names", self.pattern, self.replace)
        return grid

    def _breakpoints_page(self) -> QWidget:
        theme = themes().current
        page, grid = self._page()
        self.times = {time: self._box(text) for time, text in TIMES}
        self.gains = {gain: self._box(text) for gain, text in GAINS}
        self._row(grid, "Times in", self._line(self.times.values()))
        self._row(grid, "Gains in", self._line(self.gains.values()))
        self.decimal = self._combo(
            "Decimal mark", ((False, "point, columns by commas"), (True, "comma, by semicolons"))
        )
        self._row(grid, "Decimal mark", self._line([self.decimal]))
        self.dense = self._box("dense, for readers that ramp in amplitude and not in decibels")
        self._row(grid, "Points", self._line([self.dense]))
        self.preview = QLabel(page)
        self.preview.setFont(theme.small())
        self.preview.setTextFormat(Qt.TextFormat.RichText)
        self.preview.setAccessibleName("First rows")
        self.preview.setStyleSheet(
            f"background: {theme.colours.card}; border-radius: {theme.px(4)}px; padding: {theme.px(8)}px;"
        )
        self.preview.setMinimumHeight(theme.px(18 * (PREVIEW_ROWS_N + 1) + 16))
        self.preview.setAlignment(Qt.AlignmentFlag.AlignTop | Qt.AlignmentFlag.AlignLeft)
        grid.addWidget(self.preview, grid.rowCount(), 0, 1, 3)
        return page

    def _timeline_page(self) -> QWidget:
        page, grid = self._page()
        self.trim = self._box("with the trim", "Whether the static gain of the vocal is in the gains, in all forms")
        self.only_selection = self._box("of the selection alone")
        if self._selection is None:
            self.only_selection.setEnabled(False)
        else:
            rate_hz = self._session.vocal.rate_hz
            start, end = (clock(frame_n, rate_hz, 1) for frame_n in self._selection)
            self.only_selection.setText(f"of the selection alone ({start} to {end})")
        self._row(grid, "All rides", self._line([self.trim, self.only_selection]))
        self.offset = self._spin(-86_400, 86_400, 3, " s")
        self._row(grid, "Vocal begins at", self._line([self.offset], "on the workstation's timeline"))
        self.timecode = self._combo("Timecode", RATES)
        self.start_timecode = QLineEdit(page)
        self.start_timecode.setAccessibleName("Timecode at the timeline's zero")
        self.start_timecode.textChanged.connect(self._refresh)
        self._row(grid, "Timecode", self._line([self.timecode]))
        self._row(grid, "at zero", self._line([self.start_timecode], "what the timeline's begin is called"))
        self.tempo_kind = self._combo(
            "Tempo", ((NO_TEMPO, "none"), (ONE_TEMPO, "one tempo"), (TEMPO_FILE, "from a MIDI file or a list"))
        )
        self._row(grid, "Tempo", self._line([self.tempo_kind]))
        self.bpm = self._spin(4, 1000, 2, " a minute")
        self.bpm.setAccessibleName("Quarter notes a minute")
        self.metre = QLineEdit("4/4", page)
        self.metre.setAccessibleName("Metre")
        self.metre.textChanged.connect(self._refresh)
        self.metre.setFixedWidth(themes().current.px(64))
        self._row(grid, "Quarter notes", self._line([self.bpm, QLabel("metre", page), self.metre]))
        self.tempo_file = QLineEdit(page)
        self.tempo_file.textChanged.connect(self._refresh)
        self.tempo_button = QPushButton("Choose…", page)
        self.tempo_button.setAutoDefault(False)
        self.tempo_button.clicked.connect(self._choose_tempo)
        self._row(grid, "Tempo map", self.tempo_file, self.tempo_button)
        return page

    def _midi_page(self) -> QWidget:
        page, grid = self._page()
        self.controller = self._combo("Controller", ((11, "11, expression"), (7, "7, volume")))
        self.bits = self._combo("Resolution", ((14, "14 bits, in pairs"), (7, "7 bits")))
        self.full_scale = self._spin(0, 60, 1, " dB")
        self._row(grid, "Controller", self._line([self.controller]))
        self._row(grid, "Resolution", self._line([self.bits]))
        self._row(grid, "Full scale is", self._line([self.full_scale], "the gain that the highest value means"))
        self._remark(
            grid,
            "A controller only turns down, so the highest value stands for this gain, and the receiving track is "
            "turned up by it once. The file says so in a text event.",
        )
        return page

    def _aaf_page(self) -> QWidget:
        page, grid = self._page()
        self.gain_on = self._combo(
            "The ride is on", ((GainOn.CLIP, "the clip, and moves with it"), (GainOn.TRACK, "the track, and stays"))
        )
        self.linked = self._combo(
            "The audio is", ((False, "in the file"), (True, "linked to, where it is a WAV at the song's rate"))
        )
        self._row(grid, "The ride is on", self._line([self.gain_on]))
        self._row(grid, "The audio is", self._line([self.linked]))
        self._remark(grid, "Extra points keep the ride within 0.05 dB for readers that ramp in amplitude.")
        return page

    def _sound_page(self) -> QWidget:
        page, grid = self._page()
        self.audio = self._combo("Sound as", SOUND)
        self.segments = self._combo("Phrases and words as", SEGMENTS)
        self.steps = QLineEdit(page)
        self.steps.setAccessibleName("Steps of the vocal up and down, in dB")
        self.steps.textChanged.connect(self._refresh)
        self.steps.setFixedWidth(themes().current.px(120))
        self.followers_button = QPushButton("Followers…", page)
        self.followers_button.setAutoDefault(False)
        self.followers_button.clicked.connect(self.followers_asked)
        self._row(grid, "Sound as", self._line([self.audio]))
        self._row(grid, "Vocal up and down by", self._line([self.steps], "dB each way"))
        self._row(grid, "Phrases and words as", self._line([self.segments]))
        self._row(grid, "On the same ride", self._line([self.followers_button]))
        return page

    def _page(self) -> tuple[QWidget, QGridLayout]:
        page = QWidget(self)
        column = QVBoxLayout(page)
        column.setContentsMargins(0, themes().current.px(4), 0, 0)
        grid = self._grid()
        column.addLayout(grid)
        column.addStretch(1)
        return page, grid

    def _grid(self) -> QGridLayout:
        px = themes().current.px
        grid = QGridLayout()
        grid.setHorizontalSpacing(px(12))
        grid.setVerticalSpacing(px(6))
        grid.setColumnStretch(1, 1)
        grid.setColumnMinimumWidth(0, px(104))
        return grid

    def _row(self, grid: QGridLayout, name: str, field: QWidget, beside: QWidget | None = None) -> None:
        row = grid.rowCount()
        label = QLabel(name, self)
        grid.addWidget(label, row, 0)
        grid.addWidget(field, row, 1, 1, 1 if beside is not None else 2)
        if beside is not None:
            grid.addWidget(beside, row, 2)
        inner = field.focusProxy() or field
        label.setBuddy(inner)
        if not inner.accessibleName():
            inner.setAccessibleName(name)

    def _remark(self, grid: QGridLayout, text: str) -> None:
        label = aside(text, self)
        label.setFont(themes().current.small())
        grid.addWidget(label, grid.rowCount(), 0, 1, 3)

    def _line(self, widgets: Sequence[QWidget], note: str = "") -> QWidget:
        holder = QWidget(self)
        line = QHBoxLayout(holder)
        line.setContentsMargins(0, 0, 0, 0)
        line.setSpacing(themes().current.px(16))
        for widget in widgets:
            line.addWidget(widget)
        if note:
            said = aside(note, self)
            said.setFont(themes().current.small())
            said.setWordWrap(False)
            line.addWidget(said)
        line.addStretch(1)
        holder.setFocusProxy(next(iter(widgets)))
        return holder

    def _box(self, text: str, tip: str = "") -> QCheckBox:
        box = QCheckBox(text, self)
        box.setToolTip(tip)
        box.setMinimumHeight(themes().current.target_px)
        box.setAccessibleName(text)
        box.toggled.connect(self._refresh)
        return box

    def _combo(self, name: str, items: Sequence[tuple[object, str]]) -> QComboBox:
        box = QComboBox(self)
        box.setAccessibleName(name)
        for value, text in items:
            box.addItem(text, value)
        box.currentIndexChanged.connect(self._refresh)
        return box

    def _spin(self, low: float, high: float, decimals: int, suffix: str) -> QDoubleSpinBox:
        spin = QDoubleSpinBox(self)
        spin.setDecimals(decimals)
        spin.setRange(low, high)
        spin.setSuffix(suffix)
        spin.lineEdit().setTextMargins(themes().current.px(4), 0, 0, 0)
        spin.setMinimumWidth(themes().current.px(128))
        spin.valueChanged.connect(self._refresh)
        return spin

    # --- choices ---------------------------------------------------------------------------------

    def _show(self, choices: Choices) -> None:
        """Set all fields to some choices."""
        blocked = [QSignalBlocker(child) for child in self.findChildren(QWidget)]
        for part, check in self.checks.items():
            check.setChecked(part in choices.parts)
        self.pattern.setText(choices.pattern)
        self.replace.setChecked(choices.replace)
        for time, box in self.times.items():
            box.setChecked(time in choices.times)
        for gain, box in self.gains.items():
            box.setChecked(gain in choices.gains)
        self.trim.setChecked(choices.with_trim)
        self.dense.setChecked(choices.dense)
        self.offset.setValue(choices.offset_s)
        self.start_timecode.setText(choices.start_timecode)
        self.bpm.setValue(choices.bpm or 120.0)
        self.metre.setText(choices.metre)
        self.tempo_file.setText(choices.tempo_map)
        tempo = ONE_TEMPO if choices.bpm is not None else TEMPO_FILE if choices.tempo_map else NO_TEMPO
        self.full_scale.setValue(choices.full_scale_db)
        self.steps.setText(", ".join(f"{step_db:g}" for step_db in choices.steps_db))
        for box, value in (
            (self.decimal, choices.decimal_comma),
            (self.timecode, choices.timecode),
            (self.tempo_kind, tempo),
            (self.controller, choices.controller),
            (self.bits, choices.bits),
            (self.gain_on, choices.gain_on),
            (self.linked, choices.linked),
            (self.audio, choices.audio),
            (self.segments, choices.segments),
        ):
            box.setCurrentIndex(max(0, box.findData(value)))
        del blocked
        self._show_followers()

    def choices(self) -> Choices:
        """Give what is chosen.

        Raises
        ------
        SettingError
            The steps are no numbers.
        """
        tempo = self.tempo_kind.currentData()
        return Choices(
            parts=tuple(part for part, check in self.checks.items() if check.isChecked()),
            pattern=self.pattern.text(),
            audio=self.audio.currentData(),
            segments=self.segments.currentData(),
            steps_db=numbers_of("vocal up and down", self.steps.text()),
            replace=self.replace.isChecked(),
            times=tuple(time for time, box in self.times.items() if box.isChecked()),
            gains=tuple(gain for gain, box in self.gains.items() if box.isChecked()),
            decimal_comma=self.decimal.currentData(),
            dense=self.dense.isChecked(),
            with_trim=self.trim.isChecked(),
            offset_s=self.offset.value(),
            timecode=TimecodeRate(self.timecode.currentData()),
            start_timecode=self.start_timecode.text(),
            bpm=self.bpm.value() if tempo == ONE_TEMPO else None,
            metre=self.metre.text(),
            tempo_map=self.tempo_file.text().strip() if tempo == TEMPO_FILE else "",
            controller=self.controller.currentData(),
            bits=self.bits.currentData(),
            full_scale_db=self.full_scale.value(),
            gain_on=GainOn(self.gain_on.currentData()),
            linked=self.linked.currentData(),
        )

    def on_session_changed(self, before: Session | None, session: Session) -> None:
        """Go on with the session after an edit, as of its followers."""
        self._session = session
        self._show_followers()
        if session.followers and before is not None and not before.followers:
            self.checks[Part.FOLLOWERS].setChecked(True)
        self._refresh()

    def show_page(self, name: str) -> None:
        """Show the page of one form."""
        self.tabs[name].setChecked(True)
        self.pages.setCurrentIndex(list(self.tabs).index(name))

    def _show_form_of(self, part: Part, on: bool) -> None:
        pages = {Part.RIDES: "Breakpoints", Part.MIDI: "MIDI", Part.AAF: "AAF", Part.ALTERNATES: "Sound"}
        if on and part in pages:
            self.show_page(pages[part])

    def _show_followers(self) -> None:
        followers = self._session.followers
        check, remark = self.checks[Part.FOLLOWERS], self.remarks[Part.FOLLOWERS]
        check.setEnabled(bool(followers))
        remark.setText(
            ", ".join(f"{Path(each.source.path).stem} {each.share * 100:.0f} %" for each in followers[:2])
            + (f" and {len(followers) - 2} more" if len(followers) > 2 else "")
            if followers
            else "none yet: Sound, Followers…"
        )

    def _refresh(self, *_changed: object) -> None:
        if not hasattr(self, "start"):  # while it is built
            return
        tempo = self.tempo_kind.currentData()
        for field in (self.bpm, self.metre):
            field.setEnabled(tempo == ONE_TEMPO)
        for field in (self.tempo_file, self.tempo_button):
            field.setEnabled(tempo == TEMPO_FILE)
        self._chosen, trouble = None, ""
        folder = Path(self.folder.text().strip() or ".")
        session, span = self._session, self._span()
        try:
            choices = self.choices()
            plan = hand_over_of(choices, session, folder, span=span, moment=self._moment)
            rows = list_preview(session.lane, session.trim_db, session.vocal.rate_hz, plan.list_form, PREVIEW_ROWS_N)
            self.preview.setText(_as_table(rows, plan.list_form.separator))
            if not folder.is_dir():
                trouble = f"There is no folder {folder}."
            elif plan.outputs:
                self._chosen = Chosen(choices, folder, plan)
            self.written.setText(_told(plan))
        except RidebookError as error:
            trouble = f"{str(error)[:1].upper()}{str(error)[1:]}."
        self._tell(trouble)
        self.start.setEnabled(self._chosen is not None)

    def _span(self) -> tuple[int, int] | None:
        return self._selection if self.only_selection.isChecked() else None

    def _tell(self, trouble: str) -> None:
        parts = [trouble] if trouble else []
        if self._chosen is not None:
            there = [output.path.name for output in self._chosen.plan.outputs if output.path.exists()]
            if there:
                more = f" and {len(there) - 2} more" if len(there) > 2 else ""
                parts.append(f"Will be replaced: {', '.join(there[:2])}{more}.")
        if self._open_n and not trouble:
            verb = "is" if self._open_n == 1 else "are"
            parts.append(
                f"{counted(self._open_n, 'phrase')} {verb} still open: what goes out there is the lane as it stands."
            )
        if not trouble:
            parts.append("The sources are never written over; nothing is limited.")
        colours = themes().current.colours
        self.remark.setStyleSheet(f"color: {colours.lost if trouble else colours.pencil};")
        self.remark.setText(" ".join(parts))

    def _choose_folder(self) -> None:
        dialog = QFileDialog(self, "Where to", self.folder.text())
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.setFileMode(QFileDialog.FileMode.Directory)
        dialog.setOption(QFileDialog.Option.ShowDirsOnly)
        dialog.fileSelected.connect(self.folder.setText)
        dialog.open()

    def _choose_tempo(self) -> None:
        kinds = "Tempo maps (*.mid *.midi *.csv);;All files (*)"
        dialog = QFileDialog(self, "The tempo map", self.tempo_file.text() or self.folder.text(), kinds)
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.setFileMode(QFileDialog.FileMode.ExistingFile)
        dialog.fileSelected.connect(self.tempo_file.setText)
        dialog.open()

    def _accept(self) -> None:
        if self._chosen is not None:
            self.chosen.emit(self._chosen)
            self.accept()


class ExportedDialog(QDialog):
    """What was written, and where."""

    def __init__(
        self, folder: Path, lines: Sequence[str], notices: Sequence[str], show: object, parent: QWidget | None = None
    ) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.setWindowTitle("Exported")
        theme = themes().current
        self.list = QPlainTextEdit("\n".join(lines), self)
        self.list.setReadOnly(True)
        self.list.setTabChangesFocus(True)
        self.list.setAccessibleName("What was written")
        self.list.setFont(theme.text())
        self.buttons = QDialogButtonBox(parent=self)
        self.show_folder = self.buttons.addButton("Show in folder", QDialogButtonBox.ButtonRole.ActionRole)
        self.show_folder.setAutoDefault(False)
        self.show_folder.clicked.connect(show)
        done = main_button(self.buttons.addButton("OK", QDialogButtonBox.ButtonRole.AcceptRole))
        self.buttons.accepted.connect(self.accept)
        layout = spaced(QVBoxLayout(self))
        layout.addWidget(heading(f"{counted(len(lines), 'file')} written", self))
        layout.addWidget(aside(f"To {folder}", self))
        layout.addWidget(self.list, 1)
        if notices:
            layout.addWidget(aside(" ".join(notices), self))
        layout.addWidget(self.buttons)
        self.resize(QSize(theme.px(720), theme.px(min(220 + 44 * len(lines), 560))))
        done.setFocus()


def _as_table(text: str, separator: str) -> str:
    """First rows as cells that stand under each other; what the file has between them is told by the header."""
    rows = [line.split(separator) for line in text.rstrip("\n").split("\n")]
    gap = themes().current.px(20)
    lines = []
    for i, row in enumerate(rows):
        tag = "th" if i == 0 else "td"
        cells = "".join(f'<{tag} align="right" style="padding-right: {gap}px;">{cell}</{tag}>' for cell in row)
        lines.append(f"<tr>{cells}</tr>")
    return f"<table>{''.join(lines)}</table>"


def _told(plan: HandOver) -> str:
    """Names of what will be written, as few lines as do."""
    if not plan.outputs:
        return "Nothing is ticked."
    # A name stays in one piece.
    return "  ·  ".join(output.path.name.replace(" ", "\N{NO-BREAK SPACE}") for output in plan.outputs)
