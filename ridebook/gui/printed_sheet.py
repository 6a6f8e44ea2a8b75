"""The printed sheet: the lyric with its rides in the margin, figures, findings, and small pictures of balance and lane.

Painted from a report alone, in tenths of a point, on as many pages as it takes. ``python -m ridebook.gui.printed_sheet
REPORT`` does it in a process of its own, where no display is needed; `print_sheet` calls that.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from PySide6.QtCore import QLineF, QLocale, QMarginsF, QPointF, QRectF, QSizeF, Qt
from PySide6.QtGui import (
    QColor,
    QFont,
    QFontMetricsF,
    QImage,
    QPageLayout,
    QPageSize,
    QPainter,
    QPdfWriter,
    QPen,
    QPolygonF,
)

from ridebook.errors import OutputError
from ridebook.exchange.report import Report, report_from_json, report_json
from ridebook.exchange.sheet_content import (
    DASH,
    Mark,
    SheetContent,
    SheetRow,
    balance_limits,
    clock,
    lane_limits,
    lane_line,
    sheet_content,
    signed,
)
from ridebook.gui.words import with_minus

WAIT_S = 120.0
PNG_DPI = 160
UNIT = 10
"""Units in a point: fonts are sized in whole ones."""

# On white paper and in black and white: ink is black, pencil a grey of 5.7 to 1, a wash a light grey.
INK, PENCIL, HAIR, WASH, BAND = "#16181D", "#5F6672", "#BDB6A6", "#DFD9CB", "#E7ECE8"
LOST = "#8C2F0E"

MARGIN = 46 * UNIT
FOOT = 30 * UNIT


class Paper(StrEnum):
    """Paper to print on."""

    A4 = "a4"
    LETTER = "letter"


SIZES_PT = {Paper.A4: (595.276, 841.89), Paper.LETTER: (612.0, 792.0)}
"""ISO 216 A4, 210 x 297 mm, and ANSI Letter, 8.5 x 11 in, at 72 points to the inch."""


def print_sheet(
    report: Report,
    *,
    pdf: Path | None = None,
    png: Path | None = None,
    paper: Paper = Paper.A4,
    protect: Sequence[Path | str] = (),
) -> tuple[Path, ...]:
    """Print the sheet in a process of its own, so that it works without a display and holds no window up.

    Parameters
    ----------
    report : Report
        What is printed.
    pdf, png : Path, optional
        Files to write; where PNG takes several pages, the later ones have ``-2``, ``-3`` before the suffix.
    paper : Paper
        Paper size.
    protect : sequence of path-like
        Sources, which are never written over.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    OutputError
        A file cannot be written, or this system lacks what Qt needs.
    """
    with tempfile.TemporaryDirectory() as folder:
        source = Path(folder) / "report.json"
        source.write_bytes(report_json(report))
        command = [sys.executable, "-m", "ridebook.gui.printed_sheet", str(source), paper.value, folder]
        environment = {**os.environ, "QT_QPA_PLATFORM": "offscreen"}
        try:
            made = subprocess.run(command, env=environment, capture_output=True, timeout=WAIT_S, check=False)
        except (OSError, subprocess.TimeoutExpired) as error:
            raise OutputError(f"the sheet cannot be printed: {error}") from error
        if made.returncode != 0:
            last = made.stderr.decode("utf-8", "replace").strip().splitlines()[-1:] or ["no reason was given"]
            raise OutputError(f"the sheet cannot be printed; this system may lack what Qt needs ({last[0][:200]})")
        return _placed(Path(folder), pdf, png, protect)


def usual_paper() -> Paper:
    """Paper that is usual where the user is."""
    metric = QLocale.system().measurementSystem() is QLocale.MeasurementSystem.MetricSystem
    return Paper.A4 if metric else Paper.LETTER


def _placed(folder: Path, pdf: Path | None, png: Path | None, protect: Sequence[Path | str]) -> tuple[Path, ...]:
    """Put the pages where they are wanted, each at once."""
    from ridebook.audio.output import atomic_write

    written = []
    if pdf is not None:
        atomic_write(pdf, (folder / "sheet.pdf").read_bytes(), protect)
        written.append(pdf)
    if png is not None:
        for number, page in enumerate(sorted(folder.glob("page-*.png")), start=1):
            target = png if number == 1 else png.with_name(f"{png.stem}-{number}{png.suffix}")
            atomic_write(target, page.read_bytes(), protect)
            written.append(target)
    return tuple(written)


def main(arguments: list[str]) -> int:
    """Print a report's JSON to ``sheet.pdf`` and ``page-NNN.png`` in a folder."""
    from PySide6.QtWidgets import QApplication

    from ridebook.gui.theme import themes

    app = QApplication([])
    app.setApplicationName("Ridebook")
    themes()  # loads the fonts
    report = report_from_json(Path(arguments[0]).read_bytes())
    paper, folder = Paper(arguments[1]), Path(arguments[2])
    pages = laid_out(report, paper)
    write_pdf(pages, paper, folder / "sheet.pdf", report.title)
    for number, image in enumerate(page_images(pages, paper), start=1):
        if not image.save(str(folder / f"page-{number:03d}.png"), "PNG"):
            return 1
    return 0


