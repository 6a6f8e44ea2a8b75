"""How each strip of the timeline is painted.

A strip is painted into a picture that is kept until something in it changes; what moves all the time (playhead,
selection, pointer) is laid over it by the widget.

The painting is this module's own rather than a plot of pyqtgraph for each strip. Measured on the same curves and
envelopes at 950 x 650 px, offscreen, two cores of an AMD EPYC: seven linked plots with items of our own 8.2 ms a
frame (median), this way 2.5 ms. What is taken from pyqtgraph is its way from arrays to Qt's lines and rectangles
without a Python object for each. Curves are single lines with square caps and not polylines: a rough one of 440
corners with a pen of 2 px costs 0.8 ms so, and 30 ms as one polyline that Qt has to stroke as a whole.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import cache, cached_property, lru_cache, partial

import numpy as np
from PySide6.QtCore import QLineF, QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QImage, QPainter, QPen, QStaticText
from shiboken6 import wrapInstance

from ridebook.gui.theme import Theme
from ridebook.gui.timeline_data import TimelineData, Window
from ridebook.gui.timeline_scale import Strip, TimeScale, ValueScale, tick_step_s, value_steps
from ridebook.gui.words import clock, signed
from ridebook.measure.measures import ABSENT_LUFS
from ridebook.ride.lane import Lane
from ridebook.ride.ridden import peak_gain_db

LOUDNESS_RANGE_LU = 27.0
BALANCE_RANGE_LU = 7.5
HATCH_PX = 6
POINT_PX = 8
EDGE_PX = 8
"""Curves are painted so far beyond what is kept of them, since they look a little different where they are cut off."""
TEXTS_KEPT = 4000
CROWDED = 400
UP, DOWN = "\N{BLACK UP-POINTING TRIANGLE}", "\N{BLACK DOWN-POINTING TRIANGLE}"
DASH_PX = (9.0, 5.5)
"""A dash begins every so many pixels, and is so long."""
CURVE_PX = 2
"""Curves have a point for every two pixels: with fewer corners they look the same and cost half."""
LABELS_PX = 18
"""Words are written where half of those in view are at least this wide."""
LEAST_WINDOW_PX = 4
"""Loudness is read over this many pixels at least: a curve that changes faster than that is a smear."""

Stretch = tuple[float, float]
"""From where to where, in frames or pixels."""
ALL: Stretch = (-math.inf, math.inf)

_SQUARE = Qt.PenCapStyle.SquareCap
"""Cap of the single lines that make up a curve, so that they close at its corners."""


class Hand:
    """A font, with the texts that were written in it kept ready: Qt lays out a text anew at every drawText."""

    def __init__(self, font: QFont) -> None:
        self.font = font
        self._metrics = QFontMetricsF(font)
        self._ascent_px = self._metrics.ascent()
        self._texts: dict[str, tuple[QStaticText, float]] = {}

    def _ready(self, text: str) -> tuple[QStaticText, float]:
        found = self._texts.get(text)
        if found is None:
            if len(self._texts) > TEXTS_KEPT:
                self._texts.clear()
            static = QStaticText(text)
            static.setTextFormat(Qt.TextFormat.PlainText)
            static.prepare(font=self.font)
            found = self._texts[text] = static, self._metrics.horizontalAdvance(text)
        return found

    def width_px(self, text: str) -> float:
        """Width of a text."""
        return self._ready(text)[1]

    def write(self, painter: QPainter, x: float, base_px: float, text: str, colour: QColor) -> None:
        """Write a text from `x` on, its letters standing on `base_px`."""
        painter.setFont(self.font)
        painter.setPen(colour)
        painter.drawStaticText(QPointF(round(x), round(base_px - self._ascent_px)), self._ready(text)[0])


def mixed(one: QColor, other: QColor, share: float) -> QColor:
    """Mix a colour with a share of another."""
    return QColor.fromRgbF(
        one.redF() + (other.redF() - one.redF()) * share,
        one.greenF() + (other.greenF() - one.greenF()) * share,
        one.blueF() + (other.blueF() - one.blueF()) * share,
    )


def tones(theme: Theme) -> dict[str, QColor]:
    """Mix the tones of the waves and of the aim's borders: solid, as see-through ones are painted more slowly."""
    page, card, vocal = theme.colour("page"), theme.colour("card"), theme.colour("vocal")
    return {
        "vocal": mixed(vocal, page, 0.08),
        "vocal raised": mixed(vocal, theme.colour("ink"), 0.6),
        "vocal before": mixed(vocal, page, 0.38),
        "bed": mixed(theme.colour("bed"), page, 0.2),
        "overview": mixed(theme.colour("bed"), card, 0.2),
        "aim": mixed(theme.colour("in_order"), theme.colour("aim_band"), 0.3),
    }


class Look:
    """A theme whose colours and fonts are made once: a frame asks for hundreds of them."""

    def __init__(self, theme: Theme) -> None:
        self.theme = theme
        self.px = cache(theme.px)
        self.colour = cache(theme.colour)
        self.small = Hand(theme.small())
        self.bold = Hand(theme.small(bold=True))
        self.text = Hand(theme.text())
        self.heading = Hand(theme.heading())
        self.tones = tones(theme)
        self.pixels = {name: np.uint32(colour.rgba()) for name, colour in self.tones.items()}
        word = theme.lyric()
        word.setPixelSize(theme.px(13))
        self.word = Hand(word)


