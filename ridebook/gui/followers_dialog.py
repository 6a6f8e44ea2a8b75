"""Followers: other vocals that go along with the lead's rides, each by its share."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from PySide6.QtCore import QSize, Qt, Signal
from PySide6.QtWidgets import (
    QDialogButtonBox,
    QFileDialog,
    QGridLayout,
    QLabel,
    QPushButton,
    QSpinBox,
    QVBoxLayout,
    QWidget,
)

from ridebook.gui.dialogs import AUDIO_FILTER, DropDialog, aside, audio_among, heading, main_button, spaced
from ridebook.gui.settings import last_folder, remember_folder
from ridebook.gui.theme import themes
from ridebook.session.document import Session


class FollowersDialog(DropDialog):
    """Name doubles, harmonies or effects returns, and how much of the lane each takes."""

    chosen = Signal(object)
    """List of (Path, share)."""

    def __init__(self, session: Session, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.setWindowTitle("Followers")
        self.setAcceptDrops(True)
        px = themes().current.px
        self._taken = {Path(source.path) for source in (session.vocal, *session.beds)}
        self._rows: list[tuple[Path, QSpinBox]] = [
            (Path(each.source.path), self._spin(each.share)) for each in session.followers
        ]
        self._rows_widget = QWidget(self)
        self._holder = QVBoxLayout()
        self._holder.addWidget(self._rows_widget)
        add = QPushButton("Add…", self)
        add.setAutoDefault(False)
        add.clicked.connect(self._choose)
        self.add_button = add
        self.remark = aside("", self)
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Cancel, parent=self)
        self.keep = main_button(buttons.addButton("Keep", QDialogButtonBox.ButtonRole.AcceptRole))
        buttons.accepted.connect(self._accept)
        buttons.rejected.connect(self.reject)
        layout = spaced(QVBoxLayout(self))
        layout.addWidget(heading("On the same ride", self))
        layout.addWidget(
            aside(
                "Doubles, harmonies or an effects return that go along with the lead: each takes this share of its "
                "rides, in dB; the trim stays the lead's own. They sound in the mix beside the bed, so none of them "
                "may be part of it, and they take no part in the balance.",
                self,
            )
        )
        layout.addLayout(self._holder)
        layout.addWidget(add, 0, Qt.AlignmentFlag.AlignLeft)
        layout.addWidget(self.remark)
        layout.addStretch(1)
        layout.addWidget(buttons)
        self.resize(QSize(px(560), px(360)))
        self._lay()

    def followers(self) -> list[tuple[Path, float]]:
        """Files, and the share of each."""
        return [(path, spin.value() / 100.0) for path, spin in self._rows]

    def take(self, paths: Sequence[Path]) -> None:
        """Add files, with the whole of the ride."""
        refused = []
        for path in audio_among(paths):
            if path in self._taken:
                refused.append(path.name)
            elif path not in [known for known, _ in self._rows]:
                self._rows.append((path, self._spin(1.0)))
        self.remark.setText(f"In the mix already: {', '.join(refused)}." if refused else "")
        self._lay()

    def _spin(self, share: float) -> QSpinBox:
        spin = QSpinBox(self)
        spin.setRange(0, 100)
        spin.setSingleStep(10)
        spin.setSuffix(" %")
        spin.setValue(round(share * 100))
        spin.lineEdit().setTextMargins(themes().current.px(4), 0, 0, 0)
        spin.setMinimumWidth(themes().current.px(88))
        return spin

    def _lay(self) -> None:
        """List the files anew."""
        for _, spin in self._rows:
            spin.setParent(self)
        fresh = QWidget(self)
        grid = QGridLayout(fresh)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setHorizontalSpacing(themes().current.px(12))
        grid.setColumnStretch(0, 1)
        for i, (path, spin) in enumerate(self._rows):
            label = QLabel(path.name, fresh)
            label.setToolTip(str(path))
            label.setBuddy(spin)
            spin.setAccessibleName(f"Share of {path.name}")
            out = QPushButton("Take out", fresh)
            out.setAutoDefault(False)
            out.setAccessibleName(f"Take out {path.name}")
            out.clicked.connect(lambda _on=False, path=path: self._take_out(path))
            grid.addWidget(label, i, 0)
            grid.addWidget(spin, i, 1)
            grid.addWidget(out, i, 2)
            spin.show()
        if not self._rows:
            grid.addWidget(aside("None yet. Add files, or drop them here.", fresh), 0, 0)
        self._holder.replaceWidget(self._rows_widget, fresh)
        self._rows_widget.hide()
        self._rows_widget.deleteLater()
        self._rows_widget = fresh

    def _take_out(self, path: Path) -> None:
        for known, spin in self._rows:
            if known == path:
                spin.setParent(None)
                spin.deleteLater()
        self._rows = [(known, spin) for known, spin in self._rows if known != path]
        self._lay()
        self.add_button.setFocus()

    def _choose(self) -> None:
        dialog = QFileDialog(self, "Other vocals", last_folder(), AUDIO_FILTER)
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.setFileMode(QFileDialog.FileMode.ExistingFiles)
        dialog.filesSelected.connect(self._chosen_files)
        dialog.open()

    def _chosen_files(self, names: Sequence[str]) -> None:
        if names:
            remember_folder(Path(names[0]))
        self.take([Path(name) for name in names])

    def _accept(self) -> None:
        self.chosen.emit(self.followers())
        self.accept()
