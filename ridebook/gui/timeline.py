"""The timeline with its foot: what lies under the pointer, the tools, and how loudness is read.

Everything that the mouse can do is an action here too, with a key of its own. The actions are the widget's, so that a
window can put them in a menu; their keys count while the timeline has the focus.
"""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QPoint, QRectF, QSize, Qt, Slot
from PySide6.QtGui import QAction, QActionGroup, QKeySequence, QPainter, QPaintEvent
from PySide6.QtWidgets import QHBoxLayout, QMenu, QSizePolicy, QToolButton, QVBoxLayout, QWidget

from ridebook.gui.desk import Desk
from ridebook.gui.theme import themes
from ridebook.gui.timeline_canvas import ZOOM_STEP, ReadOut, TimelineCanvas
from ridebook.gui.timeline_data import Window
from ridebook.gui.words import signed
from ridebook.segment.spans import Kind, Span

SCALE_STEP = 1.1
"""A step of the keys that scale a group."""


HANDS = (
    ("Up, Down", "Nudge the selected breakpoints by half a dB, with Shift by 0.1 dB"),
    ("Right, Left", "Move the selected breakpoints by 10 ms, with Shift by 1 ms; scroll where none is selected"),
    ("Drag a breakpoint", "Move it; Shift is fine, Alt does not snap to half dB and gaps; Ctrl+click selects more"),
    ("Double click in the lane", "Add a breakpoint, or take away the one that is hit"),
    ("Drag over the waves", "Select a stretch, to insert a word or a phrase there, and the phrases that it touches"),
    ("Drag a border", "Move where a phrase or a word begins or ends; Shift is fine"),
    ("Double click on a word", "Retype it"),
    ("Wheel", "Scroll; with Ctrl zoom around the pointer; the middle button drags the view"),
)
"""What hands do in the timeline that is no action, for the page of keys."""


class ReadOutLine(QWidget):
    """Time, gain, loudness, balance and word, each at a place of its own, so that nothing jumps while they change."""

    # Heading, and width in the pixels of the look's drawing.
    COLUMNS = (("", 78), ("gain", 84), ("vocal", 92), ("bed", 82), ("balance", 100), ("aim", 64), ("", 90))

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.read_out: ReadOut | None = None
        self.setAccessibleName("Read-out")
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)

    def sizeHint(self) -> QSize:
        """One line of text, wide enough for all columns."""
        px = themes().current.px
        return QSize(px(sum(wide for _, wide in self.COLUMNS)), px(28))

    def minimumSizeHint(self) -> QSize:
        """Narrower: the last columns may be cut off."""
        px = themes().current.px
        return QSize(px(sum(wide for _, wide in self.COLUMNS[:5])), px(28))

    @Slot(object)
    def show_read_out(self, read_out: ReadOut) -> None:
        """Show what lies under the pointer."""
        self.read_out = read_out
        self.update()

    def texts(self) -> list[str]:
        """Text of every column; a dash where there is nothing to read."""
        found = self.read_out
        if found is None:
            return [""] * len(self.COLUMNS)
        return [
            found.time,
            f"{signed(found.gain_db)} dB",
            signed(found.vocal_lufs),
            signed(found.bed_lufs),
            signed(found.balance_lu) + (" LU" if found.balance_lu is not None else ""),
            "" if found.aim_lu is None else signed(found.aim_lu),
            found.word,
        ]

    def paintEvent(self, event: QPaintEvent) -> None:
        """Headings in pencil, values in ink."""
        theme = themes().current
        painter = QPainter(self)
        left = float(theme.px(12))
        for (heading, wide), text in zip(self.COLUMNS, self.texts()):
            rect = QRectF(left, 0, theme.px(wide), self.height())
            left += theme.px(wide)
            if not text:
                continue
            font = theme.small()
            painter.setFont(font)
            painter.setPen(theme.colour("pencil"))
            used = painter.boundingRect(rect, Qt.AlignmentFlag.AlignVCenter, heading).width() if heading else 0
            painter.drawText(rect, Qt.AlignmentFlag.AlignVCenter, heading)
            painter.setPen(theme.colour("ink"))
            painter.drawText(
                rect.adjusted(used + theme.px(6 if heading else 0), 0, 0, 0), Qt.AlignmentFlag.AlignVCenter, text
            )
        painter.end()