@dataclass(frozen=True, eq=False)
class Curves:
    """Loudness across the view."""

    x: np.ndarray
    lattice_px: int
    middles_n: np.ndarray
    voice: np.ndarray
    vocal_lufs: np.ndarray
    bed_lufs: np.ndarray


@dataclass(frozen=True, eq=False)
class Scene:
    """All that a strip's painter needs to know.

    Parameters
    ----------
    data : TimelineData
        The song.
    time : TimeScale
        Frames across.
    strips : dict of str to Strip
        Where the strips are.
    theme : Look
        Colours and fonts.
    window : Window
        The sliding window of loudness and balance.
    points : frozenset of int
        Selected breakpoints.
    ratio : float
        Pixels of the screen in one of the layout.
    part : tuple of float
        From where to where to paint, in pixels; what lies outside is not seen and need not be worked out.
    """

    data: TimelineData
    time: TimeScale
    strips: Mapping[str, Strip]
    theme: Look
    window: Window
    points: frozenset[int] = frozenset()
    ratio: float = 1.0
    part: Stretch = ALL

    @cached_property
    def loudness_scale(self) -> ValueScale:
        """LUFS up the loudness strip."""
        strip = self.strips["loudness"]
        top = 3.0 * np.ceil((self.data.loudest_lufs + 1.5) / 3.0) if self.data.measures is not None else -12.0
        return ValueScale(float(top) - LOUDNESS_RANGE_LU, float(top), strip.top_px, strip.bottom_px)

    @cached_property
    def balance_scale(self) -> ValueScale:
        """LU up the balance strip: the song's aim in the middle."""
        strip = self.strips["balance"]
        session = self.data.session
        aims = [session.settings.aim_lu, *session.section_aims.values()]
        return ValueScale(min(aims) - BALANCE_RANGE_LU, max(aims) + BALANCE_RANGE_LU, strip.top_px, strip.bottom_px)

    @cached_property
    def lane_scale(self) -> ValueScale:
        """Gain in dB up the lane: the limits, or more where the lane has more, and a little air."""
        strip = self.strips["lane"]
        low, high = self.data.session.settings.lowest_db, self.data.session.settings.highest_db
        for lane in (self.data.lane, self.data.suggestion.lane if self.data.suggestion else Lane()):
            if lane.points:
                low, high = min(low, np.floor(lane.gains_db.min())), max(high, np.ceil(lane.gains_db.max()))
        return ValueScale(float(low) - 0.8, float(high) + 0.8, strip.top_px, strip.bottom_px)

    @cached_property
    def curves(self) -> Curves:
        """Loudness across the view, each value read over the window, or over a few pixels where that is longer."""
        data, time = self.data, self.time
        edges, left = time.bins_n(1 / CURVE_PX, *self.around(EDGE_PX))
        middles = (edges[:-1] + edges[1:]) / 2.0
        window_n = max(self.window.seconds * data.rate_hz, LEAST_WINDOW_PX * time.frames_per_px)
        return Curves(
            left + (np.arange(len(middles)) + 0.5) * CURVE_PX,
            round(float(edges[0]) / time.frames_per_px / CURVE_PX) * CURVE_PX,
            middles,
            data.in_voice(middles),
            data.loudness_lufs("vocal", middles, window_n),
            data.loudness_lufs("bed", middles, window_n),
        )

    def around(self, air_px: float) -> tuple[float, float]:
        """From where to where to paint, within the strips, and so much air on both sides."""
        left, right = self.part
        return max(left, self.time.left_px) - air_px, min(right, self.time.right_px) + air_px

    def around_n(self, air_px: float) -> tuple[float, float]:
        """Frames of what is to be painted, and so much air on both sides."""
        left, right = self.around(air_px)
        return self.time.frame_n(left), self.time.frame_n(right)

    def field(self, name: str) -> QRectF:
        """Give the strip itself, right of the gutter."""
        strip = self.strips[name]
        return QRectF(self.time.left_px, strip.top_px, self.time.right_px - self.time.left_px, strip.height_px)


# --- primitives ------------------------------------------------------------------------------------


class _Primitives:
    """Memory for lines or rectangles, seen by numpy as rows of four and by Qt as objects of its own."""

    def __init__(self, kind: type[QLineF] | type[QRectF]) -> None:
        self._kind = kind
        self._make(1024)

    def _make(self, rows_n: int) -> None:
        self._rows = np.empty((rows_n, 4))
        self._first = wrapInstance(self._rows.ctypes.data, self._kind)

    def of(self, *columns: np.ndarray | float, rows_n: int) -> tuple[QLineF | QRectF, int]:
        """Fill it, and give what Qt draws: the first, and how many."""
        if rows_n > len(self._rows):
            self._make(2 * rows_n)
        for i, column in enumerate(columns):
            self._rows[:rows_n, i] = column
        return self._first, rows_n


_lines = _Primitives(QLineF)
_rects = _Primitives(QRectF)


def draw_lines(painter: QPainter, x0: np.ndarray, y0: np.ndarray, x1: np.ndarray, y1: np.ndarray) -> None:
    """Draw many lines at once."""
    if len(x0):
        painter.drawLines(*_lines.of(x0, y0, x1, y1, rows_n=len(x0)))


def fill_rects(
    painter: QPainter,
    x: np.ndarray,
    y: np.ndarray,
    wide: np.ndarray | float,
    high: np.ndarray | float,
    colour: QColor,
) -> None:
    """Fill many rectangles at once."""
    if not len(x):
        return
    painter.setPen(Qt.PenStyle.NoPen)
    painter.setBrush(colour)
    painter.drawRects(*_rects.of(x, y, wide, high, rows_n=len(x)))
    painter.setBrush(Qt.BrushStyle.NoBrush)


