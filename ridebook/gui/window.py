"""The main window: header, sheet beside timeline, findings and listening below."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from pathlib import Path

from PySide6.QtCore import QByteArray, QCoreApplication, QDir, QEvent, QSize, QStandardPaths, Qt, QTimer, Signal
from PySide6.QtGui import QActionGroup, QCloseEvent, QDragEnterEvent, QDropEvent, QKeySequence
from PySide6.QtWidgets import (
    QAbstractButton,
    QAbstractItemView,
    QApplication,
    QDialog,
    QFileDialog,
    QFrame,
    QHBoxLayout,
    QInputDialog,
    QLabel,
    QMainWindow,
    QMenu,
    QProgressBar,
    QScrollArea,
    QSplitter,
    QStackedWidget,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from ridebook import __version__
from ridebook.errors import RidebookError, SessionChangedError
from ridebook.gui import settings as user
from ridebook.gui import sheet_tree
from ridebook.gui.actions import ActionSet, KeyLine, RideActions, keys_said
from ridebook.gui.desk import Desk
from ridebook.gui.dialogs import (
    KeysPage,
    LyricDialog,
    NewPairDialog,
    NoteDialog,
    SectionAimDialog,
    UndoList,
    WalkThrough,
    ask,
    audio_among,
)
from ridebook.gui.exporting import Exporting
from ridebook.gui.findings_list import FindingsList
from ridebook.gui.first_page import FirstPage
from ridebook.gui.from_elsewhere import ApprovedMixDialog, LaneDialog
from ridebook.gui.hand import HandKeeper
from ridebook.gui.header import Header
from ridebook.gui.icons import icon
from ridebook.gui.limits_dialog import LimitsDialog
from ridebook.gui.listen import MENU as LISTEN_MENU
from ridebook.gui.listen import HandKeys, ListenPart, ask_wav, make_listen_actions
from ridebook.gui.opening_page import OpeningPage
from ridebook.gui.panel import SuggestionPanel
from ridebook.gui.player import Player
from ridebook.gui.references import References
from ridebook.gui.segment_actions import SegmentActions
from ridebook.gui.sheet import Sheet
from ridebook.gui.theme import TEXT_SIZES, ThemeChoice, themes
from ridebook.gui.timeline import HANDS, Timeline
from ridebook.gui.timings_file import FILTER as TIMINGS_FILTER
from ridebook.gui.timings_file import take_timings
from ridebook.gui.words import counted
from ridebook.segment.spans import Kind, Span
from ridebook.session import edits
from ridebook.session.document import Session, SourceFile
from ridebook.session.file import SUFFIX, locate, missing_sources
from ridebook.work.places import shipped
from ridebook.work.preview import save_preview
from ridebook.work.steps import CancelCheck, Progress

SESSION_FILTER = f"Sessions (*{SUFFIX})"
AUDIO_FILTER = "Audio (*.wav *.flac *.aif *.aiff *.w64 *.rf64 *.ogg *.mp3)"
RECOVERY_MS = 10_000
FEW_NOTICES = 4
"""So many notices are shown in the window; of more the first ones, the rest on demand."""
MESSAGE_MS = 8_000
ZOOM_KEYS = {
    "zoom_in": ("Ctrl++", "Ctrl+="),
    "zoom_out": ("Ctrl+-",),
    "zoom_selection": ("1",),
    "zoom_phrase": ("2",),
    "zoom_song": ("3",),
}
"""Keys of the timeline that hold in the whole window, so that plain + and - stay free for riding."""
BORDER_COMMANDS = tuple(
    f"{side}_{where}{fine}" for fine in ("", "_fine") for side in ("start", "end") for where in ("earlier", "later")
)
"""Commands of the timeline that move borders; they hold in the whole window too."""
PRESSING_KEYS = (
    (QAbstractButton, (Qt.Key.Key_Space,)),
    (QAbstractItemView, (Qt.Key.Key_Return, Qt.Key.Key_Enter)),
)
"""Keys that go to what has the focus rather than to the window's actions, so that keys alone can press it."""


