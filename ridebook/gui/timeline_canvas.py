"""The timeline's picture and what hands do on it.

Every strip is painted once into a picture and again only when something in it changes. Over it go the selection, the
rubber band, the window in the overview, the playhead and the pointer's hairline.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from PySide6.QtCore import (
    QEasingCurve,
    QEvent,
    QPoint,
    QPointF,
    QRect,
    QRectF,
    Qt,
    QTimer,
    QVariantAnimation,
    Signal,
    Slot,
)
from PySide6.QtGui import (
    QColor,
    QContextMenuEvent,
    QHelpEvent,
    QKeyEvent,
    QMouseEvent,
    QNativeGestureEvent,
    QPainter,
    QPaintEvent,
    QPen,
    QPixmap,
    QResizeEvent,
    QWheelEvent,
)
from PySide6.QtWidgets import QSizePolicy, QStyle, QToolTip, QWidget

from ridebook.gui import drawing
from ridebook.gui.desk import Desk
from ridebook.gui.edge_scroll import EdgeScroll
from ridebook.gui.label_editor import LabelEditing
from ridebook.gui.pool import NEXT_TURN_MS
from ridebook.gui.theme import themes
from ridebook.gui.timeline_data import TimelineData, Window
from ridebook.gui.timeline_paint import (
    ALL,
    LEAST_WINDOW_PX,
    PAINTERS,
    Look,
    Scene,
    Stretch,
    backdrop,
    backdrop_key,
    is_crowded,
    section_borders,
)
from ridebook.gui.timeline_scale import Strip, TimeScale, ValueScale, strips
from ridebook.gui.words import clock, doubt_said, signed
from ridebook.measure.measures import ABSENT_LUFS
from ridebook.ride.ridden import changed_span
from ridebook.segment.spans import Kind, Span, holder
from ridebook.session.document import Session

HIT_PX = 12
"""A breakpoint or border is hit this far from its middle: 24 px in all."""
GLIDE_MS = 110
WHEEL_SHARE = 0.10
"""Share of the view that a notch of the wheel, or an arrow key, moves by."""
ZOOM_STEP = 1.25
EDGE_PX = 24
"""A drag this near to the view's edge scrolls on."""

_WITH_VOCAL = frozenset({"vocal", "loudness", "balance", "lane"})
_SECTIONED = frozenset({"words", "vocal", "bed", "loudness", "balance", "lane"})
_MOVING = frozenset(PAINTERS) - {"overview"}
_SCROLLED = frozenset({"vocal", "bed", "loudness"})
"""Strips that are moved along with the view. The others have texts that keep inside it, or lines so long that Qt
rounds them a little differently at every place."""
_WAVES = frozenset({"vocal", "bed", "loudness", "balance"})
"""Strips where a click puts the playhead and selects the phrase."""
_SPILL_PX = 12
"""So far beyond its own place may something reach that is painted."""


def _joined(one: Stretch | None, other: Stretch) -> Stretch:
    return other if one is None else (min(one[0], other[0]), max(one[1], other[1]))


@dataclass(frozen=True, slots=True)
class ReadOut:
    """What lies under the pointer; None where there is nothing to read."""

    time: str
    gain_db: float | None = None
    vocal_lufs: float | None = None
    bed_lufs: float | None = None
    balance_lu: float | None = None
    aim_lu: float | None = None
    word: str = ""

    def sentence(self) -> str:
        """All of it in words."""
        parts = [self.time]
        for name, value, unit in (
            ("gain", self.gain_db, "dB"),
            ("vocal", self.vocal_lufs, "LUFS"),
            ("bed", self.bed_lufs, "LUFS"),
            ("balance", self.balance_lu, "LU"),
        ):
            if value is not None:
                parts.append(f"{name} {signed(value)} {unit}")
        if self.word:
            parts.append(self.word)
        return ", ".join(parts)