def fill_squares(painter: QPainter, x: np.ndarray, y: np.ndarray, side_px: int, colour: QColor) -> None:
    """Fill many squares at once, around their middles."""
    half_px = side_px // 2
    fill_rects(painter, np.round(x) - half_px, np.round(y) - half_px, side_px, side_px, colour)


def draw_curve(painter: QPainter, x: np.ndarray, y: np.ndarray) -> None:
    """Draw a curve, broken where `y` is not a number."""
    there = np.isfinite(y)
    both = there[:-1] & there[1:]
    draw_lines(painter, x[:-1][both], y[:-1][both], x[1:][both], y[1:][both])


def _pen(colour: QColor, width: float = 1.0, cap: Qt.PenCapStyle = Qt.PenCapStyle.FlatCap) -> QPen:
    pen = QPen(colour, width)
    pen.setCapStyle(cap)
    return pen


def _gutter_text(
    painter: QPainter,
    scene: Scene,
    y_px: float,
    text: str,
    role: str = "pencil",
    *,
    left: bool = False,
    hand: Hand | None = None,
) -> None:
    theme = scene.theme
    hand = hand or theme.small
    x = theme.px(12) if left else scene.time.left_px - theme.px(8) - hand.width_px(text)
    hand.write(painter, x, y_px + theme.px(4), text, theme.colour(role))


def section_borders(painter: QPainter, scene: Scene, names: Iterable[str]) -> None:
    """Hairlines where sections begin, through the strips named."""
    table = scene.data.sections
    x = np.floor(scene.time.x_px(table.starts_n[table.between(*scene.around_n(1.0))])) + 0.5
    x = x[x > scene.time.left_px]
    strips = [scene.strips[name] for name in names]
    painter.setPen(_pen(scene.theme.colour("hairline")))
    draw_lines(
        painter,
        np.tile(x, len(strips)),
        np.repeat([strip.top_px for strip in strips], len(x)),
        np.tile(x, len(strips)),
        np.repeat([strip.bottom_px for strip in strips], len(x)),
    )


def _rules(painter: QPainter, scene: Scene, scale: ValueScale, labels: dict[float, str]) -> None:
    """Hairlines at values of a strip, with their labels in the gutter."""
    for value, label in labels.items():
        y = round(scale.y_px(value)) + 0.5
        painter.setPen(_pen(scene.theme.colour("hairline")))
        painter.drawLine(QPointF(scene.time.left_px, y), QPointF(scene.time.right_px, y))
        _gutter_text(painter, scene, y, label)


# --- strips ----------------------------------------------------------------------------------------


def backdrop(painter: QPainter, scene: Scene) -> None:
    """All that stays while the view moves: surfaces, scales and names."""
    theme = scene.theme
    for name in ("overview", "loudness", "balance", "lane"):
        painter.fillRect(scene.field(name), theme.colour("card"))
    for name in ("vocal", "bed"):
        _gutter_text(painter, scene, scene.strips[name].middle_px, name, name, left=True, hand=theme.text)
    for name, heading, scale in (
        ("loudness", "LUFS", scene.loudness_scale),
        ("balance", "balance", scene.balance_scale),
        ("lane", "lane, dB", scene.lane_scale),
    ):
        strip = scene.strips[name]
        _gutter_text(painter, scene, strip.top_px + theme.px(8), heading, "ink", left=True)
        if name == "balance":
            continue  # its scale turns on the aim, which is the section's
        steps = value_steps(scale.low, scale.high, strip.height_px, theme.px(17))
        near_top = scale.high - scale.per_px * theme.px(20)
        text = partial(signed, decimals=0)
        _rules(painter, scene, scale, {step: text(step) for step in steps if scale.low + 0.5 < step < near_top})
    y = round(scene.lane_scale.y_px(0.0)) + 0.5
    painter.setPen(_pen(theme.colour("edge")))
    painter.drawLine(QPointF(scene.time.left_px, y), QPointF(scene.time.right_px, y))
    if scene.data.session.trim_db:
        text = f"trim {signed(scene.data.session.trim_db)}"
        _gutter_text(painter, scene, scene.strips["ruler"].middle_px, text, left=True)


def backdrop_key(scene: Scene) -> tuple[object, ...]:
    """List what the backdrop depends on."""
    scales = (scene.loudness_scale, scene.balance_scale, scene.lane_scale)
    return scene.theme, tuple(scene.strips.values()), scene.time.right_px, scales, scene.data.session.trim_db


def paint_overview(painter: QPainter, scene: Scene) -> None:
    """Paint the whole song: the bed, the phrases under it, and a tick at every lost word."""
    data, theme = scene.data, scene.theme
    whole = TimeScale(0, data.frames_n, scene.time.left_px, scene.time.right_px, data.rate_hz)
    field = scene.field("overview")
    foot = theme.px(4)
    if data.bed_pyramid is not None:
        bins = int(field.width() * scene.ratio)
        low, high = data.bed_pyramid.envelope(0, data.frames_n, bins)
        reach = max(float(np.abs(low).max(initial=0)), float(np.abs(high).max(initial=0)), 1e-6)
        _envelope(
            painter,
            scene,
            field.adjusted(0, 0, 0, -foot),
            field.left(),
            low / reach,
            high / reach,
            theme.pixels["overview"],
        )
    y = field.bottom() - foot / 2
    x0, x1 = whole.x_px(data.phrases.starts_n), whole.x_px(data.phrases.ends_n)
    painter.setPen(_pen(theme.colour("vocal"), theme.px(2)))
    draw_lines(painter, x0, np.full(len(x0), y), np.maximum(x1, x0 + 1), np.full(len(x0), y))
    lost = data.words.starts_n[data.lost]
    x = np.unique(np.floor(whole.x_px(lost))) + 0.5
    painter.setPen(_pen(theme.colour("lost")))
    draw_lines(painter, x, np.full(len(x), field.top()), x, np.full(len(x), field.top() + theme.px(6)))