class Part(QFrame):
    """A part of the strip below: its name, and what is in it."""

    def __init__(self, name: str, content: QWidget | None = None, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._name = name
        self.setAutoFillBackground(True)
        self.head = QLabel(name, self)
        self._layout = QVBoxLayout(self)
        self._layout.addWidget(self.head)
        if content is not None:
            self.set_content(content)
        themes().theme_changed.connect(self._dress)
        self._dress()

    def set_content(self, content: QWidget) -> None:
        """Put something in."""
        self._layout.addWidget(content, 1)

    def set_count(self, count: int) -> None:
        """Show how many there are."""
        self.head.setText(f"{self._name}  {count}" if count else self._name)

    def _dress(self) -> None:
        theme = themes().current
        palette = self.palette()
        palette.setColor(self.backgroundRole(), theme.colour("card"))
        self.setPalette(palette)
        self.head.setFont(theme.text(bold=True))
        self.head.setContentsMargins(theme.px(16), theme.px(10), theme.px(16), theme.px(2))
        self._layout.setContentsMargins(0, 0, 0, theme.px(4))
        self._layout.setSpacing(theme.px(2))


class NoticeLine(QFrame):
    """What the user is to know about the files, until it is put away."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAutoFillBackground(True)
        self._text = QLabel(self)
        self._text.setWordWrap(True)
        self._all: tuple[str, Sequence[str]] = ("", ())
        self._more = QToolButton(self)
        self._more.setProperty("soft", True)
        self._more.clicked.connect(self._read_all)
        self._away = QToolButton(self)
        self._away.setToolTip("Put away")
        self._away.setAccessibleName("Put the notice away")
        self._away.clicked.connect(self.hide)
        self._line = QHBoxLayout(self)
        self._line.addWidget(self._text, 1)
        self._line.addWidget(self._more, 0, Qt.AlignmentFlag.AlignBottom)
        self._line.addWidget(self._away, 0, Qt.AlignmentFlag.AlignTop)
        themes().theme_changed.connect(self._dress)
        self._dress()
        self.hide()

    def show_notices(self, notices: Sequence[str], title: str = "") -> None:
        """Show these, the first few of many, or nothing."""
        few = notices if len(notices) <= FEW_NOTICES else notices[: FEW_NOTICES - 1]
        self._text.setText("\n".join([*([title] if title else []), *few]))
        self._all = (title or "To know of these files", notices)
        more = len(notices) - len(few)
        self._more.setText(f"and {more} more…")
        self._more.setToolTip("Read all")
        self._more.setVisible(more > 0)
        self.setVisible(bool(notices))

    def _read_all(self) -> None:
        title, sentences = self._all
        ask(self.window(), title, "\n".join(sentences), (("OK", lambda: None),))

    def _dress(self) -> None:
        theme = themes().current
        palette = self.palette()
        palette.setColor(self.backgroundRole(), theme.colour("aim_band"))
        self.setPalette(palette)
        self._away.setIcon(icon("close", theme))
        self._line.setContentsMargins(theme.px(16), theme.px(4), theme.px(8), theme.px(4))


class BusyLine(QWidget):
    """What runs in the background, how far it is, and a way to call it off."""

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._desk = desk
        self._job: int | None = None
        self._label = QLabel(self)
        self._bar = QProgressBar(self)
        self._bar.setRange(0, 100)
        self._bar.setTextVisible(False)
        self._bar.setAccessibleName("Progress")
        self._cancel = QToolButton(self)
        self._cancel.setText("Cancel")
        self._cancel.clicked.connect(self._on_cancel)
        # Its room is kept, so that nothing moves when work comes and goes.
        policy = self.sizePolicy()
        policy.setRetainSizeWhenHidden(True)
        self.setSizePolicy(policy)
        line = QHBoxLayout(self)
        line.setContentsMargins(0, 0, 8, 0)
        line.addStretch(1)
        for widget in (self._label, self._bar, self._cancel):
            line.addWidget(widget)
        desk.busy_changed.connect(self._refresh)
        self._refresh()

    def _refresh(self) -> None:
        running = self._desk.pool.running()
        self.setVisible(bool(running))
        if running:
            self._job, label, share = running[0]
            more = f" and {len(running) - 1} more" if len(running) > 1 else ""
            self._label.setText(f"{label}{more}")
            self._bar.setValue(round(share * 100))
            self._bar.setFixedWidth(themes().current.px(160))

    def _on_cancel(self) -> None:
        if self._job is not None:
            self._desk.pool.cancel(self._job)


class Window(QMainWindow):
    """One window on one song.

    Parameters
    ----------
    open_window : callable
        Makes another window and returns it.
    """

    closed = Signal(object)

    def __init__(self, open_window: Callable[[], Window]) -> None:
        super().__init__()
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.setAcceptDrops(True)
        self._open_window = open_window
        self._leaving = False
        self._scale = themes().current.scale
        self.desk = Desk(self)
        self.actions_ = ActionSet(self)
        self._make_file_actions()
        self.rides = RideActions(self.desk, self.actions_)
        self.segments = SegmentActions(self.desk, self.actions_)
        self.player = Player(self.desk, self)
        make_listen_actions(self.player, self.actions_, self.save_preview, self.choose_reference)
        self._make_view_actions()
        self._make_help_actions()
        self._build()
        self._make_menus()
        self._connect()
        self._restore()
        self._on_opened()

    # --- building --------------------------------------------------------------------------------

    def _make_file_actions(self) -> None:
        add = self.actions_.add
        keys = QKeySequence.StandardKey
        group = "Files"
        add(group, "new_pair", "&New from stems…", keys.New, self.new_pair, "Begin a song from a vocal and its bed")
        add(group, "open", "&Open…", keys.Open, self.choose_session, "Open a session")
        add(group, "new_window", "New &window", "Ctrl+Shift+N", lambda: self._open_window().show(), "Another window")
        add(group, "save", "&Save", keys.Save, self.save, "Save the session")
        add(group, "save_as", "Save &as…", "Ctrl+Shift+S", self.save_as, "Save the session under another name")
        add(group, "revert", "&Revert to saved…", "", self.revert, "Go back to what is on disk")
        self.exporting = Exporting(self.desk, self, self._own_folder, self.show_error)
        out = "Rides, ridden vocal, mixes: everything that goes out"
        add(group, "export", "&Export…", "Ctrl+E", self.exporting.ask, out)
        add(group, "followers", "&Followers…", "", self.exporting.ask_followers, "Other vocals on the same ride")
        add(group, "print_sheet", "&Print the sheet…", keys.Print, self.print_sheet, "The lyric with its rides, as PDF")
        add(
            group, "lane_over", "Take over a &lane…", "", lambda: self._open_dialog(LaneDialog), "Rides drawn elsewhere"
        )
        approved = "Hold vocal and bed against the mix that was approved"
        add(group, "approved_mix", "Approve&d mix…", "", lambda: self._open_dialog(ApprovedMixDialog), approved)
        held = "What the findings hold the song against"
        add("Findings", "limits", "L&imits of the checks…", "", lambda: self._open_dialog(LimitsDialog), held)
        add(group, "close", "&Close", keys.Close, self.close, "Close the window")
        role = self.actions_.add("Files", "quit", "&Quit", keys.Quit, QApplication.closeAllWindows, "Quit Ridebook")
        role.setMenuRole(role.MenuRole.QuitRole)
        group = "Edits"
        add(group, "undo", "&Undo", keys.Undo, self.desk.undo, "Take the last step back")
        add(group, "redo", "&Redo", keys.Redo, self.desk.redo, "Do it again")
        add(group, "undo_list", "Undo &list…", "Ctrl+Alt+Z", self.show_undo_list, "All steps, to jump in")
        add(group, "select_all", "Select &all", keys.SelectAll, self.select_all, "Select all that is shown")
        add(group, "lyric", "L&yric…", "Ctrl+L", self.write_lyric, "Paste the lyric and lay it on the voice")
        add(group, "timings", "Ti&mings…", "", self.open_timings, "Take times of words or lines from a file")
        add(group, "rename", "&Title of the song…", "", self.rename, "Give the song another title")

    def _make_view_actions(self) -> None:
        add = self.actions_.add
        group = "The window"
        add(group, "panel", "&Settings of suggestions", "P", self._show_panel, "Aim, share, limits", checkable=True)
        more = "Other songs to take the aim from, and how the voice stands there"
        add(group, "references", "&References…", "", lambda: self.references.show(), more)
        add(group, "hand", "Your &hand…", "", lambda: self.hand.show(), "What your saved songs say of how you ride")
        add(group, "sheet", "Sh&eet", "F7", self._show_sheet, "Show or fold the sheet", checkable=True)
        show_strip = "Show or fold findings and listening"
        add(group, "strip", "&Findings and listening", "F8", self._show_strip, show_strip, checkable=True)
        add(group, "next_part", "Next &part of the window", "F6", lambda: self._go_part(1), "Next part of the window")
        add(group, "part_before", "Part before", "Shift+F6", lambda: self._go_part(-1), "Part of the window before")
        cure = "Apply the cure of the current finding"
        add("Findings", "cure", "&Cure the finding", "C", lambda: self.findings.cure(), cure)
        add(group, "full_screen", "F&ull screen", "F11", self._show_full, "Fill the whole screen", checkable=True)
        self.themes_group = QActionGroup(self)
        for choice, text in (
            (ThemeChoice.SYSTEM, "As the &system"),
            (ThemeChoice.PAPER, "&Paper"),
            (ThemeChoice.LAMP, "&Lamp"),
        ):
            name = f"theme_{choice}"
            action = add(group, name, text, "", lambda on, choice=choice: on and self._choose_theme(choice))
            action.triggered.disconnect()
            action.setCheckable(True)
            action.setChecked(themes().choice is choice)
            action.triggered.connect(lambda _on, choice=choice: self._choose_theme(choice))
            self.themes_group.addAction(action)
        add(group, "text_larger", "&Larger text", "Ctrl+Shift+.", lambda: self._step_text(1), "Larger text")
        add(group, "text_smaller", "S&maller text", "Ctrl+Shift+,", lambda: self._step_text(-1), "Smaller text")

    def _make_help_actions(self) -> None:
        add = self.actions_.add
        group = "Help"
        add(group, "walk", "&Five minutes with Ridebook", "F1", self.show_walk, "A walk-through")
        add(group, "keys", "&Keys", "Ctrl+/", self.show_keys, "The page of keys")
        add(group, "demo", "Open the &demo song", "", self.open_demo, "Open the song that ships with Ridebook")
        about = add(group, "about", "&About Ridebook", "", self.show_about, "Version and licence")
        about.setMenuRole(about.MenuRole.AboutRole)

    def _build(self) -> None:
        desk = self.desk
        self.header = Header(desk, self.actions_, self)
        self.panel = SuggestionPanel(desk, self)
        self.panel.hide()
        self.panel.left.connect(lambda: self.actions_["panel"].setChecked(False))
        self.references = References(desk, self.panel.references, self.player.take_reference, self)
        self.hand = HandKeeper(desk, self.panel.hand, self)
        self.notices = NoticeLine(self)
        sheet_tree.install()
        self.sheet = Sheet(desk, self)
        self.timeline = Timeline(desk, self)
        self.findings = FindingsList(desk, self)
        self.findings_part = Part("Findings", self.findings, self)
        self.listen = ListenPart(self.player, self.actions_, self)
        self.listen_part = Part("Listen", self.listen, self)
        self._hand_keys = HandKeys(self.player, self)
        self.first_page = FirstPage(self.actions_, self)

        self.across = QSplitter(Qt.Orientation.Horizontal, self)
        self.across.addWidget(self.sheet)
        self.across.addWidget(self.timeline)
        self.across.setStretchFactor(0, 0)
        self.across.setStretchFactor(1, 1)
        self.strip = QSplitter(Qt.Orientation.Horizontal, self)
        self.strip.addWidget(self.findings_part)
        self.strip.addWidget(self.listen_part)
        self.strip.setStretchFactor(0, 1)
        self.strip.setStretchFactor(1, 0)
        self.down = QSplitter(Qt.Orientation.Vertical, self)
        self.down.addWidget(self.across)
        self.down.addWidget(self.strip)
        self.down.setStretchFactor(0, 1)
        self.down.setStretchFactor(1, 0)
        for splitter in (self.across, self.strip, self.down):
            splitter.setHandleWidth(1)
            splitter.setChildrenCollapsible(False)
        self.pages = QStackedWidget(self)
        # In a scroll area, so that large text and a low screen go together.
        self._first_area = QScrollArea(self)
        self._first_area.setWidget(self.first_page)
        self._first_area.setWidgetResizable(True)
        self._first_area.setFrameShape(QFrame.Shape.NoFrame)
        self.opening_page = OpeningPage(desk, self)
        for page in (self._first_area, self.opening_page, self.down):
            self.pages.addWidget(page)
        central = QWidget(self)
        layout = QVBoxLayout(central)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        self._rule = QFrame(self)
        for widget in (self.header, self.panel, self.notices, self._rule):
            layout.addWidget(widget)
        layout.addWidget(self.pages, 1)
        self.setCentralWidget(central)
        self.busy = BusyLine(desk, self)
        self.statusBar().addPermanentWidget(self.busy)
        self.statusBar().setSizeGripEnabled(False)
        for name, sequences in ZOOM_KEYS.items():
            command = self.timeline.commands[name]
            command.setShortcuts([QKeySequence(key) for key in sequences])
            command.setShortcutContext(Qt.ShortcutContext.WindowShortcut)
            shown = command.shortcut().toString(QKeySequence.SequenceFormat.NativeText)
            command.setToolTip(f"{command.text()} ({shown})")
            self.addAction(command)
        self.timeline.commands["select_all"].setShortcuts([])
        for name in BORDER_COMMANDS:
            self.timeline.commands[name].setShortcutContext(Qt.ShortcutContext.WindowShortcut)
            self.addAction(self.timeline.commands[name])

    def _make_menus(self) -> None:
        bar = self.menuBar()
        actions, commands = self.actions_, self.timeline.commands
        file = actions.menu(bar.addMenu("&File"), ("new_pair", "open"))
        self.recent_menu = file.addMenu("Open recen&t")
        self.recent_menu.aboutToShow.connect(self._fill_recent)
        actions.menu(file, ("new_window", "", "save", "save_as", "revert", ""))
        self.version_menu = file.addMenu("New &version of")
        self.version_menu.setToolTip("Put another version of a stem in its place; what was decided is kept")
        self.version_menu.aboutToShow.connect(self._fill_versions)
        actions.menu(file, ("lane_over", "approved_mix", "", "export", "followers", "print_sheet", "", "close", "quit"))
        edit = actions.menu(bar.addMenu("&Edit"), ("undo", "redo", "undo_list", "", "select_all", ""))
        edit.addActions([commands[name] for name in ("copy", "paste")])
        edit.addSeparator()
        edit.addActions([actions[name] for name in ("lyric", "timings", "rename")])
        actions.menu(edit, ("", "limits"))
        actions.menu(bar.addMenu("&Ride"), RideActions.MENU)
        segments = actions.menu(bar.addMenu("&Segments"), SegmentActions.MENU)
        borders = segments.addMenu("&Borders")
        borders.addActions([commands[name] for name in BORDER_COMMANDS])
        lane = bar.addMenu("&Lane")
        for names in (
            ("points", "freehand", "line"),
            ("add", "delete", "next", "previous"),
            ("straighten", "larger", "smaller"),
        ):
            lane.addActions([commands[name] for name in names])
            lane.addSeparator()
        actions.menu(bar.addMenu("L&isten"), LISTEN_MENU)
        view = actions.menu(bar.addMenu("&View"), ("panel", "references", "hand", "sheet", "strip", ""))
        view.addActions([commands[name] for name in ZOOM_KEYS])
        view.addSeparator()
        view.addAction(commands["window_next"])
        view.addSeparator()
        look = view.addMenu("&Theme")
        look.addActions(self.themes_group.actions())
        self._fill_text_sizes(view.addMenu("Te&xt size"))
        actions.menu(view, ("", "next_part", "full_screen"))
        actions.menu(bar.addMenu("&Help"), ("walk", "keys", "", "demo", "", "about"))
        context = QMenu(self)
        for name in RideActions.CONTEXT:
            if name == "zoom_selection":
                context.addAction(commands[name])
            elif name:
                context.addAction(actions[name])
            else:
                context.addSeparator()
        context.addSeparator()
        actions.menu(context.addMenu("&Segments"), SegmentActions.CONTEXT)
        self.sheet.view.menu = context
        self.timeline.segment_menu = self._fill_segment_menu

    def _fill_segment_menu(self, menu: QMenu, at_n: int) -> None:
        """Fill the timeline's menu with what can be done with the segments at a frame."""
        here = menu.addAction("Split here")
        here.setEnabled(self.actions_["split"].isEnabled())
        here.triggered.connect(lambda: self.segments.split(at_n))
        self.actions_.menu(menu, (name for name in SegmentActions.CONTEXT if name != "split"))
        menu.addSeparator()
        self.actions_.menu(menu, SegmentActions.INSERT)
        self.actions_.menu(menu, ("", "carry_on"))

    def _ask_label(self, span: Span) -> None:
        """Have a label typed where the user is: in the timeline where that has the focus, else in the sheet."""
        timeline, sheet = self.timeline.canvas.labels, self.sheet.view.labels
        in_timeline = self.timeline.isAncestorOf(self.focusWidget() or self)
        for labels in (timeline, sheet) if in_timeline else (sheet, timeline):
            if labels.begin(span):
                return

    def _fill_text_sizes(self, menu: QMenu) -> None:
        group = QActionGroup(self)
        for size in TEXT_SIZES:
            action = menu.addAction(f"{size * 100:.0f} %")
            action.setCheckable(True)
            action.setChecked(abs(themes().text_size - size) < 0.01)
            action.setData(size)
            action.triggered.connect(lambda _on, size=size: self._set_text_size(size))
            group.addAction(action)
        self._text_sizes = group
        menu.addSeparator()
        self.actions_.menu(menu, ("text_larger", "text_smaller"))

    def _connect(self) -> None:
        desk = self.desk
        desk.session_changed.connect(self._refresh)
        desk.opening_changed.connect(self._show_page)
        desk.opened.connect(self._on_opened)
        desk.saved.connect(self._on_saved)
        desk.failed.connect(self.show_error)
        desk.sources_missing.connect(self._on_sources_missing)
        desk.message.connect(self._on_message)
        desk.told.connect(lambda title, sentences: self.notices.show_notices(sentences, title))
        self.findings.counted.connect(self.findings_part.set_count)
        self.rides.note_asked.connect(self.write_note)
        self.rides.section_aim_asked.connect(self.set_section_aim)
        self.sheet.view.section_aim_asked.connect(self.set_section_aim)
        self.sheet.view.delete_asked.connect(self.segments.delete)
        self.segments.label_asked.connect(self._ask_label)
        for labels in (self.sheet.view.labels, self.timeline.canvas.labels):
            labels.written.connect(self.segments.write_label)
        self.first_page.recent_chosen.connect(self.open_session)
        themes().theme_changed.connect(self._dress)
        self._recovery = QTimer(self)
        self._recovery.setInterval(RECOVERY_MS)
        self._recovery.timeout.connect(desk.keep_recovery)
        self._recovery.start()
        self._dress()

    def _dress(self) -> None:
        theme = themes().current
        # The sheet and the listening part keep their share of the text when its size changes.
        if theme.scale != self._scale:
            grown = theme.scale / self._scale
            self._scale = theme.scale
            left, right = self.across.sizes()
            self.across.setSizes([round(left * grown), round(left + right - left * grown)])
            left, right = self.strip.sizes()
            self.strip.setSizes([round(left + right - right * grown), round(right * grown)])
            self._fold_where_low()
        self._rule.setFixedHeight(1)
        self._rule.setStyleSheet(f"background: {theme.colours.hairline};")
        for action in self._text_sizes.actions():
            action.setChecked(abs(themes().text_size - action.data()) < 0.01)
        self.actions_[f"theme_{themes().choice}"].setChecked(True)

    # --- what is remembered ------------------------------------------------------------------------

    def _restore(self) -> None:
        stored = user.settings()
        theme = themes().current
        geometry = stored.value("window/geometry")
        if isinstance(geometry, QByteArray) and not geometry.isEmpty():
            self.restoreGeometry(geometry)
        else:
            available = self.screen().availableSize()
            self.resize(QSize(1440, 900).boundedTo(available))
        for name, splitter, sizes in (
            ("across", self.across, (theme.px(500), theme.px(900))),
            ("down", self.down, (theme.px(640), theme.px(132))),
            ("strip", self.strip, (theme.px(800), theme.px(600))),
        ):
            state = stored.value(f"window/{name}")
            if not (isinstance(state, QByteArray) and splitter.restoreState(state)):
                splitter.setSizes(sizes)
        for name in ("sheet", "strip"):
            on = stored.value(f"window/shows_{name}", True, type=bool)
            self.actions_[name].setChecked(bool(on))
        self._show_sheet(self.actions_["sheet"].isChecked())
        self._show_strip(self.actions_["strip"].isChecked())
        self._fold_where_low()

    def _fold_where_low(self) -> None:
        """Fold the strip where large text would make the window higher than the screen."""
        strip = self.actions_["strip"]
        if strip.isChecked() and self._least_height_px() > self.screen().availableSize().height():
            strip.setChecked(False)
            self._on_message("Findings and listening are folded: the screen is low for text this large. F8 shows them.")

    def _remember(self) -> None:
        stored = user.settings()
        stored.setValue("window/geometry", self.saveGeometry())
        for name, splitter in (("across", self.across), ("down", self.down), ("strip", self.strip)):
            stored.setValue(f"window/{name}", splitter.saveState())
        for name in ("sheet", "strip"):
            stored.setValue(f"window/shows_{name}", self.actions_[name].isChecked())

    # --- files -----------------------------------------------------------------------------------

    def _free(self) -> Window:
        """Give this window where nothing lies in it, another one otherwise."""
        if self.desk.session is None:
            return self
        window = self._open_window()
        window.show()
        return window

    def new_pair(self, paths: Sequence[Path] = ()) -> NewPairDialog:
        """Ask for a vocal and its bed."""
        dialog = NewPairDialog(self, paths)
        dialog.chosen.connect(self.open_pair)
        dialog.open()
        return dialog

    def open_pair(self, vocal: Path, beds: Sequence[Path]) -> None:
        """Begin a song, here or in another window."""
        self._free().desk.open_pair(vocal, beds)

    def choose_session(self) -> None:
        """Ask for a session."""
        self._ask_file("Open a session", SESSION_FILTER, self.open_session)

    def open_session(self, path: Path) -> None:
        """Open a session, here or in another window."""
        user.remember_folder(path)
        self._free().desk.open_session(Path(path))

    def open_demo(self) -> None:
        """Open the song that ships with the program."""
        # Here, since making the demo brings in all that leaves, which the first page need not wait for.
        from ridebook.work.demo import TITLE, demo_sources

        vocal, beds = demo_sources()
        if vocal.is_file():
            words, lyric = vocal.with_name("words.csv"), vocal.with_name("lyric.txt")
            self._free().desk.open_pair(vocal, beds, words=words, lyric=lyric, title=TITLE)
        else:
            self.show_error(RidebookError(f"The demo song is not in {vocal.parent}; install Ridebook again."))

    def save(self) -> None:
        """Save, or ask for a name where there is none yet."""
        if self.desk.session is None:
            return
        if self.desk.path is None:
            self.save_as()
        else:
            self.desk.save(failed=self._on_save_failed)

    def save_as(self, *, leave: bool = False) -> None:
        """Ask for a name and save; then close where that was to be."""
        session = self.desk.session
        if session is None:
            return
        folder = self._own_folder()
        name = self.desk.path.name if self.desk.path is not None else f"{session.title or 'song'}{SUFFIX}"
        self._ask_file(
            "Save the session",
            SESSION_FILTER,
            lambda path: self._save_to(path, leave=leave),
            save=folder / name.replace("/", "_"),
            suffix=SUFFIX,
        )

    def _own_folder(self) -> Path:
        """Folder of the session, or else of its vocal; the user's documents where that is the program's own."""
        folder = (self.desk.path or Path(self.desk.session.vocal.path)).parent
        if folder.is_dir() and os.access(folder, os.W_OK) and folder != shipped("demo_sessions"):
            return folder
        documents = Path(QStandardPaths.writableLocation(QStandardPaths.StandardLocation.DocumentsLocation))
        return documents if documents.is_dir() else Path.home()

    def _save_to(self, path: Path, *, leave: bool = False) -> None:
        self._leaving = leave
        # The file dialog has asked already whether a file that is there may be replaced.
        self.desk.save(path, force=path.exists(), failed=self._on_save_failed)

    def _on_save_failed(self, error: RidebookError) -> None:
        self._leaving = False
        if isinstance(error, SessionChangedError):
            ask(
                self,
                "The file was changed by another program",
                str(error),
                (
                    ("Save as…", self.save_as),
                    ("Replace it", lambda: self.desk.save(force=True, failed=self._on_save_failed)),
                    ("Cancel", lambda: None),
                ),
            )
        else:
            self.show_error(error)

    def revert(self) -> None:
        """Go back to what is on disk, after asking."""
        path = self.desk.path
        if path is None:
            return
        ask(
            self,
            "Go back to what is on disk?",
            "All that was done since it was saved is lost, and cannot be undone.",
            (("Go back", lambda: self.desk.open_session(path)), ("Cancel", lambda: None)),
        )

    def _fill_versions(self) -> None:
        self.version_menu.clear()
        session = self.desk.session
        for source in () if session is None else (session.vocal, *session.beds):
            what = "vocal" if source == session.vocal else "bed"
            action = self.version_menu.addAction(f"{Path(source.path).name} ({what})…")
            action.triggered.connect(lambda _on=False, source=source: self.choose_version(source))
        if self.version_menu.isEmpty():
            self.version_menu.addAction("Nothing is open").setEnabled(False)

    def choose_version(self, source: SourceFile) -> QFileDialog:
        """Ask for another version of a stem."""
        title = f"A new version of {Path(source.path).name}"
        return self._ask_file(title, AUDIO_FILTER, lambda path: self.desk.take_new_version(source, path))

    def _fill_recent(self) -> None:
        self.recent_menu.clear()
        for path in user.recent_sessions():
            action = self.recent_menu.addAction(path.name)
            action.setToolTip(str(path))
            action.triggered.connect(lambda _checked=False, path=path: self.open_session(path))
        if self.recent_menu.isEmpty():
            self.recent_menu.addAction("Nothing yet").setEnabled(False)
        else:
            self.recent_menu.addSeparator()
            self.recent_menu.addAction("Forget these").triggered.connect(self._forget_recent)

    def _forget_recent(self) -> None:
        user.forget_recent()
        self.first_page.refresh()

    def _show_page(self) -> None:
        if self.desk.session is not None:
            self.pages.setCurrentWidget(self.down)
        else:
            self.pages.setCurrentWidget(self.opening_page if self.desk.opening is not None else self._first_area)

    def _on_opened(self) -> None:
        there = self.desk.session is not None
        self._show_page()
        self.header.setVisible(there)
        self.notices.show_notices(self.desk.notices)
        if there:
            if self.desk.path is not None:
                user.remember_session(self.desk.path)
            self.sheet.view.setFocus()
            phrases = self.desk.session.segments.phrases
            if phrases and not self.desk.selection.span_ids:
                self.desk.select([phrases[0].id], kind=Kind.PHRASE)
        self._refresh()

    def _on_saved(self) -> None:
        user.remember_session(self.desk.path)
        self._refresh()
        self._on_message(f"Saved {self.desk.path.name}.")
        if self._leaving:
            self.close()

    def _on_sources_missing(self, session: Session, path: Path | None, sha256: str | None) -> None:
        names = "\n".join(f"  {Path(source.path).name}" for source in missing_sources(session))
        ask(
            self,
            "Some files are not where they were",
            f"Not found:\n{names}\n\nShow the folder where they lie now; folders inside it are searched too. A file is "
            "known by its name and its content.",
            (
                ("Show where…", lambda: self._ask_folder(lambda where: self._look_in(where, session, path, sha256))),
                ("Cancel", lambda: None),
            ),
        )

    def _look_in(self, folder: Path, session: Session, path: Path | None, sha256: str | None) -> None:
        def work(_progress: Progress, _cancelled: CancelCheck) -> Session:
            return locate(session, folder)

        def done(found: Session) -> None:
            if found is session:
                self._on_message(f"Nothing was found in {folder}.")
            self.desk.open_read(found, path, sha256, unsaved=found is not session)

        self.desk.pool.start(
            work, done=done, failed=self.show_error, group="open", label=f"Looking for files in {folder.name}"
        )

    def print_sheet(self) -> QFileDialog | None:
        """Ask where to write the printed sheet, check the song and print it."""
        desk = self.desk
        if desk.session is None or desk.measures is None or desk.pair is None:
            return None
        desk.commit()
        folder = Path(user.last_folder() or self._own_folder())
        target = folder / f"{desk.path.stem if desk.path is not None else desk.session.title or 'sheet'}.pdf"
        return self._ask_file("Print the sheet", "PDF (*.pdf)", self._print_sheet, save=target, suffix=".pdf")

    def _print_sheet(self, path: Path) -> None:
        session, measures = self.desk.session, self.desk.measures
        hearing = self.desk.hearing.of(session, measures)
        user.remember_folder(path)

        def work(progress: Progress, cancelled: CancelCheck) -> None:
            from ridebook.gui.printed_sheet import print_sheet, usual_paper
            from ridebook.work.opened import opened_pair
            from ridebook.work.review import reported

            with opened_pair(session, with_followers=True) as pair:
                report = reported(pair, session, measures, hearing=hearing, progress=progress, cancelled=cancelled)
            print_sheet(report, pdf=path, paper=usual_paper(), protect=[source.path for source in session.sources])

        self.desk.pool.start(
            work,
            done=lambda _none: self._on_message(f"Printed {path.name}."),
            failed=self.show_error,
            label=f"Printing {path.name}",
        )

    def _ask_file(
        self,
        title: str,
        kinds: str,
        done: Callable[[Path], object],
        *,
        save: Path | None = None,
        suffix: str = "",
    ) -> QFileDialog:
        dialog = QFileDialog(self, title, str(save.parent) if save is not None else user.last_folder(), kinds)
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        if save is not None:
            dialog.setAcceptMode(QFileDialog.AcceptMode.AcceptSave)
            dialog.setDefaultSuffix(suffix.removeprefix("."))
            dialog.selectFile(save.name)
        else:
            dialog.setFileMode(QFileDialog.FileMode.ExistingFile)
        dialog.fileSelected.connect(lambda path: done(Path(path)))
        dialog.open()
        return dialog

    def _open_dialog(self, kind: type[LaneDialog | ApprovedMixDialog | LimitsDialog]) -> QDialog | None:
        if self.desk.measures is None:
            return None
        dialog = kind(self.desk, self)
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.open()
        return dialog

    def _ask_folder(self, done: Callable[[Path], object]) -> QFileDialog:
        dialog = QFileDialog(self, "Where the files lie", user.last_folder() or QDir.homePath())
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.setFileMode(QFileDialog.FileMode.Directory)
        dialog.fileSelected.connect(lambda path: done(Path(path)))
        dialog.open()
        return dialog

    # --- listening ---------------------------------------------------------------------------------

    def save_preview(self) -> QFileDialog | None:
        """Ask where to write what is heard, of the selection or of the whole song."""
        renderer, desk = self.player.renderer, self.desk
        if renderer is None:
            return None
        spans = desk.selected_spans()
        start_n, stop_n = (spans[0].start_n, spans[-1].end_n) if spans else (0, desk.frames_n)
        twin = renderer.twin()

        def write(path: Path) -> None:
            user.remember_folder(path)
            desk.pool.start(
                lambda progress, cancelled: save_preview(twin, path, start_n, stop_n, progress, cancelled),
                done=lambda _none: self.listen.tell(f"Saved {path.name}."),
                failed=self.show_error,
                label=f"Writing {path.name}",
            )

        return ask_wav(self, Path(user.last_folder() or QDir.homePath()), write)

    def choose_reference(self) -> QFileDialog | None:
        """Hear a finished mix of the session's references; ask for a record to compare with where it has none."""
        stored = self.desk.session.references if self.desk.session is not None else ()
        there = [Path(mix.path) for mix in stored if Path(mix.path).is_file()]
        if there:
            self.player.take_reference(there[0])
            return None

        def take(path: Path) -> None:
            self.player.take_reference(path)
            self.references.add_mixes([path], tell=True)

        return self._ask_file("A record to compare with", AUDIO_FILTER, take)

    # --- edits -----------------------------------------------------------------------------------

    def select_all(self) -> None:
        """Select all breakpoints where the timeline has the focus, all lines that are shown otherwise."""
        if self.timeline.isAncestorOf(self.focusWidget() or self):
            self.timeline.commands["select_all"].trigger()
            return
        ids = self.sheet.view.shown_phrases()
        self.desk.select(ids, kind=Kind.PHRASE, current_id=ids[0] if ids else None)

    def write_lyric(self) -> LyricDialog | None:
        """Ask for the lyric and lay it on the voice."""
        session = self.desk.session
        if session is None:
            return None
        dialog = LyricDialog(session.lyric, user.last_folder(), self.desk.misfits, self)
        dialog.given.connect(self.desk.lay_lyric)
        dialog.timings_given.connect(lambda path: take_timings(self.desk, path))
        dialog.open()
        return dialog

    def open_timings(self) -> QFileDialog:
        """Ask for a file with times of words or lines."""
        return self._ask_file("Timings of words or lines", TIMINGS_FILTER, lambda path: take_timings(self.desk, path))

    def rename(self) -> None:
        """Ask for another title."""
        session = self.desk.session
        if session is None:
            return
        dialog = QInputDialog(self)
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.setWindowTitle("Title of the song")
        dialog.setLabelText("Title of the song")
        dialog.setTextValue(session.title)
        dialog.textValueSelected.connect(
            lambda title: self.desk.edit("Title", lambda now: edits.set_title(now, title.strip()))
        )
        dialog.open()

    def write_note(self, phrase_id: str) -> NoteDialog:
        """Ask for a note about a phrase."""
        session = self.desk.session
        span = self.desk.span(phrase_id)
        number = session.segments.phrases.index(span) + 1
        dialog = NoteDialog(span.label or f"Phrase {number}", session.decision(phrase_id).note, self)
        dialog.written.connect(lambda note: self.desk.edit("Note", lambda now: edits.set_note(now, note, phrase_id)))
        dialog.open()
        return dialog

    def set_section_aim(self, section_id: str) -> SectionAimDialog:
        """Ask for the aim of a section."""
        dialog = SectionAimDialog(self.desk.span(section_id), self.desk.session, self)
        dialog.aimed.connect(
            lambda aim_lu: self.desk.edit(
                "Aim of a section", lambda now: edits.set_section_aim(now, section_id, aim_lu)
            )
        )
        dialog.open()
        return dialog

    def show_undo_list(self) -> UndoList:
        """Show all steps beside the window."""
        dialog = UndoList(self.desk, self)
        dialog.show()
        return dialog

    # --- view ------------------------------------------------------------------------------------

    def _show_panel(self, on: bool) -> None:
        on = on and self.desk.session is not None
        # On a low screen the panel takes the place of the strip rather than making the window higher.
        needed_px = self._least_height_px() + (self.panel.sizeHint().height() if on else 0)
        self.strip.setVisible(self.actions_["strip"].isChecked() and needed_px <= self.height())
        # Let the room of the strip be given back first: a layout that still counts it would make the window higher.
        for widget in (self.down, self.pages, self.centralWidget(), self):
            QCoreApplication.sendPostedEvents(widget, QEvent.Type.LayoutRequest)
        self.panel.setVisible(on)
        if on:
            self.panel.fields["aim_lu"].setFocus()
        elif self.desk.session is not None:
            self.sheet.view.setFocus()

    def _show_sheet(self, on: bool) -> None:
        self.sheet.setVisible(on)

    def _show_strip(self, on: bool) -> None:
        if on and self.panel.isVisible() and self._least_height_px() + self.panel.height() > self.height():
            self.actions_["panel"].setChecked(False)
        self.strip.setVisible(on)

    def _least_height_px(self) -> int:
        """Least height of the window with the strip and without the panel."""
        around = (self.menuBar(), self.header, self.across, self.strip, self.statusBar())
        return sum(part.minimumSizeHint().height() for part in around) + 2

    def _show_full(self, on: bool) -> None:
        state = self.windowState()
        full = Qt.WindowState.WindowFullScreen
        self.setWindowState(state | full if on else state & ~full)

    def _go_part(self, by: int) -> None:
        parts = [self.sheet.view, self.timeline, self.findings, self.listen_part, self.panel.fields["aim_lu"]]
        shown = [part for part in parts if part.isVisible()]
        if not shown:
            return
        focus = self.focusWidget()
        at = next((i for i, part in enumerate(shown) if part is focus or part.isAncestorOf(focus or part)), -1)
        shown[(at + by) % len(shown)].setFocus(Qt.FocusReason.TabFocusReason)

    def _choose_theme(self, choice: ThemeChoice) -> None:
        themes().choose(choice)
        user.settings().setValue("theme", str(choice))

    def _set_text_size(self, size: float) -> None:
        themes().choose(text_size=size)
        user.settings().setValue("text_size", size)

    def _step_text(self, by: int) -> None:
        sizes = list(TEXT_SIZES)
        at = min(range(len(sizes)), key=lambda i: abs(sizes[i] - themes().text_size))
        self._set_text_size(sizes[min(max(at + by, 0), len(sizes) - 1)])

    # --- help ------------------------------------------------------------------------------------

    def show_walk(self) -> WalkThrough:
        """Show the walk-through beside the window."""
        dialog = WalkThrough(self)
        dialog.show()
        return dialog

    def show_keys(self) -> KeysPage:
        """Show the page of keys."""
        dialog = KeysPage(self.key_lines(), self)
        dialog.show()
        return dialog

    def key_lines(self) -> list[KeyLine]:
        """Every key of the window."""
        lines = self.actions_.key_lines()
        for keys, what in (
            ("Up, Down", "Line before, next line"),
            ("Shift and arrow keys", "Select more lines, or more words of a line"),
            ("Right, Left", "Into the words of a line, and out to its section"),
            ("Home, End", "First line, last line"),
            ("Escape", "From a word to its line, from a line to nothing"),
            ("Alt+1 … Alt+7", "Show all, open, lost, changed, locked, noted, doubtful"),
            ("Delete", "Delete the word, or the line with its words"),
            ("Double click on a word", "Retype it"),
        ):
            lines.append(KeyLine("In the sheet", keys, what))
        lines += [KeyLine("In the timeline", keys, what) for keys, what in HANDS]
        for name, command in self.timeline.commands.items():
            keys = keys_said(command)
            if keys:
                group = "Segments" if name in BORDER_COMMANDS else "In the timeline"
                lines.append(KeyLine(group, keys, command.text()))
        return lines

    def show_about(self) -> QDialog:
        """Show version and licence."""
        return ask(
            self,
            f"Ridebook {__version__}",
            "Rides the lead vocal of a mix, line by line and word by word.\n\nMIT licence. The typefaces are Source "
            "Serif Pro and Source Sans Pro by Adobe, under the SIL Open Font License. Made with Qt.",
            (("OK", lambda: None),),
            "About Ridebook",
        )

    # --- state -----------------------------------------------------------------------------------

    def _refresh(self, *_sessions: object) -> None:
        desk = self.desk
        there = desk.session is not None
        actions = self.actions_
        for name in (
            "save",
            "save_as",
            "export",
            "followers",
            "print_sheet",
            "lane_over",
            "approved_mix",
            "limits",
            "cure",
            "undo_list",
            "select_all",
            "lyric",
            "timings",
            "rename",
            "panel",
            "references",
            "hand",
            "sheet",
            "strip",
        ):
            actions[name].setEnabled(there)
        for name in filter(None, LISTEN_MENU):
            actions[name].setEnabled(there)
        actions["revert"].setEnabled(desk.path is not None and desk.changed)
        undo = desk.history.undo_label if desk.history is not None else None
        redo = desk.history.redo_label if desk.history is not None else None
        actions["undo"].setEnabled(undo is not None)
        actions["undo"].setText(f"&Undo: {undo}" if undo else "&Undo")
        actions["redo"].setEnabled(redo is not None)
        actions["redo"].setText(f"&Redo: {redo}" if redo else "&Redo")
        self.setWindowModified(desk.changed)
        title = (desk.session.title or "Untitled") if there else ""
        self.setWindowTitle(f"{title}[*] \N{EM DASH} Ridebook" if title else "Ridebook")
        self.setWindowFilePath(str(desk.path) if desk.path is not None else "")

    def _on_message(self, text: str) -> None:
        self.statusBar().showMessage(text, MESSAGE_MS)

    def show_error(self, error: RidebookError) -> QDialog:
        """Show what a user's error says."""
        return ask(self, "That did not work", str(error), (("OK", lambda: None),))

    # --- drag and drop, closing ------------------------------------------------------------------

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        """Take a session or audio files that are dragged in."""
        if self._dropped(event):
            event.acceptProposedAction()

    def dropEvent(self, event: QDropEvent) -> None:
        """Open a session, or begin a song from audio files."""
        paths = self._dropped(event)
        event.acceptProposedAction()
        self.open_files(paths)

    @staticmethod
    def _dropped(event: QDropEvent) -> list[Path]:
        paths = [Path(url.toLocalFile()) for url in event.mimeData().urls() if url.isLocalFile()]
        return [path for path in paths if path.suffix == SUFFIX] + audio_among(paths)

    def open_files(self, paths: Sequence[Path]) -> None:
        """Open sessions; offer audio files as a new pair."""
        for path in paths:
            if path.suffix == SUFFIX:
                self.open_session(path)
        audio = audio_among(paths)
        if audio:
            self.new_pair(audio)

    def event(self, event: QEvent) -> bool:
        """Leave to a focused button or list the keys that press it."""
        if event.type() is QEvent.Type.ShortcutOverride and not event.modifiers():
            focus = self.focusWidget()
            if any(isinstance(focus, kind) and event.key() in keys for kind, keys in PRESSING_KEYS):
                event.accept()
                return True
        return super().event(event)

    def changeEvent(self, event: QEvent) -> None:
        """Keep the full-screen action true to the window."""
        super().changeEvent(event)
        if event.type() == QEvent.Type.WindowStateChange and hasattr(self, "actions_"):
            self.actions_["full_screen"].setChecked(self.isFullScreen())

    def closeEvent(self, event: QCloseEvent) -> None:
        """Ask about what is not saved; end all work."""
        if self.desk.changed and not self._leaving:
            event.ignore()
            self._ask_leave()
            return
        self._remember()
        self._recovery.stop()
        self.desk.close()
        event.accept()
        self.closed.emit(self)

    def _ask_leave(self) -> None:
        steps = self.desk.history.done_n
        ask(
            self,
            f"Save “{self.desk.session.title or 'Untitled'}” before it is closed?",
            f"{counted(steps, 'step')} would be lost." if steps else "It was never saved.",
            (("Save", self._save_and_leave), ("Close without saving", self.leave), ("Cancel", lambda: None)),
        )

    def _save_and_leave(self) -> None:
        if self.desk.path is None:
            self.save_as(leave=True)
        else:
            self._leaving = True
            self.save()

    def leave(self) -> None:
        """Close without asking."""
        self._leaving = True
        self.close()