class TimelineCanvas(QWidget):
    """All strips on one time axis.

    Parameters
    ----------
    desk : Desk
        The model.
    """

    read_out_changed = Signal(object)
    tool_changed = Signal(str)

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.desk = desk
        self.commands = drawing.Commands(desk)
        self.tool = "points"
        self._themes = themes()
        self.window_length = Window.MOMENTARY
        self._data: TimelineData | None = None
        self._picture: QPixmap | None = None
        self._held_back = False
        self._easel: QPixmap | None = None
        self._backdrop: QPixmap | None = None
        self._backdrop_key: tuple[object, ...] = ()
        self._dirty: dict[str, Stretch] = dict.fromkeys(PAINTERS, ALL)
        self._painted: TimeScale | None = None
        self._crowded = False
        self._points: frozenset[int] = frozenset()
        self._gesture: drawing.Gesture | None = None
        self._hold: tuple[str, float] | None = None
        self._pointer: QPointF | None = None
        self._pressed: tuple[str, QPointF] | None = None
        self._glide = QVariantAnimation(self)
        self._glide.setStartValue(0.0)
        self._glide.setEndValue(1.0)
        self._glide.setDuration(GLIDE_MS)
        self._glide.setEasingCurve(QEasingCurve.Type.OutCubic)
        self._glide.valueChanged.connect(self._on_glide)
        self._glide_from = self._glide_to = (0.0, 1.0)
        self._view_set = False
        self._edge = EdgeScroll(self._scroll_on, self)
        self._modifiers = Qt.KeyboardModifier.NoModifier
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setMouseTracking(True)
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setAccessibleName("Timeline")
        desk.opened.connect(self._hold_back)
        desk.session_changed.connect(self._on_session_changed)
        desk.analysis_changed.connect(self._on_analysis_changed)
        desk.hearing.changed.connect(self._on_hearing_changed)
        desk.suggestion_changed.connect(self._on_suggestion_changed)
        desk.selection_changed.connect(self._on_selection_changed)
        desk.view_changed.connect(self._on_view_changed)
        desk.playhead_changed.connect(self._on_playhead_changed)
        self._themes.theme_changed.connect(self._on_theme_changed)
        self.labels = LabelEditing(desk, self, self, self._label_place)
        desk.view_changed.connect(self.labels.follow)
        desk.session_changed.connect(lambda _before, _after: self.labels.follow())
        self._playhead_px = 0.0
        self._playhead_n = desk.playhead_n
        self._on_theme_changed()
        self._on_analysis_changed()

    # --- where things are --------------------------------------------------------------------------

    @property
    def theme(self):
        """The theme that is on."""
        return self._themes.current

    def _on_theme_changed(self) -> None:
        self._look = Look(self.theme)
        self.setMinimumSize(self.theme.px(420), strips(0, self.theme.scale)["ruler"].bottom_px)
        self._all_dirty()

    @property
    def strips(self) -> Mapping[str, Strip]:
        """The strips at this height."""
        return strips(self.height(), self.theme.scale)

    @property
    def time(self) -> TimeScale:
        """Frames across the view."""
        view = self.desk.view
        left = self.theme.px(64)
        right = max(left + 8, self.width() - self.theme.px(16))
        return TimeScale(view.start_n, view.end_n, left, right, self.desk.rate_hz).on_lattice()

    @property
    def whole(self) -> TimeScale:
        """Frames across the overview."""
        time = self.time
        return TimeScale(0, self.desk.frames_n, time.left_px, time.right_px, time.rate_hz)

    @property
    def scene(self) -> Scene:
        """What the painters are given."""
        return Scene(
            self._data,
            self.time,
            self.strips,
            self._look,
            self.window_length,
            self.desk.selection.points,
            self.devicePixelRatioF(),
        )

    def lane_scale(self) -> ValueScale:
        """Gain in dB up the lane."""
        return self.scene.lane_scale

    def _strip_at(self, y_px: float) -> str:
        """Name of the strip at a height; the gap above a strip belongs to it."""
        for name, strip in self.strips.items():
            if y_px <= strip.bottom_px:
                return name
        return "ruler"

    def point_px(self, index: int) -> QPointF:
        """Where a breakpoint lies."""
        point = self.desk.session.lane.points[index]
        return QPointF(self.time.x_px(point.frame_n), self.lane_scale().y_px(point.gain_db))

    def _point_at(self, place: QPointF) -> int | None:
        """Find the breakpoint nearest to a place, within reach of a hand."""
        lane, time = self.desk.session.lane, self.time
        reach_n = HIT_PX * time.frames_per_px
        at_n = time.frame_n(place.x())
        first, last = np.searchsorted(lane.frames, [at_n - reach_n, at_n + reach_n])
        if last <= first:
            return None
        x = time.x_px(lane.frames[first:last]) - place.x()
        y = self.lane_scale().y_px(lane.gains_db[first:last]) - place.y()
        apart = np.hypot(x, y)
        best = int(np.argmin(apart))
        return int(first) + best if max(abs(x[best]), abs(y[best])) <= HIT_PX else None

    def _border_at(self, place: QPointF) -> tuple[Span, str] | None:
        """Find the border at a place in the words' strip: words low down, phrases above, sections at the top."""
        strip, time = self.strips["words"], self.time
        if place.y() < strip.top_px:
            return None
        tables = (self._data.words, self._data.phrases)
        if place.y() < strip.bottom_px - self.theme.px(26):
            tables = (self._data.sections,)
        if place.y() < strip.bottom_px - self.theme.px(12):
            tables = tables[::-1]
        for table in tables:
            near = table.between(time.start_n, time.end_n)
            best, found = HIT_PX / 2 + 2.0, None
            for side, frames in (("start", table.starts_n), ("end", table.ends_n)):
                x = np.abs(time.x_px(frames[near]) - place.x())
                if len(x) and x.min() < best:
                    best, found = float(x.min()), (table.spans[near][int(np.argmin(x))], side)
            if found:
                return found
        return None

    def handle_rect(self) -> QRectF | None:
        """Grip that scales a group of selected breakpoints, above its right end."""
        points = self.desk.selection.points
        if self.desk.session is None or len(points) < 2:
            return None
        places = [self.point_px(i) for i in (min(points), max(points))]
        field = self.scene.field("lane")
        x = min(max(places[1].x() + 18.0, field.left() + 12), field.right() - 12)
        if places[1].x() < field.left() or places[0].x() > field.right():
            return None
        return QRectF(x - 12, field.top() + 4, 24, 24)

    # --- what changed ------------------------------------------------------------------------------

    def _all_dirty(self) -> None:
        self._mark(PAINTERS)

    def _mark(self, names: Iterable[str], stretch_n: Stretch = ALL) -> None:
        """Have strips painted anew, in a stretch of time or all of them."""
        self._soil(names, stretch_n)
        self.update()

    def _soil(self, names: Iterable[str], stretch_n: Stretch = ALL) -> None:
        for name in names:
            self._dirty[name] = _joined(self._dirty.get(name), stretch_n)

    @Slot(object, object)
    def _on_session_changed(self, before: Session | None, after: Session) -> None:
        if self._data is None or before is None or before.vocal is not after.vocal:
            self._gesture = self._hold = self._pressed = None
            self._on_analysis_changed()
            return
        data, self._data = self._data, self._data.after(after, self.desk.standing)
        if before.segments is not after.segments or before.settings != after.settings:
            self._all_dirty()
        elif before.lane is not after.lane or before.trim_db != after.trim_db:
            if before.trim_db != after.trim_db or before.decisions is not after.decisions:
                self._mark(_WITH_VOCAL)
            else:
                self._mark_changed(changed_span(before.lane, after.lane, data.frames_n))
            if not np.array_equal(data.sunk_share * data.lost, self._data.sunk_share * self._data.lost):
                self._mark({"overview", "words"})
        elif before.decisions is not after.decisions:
            self._mark({"words", "lane"})
        else:
            self._all_dirty()
        self._tell_read_out()

    def _mark_changed(self, stretch_n: Stretch) -> None:
        """Have painted anew what looks different where the lane changed."""
        first_n, last_n = stretch_n
        self._mark({"vocal", "lane"}, stretch_n)
        phrases = self._data.phrases
        touched = phrases.between(first_n, last_n)
        read_n = max(self.window_length.seconds * self.desk.rate_hz, LEAST_WINDOW_PX * self.time.frames_per_px)
        stretch_n = first_n - read_n, last_n + read_n
        if touched.stop > touched.start:
            whole_n = float(phrases.starts_n[touched.start]), float(phrases.ends_n[touched.stop - 1])
            stretch_n = _joined(stretch_n, whole_n)
        self._mark({"loudness", "balance"}, stretch_n)

    @Slot()
    def _on_analysis_changed(self) -> None:
        desk = self.desk
        if desk.session is None:
            self._data = None
        else:
            pyramids = desk.pyramids
            self._data = TimelineData(
                desk.session,
                desk.measures,
                pyramids.get("vocal"),
                pyramids.get("bed"),
                desk.suggestion,
                desk.standing,
            )
        self._all_dirty()
        self._tell_read_out()

    @Slot()
    def _on_hearing_changed(self) -> None:
        if self._data is not None:
            self._data = self._data.after(self.desk.session, self.desk.standing)
            self._mark({"overview", "words"})

    @Slot()
    def _on_suggestion_changed(self) -> None:
        if self._data is not None:
            self._data = self._data.with_suggestion(self.desk.suggestion)
            self._mark({"lane"})

    @Slot()
    def _on_selection_changed(self) -> None:
        points = self.desk.selection.points
        if points != self._points:
            self._points = points
            self._mark({"lane"})
        self.update()
        if len(points) == 1:
            (i,) = points
            point = self.desk.session.lane.points[i]
            at = clock(point.frame_n, self.desk.rate_hz, 3)
            self.setAccessibleDescription(
                f"breakpoint {i + 1} of {len(self.desk.session.lane.points)}, {at}, {signed(point.gain_db)} dB"
            )
        elif points:
            self.setAccessibleDescription(f"{len(points)} breakpoints selected")

    @Slot()
    def _on_view_changed(self) -> None:
        self._view_set = True
        self.update()

    @Slot()
    def _on_playhead_changed(self) -> None:
        x = self.time.x_px(self.desk.playhead_n)
        for at in (self._playhead_px, x):
            self.update(QRect(int(at) - 6, 0, 13, self.height()))
        before_n, self._playhead_n = self._playhead_n, self.desk.playhead_n
        self._turn_page(before_n)
        if self._pointer is None:
            self._tell_read_out()

    def _turn_page(self, before_n: int) -> None:
        """Show what follows when a playhead that moves by itself runs out of the view."""
        view, at_n = self.desk.view, self.desk.playhead_n
        by_itself = 0 < at_n - before_n < self.desk.rate_hz and self._hold is None
        if by_itself and view.start_n <= before_n <= view.end_n < at_n:
            start_n = at_n - 0.05 * view.length_n
            self.desk.set_view(start_n, start_n + view.length_n)

    def set_window_length(self, window: Window) -> None:
        """Read loudness and balance over another window."""
        self.window_length = window
        self._mark({"loudness", "balance"})
        self._tell_read_out()

    def set_tool(self, name: str) -> None:
        """Take another tool: ``points``, ``freehand`` or ``line``."""
        if name != self.tool:
            self.cancel()
            self.tool = name
            self.tool_changed.emit(name)
            self._show_cursor()

    # --- painting ----------------------------------------------------------------------------------

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Paint everything anew at the new size."""
        self._picture = None
        self._all_dirty()
        super().resizeEvent(event)
        self.labels.follow()

    @Slot()
    def _hold_back(self) -> None:
        """Paint another song a turn of the loop after the window has taken it up."""
        self._held_back = True

    def paintEvent(self, event: QPaintEvent) -> None:
        """Bring the picture up to date and lay over it what moves."""
        if self._held_back:
            QTimer.singleShot(NEXT_TURN_MS, self, self.update)
        if self._data is None or self._held_back:
            self._held_back = False
            painter = QPainter(self)
            painter.fillRect(self.rect(), self.theme.colour("page"))
            painter.end()
            return
        self._bring_up_to_date()
        painter = QPainter(self)
        painter.drawPixmap(0, 0, self._picture)
        scene = self.scene
        self._paint_selection(painter, scene)
        self._paint_overview_window(painter, scene)
        self._paint_band(painter, scene)
        self._paint_pointer(painter, scene)
        self._paint_playhead(painter, scene)
        if self.hasFocus():
            painter.setPen(QPen(self.theme.colour("selection"), 1, Qt.PenStyle.DotLine))
            painter.drawRect(self.rect().adjusted(0, 0, -1, -1))
        painter.end()

    def _bring_up_to_date(self) -> None:
        scene = self.scene
        self._bring_backdrop_up_to_date(scene)
        self._follow_view(scene)
        crowded, self._crowded = self._crowded, is_crowded(scene)
        if crowded != self._crowded:
            self._soil({"lane"})
        if not self._dirty:
            return
        groups: dict[Stretch, list[str]] = {}
        for name, stretch_n in self._dirty.items():
            groups.setdefault(self._part_px(name, stretch_n, scene), []).append(name)
        for part, names in groups.items():
            whole = part == ALL
            painter = QPainter(self._picture if whole else self._easel)
            places = self._paint_strips(painter, replace(scene, part=part), names)
            painter.end()
            if not whole:
                painter = QPainter(self._picture)
                for place in places:
                    self._copy(painter, self._easel, place, scene.ratio)
                painter.end()
        self._dirty.clear()

    def _part_px(self, name: str, stretch_n: Stretch, scene: Scene) -> Stretch:
        """Whole pixels that a stretch of time lies on, with what it may reach over to."""
        time = scene.time
        if scene.ratio != int(scene.ratio):
            return ALL  # pixels of the layout are none of the screen
        if stretch_n == ALL:
            return (time.left_px, time.right_px) if name in _SCROLLED else ALL
        left, right = time.x_px(stretch_n[0]) - _SPILL_PX, time.x_px(stretch_n[1]) + _SPILL_PX
        return math.floor(max(left, time.left_px)), math.ceil(min(right, time.right_px))

    @staticmethod
    def _copy(painter: QPainter, source: QPixmap, place: QRectF, ratio: float) -> None:
        painter.drawPixmap(place, source, QRectF(place.topLeft() * ratio, place.size() * ratio))

    def _paint_strips(self, painter: QPainter, scene: Scene, names: list[str]) -> list[QRectF]:
        """Paint strips, or a part of each, over the backdrop, and tell where.

        The painter is not held back from painting beyond the part: Qt's lines look a little different where they are
        clipped elsewhere.
        """
        left, right = scene.around(0) if scene.part != ALL else (0, self.width())
        if right <= left:
            return []
        upper, places = 0, []
        for name, strip in scene.strips.items():
            lower = self.height() if name == "ruler" else strip.bottom_px
            if name in names:
                places.append(QRectF(left, upper, right - left, lower - upper))
                self._copy(painter, self._backdrop, places[-1], scene.ratio)
            upper = lower
        section_borders(painter, scene, _SECTIONED.intersection(names))
        for name, paint in PAINTERS.items():
            if name in names:
                painter.save()
                paint(painter, scene)
                painter.restore()
        return places

    def _follow_view(self, scene: Scene) -> None:
        """Move along what is painted where the view has moved, and have painted what that does not give."""
        before, self._painted = self._painted, scene.time
        time, ratio = scene.time, scene.ratio
        if time == before:
            return
        self._soil(_MOVING - _SCROLLED)
        moved_px = 0
        scrolls = before is not None and ratio == int(ratio) and self._data.measures is not None
        if scrolls:
            moved_px = round((time.start_n - before.start_n) / time.frames_per_px)
            there = replace(before, start_n=time.start_n, end_n=time.end_n)
            same_zoom = abs(before.frames_per_px / time.frames_per_px - 1.0) < 1e-9
            scrolls = there == time and same_zoom and abs(moved_px) < time.right_px - time.left_px
        if not scrolls:
            self._soil(_SCROLLED)
            return
        for name in _SCROLLED:
            field = scene.field(name)
            rect = QRectF(field.topLeft() * ratio, field.size() * ratio).toRect()
            self._picture.scroll(-moved_px * int(ratio), 0, rect)
        if moved_px > 0:
            self._soil(_SCROLLED, (time.frame_n(time.right_px - moved_px), time.end_n))
        else:
            self._soil(_SCROLLED, (time.start_n, time.frame_n(time.left_px - moved_px)))

    def _bring_backdrop_up_to_date(self, scene: Scene) -> None:
        key = (*backdrop_key(scene), scene.ratio, self.height())
        if self._picture is not None and key == self._backdrop_key:
            return
        self._backdrop_key = key
        self._backdrop = QPixmap(self.size() * scene.ratio)
        self._backdrop.setDevicePixelRatio(scene.ratio)
        self._backdrop.fill(self.theme.colour("page"))
        painter = QPainter(self._backdrop)
        backdrop(painter, scene)
        painter.end()
        self._picture, self._easel = self._backdrop.copy(), self._backdrop.copy()
        self._painted = None
        self._soil(PAINTERS)

    def _paint_selection(self, painter: QPainter, scene: Scene) -> None:
        top, bottom = scene.strips["words"].top_px, scene.strips["lane"].bottom_px
        painter.setClipRect(QRectF(scene.time.left_px, 0, scene.time.right_px - scene.time.left_px, self.height()))
        for span in self.desk.selected_spans() if self.desk.selection.span_ids else ():
            if span.end_n < scene.time.start_n or span.start_n > scene.time.end_n:
                continue
            x0, x1 = scene.time.x_px(span.start_n), scene.time.x_px(span.end_n)
            painter.fillRect(QRectF(x0, top, x1 - x0, bottom - top), self.theme.colour("selection", 0.11))
            base = scene.strips["words"].bottom_px
            painter.fillRect(QRectF(x0, base - 2, x1 - x0, 3), self.theme.colour("selection"))
        if self.desk.selection.stretch is not None:
            x0, x1 = (round(scene.time.x_px(frame_n)) + 0.5 for frame_n in self.desk.selection.stretch)
            painter.setPen(QPen(self.theme.colour("selection"), 1, Qt.PenStyle.DashLine))
            for x in (x0, x1):
                painter.drawLine(QPointF(x, top), QPointF(x, bottom))
        painter.setClipping(False)

    def _paint_overview_window(self, painter: QPainter, scene: Scene) -> None:
        rect = self.overview_window()
        field = scene.field("overview")
        veil = self.theme.colour("card", 0.4)
        painter.fillRect(QRectF(field.left(), field.top(), rect.left() - field.left(), field.height()), veil)
        painter.fillRect(QRectF(rect.right(), field.top(), field.right() - rect.right(), field.height()), veil)
        painter.setPen(QPen(self.theme.colour("selection"), 2))
        painter.drawRect(rect.adjusted(0, -1, 0, 1))

    def overview_window(self) -> QRectF:
        """Give the visible stretch in the overview."""
        view, whole, strip = self.desk.view, self.whole, self.strips["overview"]
        x0, x1 = whole.x_px(view.start_n), whole.x_px(view.end_n)
        if x1 - x0 < 6:
            middle = (x0 + x1) / 2
            x0, x1 = middle - 3, middle + 3
        return QRectF(round(x0), strip.top_px, round(x1) - round(x0), strip.height_px)

    def _paint_band(self, painter: QPainter, scene: Scene) -> None:
        handle = self.handle_rect()
        if handle is not None:
            colour = self.theme.colour("selection")
            painter.setPen(QPen(colour, 2))
            middle = handle.center().x()
            painter.drawLine(QPointF(middle, handle.top() + 3), QPointF(middle, handle.bottom() - 3))
            for y in (handle.top() + 3, handle.bottom() - 3):
                painter.drawLine(QPointF(middle - 5, y), QPointF(middle + 5, y))
        band = self._gesture.band if isinstance(self._gesture, drawing.RubberBand) else None
        if band is None:
            return
        scale = scene.lane_scale
        rect = QRectF(
            QPointF(scene.time.x_px(band.start_n), scale.y_px(band.high_db)),
            QPointF(scene.time.x_px(band.end_n), scale.y_px(band.low_db)),
        ).intersected(scene.field("lane"))
        painter.fillRect(rect, self.theme.colour("selection", 0.12))
        painter.setPen(QPen(self.theme.colour("selection"), 1, Qt.PenStyle.DashLine))
        painter.drawRect(rect)

    def _paint_pointer(self, painter: QPainter, scene: Scene) -> None:
        if self._pointer is None or not scene.time.left_px <= self._pointer.x() <= scene.time.right_px:
            return
        if self._strip_at(self._pointer.y()) == "overview":
            return
        x = round(self._pointer.x()) + 0.5
        painter.setPen(QPen(self.theme.colour("pencil", 0.55), 1))
        painter.drawLine(QPointF(x, scene.strips["vocal"].top_px), QPointF(x, scene.strips["lane"].bottom_px))

    def _paint_playhead(self, painter: QPainter, scene: Scene) -> None:
        x = scene.time.x_px(self.desk.playhead_n)
        self._playhead_px = x
        colour: QColor = self.theme.colour("selection")
        if scene.time.left_px - 1 <= x <= scene.time.right_px + 1:
            painter.fillRect(
                QRectF(
                    round(x),
                    scene.strips["words"].top_px,
                    1.5,
                    scene.strips["ruler"].top_px + 5 - scene.strips["words"].top_px,
                ),
                colour,
            )
        over = self.whole.x_px(self.desk.playhead_n)
        strip = scene.strips["overview"]
        painter.fillRect(QRectF(round(over), strip.top_px, 1.5, strip.height_px), colour)

    # --- view --------------------------------------------------------------------------------------

    def glide(self, start_n: float, end_n: float) -> None:
        """Move the view there within a few frames, or at once where the system wants no animations."""
        whole = self.desk.frames_n
        length = min(end_n - start_n, whole)
        start_n = min(max(0.0, start_n), whole - length)
        self._glide.stop()
        if not self.style().styleHint(QStyle.StyleHint.SH_Widget_Animation_Duration, None, self):
            self.desk.set_view(start_n, start_n + length)
            return
        self._glide_from = (self.desk.view.start_n, self.desk.view.end_n)
        self._glide_to = (start_n, start_n + length)
        self._glide.start()

    @Slot(object)
    def _on_glide(self, share: float) -> None:
        (a0, b0), (a1, b1) = self._glide_from, self._glide_to
        self.desk.set_view(a0 + (a1 - a0) * share, b0 + (b1 - b0) * share)

    @property
    def gliding(self) -> bool:
        """Whether the view is on its way."""
        return self._glide.state() is QVariantAnimation.State.Running

    def _goal(self) -> tuple[float, float]:
        """Where the view is going, or where it is."""
        if self.gliding:
            return self._glide_to
        return self.desk.view.start_n, self.desk.view.end_n

    def scroll(self, share: float) -> None:
        """Scroll by a share of the view."""
        start_n, end_n = self._goal()
        by_n = (end_n - start_n) * share
        self.glide(start_n + by_n, end_n + by_n)

    def zoom(self, factor: float, around_n: float | None = None, glide: bool = True) -> None:
        """Show `factor` times less of the song, keeping a frame where it is (the playhead or the middle)."""
        start_n, end_n = self._goal() if glide else (self.desk.view.start_n, self.desk.view.end_n)
        if around_n is None:
            head = self.desk.playhead_n
            around_n = head if start_n <= head <= end_n else (start_n + end_n) / 2
        least = 0.05 * self.desk.rate_hz
        length = max(least, min((end_n - start_n) / factor, self.desk.frames_n))
        start = around_n - (around_n - start_n) * length / (end_n - start_n)
        if glide:
            self.glide(start, start + length)
        else:
            self._glide.stop()
            self.desk.set_view(start, start + length)

    def zoom_to(self, what: Span | str) -> None:
        """Show a span, ``"selection"``, ``"phrase"`` or ``"song"``."""
        self._glide.stop()
        if what == "phrase":
            what = self._phrase_here() or "song"
        if what == "selection" and not self.desk.selected_spans():
            points = self.desk.selection.points
            if points:
                lane = self.desk.session.lane
                air_n = 0.3 * self.desk.rate_hz
                self.desk.set_view(lane.frames[min(points)] - air_n, lane.frames[max(points)] + air_n)
                return
        self.desk.zoom_to(what)

    def _phrase_here(self) -> Span | None:
        phrases = self.desk.selected_phrases()
        return phrases[0] if phrases else self.phrase_near(self.desk.playhead_n)

    def phrase_near(self, frame_n: float) -> Span | None:
        """Phrase at a frame, or the one nearest to it."""
        phrases = self.desk.session.segments.phrases if self.desk.session else ()
        return min(phrases, key=lambda p: max(p.start_n - frame_n, frame_n - p.end_n, 0), default=None)

    def wheelEvent(self, event: QWheelEvent) -> None:
        """Wheel and two fingers scroll in time; with Ctrl they zoom around the pointer."""
        if self.desk.session is None:
            return
        pixels, angle = event.pixelDelta(), event.angleDelta()
        if event.modifiers() & Qt.KeyboardModifier.ControlModifier:
            notches = angle.y() / 120.0 if pixels.isNull() else pixels.y() / 60.0
            self.zoom(ZOOM_STEP**notches, self.time.frame_n(event.position().x()), glide=pixels.isNull())
        elif not pixels.isNull():
            by_px = pixels.x() if abs(pixels.x()) >= abs(pixels.y()) else pixels.y()
            view, by_n = self.desk.view, -by_px * self.time.frames_per_px
            self._glide.stop()
            self.desk.set_view(view.start_n + by_n, view.end_n + by_n)
        else:
            way = angle.x() if abs(angle.x()) > abs(angle.y()) else angle.y()
            self.scroll(-way / 120.0 * WHEEL_SHARE)
        event.accept()

    def event(self, event: QEvent) -> bool:
        """Pinching zooms around the pointer; a tip says what a word or border is."""
        if event.type() == QEvent.Type.ToolTip and isinstance(event, QHelpEvent) and self._data is not None:
            text = self.tip_at(QPointF(event.pos()))
            if text:
                QToolTip.showText(event.globalPos(), text, self)
            else:
                QToolTip.hideText()
            return True
        if (
            event.type() == QEvent.Type.NativeGesture
            and isinstance(event, QNativeGestureEvent)
            and event.gestureType() == Qt.NativeGestureType.ZoomNativeGesture
            and self.desk.session is not None
        ):
            self.zoom(1.0 + event.value(), self.time.frame_n(event.position().x()), glide=False)
            return True
        return super().event(event)

    def tip_at(self, place: QPointF) -> str:
        """Say what a word, a phrase or a border in the words' strip is; empty elsewhere."""
        if self._strip_at(place.y()) != "words":
            return ""
        rate_hz = self.desk.rate_hz
        border = self._border_at(place)
        found = self._span_at(place) if border is None else border[0]
        if found is None:
            return ""
        name = f"“{found.label}”" if found.label else found.kind.value.capitalize()
        texts = [f"{name}, {clock(found.start_n, rate_hz, 2)} to {clock(found.end_n, rate_hz, 2)}."]
        if found.doubtful:
            texts.append(f"Doubtful, {doubt_said(found.start_n, rate_hz)}.")
        if border is not None:
            texts.append(f"Drag to move its {border[1]}.")
        return " ".join(texts)

    # --- mouse -------------------------------------------------------------------------------------

    def _at(self, place: QPointF, modifiers: Qt.KeyboardModifier, hit: int | None = None) -> drawing.At:
        time, scale = self.time, self.lane_scale()
        frame_n = min(max(time.frame_n(place.x()), 0.0), float(self.desk.frames_n))
        return drawing.At(
            frame_n,
            scale.value(place.y()),
            time.frames_per_px,
            scale.per_px,
            hit,
            fine=bool(modifiers & Qt.KeyboardModifier.ShiftModifier),
            free=bool(modifiers & Qt.KeyboardModifier.AltModifier),
            extend=bool(modifiers & Qt.KeyboardModifier.ControlModifier),
        )

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Begin what the strip under the pointer is for."""
        if self.desk.session is None or self._gesture is not None or self._hold is not None:
            return
        self._glide.stop()
        place = event.position()
        if event.button() == Qt.MouseButton.MiddleButton:
            self._hold = ("pan", self.time.frame_n(place.x()))
            self.setCursor(Qt.CursorShape.ClosedHandCursor)
            return
        if event.button() != Qt.MouseButton.LeftButton:
            return
        name = self._strip_at(place.y())
        self._pressed = (name, place)
        self._edge.begin(place.x())
        if name == "overview":
            self._press_overview(place)
        elif name == "words":
            border = self._border_at(place)
            if border is not None:
                self._gesture = drawing.MoveBorder(self.desk, self._at(place, event.modifiers()), *border)
        elif name == "lane" and place.x() >= self.time.left_px - HIT_PX:
            self._press_lane(place, event.modifiers())
        elif name == "ruler":
            self._hold = ("playhead", 0.0)
            self.desk.set_playhead(self.time.frame_n(place.x()))

    def _press_overview(self, place: QPointF) -> None:
        rect, whole = self.overview_window(), self.whole
        if abs(place.x() - rect.left()) <= 8 and rect.width() > 24:
            self._hold = ("left edge", 0.0)
        elif abs(place.x() - rect.right()) <= 8 and rect.width() > 24:
            self._hold = ("right edge", 0.0)
        else:
            at_n, view = whole.frame_n(place.x()), self.desk.view
            if not rect.left() <= place.x() <= rect.right():
                self.desk.set_view(at_n - view.length_n / 2, at_n + view.length_n / 2)
            self._hold = ("window", at_n - self.desk.view.start_n)

    def _press_lane(self, place: QPointF, modifiers: Qt.KeyboardModifier) -> None:
        desk, handle = self.desk, self.handle_rect()
        points = desk.selection.points
        at = self._at(place, modifiers, self._point_at(place))
        borders_n = self._data.borders_n
        if self.tool == "freehand":
            self._gesture = drawing.DrawFreehand(desk, at)
        elif self.tool == "line":
            self._gesture = drawing.DrawLine(desk, at, borders_n)
        elif handle is not None and handle.contains(place):
            self._gesture = drawing.ScalePoints(desk, at, points)
        elif at.hit is None:
            self._gesture = drawing.RubberBand(desk, at, points)
        elif at.extend:
            desk.select_points(points ^ {at.hit})
        else:
            if at.hit not in points:
                desk.select_points(frozenset({at.hit}))
            self._gesture = drawing.MovePoints(desk, at, desk.selection.points, borders_n)

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        """Go on with what was begun, or read out what lies under the pointer."""
        if self.desk.session is None:
            return
        before, self._pointer = self._pointer, event.position()
        self._modifiers = event.modifiers()
        if self._scrolls_at_edge():
            time = self.time
            self._edge.follow(self._pointer.x(), time.left_px, time.right_px, self.theme.px(EDGE_PX))
        if self._gesture is not None:
            self._gesture.move(self._at(event.position(), event.modifiers()))
            self.update()
        elif self._hold is not None:
            self._drag_view(event.position())
        elif self._pressed is not None and self._pressed[0] not in ("overview", "lane", "ruler"):
            self._select_between(self._pressed[1], event.position())
        else:
            self._show_cursor()
        for place in (before, self._pointer):
            if place is not None:
                self.update(QRect(int(place.x()) - 2, 0, 5, self.height()))
        self._tell_read_out()

    def _scrolls_at_edge(self) -> bool:
        """Whether what is dragged may go beyond the view: all that moves in time, and the playhead on the ruler."""
        if self._gesture is not None:
            return not isinstance(self._gesture, drawing.ScalePoints)
        return self._hold is not None and self._hold[0] == "playhead"

    def _scroll_on(self, share: float) -> bool:
        """Scroll by a share of the view with what is dragged under the pointer; say whether the view moved."""
        if self._pointer is None or not self._scrolls_at_edge():
            return False
        before = self.desk.view
        # At least a frame, so that a view drawn close does not stand still.
        by_n = math.copysign(max(1.0, abs(share) * before.length_n), share)
        self.desk.set_view(before.start_n + by_n, before.end_n + by_n)
        if self._gesture is not None:
            self._gesture.move(self._at(self._pointer, self._modifiers))
            self.update()
        else:
            self._drag_view(self._pointer)
        self._tell_read_out()
        return self.desk.view != before

    def _drag_view(self, place: QPointF) -> None:
        what, held = self._hold
        view, whole, x = self.desk.view, self.whole, place.x()
        least_n = 0.05 * self.desk.rate_hz
        if what == "pan":
            by_n = held - self.time.frame_n(x)
            self.desk.set_view(view.start_n + by_n, view.end_n + by_n)
        elif what == "window":
            start_n = whole.frame_n(x) - held
            self.desk.set_view(start_n, start_n + view.length_n)
        elif what == "left edge":
            self.desk.set_view(min(max(0.0, whole.frame_n(x)), view.end_n - least_n), view.end_n)
        elif what == "right edge":
            end_n = min(max(whole.frame_n(x), view.start_n + least_n), self.desk.frames_n)
            self.desk.set_view(view.start_n, end_n)
        elif what == "playhead":
            self.desk.set_playhead(self.time.frame_n(x))

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        """End what was begun; a press that went nowhere was a click."""
        self._edge.stop()
        if self._gesture is not None and event.button() == Qt.MouseButton.LeftButton:
            gesture, self._gesture = self._gesture, None
            gesture.release(self._at(event.position(), event.modifiers()))
            if isinstance(gesture, drawing.MoveBorder) and not gesture.begun:
                self._click(event)
        elif self._hold is not None:
            self._hold = None
        elif self._pressed is not None and event.button() == Qt.MouseButton.LeftButton:
            apart = (event.position() - self._pressed[1]).manhattanLength()
            if apart < drawing.START_PX:
                self._click(event)
        self._pressed = None
        self._show_cursor()
        self.update()

    def _click(self, event: QMouseEvent) -> None:
        name = self._strip_at(event.position().y())
        if name in _WAVES:
            self.desk.set_playhead(self.time.frame_n(event.position().x()))
        elif name != "words":
            return
        found = self._span_at(event.position())
        if found is None:
            self.desk.select()
            return
        ids = (found.id,)
        kept = self.desk.selection
        if event.modifiers() & Qt.KeyboardModifier.ControlModifier and kept.kind is found.kind:
            ids = tuple(set(kept.span_ids) ^ {found.id})
        self.desk.select(ids, kind=found.kind, current_id=found.id)

    def _span_at(self, place: QPointF) -> Span | None:
        """Find what a click selects: in the words' strip a section, word or phrase, in the waves a phrase."""
        name, at_n, segments = self._strip_at(place.y()), int(self.time.frame_n(place.x())), self.desk.session.segments
        if name == "words" and place.y() < self.strips["words"].top_px + self.theme.px(20):
            return holder(segments.sections, at_n)
        if name == "words":
            return holder(segments.words, at_n) or holder(segments.phrases, at_n)
        return holder(segments.phrases, at_n) if name in _WAVES else None

    def _word_at(self, place: QPointF) -> Span | None:
        found = self._span_at(place)
        return found if found is not None and found.kind is Kind.WORD else None

    def _label_place(self, span: Span) -> QRect | None:
        """Where a label stands, or would stand; None where it is out of view."""
        time, strip = self.time, self.strips["words"]
        if not self.isVisible() or span.end_n <= time.start_n or span.start_n >= time.end_n:
            return None
        left, right = max(time.x_px(span.start_n), time.left_px), min(time.x_px(span.end_n), time.right_px)
        high = self.theme.px(24)
        top = strip.top_px if span.kind is Kind.SECTION else strip.bottom_px - high
        if span.kind is Kind.SECTION:
            right = min(right, left + self.theme.px(160))
        return QRectF(left, top, right - left, high).toRect()

    def _select_between(self, one: QPointF, other: QPointF) -> None:
        """Select the stretch that a drag over the waves or the words goes over, and the phrases or words it touches."""
        if abs(one.x() - other.x()) < drawing.START_PX:
            return
        low_n, high_n = sorted((self.time.frame_n(one.x()), self.time.frame_n(other.x())))
        kind, table = (
            (Kind.WORD, self._data.words) if self._pressed[0] == "words" else (Kind.PHRASE, self._data.phrases)
        )
        ids = tuple(span.id for span in table.spans[table.between(low_n, high_n)])
        self.desk.select(ids, kind=kind, stretch=(round(max(low_n, 0)), round(min(high_n, self.desk.frames_n))))

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        """Add a breakpoint in the lane, take one away that is hit; retype a word; elsewhere zoom to the phrase."""
        if self.desk.session is None or event.button() != Qt.MouseButton.LeftButton:
            return
        place = event.position()
        name = self._strip_at(place.y())
        if name == "lane" and self.tool == "points":
            hit = self._point_at(place)
            at = self._at(place, event.modifiers())
            if hit is None:
                frame_n = drawing.snapped_n(at.frame_n, at, self._data.borders_n)
                self.commands.add(frame_n, drawing.snapped_db(at.gain_db, at))
            else:
                self.desk.select_points(frozenset({hit}))
                self.commands.delete()
        elif name == "overview":
            self.zoom_to("song")
        elif name == "words" and (word := self._word_at(place)) is not None:
            self.desk.select([word.id], kind=Kind.WORD)
            self.labels.begin(word)
        elif name != "lane":
            phrase = holder(self.desk.session.segments.phrases, int(self.time.frame_n(place.x())))
            if phrase is not None:
                self.zoom_to(phrase)

    def leaveEvent(self, event: QEvent) -> None:
        """Bring the read-out back to the playhead."""
        self._pointer = None
        self.update()
        self._tell_read_out()
        super().leaveEvent(event)

    def _show_cursor(self) -> None:
        shape = Qt.CursorShape.ArrowCursor
        if self._pointer is not None and self._data is not None:
            name = self._strip_at(self._pointer.y())
            if name == "lane" and self.tool != "points":
                shape = Qt.CursorShape.CrossCursor
            elif name == "lane" and self._point_at(self._pointer) is not None:
                shape = Qt.CursorShape.SizeAllCursor
            elif name == "lane" and (handle := self.handle_rect()) is not None and handle.contains(self._pointer):
                shape = Qt.CursorShape.SizeVerCursor
            elif name == "words" and self._border_at(self._pointer) is not None:
                shape = Qt.CursorShape.SizeHorCursor
            elif name == "overview":
                rect = self.overview_window()
                edge = min(abs(self._pointer.x() - rect.left()), abs(self._pointer.x() - rect.right())) <= 8
                shape = Qt.CursorShape.SizeHorCursor if edge and rect.width() > 24 else Qt.CursorShape.OpenHandCursor
        if self.cursor().shape() != shape:
            self.setCursor(shape)

    # --- keys --------------------------------------------------------------------------------------

    def cancel(self) -> bool:
        """Take back a gesture that is under way; says whether there was one."""
        if self._gesture is None:
            return False
        self._edge.stop()
        gesture, self._gesture = self._gesture, None
        gesture.cancel()
        self._pressed = None
        self.update()
        return True

    def escape(self) -> None:
        """Take back the gesture, else put the tool away, else let the breakpoints go, else the spans."""
        if self.cancel():
            return
        if self.tool != "points":
            self.set_tool("points")
        elif self.desk.selection.points:
            self.desk.select_points(frozenset())
        else:
            self.desk.select()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Arrows move the selected breakpoints, or scroll; the rest are actions of the timeline."""
        if self.desk.session is None:
            super().keyPressEvent(event)
            return
        key, modifiers = event.key(), event.modifiers()
        plain = modifiers & ~(Qt.KeyboardModifier.ShiftModifier | Qt.KeyboardModifier.KeypadModifier)
        fine = bool(modifiers & Qt.KeyboardModifier.ShiftModifier)
        across = {Qt.Key.Key_Left: -1, Qt.Key.Key_Right: 1}.get(key, 0)
        upward = {Qt.Key.Key_Up: 1, Qt.Key.Key_Down: -1}.get(key, 0)
        if plain or not (across or upward):
            super().keyPressEvent(event)
        elif self.desk.selection.points:
            self.commands.nudge(steps_db=upward, steps_s=across, fine=fine)
            self._on_selection_changed()
        elif across:
            self.scroll(across * (0.9 if fine else WHEEL_SHARE))
        else:
            super().keyPressEvent(event)

    def select_next(self, way: int, extend: bool = False) -> None:
        """Select the next breakpoint and bring it into the view."""
        start_n = self.desk.playhead_n
        i = self.commands.select_next(way, start_n, extend)
        if i is None:
            return
        frame_n = self.desk.session.lane.points[i].frame_n
        view = self.desk.view
        if not view.start_n <= frame_n <= view.end_n:
            self.desk.set_view(frame_n - view.length_n / 2, frame_n + view.length_n / 2)
        self._tell_read_out()

    def contextMenuEvent(self, event: QContextMenuEvent) -> None:
        """Select what is under the pointer, unless it is selected, and offer what can be done there as a menu."""
        if self.desk.session is None:
            return
        place, kept = QPointF(event.pos()), self.desk.selection
        at_n = self.time.frame_n(place.x())
        name = self._strip_at(place.y())
        by_mouse = event.reason() is QContextMenuEvent.Reason.Mouse
        if by_mouse and (name == "words" or name in _WAVES):
            found = self._span_at(place)
            in_stretch = kept.stretch is not None and kept.stretch[0] <= at_n <= kept.stretch[1]
            if found is not None and found.id not in kept.span_ids and not in_stretch:
                self.desk.select([found.id], kind=found.kind)
        self.menu_wanted.emit(event.globalPos(), at_n, name)

    menu_wanted = Signal(QPoint, float, str)

    # --- read-out ----------------------------------------------------------------------------------

    def read_out_at(self, frame_n: float) -> ReadOut:
        """Read what there is at a frame."""
        data = self._data
        at = clock(frame_n, data.rate_hz, 3)
        middle = np.array([frame_n])
        gain_db = float(data.lane.gain_db_at(middle)[0])
        word = holder(data.segments.words, int(frame_n))
        label = word.label if word else ""
        if data.measures is None:
            return ReadOut(at, gain_db, word=label)
        window_n = self.window_length.seconds * data.rate_hz
        vocal, bed = (float(data.loudness_lufs(which, middle, window_n)[0]) for which in ("vocal", "bed"))
        seen = [lufs if lufs > ABSENT_LUFS else None for lufs in (vocal, bed)]
        balance = vocal - bed if None not in seen else None
        return ReadOut(at, gain_db, *seen, balance, float(data.aims_lu(middle)[0]), label)

    def _tell_read_out(self) -> None:
        if self._data is None:
            return
        frame_n = float(self.desk.playhead_n)
        if self._pointer is not None:
            frame_n = min(max(self.time.frame_n(self._pointer.x()), 0.0), float(self.desk.frames_n))
            if self._strip_at(self._pointer.y()) == "overview":
                frame_n = min(max(self.whole.frame_n(self._pointer.x()), 0.0), float(self.desk.frames_n))
        self.read_out_changed.emit(self.read_out_at(frame_n))