def paint_words(painter: QPainter, scene: Scene) -> None:
    """Section names, and the borders of phrases and words as bare ticks on a line, with the words that fit."""
    data, theme, time = scene.data, scene.theme, scene.time
    strip, field = scene.strips["words"], scene.field("words")
    painter.setClipRect(field)
    _section_names(painter, scene, field)
    base = strip.bottom_px - 0.5
    ink = theme.colour("ink")
    phrases = data.phrases.between(time.start_n, time.end_n)
    x0 = np.floor(time.x_px(data.phrases.starts_n[phrases])) + 0.5
    x1 = np.floor(time.x_px(data.phrases.ends_n[phrases])) + 0.5
    tall = theme.px(18)
    words = data.words.between(time.start_n, time.end_n)
    w0, w1 = time.x_px(data.words.starts_n[words]), time.x_px(data.words.ends_n[words])
    if len(w0) and np.median(w1 - w0) > theme.px(5):
        _sunk(painter, scene, words, w0, w1, base, tall)
        painter.setPen(_pen(theme.colour("pencil")))
        edges = np.unique(np.floor(np.concatenate([w0, w1])) + 0.5)
        draw_lines(painter, edges, np.full(len(edges), base - theme.px(5)), edges, np.full(len(edges), base))
        _doubts(painter, scene, w0[data.doubtful[words]], base)
        # A lone word here and there, where few fit, would only puzzle.
        if np.median(w1 - w0) > theme.px(LABELS_PX):
            _labels(painter, scene, words, w0, w1, base)
    painter.setPen(_pen(ink))
    draw_lines(painter, x0, np.full(len(x0), base), x1, np.full(len(x0), base))
    wide = x1 - x0 > 3
    for x in (x0[wide], x1[wide]):
        draw_lines(painter, x, np.full(len(x), base - tall), x, np.full(len(x), base))
    _brackets(painter, scene, phrases, x0, x1, base, tall)


def _section_names(painter: QPainter, scene: Scene, field: QRectF) -> None:
    data, theme = scene.data, scene.theme
    heading, small = theme.heading, theme.small
    base = field.top() + theme.px(13)
    inside = data.sections.between(scene.time.start_n, scene.time.end_n)
    for i, section in enumerate(data.sections.spans[inside], inside.start):
        left = max(scene.time.x_px(section.start_n), field.left()) + theme.px(6)
        room = scene.time.x_px(section.end_n) - left - theme.px(6)
        name = (section.label or f"Section {i + 1}").upper()
        name_px = heading.width_px(name)
        if name_px > room:
            continue
        heading.write(painter, left, base, name, theme.colour("ink"))
        aim = f"aim {signed(data.session.section_aims.get(section.id, data.session.settings.aim_lu))}"
        if name_px + theme.px(10) + small.width_px(aim) < room:
            small.write(painter, left + name_px + theme.px(10), base, aim, theme.colour("pencil"))


def _sunk(
    painter: QPainter, scene: Scene, words: slice, w0: np.ndarray, w1: np.ndarray, base: float, tall: float
) -> None:
    """Wash behind each lost word, as high as it has sunk, with a gauge tick at its left."""
    data, theme = scene.data, scene.theme
    wash = mixed(theme.colour("bed"), theme.colour("page"), 0.62)
    for i in np.flatnonzero(data.lost[words]).tolist():
        height = tall * data.sunk_share[words][i]
        painter.fillRect(QRectF(w0[i], base - height, w1[i] - w0[i], height), wash)
        painter.fillRect(QRectF(round(w0[i]), base - tall, 2, tall), theme.colour("lost"))
        painter.fillRect(QRectF(round(w0[i]), base - height - 1, theme.px(5), 2), theme.colour("lost"))


def _doubts(painter: QPainter, scene: Scene, x: np.ndarray, base: float) -> None:
    """Three dots up from the border where a word begins doubtfully, in place of its tick."""
    theme = scene.theme
    side_px, step_px = max(2, theme.px(2)), max(3, theme.px(4))
    left = np.floor(x) - side_px // 2
    fill_rects(painter, left, np.full(len(x), base - theme.px(5)), side_px + 1, theme.px(5), theme.colour("page"))
    for k in range(3):
        top = np.full(len(x), round(base) - (k + 1) * step_px)
        fill_rects(painter, left, top, side_px, side_px, theme.colour("ink"))


def _labels(painter: QPainter, scene: Scene, words: slice, w0: np.ndarray, w1: np.ndarray, base: float) -> None:
    theme = scene.theme
    hand, ink = theme.word, theme.colour("ink")
    gap = theme.px(5)
    pencil = theme.colour("pencil")
    texts = scene.data.word_texts[words]
    for word, text, left, right in zip(scene.data.words.spans[words], texts, w0.tolist(), w1.tolist()):
        if right - left > 2 * gap:
            wide = hand.width_px(text)
            if wide <= right - left - gap:
                colour = ink if word.label else pencil
                hand.write(painter, (left + right - wide) / 2 + 1, base - theme.px(7), text, colour)