Stroke = Callable[[QPainter], None]
Page = list[Stroke]


def write_pdf(pages: Sequence[Page], paper: Paper, path: Path, title: str) -> None:
    """Write pages as a PDF."""
    writer = QPdfWriter(str(path))
    writer.setPageSize(QPageSize(QSizeF(*SIZES_PT[paper]), QPageSize.Unit.Point, paper.value))
    writer.setPageMargins(QMarginsF(0, 0, 0, 0), QPageLayout.Unit.Point)
    writer.setResolution(72 * UNIT)
    writer.setTitle(title)
    writer.setCreator("Ridebook")
    painter = QPainter(writer)
    for number, page in enumerate(pages):
        if number:
            writer.newPage()
        for stroke in page:
            stroke(painter)
    painter.end()


def page_images(pages: Sequence[Page], paper: Paper, dpi: int = PNG_DPI) -> list[QImage]:
    """Pages as pictures."""
    wide, high = SIZES_PT[paper]
    images = []
    for page in pages:
        image = QImage(round(wide * dpi / 72), round(high * dpi / 72), QImage.Format.Format_RGB32)
        image.setDotsPerMeterX(round(dpi / 0.0254))
        image.setDotsPerMeterY(round(dpi / 0.0254))
        image.fill(QColor("white"))
        painter = QPainter(image)
        painter.setRenderHints(QPainter.RenderHint.Antialiasing | QPainter.RenderHint.TextAntialiasing)
        scale = dpi / 72 / UNIT
        painter.scale(scale, scale)
        for stroke in page:
            stroke(painter)
        painter.end()
        images.append(image)
    return images


def laid_out(report: Report, paper: Paper) -> list[Page]:
    """Lay a report out on pages."""
    return _Layout(report, sheet_content(report), paper).pages()


@dataclass(frozen=True, slots=True)
class _Columns:
    """Where things lie across the page."""

    left: float
    right: float

    @property
    def lyric(self) -> float:
        return self.left + 38 * UNIT

    @property
    def margin(self) -> float:
        """Line between lyric and margin."""
        return self.right - 148 * UNIT

    @property
    def glyph(self) -> float:
        return self.margin + 10 * UNIT

    @property
    def ride(self) -> float:
        """Right edge of the ride's figure."""
        return self.right - 44 * UNIT