class Timeline(QWidget):
    """The timeline: waves, loudness, balance and lane on one time axis.

    Parameters
    ----------
    desk : Desk
        The model.

    Attributes
    ----------
    canvas : TimelineCanvas
        The picture.
    commands : dict of str to QAction
        What can be done, by name.
    segment_menu : callable or None
        Fills a menu with what can be done with the segments at a frame.
    """

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.desk = desk
        self.canvas = TimelineCanvas(desk, self)
        self.read_out = ReadOutLine(self)
        self.commands: dict[str, QAction] = {}
        self.segment_menu: Callable[[QMenu, int], object] | None = None
        self._make_commands()
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addWidget(self.canvas, 1)
        layout.addLayout(self._foot())
        self.setFocusProxy(self.canvas)
        self.canvas.read_out_changed.connect(self.read_out.show_read_out)
        self.canvas.tool_changed.connect(self._on_tool_changed)
        self.canvas.menu_wanted.connect(self._on_menu_wanted)
        desk.selection_changed.connect(self._on_selection_changed)
        desk.session_changed.connect(self._on_selection_changed)
        self._on_selection_changed()

    # --- actions -----------------------------------------------------------------------------------

    def _command(
        self, name: str, text: str, keys: str | tuple[str, ...], do: Callable[[], object], tip: str = ""
    ) -> QAction:
        action = QAction(text, self)
        sequences = [QKeySequence(key) for key in ((keys,) if isinstance(keys, str) else keys)]
        action.setShortcuts(sequences)
        action.setShortcutContext(Qt.ShortcutContext.WidgetWithChildrenShortcut)
        shown = sequences[0].toString(QKeySequence.SequenceFormat.NativeText) if sequences else ""
        action.setToolTip(f"{tip or text} ({shown})" if shown else tip or text)
        action.triggered.connect(lambda _checked=False: do())
        self.commands[name] = action
        self.addAction(action)
        return action

    def _make_commands(self) -> None:
        canvas, commands = self.canvas, self.canvas.commands
        add = self._command
        add("add", "Add a breakpoint at the playhead", ("B", "Ins"), lambda: commands.add(self.desk.playhead_n))
        add("delete", "Delete the breakpoints", ("Del", "Backspace"), commands.delete)
        add("next", "Next breakpoint", "Ctrl+Right", lambda: canvas.select_next(1))
        add("previous", "Previous breakpoint", "Ctrl+Left", lambda: canvas.select_next(-1))
        add("extend_next", "And the next breakpoint too", "Ctrl+Shift+Right", lambda: canvas.select_next(1, True))
        add(
            "extend_previous",
            "And the previous breakpoint too",
            "Ctrl+Shift+Left",
            lambda: canvas.select_next(-1, True),
        )
        add("select_all", "Select the breakpoints of the selection, or all", "Ctrl+A", self._select_all)
        add("larger", "Make the rides larger", "Ctrl+Up", lambda: commands.scale(SCALE_STEP))
        add("smaller", "Make the rides smaller", "Ctrl+Down", lambda: commands.scale(1 / SCALE_STEP))
        add("straighten", "Straight line between the breakpoints", "S", commands.straighten)
        add(
            "copy",
            "Copy the rides of the phrase or section",
            QKeySequence(QKeySequence.StandardKey.Copy).toString(),
            self._copy,
        )
        add(
            "paste", "Carry the copied rides here", QKeySequence(QKeySequence.StandardKey.Paste).toString(), self._paste
        )
        for name, side, key in (("start", "start", "Alt"), ("end", "end", "Alt+Shift")):
            for way, arrow, where in ((-1, "Left", "earlier"), (1, "Right", "later")):
                text = f"Move the {side} of the phrase or word {where}"
                add(f"{name}_{where}", text, f"{key}+{arrow}", lambda side=side, way=way: self._move_border(side, way))
        for name, side, key in (("start", "start", "Alt"), ("end", "end", "Alt+Shift")):
            for way, sign, where in ((-1, ",", "earlier"), (1, ".", "later")):
                add(
                    f"{name}_{where}_fine",
                    f"The {side} a millisecond {where}",
                    f"{key}+{sign}",
                    lambda side=side, way=way: self._move_border(side, way, fine=True),
                )
        add("escape", "Take back the gesture, or let go", "Esc", canvas.escape)
        add("zoom_in", "Zoom in", ("+", "="), lambda: canvas.zoom(ZOOM_STEP**2))
        add("zoom_out", "Zoom out", "-", lambda: canvas.zoom(ZOOM_STEP**-2))
        add("zoom_selection", "Zoom to the selection", "1", lambda: canvas.zoom_to("selection"))
        add("zoom_phrase", "Zoom to the phrase", "2", lambda: canvas.zoom_to("phrase"))
        add("zoom_song", "Zoom to the song", "3", lambda: canvas.zoom_to("song"))
        add("page_back", "A page back", "PgUp", lambda: canvas.scroll(-0.9))
        add("page_on", "A page on", "PgDown", lambda: canvas.scroll(0.9))
        add("to_start", "To the start of the song", "Home", lambda: self._go_to(0))
        add("to_end", "To the end of the song", "End", lambda: self._go_to(self.desk.frames_n))
        self._tools = QActionGroup(self)
        for name, text, key, tip in (
            (
                "points",
                "Points",
                "A",
                "Add, drag and select breakpoints: double click adds, Shift is fine, Alt does not snap",
            ),
            ("freehand", "Freehand", "D", "Draw freehand; what is drawn is thinned to few breakpoints"),
            ("line", "Line", "L", "Draw a straight line from press to release"),
        ):
            action = add(name, text, key, lambda name=name: canvas.set_tool(name), tip)
            action.setCheckable(True)
            action.setChecked(name == "points")
            self._tools.addAction(action)
        self._windows = QActionGroup(self)
        for window in Window:
            action = add(
                f"window_{window.name.lower()}",
                window.label[0].upper() + window.label[1:],
                (),
                lambda window=window: self._set_window(window),
                f"Read loudness and balance over: {window.label}",
            )
            action.setCheckable(True)
            action.setChecked(window is canvas.window_length)
            self._windows.addAction(action)
        add("window_next", "Next loudness window", "W", self._next_window)

    def _foot(self) -> QHBoxLayout:
        px = themes().current.px
        foot = QHBoxLayout()
        foot.setContentsMargins(0, px(2), px(12), px(4))
        foot.setSpacing(px(2))
        foot.addWidget(self.read_out, 1)
        for action in self._tools.actions():
            button = QToolButton(self)
            button.setDefaultAction(action)
            button.setProperty("soft", True)
            button.setAccessibleName(f"Tool: {action.text()}")
            foot.addWidget(button)
        foot.addSpacing(px(8))
        self._window_button = QToolButton(self)
        self._window_button.setProperty("soft", True)
        menu = QMenu(self._window_button)
        menu.addActions(self._windows.actions())
        self._window_button.setMenu(menu)
        self._window_button.setPopupMode(QToolButton.ToolButtonPopupMode.InstantPopup)
        self._window_button.setStyleSheet("QToolButton::menu-indicator { image: none; }")
        self._window_button.setAccessibleName("Loudness window")
        self._window_button.setToolTip("How loudness and balance are read (W)")
        foot.addWidget(self._window_button)
        self._set_window(self.canvas.window_length)
        return foot

    # --- what they do ------------------------------------------------------------------------------

    def _span(self) -> Span | None:
        """Find the span that a command is for: the selected one, or the phrase nearest to the playhead."""
        spans = self.desk.selected_spans()
        current = [span for span in spans if span.id == self.desk.selection.current_id]
        return (current or list(spans) or [self.canvas.phrase_near(self.desk.playhead_n)])[0]

    def _copy(self) -> None:
        span = self._span()
        if span is not None:
            if span.kind is Kind.WORD:
                span = self.desk.session.segments.phrase_of(span) or span
            self.canvas.commands.copy(span)
            self._on_selection_changed()

    def _paste(self) -> None:
        copied = self.canvas.commands.copied
        if copied is None:
            return
        spans = self.desk.selected_spans()
        if copied.kind is Kind.PHRASE:
            spans = self.desk.selected_phrases()
        for span in spans[:1]:
            target = span
            if copied.kind is Kind.SECTION and span.kind is not Kind.SECTION:
                target = self.desk.session.segments.section_of(span)
            if target is not None:
                self.canvas.commands.paste(target)

    def _move_border(self, side: str, way: int, *, fine: bool = False) -> None:
        span = self._span()
        if span is not None:
            self.canvas.commands.move_border(span, side, way, fine)

    def _select_all(self) -> None:
        if self.desk.session is not None:
            self.canvas.commands.select_all(self.desk.selected_spans())

    def _go_to(self, frame_n: int) -> None:
        self.desk.set_playhead(frame_n)
        view = self.desk.view
        self.canvas.glide(frame_n - view.length_n / 2, frame_n + view.length_n / 2)

    def _set_window(self, window: Window) -> None:
        self.canvas.set_window_length(window)
        self.commands[f"window_{window.name.lower()}"].setChecked(True)
        self._window_button.setText(f"{window.label} \u25be")

    def _next_window(self) -> None:
        windows = list(Window)
        self._set_window(windows[(windows.index(self.canvas.window_length) + 1) % len(windows)])

    @Slot(str)
    def _on_tool_changed(self, name: str) -> None:
        self.commands[name].setChecked(True)

    def _on_selection_changed(self, *_args: object) -> None:
        there = self.desk.session is not None
        points = len(self.desk.selection.points)
        for name, least in (("delete", 1), ("larger", 1), ("smaller", 1), ("straighten", 3)):
            self.commands[name].setEnabled(there and points >= (2 if name == "straighten" else least))
        for name in ("add", "next", "previous", "select_all", "copy"):
            self.commands[name].setEnabled(there)
        self.commands["paste"].setEnabled(there and self.canvas.commands.copied is not None)

    @Slot(QPoint, float, str)
    def _on_menu_wanted(self, place: QPoint, at_n: float, strip: str) -> None:
        menu = QMenu(self)
        if self.segment_menu is not None and strip not in ("lane", "ruler", "overview"):
            self.segment_menu(menu, round(at_n))
            menu.addSeparator()
            menu.addActions([self.commands[name] for name in ("copy", "paste")])
            menu.addSeparator()
            menu.addActions([self.commands[name] for name in ("zoom_selection", "zoom_phrase", "zoom_song")])
            menu.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
            menu.popup(place)
            return
        here = menu.addAction("Add a breakpoint here")
        here.triggered.connect(lambda: self.canvas.commands.add(round(at_n)))
        for group in (
            ("delete", "straighten", "larger", "smaller", "select_all"),
            ("copy", "paste"),
            ("points", "freehand", "line"),
            ("zoom_selection", "zoom_phrase", "zoom_song"),
        ):
            menu.addSeparator()
            menu.addActions([self.commands[name] for name in group])
        menu.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        menu.popup(place)