def _brackets(
    painter: QPainter, scene: Scene, phrases: slice, x0: np.ndarray, x1: np.ndarray, base: float, tall: float
) -> None:
    """Put a bracket around each locked phrase."""
    theme, locked = scene.theme, scene.data.locked[phrases]
    painter.setPen(_pen(theme.colour("ink"), 2))
    foot = theme.px(5)
    for left, right in zip(x0[locked].tolist(), x1[locked].tolist()):
        for x, way in ((left, foot), (right, -foot)):
            painter.drawPolyline(
                [QPointF(x + way, base - tall), QPointF(x, base - tall), QPointF(x, base), QPointF(x + way, base)]
            )


def _envelope(
    painter: QPainter,
    scene: Scene,
    field: QRectF,
    left_px: float,
    low: np.ndarray,
    high: np.ndarray,
    colours: np.uint32 | np.ndarray,
) -> None:
    """Fill columns of one pixel of the screen from low to high (-1 to 1) in a field.

    Done on pixels: as lines they cost Qt five times as much.
    """
    ratio = scene.ratio
    middle, half = field.center().y() * ratio, field.height() / 2 * ratio
    upper = np.floor(middle - np.minimum(high, 1.0) * half).astype(np.int16)
    lower = np.floor(middle - np.maximum(low, -1.0) * half).astype(np.int16) + np.int16(1)
    first_row = int(upper.min())
    pixels = _between(upper, lower, first_row, int(lower.max())) * colours
    _draw_pixels(painter, scene, round(left_px * ratio) / ratio, first_row / ratio, pixels)


def _between(upper: np.ndarray, lower: np.ndarray, first_row: int, last_row: int) -> np.ndarray:
    """Which pixels lie from the row `upper` to before the row `lower` of their column, bool, shape (rows, columns)."""
    rows = np.arange(first_row, last_row, dtype=np.int16)[:, None]
    inside: np.ndarray = (rows >= upper) & (rows < lower)
    return inside


def _draw_pixels(painter: QPainter, scene: Scene, left_px: float, top_px: float, pixels: np.ndarray) -> None:
    """Draw pixels of the screen, uint32 ARGB premultiplied, shape (rows, columns)."""
    high, wide = pixels.shape
    image = QImage(pixels.data, wide, high, wide * 4, QImage.Format.Format_ARGB32_Premultiplied)
    image.setDevicePixelRatio(scene.ratio)
    painter.drawImage(QPointF(left_px, top_px), image)


def paint_vocal(painter: QPainter, scene: Scene) -> None:
    """Paint the vocal's wave as it will sound: what a ride adds stands out darker, what it takes stays as a trace."""
    data, tone = scene.data, scene.theme.pixels
    field = scene.field("vocal")
    if data.vocal_pyramid is None:
        return
    painter.setClipRect(field)
    edges, left = scene.time.bins_n(scene.ratio, *scene.around(0))
    low, high = data.vocal_pyramid.extremes(edges)
    low, high = low / data.vocal_reach, high / data.vocal_reach
    gain = 10.0 ** (peak_gain_db(data.lane, data.session.trim_db, edges) / 20.0)
    least, most = np.minimum(gain, 1.0), np.maximum(gain, 1.0)
    beyond = np.where(gain < 0.995, tone["vocal before"], np.where(gain > 1.005, tone["vocal raised"], np.uint32(0)))
    _envelope(painter, scene, field, left, low * most, high * most, beyond)
    _envelope(painter, scene, field, left, low * least, high * least, tone["vocal"])


def paint_bed(painter: QPainter, scene: Scene) -> None:
    """Paint the bed's wave."""
    data, theme = scene.data, scene.theme
    field = scene.field("bed")
    painter.setClipRect(field)
    if data.bed_pyramid is not None:
        edges, left = scene.time.bins_n(scene.ratio, *scene.around(0))
        low, high = data.bed_pyramid.extremes(edges)
        colour = theme.pixels["bed"]
        _envelope(painter, scene, field, left, low / data.bed_reach, high / data.bed_reach, colour)