class _Layout:
    """Lays the sheet out from top to bottom, page by page."""

    def __init__(self, report: Report, content: SheetContent, paper: Paper) -> None:
        wide, high = (size * UNIT for size in SIZES_PT[paper])
        self._report, self._content = report, content
        self._columns = _Columns(MARGIN, wide - MARGIN)
        self._bottom = high - MARGIN - FOOT
        self._high = high
        self._pages: list[Page] = [[]]
        self._y = float(MARGIN)

    def pages(self) -> list[Page]:
        self._head()
        self._plots()
        self._figures()
        self._lyric()
        self._findings()
        self._feet()
        return self._pages

    # --- parts -----------------------------------------------------------------------------------

    def _head(self) -> None:
        self._text(self._content.title, _serif(22, bold=True), INK, 30)
        for line in self._content.about:
            self._text(line, _sans(9), PENCIL, 13)
        self._y += 6 * UNIT

    def _figures(self) -> None:
        """Lay counts and meters beside each other."""
        counts, meters = self._content.counts, self._content.meters
        half = max(len(counts), len(meters))
        row = 14 * UNIT
        self._heading("Before and after", 24 * UNIT + (half + 1) * row)
        gap = 28 * UNIT
        wide = (self._columns.right - self._columns.left - gap) / 2
        top = self._y
        for k, part in enumerate((counts, meters)):
            left = self._columns.left + k * (wide + gap)
            after, before = left + wide, left + wide - 48 * UNIT
            if not part:
                continue
            for right, name in ((before, "before"), (after, "after")):
                self._put(name, QRectF(right - 60 * UNIT, top, 60 * UNIT, row), _sans(8), PENCIL, right=True)
            for i, line in enumerate(part, start=1):
                y = top + i * row
                self._rule(left, y, left + wide)
                name = _elided(line.name, _sans(9), wide - 100 * UNIT)
                self._put(name, QRectF(left, y, wide - 96 * UNIT, row), _sans(9), INK)
                self._put(line.before, QRectF(before - 60 * UNIT, y, 60 * UNIT, row), _sans(9), PENCIL, right=True)
                bold = _sans(9, bold=True)
                self._put(line.after, QRectF(after - 60 * UNIT, y, 60 * UNIT, row), bold, INK, right=True)
        self._y = top + (half + 1) * row + 4 * UNIT

    def _plots(self) -> None:
        report = self._report
        high, lane_high = 62 * UNIT, 46 * UNIT
        self._heading("Balance and lane", 24 * UNIT + high + lane_high + 46 * UNIT)
        left, right = self._columns.left + 30 * UNIT, self._columns.right
        top = self._y + (14 * UNIT if any(section.label for section in report.sections) else 0)
        low_lu, high_lu = balance_limits(report)
        low_db, high_db = lane_limits(report)
        lane_top = top + high + 12 * UNIT
        bottom = lane_top + lane_high

        def x(time_s: float) -> float:
            return left + (right - left) * time_s / report.seconds

        def y_lu(value: float) -> float:
            value = min(max(value, low_lu), high_lu)
            return top + high * (high_lu - value) / (high_lu - low_lu)

        def y_db(value: float) -> float:
            return lane_top + lane_high * (high_db - value) / (high_db - low_db)

        stretches = [(s.start_s, s.end_s, s.aim_lu) for s in report.sections] or [(0.0, report.seconds, report.aim_lu)]
        line = [QPointF(x(time_s), y_db(gain_db)) for time_s, gain_db in lane_line(report)]

        def draw(painter: QPainter) -> None:
            for start_s, end_s, aim_lu in stretches:
                band = QRectF(
                    QPointF(x(start_s), y_lu(aim_lu + report.band_lu)), QPointF(x(end_s), y_lu(aim_lu - report.band_lu))
                )
                painter.fillRect(band, QColor(BAND))
                painter.setPen(_pen(PENCIL, 0.5, dotted=True))
                painter.drawLine(QLineF(x(start_s), y_lu(aim_lu), x(end_s), y_lu(aim_lu)))
            painter.setPen(_pen(HAIR, 0.6))
            for y in (top, top + high, lane_top, bottom):
                painter.drawLine(QLineF(left, y, right, y))
            painter.setPen(_pen(PENCIL, 0.6, dotted=True))
            painter.drawLine(QLineF(left, y_db(0.0), right, y_db(0.0)))
            for phrase in report.phrases:
                for value, pen in (
                    (phrase.balance_before_lu, _pen(PENCIL, 1.0, dashed=True)),
                    (phrase.balance_after_lu, _pen(INK, 2.2)),
                ):
                    if value is not None:
                        painter.setPen(pen)
                        painter.drawLine(QLineF(x(phrase.start_s), y_lu(value), x(phrase.end_s), y_lu(value)))
            painter.setPen(_pen(INK, 1.2))
            painter.drawPolyline(QPolygonF(line))

        self._pages[-1].append(draw)
        small = _sans(7.5)
        side = 26 * UNIT
        highest_db, lowest_db = max(db for _, db in lane_line(report)), min(db for _, db in lane_line(report))
        marks = [(f"{signed(report.aim_lu)} LU", y_lu(report.aim_lu)), ("0 dB", y_db(0.0))]
        marks += [(signed(db), y_db(db)) for db in {highest_db, lowest_db} if abs(y_db(db) - y_db(0.0)) > 9 * UNIT]
        for text, y in marks:
            self._put(text, QRectF(left - side - 4 * UNIT, y - 6 * UNIT, side, 12 * UNIT), small, PENCIL, right=True)
        for section in report.sections:
            if section.label:
                room = x(section.end_s) - x(section.start_s)
                name = _elided(section.label, small, room)
                self._put(name, QRectF(x(section.start_s), top - 13 * UNIT, room, 12 * UNIT), small, PENCIL)
        every_s = next((step for step in (5, 10, 15, 30, 60, 120, 300, 600) if report.seconds / step <= 12), 1200)
        for number in range(int(report.seconds // every_s) + 1):
            at = x(number * every_s)
            text = clock(number * every_s).partition(".")[0]
            self._put(text, QRectF(at - 20 * UNIT, bottom + 2 * UNIT, 40 * UNIT, 11 * UNIT), small, PENCIL, centre=True)
        self._y = bottom + 16 * UNIT
        said = "Balance of each phrase: before, dashed; after, solid; the aim's band shaded. Under it the lane."
        self._text(said, _sans(8, italic=True), PENCIL, 12)

    def _lyric(self) -> None:
        columns = self._columns
        self._y += 6 * UNIT
        for number, block in enumerate(self._content.blocks):
            self._heading(block.heading or "Lyric", 60 * UNIT, columns_named=number == 0)
            for row in block.rows:
                self._row(row, columns)
            self._y += 4 * UNIT

    def _row(self, row: SheetRow, columns: _Columns) -> None:
        font = _serif(11.5)
        lines = _wrapped(row, font, columns.margin - columns.lyric - 8 * UNIT)
        pitch = 16 * UNIT
        high = max(1, len(lines)) * pitch + (11 * UNIT if row.note else 0) + 3 * UNIT
        self._room(high)
        top = self._y
        self._put(row.time, QRectF(columns.left, top, 34 * UNIT, pitch), _sans(8.5), PENCIL)
        metrics = QFontMetricsF(font)
        for i, words in enumerate(lines):
            at = columns.lyric
            for text, lost in words:
                wide = metrics.horizontalAdvance(text)
                if lost:
                    self._wash(QRectF(at - 2 * UNIT, top + i * pitch + 1 * UNIT, wide + 4 * UNIT, pitch - 2 * UNIT))
                self._put(text, QRectF(at, top + i * pitch, wide + UNIT, pitch), font, INK)
                at += wide + metrics.horizontalAdvance(" ")
        if row.note:
            note = _elided(
                row.note.replace("\n", " "), _sans(8, italic=True), columns.margin - columns.lyric - 8 * UNIT
            )
            box = QRectF(columns.lyric, top + len(lines) * pitch, columns.margin - columns.lyric, 11 * UNIT)
            self._put(note, box, _sans(8, italic=True), PENCIL)
        self._margin(row, columns, top, pitch, high)
        self._rule(columns.left, top + high, columns.right)
        self._y = top + high

    def _margin(self, row: SheetRow, columns: _Columns, top: float, pitch: float, high: float) -> None:
        """Ride of a phrase as it is pencilled: a glyph of the lane, its figure, and the balance it makes."""
        pencilled = row.mark is Mark.OPEN
        self._glyph(row, QRectF(columns.glyph, top + 2.5 * UNIT, 46 * UNIT, pitch - 5 * UNIT), pencilled)
        font = _sans(10, bold=not pencilled, italic=pencilled)
        box = QRectF(columns.ride - 44 * UNIT, top, 44 * UNIT, pitch)
        self._put(row.ride, box, font, PENCIL if pencilled else INK, right=True)
        self._put(row.balance, QRectF(columns.right - 40 * UNIT, top, 40 * UNIT, pitch), _sans(9), PENCIL, right=True)
        figure = QFontMetricsF(font).horizontalAdvance(row.ride)
        left = columns.ride - figure

        def mark(painter: QPainter) -> None:
            painter.setPen(_pen(HAIR, 0.8))
            painter.drawLine(QLineF(columns.margin, top, columns.margin, top + high))
            painter.setPen(_pen(INK, 1.0))
            middle = top + pitch / 2
            if row.mark is Mark.STRUCK:
                painter.drawLine(QLineF(left - 3 * UNIT, middle + UNIT, columns.ride + 3 * UNIT, middle - UNIT))
            if row.mark is Mark.DRAWN:  # a nib before the figure
                tip = QPointF(left - 5 * UNIT, middle + 3.5 * UNIT)
                nib = [tip, tip + QPointF(-4.5 * UNIT, -3 * UNIT), tip + QPointF(-2.5 * UNIT, -6 * UNIT)]
                painter.setBrush(QColor(INK))
                painter.drawPolygon(QPolygonF(nib))
                painter.setBrush(Qt.BrushStyle.NoBrush)
            if row.locked:  # a bracket down the margin's line
                for y in (top + 2 * UNIT, top + high - 2 * UNIT):
                    painter.drawLine(QLineF(columns.margin + 2 * UNIT, y, columns.margin + 6 * UNIT, y))
                x = columns.margin + 2 * UNIT
                painter.drawLine(QLineF(x, top + 2 * UNIT, x, top + high - 2 * UNIT))

        self._pages[-1].append(mark)

    def _glyph(self, row: SheetRow, box: QRectF, pencilled: bool) -> None:
        """Draw the lane over one phrase, tiny: 0 dB in the middle of the box, 6 dB at its edges."""
        points = lane_line(self._report)
        length = max(row.end_s - row.start_s, 1e-6)

        def place(time_s: float, gain_db: float) -> QPointF:
            at = box.left() + box.width() * (time_s - row.start_s) / length
            return QPointF(at, box.center().y() - box.height() / 2 * min(max(gain_db / 6.0, -1.0), 1.0))

        line = [place(*point) for point in points if row.start_s < point[0] < row.end_s]
        ends = [place(at, _lane_at(points, at)) for at in (row.start_s, row.end_s)]

        def draw(painter: QPainter) -> None:
            painter.setPen(_pen(HAIR, 0.6))
            painter.drawLine(QLineF(box.left(), box.center().y(), box.right(), box.center().y()))
            painter.setPen(_pen(PENCIL, 1.0, dashed=True) if pencilled else _pen(INK, 1.3))
            painter.drawPolyline(QPolygonF([ends[0], *line, ends[1]]))

        self._pages[-1].append(draw)

    def _findings(self) -> None:
        findings = self._content.findings
        self._y += 8 * UNIT
        self._heading("Findings" if findings else "No findings", 44 * UNIT)
        for found in findings:
            font = _sans(9.5, bold=found.must)
            left = self._columns.lyric
            lines = _wrapped_text(with_minus(found.sentence), font, self._columns.right - left)
            pitch = 13.5 * UNIT
            self._room(len(lines) * pitch + 4 * UNIT)
            top = self._y + 1.5 * UNIT
            self._put(found.time, QRectF(self._columns.left, top, 34 * UNIT, pitch), _sans(8.5), PENCIL)
            if found.must:
                self._tick(QRectF(left - 6 * UNIT, top + 2 * UNIT, 2.2 * UNIT, len(lines) * pitch - 3 * UNIT))
            for i, text in enumerate(lines):
                box = QRectF(left, top + i * pitch, self._columns.right - left, pitch)
                self._put(text, box, font, LOST if found.must else INK)
            self._y = top + len(lines) * pitch + 2.5 * UNIT
        if findings and any(found.must for found in findings):
            self._text("A bar and bold type: must be seen to.", _sans(8, italic=True), PENCIL, 14)
        for note in self._content.notes:
            for text in _wrapped_text(note, _sans(9, italic=True), self._columns.right - self._columns.left):
                self._text(text, _sans(9, italic=True), PENCIL, 13)

    def _feet(self) -> None:
        for number, page in enumerate(self._pages, start=1):
            y = self._high - MARGIN - 12 * UNIT
            box = QRectF(self._columns.left, y, self._columns.right - self._columns.left, 12 * UNIT)
            page.append(_text_stroke(self._content.title, box, _sans(8), PENCIL, Qt.AlignmentFlag.AlignLeft))
            of = f"{number} of {len(self._pages)}"
            page.append(_text_stroke(of, box, _sans(8), PENCIL, Qt.AlignmentFlag.AlignRight))

    # --- pieces ----------------------------------------------------------------------------------

    def _room(self, high: float) -> None:
        """Begin another page where this one has no room left."""
        if self._y + high > self._bottom and self._pages[-1]:
            self._pages.append([])
            self._y = float(MARGIN)

    def _heading(self, text: str, with_high: float, *, columns_named: bool = False) -> None:
        self._room(with_high)
        self._y += 4 * UNIT
        columns = self._columns
        font = _sans(8.5, bold=True)
        font.setLetterSpacing(QFont.SpacingType.PercentageSpacing, 108)
        self._put(text.upper(), QRectF(columns.left, self._y, columns.right - columns.left, 14 * UNIT), font, INK)
        if columns_named:
            for name, right in (("ride, dB", columns.ride), ("balance, LU", columns.right)):
                box = QRectF(right - 70 * UNIT, self._y, 70 * UNIT, 14 * UNIT)
                self._put(name, box, _sans(7.5), PENCIL, right=True)
        self._y += 15 * UNIT
        self._rule(columns.left, self._y, columns.right, INK)
        self._y += 3 * UNIT

    def _text(self, text: str, font: QFont, colour: str, high: float) -> None:
        self._room(high * UNIT)
        columns = self._columns
        text = _elided(text, font, columns.right - columns.left)
        self._put(text, QRectF(columns.left, self._y, columns.right - columns.left, high * UNIT), font, colour)
        self._y += high * UNIT

    def _put(
        self, text: str, box: QRectF, font: QFont, colour: str, *, right: bool = False, centre: bool = False
    ) -> None:
        flag = Qt.AlignmentFlag.AlignRight if right else Qt.AlignmentFlag.AlignLeft
        self._pages[-1].append(_text_stroke(text, box, font, colour, Qt.AlignmentFlag.AlignHCenter if centre else flag))

    def _rule(self, left: float, y: float, right: float, colour: str = HAIR) -> None:
        def draw(painter: QPainter) -> None:
            painter.setPen(_pen(colour, 0.6))
            painter.drawLine(QLineF(left, y, right, y))

        self._pages[-1].append(draw)

    def _wash(self, box: QRectF) -> None:
        """Draw the bed that rises behind a lost word, with a tick at its left."""

        def draw(painter: QPainter) -> None:
            painter.fillRect(box, QColor(WASH))
            painter.fillRect(QRectF(box.left() - UNIT, box.top(), 1.6 * UNIT, box.height()), QColor(LOST))

        self._pages[-1].append(draw)

    def _tick(self, box: QRectF) -> None:
        self._pages[-1].append(lambda painter: painter.fillRect(box, QColor(LOST)))


def _text_stroke(text: str, box: QRectF, font: QFont, colour: str, flag: Qt.AlignmentFlag) -> Stroke:
    def draw(painter: QPainter) -> None:
        painter.setFont(font)
        painter.setPen(QColor(colour))
        painter.drawText(box, flag | Qt.AlignmentFlag.AlignVCenter | Qt.TextFlag.TextDontClip, text)

    return draw


def _pen(colour: str, wide_pt: float, *, dashed: bool = False, dotted: bool = False) -> QPen:
    pen = QPen(QColor(colour), wide_pt * UNIT)
    pen.setCapStyle(Qt.PenCapStyle.FlatCap)
    pen.setJoinStyle(Qt.PenJoinStyle.RoundJoin)
    if dashed:
        pen.setDashPattern([2.4, 1.8])
    if dotted:
        pen.setDashPattern([1.2, 2.4])
    return pen


def _font(families: list[str], size_pt: float, bold: bool, italic: bool) -> QFont:
    font = QFont(families)
    font.setPixelSize(round(size_pt * UNIT))
    font.setWeight(QFont.Weight.DemiBold if bold else QFont.Weight.Normal)
    font.setItalic(italic)
    font.setHintingPreference(QFont.HintingPreference.PreferNoHinting)
    font.setFeature(QFont.Tag("tnum"), 1)
    return font


def _serif(size_pt: float, *, bold: bool = False, italic: bool = False) -> QFont:
    from ridebook.gui.theme import SERIF_FAMILIES

    return _font(SERIF_FAMILIES, size_pt, bold, italic)


def _sans(size_pt: float, *, bold: bool = False, italic: bool = False) -> QFont:
    from ridebook.gui.theme import SANS_FAMILIES

    return _font(SANS_FAMILIES, size_pt, bold, italic)


def _elided(text: str, font: QFont, wide: float) -> str:
    return QFontMetricsF(font).elidedText(text, Qt.TextElideMode.ElideRight, wide)


def _wrapped(row: SheetRow, font: QFont, wide: float) -> list[list[tuple[str, bool]]]:
    """Words of a phrase in lines of a width, each with whether it is lost."""
    metrics = QFontMetricsF(font)
    space = metrics.horizontalAdvance(" ")
    lines: list[list[tuple[str, bool]]] = [[]]
    at = 0.0
    for word in row.words:
        for text in word.text.split() or [DASH]:
            length = metrics.horizontalAdvance(text)
            if lines[-1] and at + length > wide:
                lines.append([])
                at = 0.0
            lines[-1].append((text, word.lost))
            at += length + space
    return lines


def _wrapped_text(text: str, font: QFont, wide: float) -> list[str]:
    metrics = QFontMetricsF(font)
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and metrics.horizontalAdvance(longer) > wide:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines


def _lane_at(points: list[tuple[float, float]], time_s: float) -> float:
    before = points[0]
    for point in points:
        if point[0] >= time_s:
            if point[0] == before[0]:
                return point[1]
            return before[1] + (point[1] - before[1]) * (time_s - before[0]) / (point[0] - before[0])
        before = point
    return before[1]


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
