"""References of the song on the desk: other songs, how loud the voice stands there, and the aim that they ask for."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, QSize, Qt, Signal
from PySide6.QtWidgets import QDialog, QFileDialog, QGridLayout, QHBoxLayout, QLabel, QPushButton, QVBoxLayout, QWidget

from ridebook.gui.desk import Desk
from ridebook.gui.dialogs import AUDIO_FILTER, NewPairDialog, aside, heading, spaced
from ridebook.gui.panel import set_settings
from ridebook.gui.settings import last_folder, remember_folder
from ridebook.gui.theme import themes
from ridebook.gui.words import signed
from ridebook.ride.reference import PUBLISHED, AimRange, KnownBalance, aim_of
from ridebook.session.document import ReferencePair, Session, SourceFile
from ridebook.session.edits import set_reference_pairs, set_references
from ridebook.work.steps import CancelCheck, Progress

if TYPE_CHECKING:
    from ridebook.work.reference import Learnt

Reference = SourceFile | ReferencePair


class References(QObject):
    """References of one desk, and what was learnt from each, off the window's thread.

    Parameters
    ----------
    desk : Desk
        The window's model; its session holds which they are.
    button : QPushButton
        Says in the panel what they ask for, and opens the dialog.
    listen : callable
        Takes a finished mix to be heard.
    """

    changed = Signal()

    def __init__(self, desk: Desk, button: QPushButton, listen: Callable[[Path], object], parent: QWidget) -> None:
        super().__init__(parent)
        self._desk = desk
        self._button = button
        self._window = parent
        self.listen = listen
        self._learnt: dict[tuple[Reference, float], Learnt] = {}
        self._told: Path | None = None
        button.setToolTip("Other songs to take the aim from: finished mixes, or vocal and bed")
        button.clicked.connect(self.show)
        desk.session_changed.connect(self._on_session_changed)
        desk.opened.connect(self._learn)
        self.changed.connect(self._tell)
        self._tell()

    # --- what is known ---------------------------------------------------------------------------

    def all(self) -> tuple[Reference, ...]:
        """Give the references of the session: pairs, then finished mixes."""
        session = self._desk.session
        return () if session is None else (*session.reference_pairs, *session.references)

    def learnt(self, reference: Reference) -> Learnt | None:
        """Give what was learnt from one; None where it is not known yet."""
        session = self._desk.session
        return None if session is None else self._learnt.get((reference, session.settings.centre_law_db))

    def known(self) -> list[KnownBalance]:
        """Balances of those that tell one."""
        learnt = [self.learnt(each) for each in self.all()]
        return [each.known for each in learnt if each is not None and each.known.balance_lu is not None]

    def asked(self) -> AimRange | None:
        """Aim that all of them together ask for."""
        return aim_of(self.known())

    def _learn(self) -> None:
        session = self._desk.session
        if session is None or self._desk.measures is None:
            return
        law_db = session.settings.centre_law_db
        pairs = [pair for pair in session.reference_pairs if self.learnt(pair) is None]
        mixes = [mix for mix in session.references if self.learnt(mix) is None]
        if not pairs and not mixes:
            self.changed.emit()
            return
        keep = self._desk.cache_on

        def work(progress: Progress, cancelled: CancelCheck) -> tuple[Learnt, ...]:
            from ridebook.work.cache import AnalysisCache
            from ridebook.work.reference import learn_all

            cache = AnalysisCache() if keep else None
            return learn_all(mixes, pairs, law_db, cache=cache, progress=progress, cancelled=cancelled)

        def done(learnt: tuple[Learnt, ...]) -> None:
            self._learnt |= {(each, law_db): found for each, found in zip((*pairs, *mixes), learnt, strict=True)}
            heard = next((mix for mix in mixes if Path(mix.path) == self._told), None)
            if heard is not None:
                self._told = None
                self._desk.message.emit(self._learnt[heard, law_db].line())
            self.changed.emit()

        self._desk.pool.start(
            work, done=done, failed=self._desk.failed.emit, group="references", label="Measuring the references"
        )
        self.changed.emit()

    # --- edits -----------------------------------------------------------------------------------

    def add_mixes(self, paths: Sequence[Path], *, tell: bool = False) -> None:
        """Take finished mixes as references; with `tell`, say of the last one how its voice stands."""
        self._told = paths[-1] if tell and paths else None

        def done(mixes: list[SourceFile]) -> None:
            def edit(session: Session) -> Session:
                new = [mix for mix in mixes if mix not in session.references]
                return set_references(session, (*session.references, *new))

            self._desk.edit("Add a reference", edit)

        self._note(lambda: [_noted(path) for path in paths], done)

    def add_pair(self, vocal: Path, beds: Sequence[Path]) -> None:
        """Take vocal and bed of another song as a reference."""

        def read() -> ReferencePair:
            from ridebook.work.reference import reference_pair

            return reference_pair(vocal, beds)

        def done(pair: ReferencePair) -> None:
            self._desk.edit(
                "Add a reference",
                lambda session: (
                    session
                    if pair in session.reference_pairs
                    else set_reference_pairs(session, (*session.reference_pairs, pair))
                ),
            )

        self._note(read, done)

    def _note(self, read: Callable[[], object], done: Callable[[object], None]) -> None:
        self._desk.pool.start(
            lambda _progress, _cancelled: read(),
            done=done,
            failed=self._desk.failed.emit,
            label="Reading the reference",
        )

    def take_out(self, reference: Reference) -> None:
        """Let a reference go."""

        def edit(session: Session) -> Session:
            kept = set_references(session, [each for each in session.references if each != reference])
            return set_reference_pairs(kept, [each for each in kept.reference_pairs if each != reference])

        self._desk.edit("Take out a reference", edit)

    def take_as_aim(self, references: Sequence[KnownBalance]) -> None:
        """Aim for what some references ask for."""
        asked = aim_of(references)
        if asked is not None:
            aim_lu = round(asked.aim_lu, 1)
            set_settings(self._desk, f"Aim {signed(aim_lu)} LU, by reference", {"aim_lu": aim_lu})

    # --- shown -----------------------------------------------------------------------------------

    def show(self) -> ReferencesDialog:
        """Show them beside the window."""
        dialog = ReferencesDialog(self, self._desk, self._window)
        dialog.show()
        return dialog

    def _on_session_changed(self, before: Session | None, after: Session) -> None:
        if (
            before is None
            or before.references is not after.references
            or before.reference_pairs is not after.reference_pairs
            or before.settings.centre_law_db != after.settings.centre_law_db
        ):
            self._learn()

    def _tell(self) -> None:
        asked, waiting = self.asked(), any(self.learnt(each) is None for each in self.all())
        if asked is not None:
            self._button.setText(f"references: {signed(asked.aim_lu)} LU…")
        else:
            self._button.setText("measuring references…" if waiting else "references…")


def _noted(path: Path) -> SourceFile:
    from ridebook.work.reference import noted

    return noted(path)


def balance_text(known: KnownBalance) -> str:
    """Say a balance with its bar."""
    if known.balance_lu is None:
        return "not told"
    bar = f" ± {known.half_width_lu:.1f}" if known.half_width_lu else ""
    return f"{signed(known.balance_lu)}{bar} LU"


class ReferencesDialog(QDialog):
    """List of references: each with its balance and bar, to take as aim, to hear, to take out."""

    def __init__(self, references: References, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.setWindowTitle("References")
        self._references = references
        self._desk = desk
        self._rows = QWidget(self)
        self._holder = QVBoxLayout()
        self._holder.addWidget(self._rows)
        self.add_mix = self._button("Finished mix…", self._choose_mixes)
        self.add_pair = self._button("Vocal and bed…", self._choose_pair)
        self.together = QLabel(self)
        self.together.setWordWrap(True)
        self.take_all = self._button("Take as aim", lambda: references.take_as_aim(references.known()))
        close = self._button("Close", self.close)
        adding = QHBoxLayout()
        adding.addWidget(QLabel("Add:", self))
        adding.addWidget(self.add_mix)
        adding.addWidget(self.add_pair)
        adding.addStretch(1)
        last = QHBoxLayout()
        last.addWidget(self.together, 1)
        last.addWidget(self.take_all)
        last.addWidget(close)
        layout = spaced(QVBoxLayout(self))
        layout.addWidget(heading("How loud is loud enough", self))
        layout.addWidget(
            aside(
                "How far the voice stands over the rest in songs that you trust. Of a vocal and its bed this is "
                "measured; of a finished mix it is estimated by what moves in the middle, and lies within the ± in 9 "
                "of 10 songs.",
                self,
            )
        )
        layout.addLayout(self._holder)
        layout.addLayout(adding)
        layout.addStretch(1)
        layout.addLayout(last)
        px = themes().current.px
        self.resize(QSize(px(680), px(360)))
        references.changed.connect(self._lay)
        desk.session_changed.connect(self._on_session_changed)
        self._lay()

    def _button(self, text: str, clicked: Callable[[], object]) -> QPushButton:
        button = QPushButton(text, self)
        button.setAutoDefault(False)
        button.clicked.connect(lambda _on=False: clicked())
        return button

    def _on_session_changed(self, before: Session | None, after: Session) -> None:
        if before is None or before.settings is not after.settings:
            self._tell_together()

    def _lay(self) -> None:
        """List the references anew."""
        references, px = self._references, themes().current.px
        fresh = QWidget(self)
        grid = QGridLayout(fresh)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setHorizontalSpacing(px(12))
        grid.setColumnStretch(0, 1)

        def row(name: str, tip: str, text: str, buttons: Sequence[tuple[str, Callable[[], object], bool]]) -> None:
            at = grid.rowCount()
            label = QLabel(name, fresh)
            label.setToolTip(tip)
            balance = QLabel(text, fresh)
            balance.setToolTip(tip)
            balance.setAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
            grid.addWidget(label, at, 0)
            grid.addWidget(balance, at, 1)
            for i, (said, clicked, enabled) in enumerate(buttons):
                button = QPushButton(said, fresh)
                button.setAutoDefault(False)
                button.setAccessibleName(f"{said}: {name}")
                button.setEnabled(enabled)
                button.clicked.connect(lambda _on=False, clicked=clicked: clicked())
                grid.addWidget(button, at, 2 + i)

        for each in references.all():
            learnt = references.learnt(each)
            path = Path(each.path if isinstance(each, SourceFile) else each.vocal.path)
            told = learnt is not None and learnt.known.balance_lu is not None
            buttons = [
                ("Take as aim", lambda learnt=learnt: references.take_as_aim([learnt.known]), told),
                ("Take out", lambda each=each: references.take_out(each), True),
            ]
            if isinstance(each, SourceFile):
                buttons.append(("Listen", lambda path=path: references.listen(path), path.is_file()))
            text = "measuring…" if learnt is None else balance_text(learnt.known)
            row(path.name, str(path) if learnt is None else learnt.line(), text, buttons)
        take_published = ("Take as aim", lambda: references.take_as_aim([PUBLISHED]), self._desk.session is not None)
        row(
            f"published: {PUBLISHED.name}", PUBLISHED.note, f"about {signed(PUBLISHED.balance_lu)} LU", [take_published]
        )
        self._holder.replaceWidget(self._rows, fresh)
        self._rows.hide()
        self._rows.deleteLater()
        self._rows = fresh
        self._tell_together()

    def _tell_together(self) -> None:
        asked, session = self._references.asked(), self._desk.session
        self.take_all.setEnabled(asked is not None)
        if asked is None or session is None:
            self.together.setText("No reference tells a balance yet.")
            return
        among = f"from {signed(asked.low_lu)} to {signed(asked.high_lu)} LU, " if asked.references_n > 1 else ""
        self.together.setText(
            f"Together: {among}aim {signed(asked.aim_lu)} ± {asked.half_width_lu:.1f} LU. The trim goes "
            f"{session.settings.lean_lu:g} LU over the aim, to err on the loud side."
        )

    def _choose_mixes(self) -> None:
        dialog = QFileDialog(self, "Finished mixes of other songs", last_folder(), AUDIO_FILTER)
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.setFileMode(QFileDialog.FileMode.ExistingFiles)
        dialog.filesSelected.connect(self._chosen)
        dialog.open()

    def _chosen(self, names: Sequence[str]) -> None:
        if names:
            remember_folder(Path(names[0]))
            self._references.add_mixes([Path(name) for name in names])

    def _choose_pair(self) -> NewPairDialog:
        dialog = NewPairDialog(self)
        dialog.setWindowTitle("Vocal and bed of another song")
        dialog.chosen.connect(lambda vocal, beds: self._references.add_pair(Path(vocal), [Path(bed) for bed in beds]))
        dialog.open()
        return dialog