@lru_cache(maxsize=16)
def _texture(kind: str, colour: str, ratio: float, wide: int, high: int) -> np.ndarray:
    """Slanted lines (``lines``) or dots (``dots``) as pixels, uint32 ARGB premultiplied, shape (high, wide)."""
    tile_wide, tile_high = (HATCH_PX, HATCH_PX * 3) if kind == "lines" else (HATCH_PX, HATCH_PX)
    tile = QImage(round(tile_wide * ratio), round(tile_high * ratio), QImage.Format.Format_ARGB32_Premultiplied)
    tile.fill(Qt.GlobalColor.transparent)
    painter = QPainter(tile)
    painter.scale(tile.width() / tile_wide, tile.height() / tile_high)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    if kind == "lines":
        painter.setPen(_pen(QColor(colour), 1.2))
        for left in (-tile_wide, 0, tile_wide):
            painter.drawLine(QPointF(left - tile_wide, -tile_high), QPointF(left + tile_wide, tile_high))
    else:
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(QColor(colour))
        painter.drawEllipse(QPointF(tile_wide / 2, tile_high / 2), 1.1, 1.1)
    painter.end()
    pixels = np.frombuffer(tile.constBits(), dtype=np.uint32).reshape(tile.height(), tile.bytesPerLine() // 4)
    pixels = pixels[:, : tile.width()]
    times = (high // pixels.shape[0] + 1, wide // pixels.shape[1] + 1)
    return np.ascontiguousarray(np.tile(pixels, times)[:high, :wide])


def _fill_between(
    painter: QPainter,
    scene: Scene,
    name: str,
    c: Curves,
    where: np.ndarray,
    y0: np.ndarray,
    y1: np.ndarray,
    kind: str,
    role: str,
) -> None:
    """Hatch or dot the ground between two curves wherever it is told; the pattern is fixed to the song.

    Done on pixels: polygons with a pattern cost Qt up to 25 ms a frame where the curves are rough.
    """
    if not where.any():
        return
    field, ratio = scene.field(name), scene.ratio
    first, last = np.flatnonzero(where)[[0, -1]]
    left = max(field.left(), float(c.x[first]) - CURVE_PX / 2)
    wide = round((min(field.right(), float(c.x[last]) + CURVE_PX / 2) - left) * ratio)
    high = round(field.height() * ratio)
    if wide < 1:
        return
    x = left + (np.arange(wide) + 0.5) / ratio
    at = np.clip(((x - c.x[0]) / CURVE_PX + 0.5).astype(np.int64), 0, len(c.x) - 1)
    # Rows of pixels; where there is nothing to fill the last is before the first.
    upper = ((np.where(where, y0, field.bottom()) - field.top()) * ratio + 0.5).astype(np.int16)[at]
    lower = ((np.where(where, y1, field.top()) - field.top()) * ratio + 0.5).astype(np.int16)[at]
    first_row, last_row = max(0, int(upper.min())), min(high, int(lower.max()))
    if last_row <= first_row:
        return
    period = round(HATCH_PX * ratio)
    phase = round((left - float(c.x[0])) * ratio + c.lattice_px * ratio) % period
    full = math.ceil(field.width() * ratio) + 2 * period
    texture = _texture(kind, scene.theme.colour(role).name(), ratio, full, high)
    pixels = _between(upper, lower, first_row, last_row) * texture[first_row:last_row, phase : phase + wide]
    _draw_pixels(painter, scene, left, field.top() + first_row / ratio, pixels)


def paint_loudness(painter: QPainter, scene: Scene) -> None:
    """Loudness of vocal and bed; hatched where the vocal lies under the bed."""
    data, theme = scene.data, scene.theme
    strip, scale = scene.strips["loudness"], scene.loudness_scale
    if data.measures is None:
        _waiting(painter, scene, "loudness")
        return
    air_px = EDGE_PX if scene.part != ALL else 0
    painter.setClipRect(scene.field("loudness").adjusted(-air_px, 0, air_px, 0))
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    c = scene.curves
    floor = strip.bottom_px + 4.0
    y_vocal = np.minimum(scale.y_px(np.maximum(c.vocal_lufs, ABSENT_LUFS - 40)), floor)
    y_bed = np.minimum(scale.y_px(np.maximum(c.bed_lufs, ABSENT_LUFS - 40)), floor)
    under = c.voice & (c.vocal_lufs < c.bed_lufs) & (c.bed_lufs > ABSENT_LUFS)
    _fill_between(painter, scene, "loudness", c, under, y_bed, y_vocal, "lines", "lost")
    painter.setPen(_pen(theme.colour("bed"), 1.4, _SQUARE))
    draw_curve(painter, c.x, np.where(c.bed_lufs > ABSENT_LUFS, y_bed, np.nan))
    painter.setPen(_pen(theme.colour("vocal"), 1.6, _SQUARE))
    draw_curve(painter, c.x, np.where(c.voice, y_vocal, np.nan))
    painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)


def _waiting(painter: QPainter, scene: Scene, name: str) -> None:
    painter.setPen(scene.theme.colour("pencil"))
    painter.setFont(scene.theme.theme.small(italic=True))
    painter.drawText(scene.field(name), Qt.AlignmentFlag.AlignCenter, "being measured")


def paint_balance(painter: QPainter, scene: Scene) -> None:
    """Balance with the aim's band; hatched where it leaves the band, each phrase's own mean as a bar."""
    data, theme, time = scene.data, scene.theme, scene.time
    strip, scale = scene.strips["balance"], scene.balance_scale
    field = scene.field("balance")
    settings = data.session.settings
    _aim_band(painter, scene, scale)
    aim = float(data.aims_lu(np.array([max(time.start_n, 0)]))[0])
    apart = scale.per_px * theme.px(22)
    labels = {step: signed(step, 0) for step in value_steps(scale.low, scale.high, strip.height_px, theme.px(22))}
    top = scale.high - scale.per_px * theme.px(22)
    for step, label in labels.items():
        if abs(step - aim) >= apart and scale.low + apart / 3 < step < top:
            _gutter_text(painter, scene, scale.y_px(step), label)
    _gutter_text(painter, scene, scale.y_px(aim), signed(aim), "in_order", hand=theme.bold)
    if data.measures is None:
        _waiting(painter, scene, "balance")
        return
    painter.setClipRect(field)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    c = scene.curves
    heard = c.voice & (c.bed_lufs > ABSENT_LUFS) & np.isfinite(c.vocal_lufs)
    balance = np.where(heard, c.vocal_lufs - np.where(heard, c.bed_lufs, 0.0), np.nan)
    aims = data.aims_lu(c.middles_n)
    y = np.clip(scale.y_px(balance), strip.top_px - 3.0, strip.bottom_px + 3.0)
    y_low, y_high = scale.y_px(aims - settings.band_lu), scale.y_px(aims + settings.band_lu)
    _fill_between(painter, scene, "balance", c, heard & (y > y_low), y_low, y, "lines", "lost")
    _fill_between(painter, scene, "balance", c, heard & (y < y_high), y, y_high, "dots", "pencil")
    painter.setPen(_pen(theme.colour("ink"), 1.0, _SQUARE))
    draw_curve(painter, c.x, y)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
    _phrase_bars(painter, scene, scale)


def _aim_band(painter: QPainter, scene: Scene, scale: ValueScale) -> None:
    """Band around the aim, section by section."""
    data, time = scene.data, scene.time
    table = data.sections
    inside = table.between(time.start_n, time.end_n)
    cuts = np.unique(np.concatenate([[time.start_n, time.end_n], table.starts_n[inside], table.ends_n[inside]]))
    cuts = cuts[(cuts >= time.start_n) & (cuts <= time.end_n)]
    band = data.session.settings.band_lu
    aims = data.aims_lu((cuts[:-1] + cuts[1:]) / 2)
    x = np.round(time.x_px(cuts))
    upper, lower = np.round(scale.y_px(aims + band)), np.round(scale.y_px(aims - band))
    fill_rects(painter, x[:-1], upper, np.diff(x), lower - upper, scene.theme.colour("aim_band"))
    painter.setPen(_pen(scene.theme.tones["aim"]))
    for y in (upper, lower):
        draw_lines(painter, x[:-1], y + 0.5, x[1:], y + 0.5)


def _phrase_bars(painter: QPainter, scene: Scene, scale: ValueScale) -> None:
    """Mean balance of each phrase; out of the band with an arrow and how far."""
    data, theme, time = scene.data, scene.theme, scene.time
    strip = scene.strips["balance"]
    inside = data.phrases.between(time.start_n, time.end_n)
    if inside.stop <= inside.start:
        return
    balances = data.phrase_balances[inside]
    middles = (data.phrases.starts_n[inside] + data.phrases.ends_n[inside]) / 2
    over = balances - data.aims_lu(middles)
    band = data.session.settings.band_lu
    x0, x1 = time.x_px(data.phrases.starts_n[inside]), time.x_px(data.phrases.ends_n[inside])
    y = np.clip(scale.y_px(balances), strip.top_px + 2, strip.bottom_px - 3)
    out = np.isfinite(balances) & (np.abs(over) > band)
    low = out & (over < 0)
    wide = np.maximum(x1 - x0, 2.0)
    for which, role in ((np.isfinite(balances) & ~low, "ink"), (low, "lost")):
        fill_rects(painter, x0[which], np.round(y[which]) - 1, wide[which], 3, theme.colour(role))
    for i in np.flatnonzero(out & (wide > theme.px(40))).tolist():
        text = f"{DOWN if low[i] else UP} {signed(balances[i])}"
        text_px = theme.bold.width_px(text)
        if text_px > wide[i] + theme.px(6):
            continue
        # The arrow says which way the phrase is out; it stands beyond the bar, where the band is not.
        base = y[i] + theme.px(14) if low[i] else y[i] - theme.px(6)
        base = min(max(base, strip.top_px + theme.px(12)), strip.bottom_px - theme.px(4))
        left = (max(x0[i], time.left_px) + min(x1[i], time.right_px) - text_px) / 2
        plate = QRectF(left - 3, base - theme.px(11), text_px + 6, theme.px(14))
        painter.fillRect(plate, theme.colour("card"))
        theme.bold.write(painter, left, base, text, theme.colour("lost" if low[i] else "ink"))


def paint_lane(painter: QPainter, scene: Scene) -> None:
    """Paint the lane: what is suggested in pencil behind what is decided in ink."""
    theme, scale = scene.theme, scene.lane_scale
    painter.setClipRect(scene.field("lane"))
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    _pencil(painter, scene)
    x, y = _corners(scene)
    crowded = is_crowded(scene)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing, not crowded)
    painter.setPen(_pen(theme.colour("ink"), 1.0 if crowded else 2.0, _SQUARE))
    draw_curve(painter, x, y)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
    _points(painter, scene, scale)


