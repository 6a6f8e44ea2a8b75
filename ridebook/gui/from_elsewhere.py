"""What was made elsewhere: a lane to take over, and the mix that was approved."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QButtonGroup,
    QComboBox,
    QDialog,
    QDialogButtonBox,
    QFileDialog,
    QGridLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QRadioButton,
    QVBoxLayout,
    QWidget,
)

from ridebook.gui.desk import Desk
from ridebook.gui.dialogs import AUDIO_FILTER, aside, heading, main_button, spaced
from ridebook.gui.settings import last_folder, remember_folder
from ridebook.gui.theme import themes
from ridebook.gui.words import counted
from ridebook.session.document import Session, SourceFile
from ridebook.session.edits import set_approved_mix
from ridebook.work.steps import CancelCheck, Progress

if TYPE_CHECKING:
    from ridebook.exchange.any_lane import GainUnit, TimeUnit
    from ridebook.ride.lane import Lane

TABLE_FILTER = "Tables (*.csv *.tsv *.txt);;All files (*)"
GAIN_UNITS = (("as recognised", None), ("decibels", "db"), ("linear gain", "linear"))
TIME_UNITS = (("as recognised", None), ("seconds", "seconds"), ("milliseconds", "ms"), ("samples", "samples"))


class _FileField(QLineEdit):
    """Path of a file, with a button beside it that asks for one."""

    def __init__(self, name: str, what: str, kinds: str, parent: QWidget) -> None:
        super().__init__(parent)
        self.setAccessibleName(name)
        self.setPlaceholderText(what)
        self.button = QPushButton("Choose…", parent)
        self.button.setAutoDefault(False)
        self.button.setAccessibleName(f"Choose: {name}")
        self.button.clicked.connect(self._ask)
        self._kinds = kinds

    def _ask(self) -> None:
        dialog = QFileDialog(self, self.accessibleName(), self.text() or last_folder(), self._kinds)
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.setFileMode(QFileDialog.FileMode.ExistingFile)
        dialog.fileSelected.connect(self.setText)
        dialog.open()

    @property
    def path(self) -> Path | None:
        """The file, None where none is named."""
        text = self.text().strip()
        return Path(text) if text else None


class LaneDialog(QDialog):
    """Take over a lane that was drawn elsewhere: out of a table, or told from two renders of the vocal."""

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._desk = desk
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.setWindowTitle("A lane from elsewhere")
        vocal = Path(desk.session.vocal.path)
        self.from_table = QRadioButton("From a table of times and gains", self)
        self.from_renders = QRadioButton("From two renders of the vocal", self)
        which = QButtonGroup(self)
        which.addButton(self.from_table)
        which.addButton(self.from_renders)
        self.table = _FileField("Table", "breakpoints, one a row: a time and a gain", TABLE_FILTER, self)
        self.gain_unit, self.time_unit = QComboBox(self), QComboBox(self)
        for box, units, name in (
            (self.gain_unit, GAIN_UNITS, "Unit of the gains"),
            (self.time_unit, TIME_UNITS, "Unit of the times"),
        ):
            box.setAccessibleName(name)
            for text, unit in units:
                box.addItem(text, unit)
        self.before = _FileField("Without rides", str(vocal), AUDIO_FILTER, self)
        self.before.setText(str(vocal))
        self.after = _FileField("With rides", "the same take, ridden, nothing else done to it", AUDIO_FILTER, self)
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Cancel, parent=self)
        self.take = main_button(buttons.addButton("Take it over", QDialogButtonBox.ButtonRole.AcceptRole))
        buttons.accepted.connect(self._accept)
        buttons.rejected.connect(self.reject)

        grid = QGridLayout()
        grid.setHorizontalSpacing(themes().current.px(12))
        grid.setVerticalSpacing(themes().current.px(6))
        grid.setColumnMinimumWidth(0, themes().current.px(24))
        self._of_table = self._rows(
            grid,
            0,
            self.from_table,
            (("Table", self.table), ("Gains are", self.gain_unit), ("Times are", self.time_unit)),
        )
        self._of_renders = self._rows(
            grid, 5, self.from_renders, (("Without rides", self.before), ("With rides", self.after))
        )
        grid.setRowMinimumHeight(4, themes().current.px(8))
        layout = spaced(QVBoxLayout(self))
        layout.addWidget(heading("Take over a lane from elsewhere", self))
        layout.addWidget(
            aside(
                "It takes the place of the trim and of all rides, in one step that can be undone. The checks then "
                "speak of it as of your own.",
                self,
            )
        )
        layout.addLayout(grid)
        layout.addStretch(1)
        layout.addWidget(buttons)
        for field in (self.table, self.before, self.after):
            field.textChanged.connect(self._refresh)
        self.from_table.toggled.connect(self._refresh)
        self.from_table.setChecked(True)
        self.resize(themes().current.px(620), self.sizeHint().height())

    def _rows(
        self, grid: QGridLayout, row: int, choice: QRadioButton, fields: tuple[tuple[str, QWidget], ...]
    ) -> list[QWidget]:
        grid.addWidget(choice, row, 0, 1, 4)
        widgets: list[QWidget] = []
        for i, (name, field) in enumerate(fields, start=row + 1):
            label = QLabel(name, self)
            label.setBuddy(field)
            grid.addWidget(label, i, 1)
            grid.addWidget(field, i, 2)
            widgets += [label, field]
            if isinstance(field, _FileField):
                grid.addWidget(field.button, i, 3)
                widgets.append(field.button)
        return widgets

    def _refresh(self) -> None:
        table = self.from_table.isChecked()
        for widget in self._of_table:
            widget.setEnabled(table)
        for widget in self._of_renders:
            widget.setEnabled(not table)
        wanted = (self.table,) if table else (self.before, self.after)
        self.take.setEnabled(all(field.path is not None for field in wanted))

    def _accept(self) -> None:
        if self.from_table.isChecked():
            path = self.table.path
            gain, time = self.gain_unit.currentData(), self.time_unit.currentData()
            take_over(self._desk, path.name, lambda session, _p, _c: _lane_of_table(path, session, gain, time))
            remember_folder(path)
        else:
            before, after = self.before.path, self.after.path
            take_over(self._desk, after.name, lambda _s, told, stop: _lane_of_renders(before, after, told, stop))
            remember_folder(after)
        self.accept()


def take_over(
    desk: Desk,
    name: str,
    read: Callable[[Session, Progress, CancelCheck], tuple[Lane, tuple[str, ...]]],
) -> None:
    """Read a lane off the window's thread and put it in the place of trim and rides, as one step to undo."""
    session, measures = desk.session, desk.measures
    if session is None or measures is None:
        return
    desk.commit()

    def work(progress: Progress, cancelled: CancelCheck) -> tuple[Lane, tuple[str, ...]]:
        return read(session, progress, cancelled)

    def done(found: tuple[Lane, tuple[str, ...]]) -> None:
        from ridebook.work.elsewhere import with_whole_gain

        lane, notices = found
        desk.edit(f"Lane from {name}", lambda now: with_whole_gain(now, measures, lane))
        desk.message.emit(" ".join((f"Took over {counted(len(lane.points), 'breakpoint')} from {name}.", *notices)))

    desk.pool.start(work, done=done, failed=desk.failed.emit, group="lane", label=f"Reading {name}")


