"""The printed sheet: pages, what is on them, and that it can be read in black and white."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from PySide6.QtGui import QColor, QImage

from ridebook.errors import OutputError
from ridebook.exchange.report import Report, report_json
from ridebook.gui import printed_sheet
from ridebook.gui.printed_sheet import BAND, HAIR, INK, LOST, PENCIL, SIZES_PT, WASH, Paper, laid_out, page_images
from ridebook.gui.theme import themes
from ridebook.gui.words import with_minus
from tests.exchange.test_report import NUMBER, made_report, numbers_known


@pytest.fixture
def report(qapp) -> Report:
    themes()
    return made_report()


def printed_texts(report: Report, paper: Paper, monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    """Texts of each page; all of them go through one function."""
    boxes = []
    stroke = printed_sheet._text_stroke

    def noting(text, box, font, colour, flag):
        made = stroke(text, box, font, colour, flag)
        boxes.append((made, text, box, colour))
        return made

    monkeypatch.setattr(printed_sheet, "_text_stroke", noting)
    pages = laid_out(report, paper)
    wide, high = (size * printed_sheet.UNIT for size in SIZES_PT[paper])
    for _, text, box, _ in boxes:
        assert box.left() >= 0, text
        assert box.right() <= wide, text
        assert box.bottom() <= high, text
    return [[text for made, text, _, _ in boxes if made in page] for page in pages]


@pytest.mark.parametrize("paper", list(Paper))
def test_every_number_that_is_printed_is_in_the_json(report, paper, monkeypatch):
    pages = printed_texts(report, paper, monkeypatch)
    known = numbers_known(json.loads(report_json(report)))
    # Besides: places on the time axis and the numbers of the pages.
    known |= {f"0:{second:02d}" for second in range(0, 60, 5)} | {"0"} | {str(n) for n in range(1, len(pages) + 1)}
    printed = [number for page in pages for text in page for number in NUMBER.findall(text)]
    assert len(printed) > 45
    assert [number for number in printed if number not in known] == []
    together = " ".join(text for page in pages for text in page)
    for finding in report.findings:
        assert " ".join(with_minus(finding.sentence).split()) in together


def longer(report: Report, times: int) -> Report:
    return replace(report, phrases=report.phrases * times, findings=report.findings * times)


def test_a_long_song_takes_more_pages_and_none_is_empty(report, monkeypatch):
    pages = printed_texts(longer(report, 30), Paper.A4, monkeypatch)
    assert len(pages) > 3
    for number, page in enumerate(pages, start=1):
        assert page[-1] == f"{number} of {len(pages)}"
        assert len(page) > 5


def test_what_writes_is_dark_and_what_lies_under_is_light():
    def luminance(colour: str) -> float:
        """Relative luminance by WCAG 2.2."""
        parts = [QColor(colour).redF(), QColor(colour).greenF(), QColor(colour).blueF()]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    for ink in (INK, PENCIL, LOST):
        for under in ("#FFFFFF", WASH if ink == INK else "#FFFFFF"):
            assert (luminance(under) + 0.05) / (luminance(ink) + 0.05) >= 4.5
    # In grey, ink and pencil stay apart, as do paper, band and wash.
    assert luminance(PENCIL) - luminance(INK) > 0.08
    assert luminance(BAND) - luminance(WASH) > 0.06
    assert luminance(WASH) > luminance(HAIR)


def test_pages_are_of_their_paper_and_drawn_on(report):
    for paper, (wide_px, high_px) in ((Paper.A4, (1323, 1871)), (Paper.LETTER, (1360, 1760))):
        images = page_images(laid_out(report, paper), paper)
        assert (images[0].width(), images[0].height()) == (wide_px, high_px)
        grey = images[0].convertToFormat(QImage.Format.Format_Grayscale8)
        values = bytes(grey.constBits())
        assert 0.005 < sum(value < 128 for value in values) / len(values) < 0.2
        edge = [grey.pixelColor(x, y).value() for x in (2, wide_px - 3) for y in range(0, high_px, 7)]
        assert set(edge) == {255}


def test_a_process_of_its_own_writes_pdf_and_pictures(report, tmp_path: Path):
    pdf, png = tmp_path / "sheet.pdf", tmp_path / "sheet.png"
    written = printed_sheet.print_sheet(longer(report, 6), pdf=pdf, png=png, paper=Paper.LETTER)
    assert written[0] == pdf
    assert [path.name for path in written[1:3]] == ["sheet.png", "sheet-2.png"]
    content = pdf.read_bytes()
    assert content.startswith(b"%PDF")
    assert b"/MediaBox [0 0 612.0" in content
    assert b"SourceSerif" in content
    assert not QImage(str(png)).isNull()


def test_a_place_that_cannot_be_written_is_told(report, tmp_path: Path):
    with pytest.raises(OutputError):
        printed_sheet.print_sheet(report, pdf=tmp_path / "none" / "sheet.pdf")