def is_crowded(scene: Scene) -> bool:
    """Whether the lane is a thicket of corners: finely drawn lines would cost much and show nothing more."""
    first, last = np.searchsorted(scene.data.lane.frames, [scene.time.start_n, scene.time.end_n])
    return bool(last - first > CROWDED)


def _corners(scene: Scene) -> tuple[np.ndarray, np.ndarray]:
    """Corners of the lane where it is to be painted, the last one before and the first one after it too.

    Lines from corner to corner look the same whatever part of them is painted.
    """
    lane, frames_n = scene.data.lane, scene.data.frames_n
    ends_n = np.array([-frames_n, 2 * frames_n])
    frames = np.concatenate([ends_n[:1], lane.frames, ends_n[1:]])
    first, last = np.searchsorted(frames, scene.around_n(POINT_PX))
    frames = frames[max(0, first - 1) : last + 1]
    return scene.time.x_px(frames), scene.lane_scale.y_px(lane.gain_db_at(frames))


def _line(scene: Scene, lane: Lane, start_n: float, end_n: float) -> tuple[np.ndarray, np.ndarray]:
    """Corners of a lane between two frames, and where it enters and leaves."""
    inside = lane.frames[(lane.frames > start_n) & (lane.frames < end_n)]
    frames = np.concatenate([[start_n], inside, [end_n]])
    return scene.time.x_px(frames), scene.lane_scale.y_px(lane.gain_db_at(frames))


