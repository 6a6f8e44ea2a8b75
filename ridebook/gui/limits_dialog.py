"""Limits that the checks hold a song against."""

from __future__ import annotations

from dataclasses import asdict

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QDialog, QDialogButtonBox, QDoubleSpinBox, QGridLayout, QLabel, QVBoxLayout, QWidget

from ridebook.gui.desk import Desk
from ridebook.gui.dialogs import aside, heading, main_button, spaced
from ridebook.gui.theme import themes
from ridebook.session.edits import set_limits
from ridebook.session.limits import LIMITS, CheckLimits, Limit


class LimitsDialog(QDialog):
    """Set the limits of the checks; each says why it is what it is to begin with."""

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._desk = desk
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.setWindowTitle("Limits of the checks")
        self.fields: dict[str, QDoubleSpinBox] = {}
        theme = themes().current
        grid = QGridLayout()
        grid.setHorizontalSpacing(theme.px(16))
        grid.setVerticalSpacing(theme.px(6))
        begun = asdict(CheckLimits())
        for row, (name, limit) in enumerate(LIMITS.items()):
            field = self._field(limit)
            field.setToolTip(f"{begun[name]:g} to begin with: {limit.reason}")
            label = QLabel(limit.label, self)
            label.setBuddy(field)
            label.setToolTip(field.toolTip())
            grid.addWidget(label, row, 0)
            grid.addWidget(field, row, 1)
            self.fields[name] = field
        grid.setColumnStretch(0, 1)
        self.show_limits(desk.session.limits)
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Cancel, parent=self)
        self.accept_button = buttons.addButton("Hold against these", QDialogButtonBox.ButtonRole.AcceptRole)
        main_button(self.accept_button)
        self.begin = buttons.addButton("As to begin with", QDialogButtonBox.ButtonRole.ResetRole)
        self.begin.clicked.connect(lambda: self.show_limits(CheckLimits()))
        buttons.accepted.connect(self._accept)
        buttons.rejected.connect(self.reject)
        layout = spaced(QVBoxLayout(self))
        layout.addWidget(heading("What the findings hold a song against", self))
        layout.addWidget(aside("They belong to this session. Point at one to read why it is what it is.", self))
        layout.addLayout(grid)
        layout.addStretch(1)
        layout.addWidget(buttons)
        self.resize(theme.px(620), self.sizeHint().height())

    def _field(self, limit: Limit) -> QDoubleSpinBox:
        field = QDoubleSpinBox(self)
        field.setAccessibleName(limit.label)
        wide = limit.high - limit.low >= 100.0
        field.setDecimals(0 if wide else 1 if limit.high - limit.low > 1.0 else 2)
        field.setSingleStep(10.0 if wide else 0.5 if limit.high - limit.low > 1.0 else 0.05)
        field.setRange(limit.low, limit.high)
        field.setSuffix(f" {limit.unit}" if limit.unit != "correlation" else "")
        return field

    def show_limits(self, limits: CheckLimits) -> None:
        """Show these in the fields."""
        for name, value in asdict(limits).items():
            self.fields[name].setValue(value)
        self._shown = {name: (field.value(), getattr(limits, name)) for name, field in self.fields.items()}

    def _accept(self) -> None:
        values = {name: round(field.value(), 2) for name, field in self.fields.items()}
        # A field has fewer decimals than a limit may have: what was not touched stays as it was.
        for name, (shown, limit) in self._shown.items():
            if self.fields[name].value() == shown:
                values[name] = limit
        limits = CheckLimits(**values)
        self._desk.edit("Limits of the checks", lambda now: set_limits(now, limits))
        self.accept()