def _lane_of_table(
    path: Path, session: Session, gain: GainUnit | None, time: TimeUnit | None
) -> tuple[Lane, tuple[str, ...]]:
    from ridebook.exchange.any_lane import GainUnit, TimeUnit
    from ridebook.work.elsewhere import lane_from_table

    return lane_from_table(path, session, GainUnit(gain) if gain else None, TimeUnit(time) if time else None)


def _lane_of_renders(
    before: Path, after: Path, progress: Progress, cancelled: CancelCheck
) -> tuple[Lane, tuple[str, ...]]:
    from ridebook.work.elsewhere import infer_lane

    inferred = infer_lane(before, after, progress, cancelled)
    return inferred.lane, inferred.notices


class ApprovedMixDialog(QDialog):
    """Name the mix that was approved, which vocal plus bed are to add up to; or none."""

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._desk = desk
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.setWindowTitle("The approved mix")
        approved = desk.session.approved_mix
        self.mix = _FileField("Approved mix", "the mix that these stems were bounced from", AUDIO_FILTER, self)
        self.mix.setText(approved.path if approved is not None else "")
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Cancel, parent=self)
        self.hold = main_button(buttons.addButton("Hold against it", QDialogButtonBox.ButtonRole.AcceptRole))
        self.without = buttons.addButton("Go without", QDialogButtonBox.ButtonRole.ActionRole)
        self.without.setEnabled(approved is not None)
        self.without.clicked.connect(self._go_without)
        buttons.accepted.connect(self._accept)
        buttons.rejected.connect(self.reject)
        grid = QGridLayout()
        grid.setHorizontalSpacing(themes().current.px(12))
        grid.addWidget(self.mix, 0, 0)
        grid.addWidget(self.mix.button, 0, 1)
        layout = spaced(QVBoxLayout(self))
        layout.addWidget(heading("The mix that was approved", self))
        layout.addWidget(
            aside(
                "Vocal and bed are summed and held against it. The findings then say what is left over, at what level "
                "the vocal stands in it, and how far its bus moves the level.",
                self,
            )
        )
        layout.addLayout(grid)
        layout.addStretch(1)
        layout.addWidget(buttons)
        self.mix.textChanged.connect(self._refresh)
        self._refresh()
        self.resize(themes().current.px(560), self.sizeHint().height())

    def _refresh(self) -> None:
        self.hold.setEnabled(self.mix.path is not None)

    def _go_without(self) -> None:
        self._desk.edit("Without an approved mix", lambda now: set_approved_mix(now, None))
        self.accept()

    def _accept(self) -> None:
        path, desk = self.mix.path, self._desk
        remember_folder(path)

        def work(_progress: Progress, _cancelled: CancelCheck) -> SourceFile:
            from ridebook.audio.files import read_info
            from ridebook.work.song import source_file

            return source_file(read_info(path))

        def done(mix: SourceFile) -> None:
            desk.edit("The approved mix", lambda now: set_approved_mix(now, mix))
            desk.message.emit(f"Held against {path.name}; the findings say how it fits.")

        desk.pool.start(work, done=done, failed=desk.failed.emit, group="approved", label=f"Reading {path.name}")
        self.accept()