def _pencil(painter: QPainter, scene: Scene) -> None:
    """Draw what is suggested, dashed; what was turned down, struck out."""
    data, theme, time = scene.data, scene.theme, scene.time
    start_n, end_n = scene.around_n(theme.px(POINT_PX))
    struck = [each for each in data.struck if each.end_n > start_n and each.start_n < end_n]
    cells = [(time.x_px(each.start_n), time.x_px(each.end_n)) for each in struck]
    painter.setPen(_pen(theme.colour("pencil"), 1.4))
    if data.suggestion is not None:
        _dashed(painter, scene, *_line(scene, data.suggestion.lane, 0, data.frames_n), leave_out=cells)
    for decided_on, (left, right) in zip(struck, cells):
        x, y = _line(scene, Lane(decided_on.points), decided_on.start_n, decided_on.end_n)
        _dashed(painter, scene, x, y)
        at = np.arange(left + theme.px(8), right - theme.px(4), theme.px(14))
        first_px, last_px = scene.around(theme.px(8))
        at = at[(at > first_px) & (at < last_px)]
        on = np.interp(at, x, y)
        away = np.abs(on - scene.lane_scale.y_px(0.0)) > 2.0
        at, on = at[away], on[away]
        draw_lines(painter, at - theme.px(3), on + theme.px(5), at + theme.px(3), on - theme.px(5))


def _dashed(
    painter: QPainter,
    scene: Scene,
    x: np.ndarray,
    y: np.ndarray,
    leave_out: Iterable[tuple[float, float]] = (),
) -> None:
    """Draw the part of a line that is in the view in dashes; they stay where they are when the view moves.

    Cut by hand: Qt's own dashes cost many times as much on a line of hundreds of corners.
    """
    along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    first, last = np.interp(scene.around(2.0), x, along)
    starts = np.arange(np.floor(first / DASH_PX[0]), last / DASH_PX[0]) * DASH_PX[0]
    for left, right in leave_out:
        a, b = np.interp([left, right], x, along)
        starts = starts[(starts < a) | (starts >= b)]
    ends = starts + DASH_PX[1]
    x0, x1 = np.interp(starts, along, x), np.interp(ends, along, x)
    draw_lines(painter, x0, np.interp(starts, along, y), x1, np.interp(ends, along, y))


def _points(painter: QPainter, scene: Scene, scale: ValueScale) -> None:
    """Breakpoints as squares, the selected ones filled and larger."""
    data, theme, time = scene.data, scene.theme, scene.time
    lane = data.lane
    first, last = np.searchsorted(lane.frames, scene.around_n(theme.px(POINT_PX)))
    if last <= first:
        return
    # With their neighbours beyond, so that each looks the same whatever part is painted.
    before, after = max(0, first - 1), min(len(lane.frames), last + 1)
    x = time.x_px(lane.frames[before:after])
    y = scale.y_px(lane.gains_db[before:after])
    # A square gives way to a dot where its neighbours are too close for both.
    apart = np.concatenate([[np.inf], np.maximum(np.diff(x), np.abs(np.diff(y))), [np.inf]])
    crowded = np.minimum(apart[:-1], apart[1:]) < theme.px(POINT_PX) + 1
    x, y, crowded = (each[first - before : len(each) - (after - last)] for each in (x, y, crowded))
    chosen = np.zeros(len(lane.frames), dtype=bool)
    chosen[[i for i in scene.points if i < len(chosen)]] = True
    chosen = chosen[first:last]
    ink, page, selection = theme.colour("ink"), theme.colour("page"), theme.colour("selection")
    # Filled twice instead of outlined: Qt fills rectangles some ten times faster than it strokes them.
    for which, edge, fill, side in (
        (crowded & ~chosen, ink, ink, 4),
        (~crowded & ~chosen, ink, page, POINT_PX + 2),
        (chosen, selection, selection, POINT_PX + 4),
    ):
        side_px = theme.px(side)
        fill_squares(painter, x[which], y[which], side_px, edge)
        if fill is not edge:
            fill_squares(painter, x[which], y[which], side_px - 4, fill)


def paint_ruler(painter: QPainter, scene: Scene) -> None:
    """Paint times along the foot."""
    theme, time = scene.theme, scene.time
    strip = scene.strips["ruler"]
    seconds_per_px = time.frames_per_px / time.rate_hz
    step = tick_step_s(seconds_per_px, theme.px(86))
    decimals = 0 if step >= 1 else 1 if step >= 0.1 else 2
    first = int(np.ceil(time.start_n / time.rate_hz / step))
    last = int(np.floor(time.end_n / time.rate_hz / step))
    for k in range(first, last + 1):
        x = np.floor(time.x_px(k * step * time.rate_hz)) + 0.5
        painter.setPen(_pen(theme.colour("edge")))
        painter.drawLine(QPointF(x, strip.top_px), QPointF(x, strip.top_px + theme.px(4)))
        text = clock(k * step * time.rate_hz, time.rate_hz, decimals)
        wide = theme.small.width_px(text)
        left = min(max(x - wide / 2, time.left_px), time.right_px - wide - 1)
        theme.small.write(painter, left, strip.top_px + theme.px(16), text, theme.colour("pencil"))


PAINTERS: dict[str, Callable[[QPainter, Scene], None]] = {
    "overview": paint_overview,
    "words": paint_words,
    "vocal": paint_vocal,
    "bed": paint_bed,
    "loudness": paint_loudness,
    "balance": paint_balance,
    "lane": paint_lane,
    "ruler": paint_ruler,
}
"""How each strip is painted, from top to bottom."""
