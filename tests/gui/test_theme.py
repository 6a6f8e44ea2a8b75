"""Contrast of every text and mark in both themes, and what the themes do."""

from __future__ import annotations

import pytest
from PySide6.QtGui import QColor, QFontInfo, QImage, QPainter

from ridebook.gui.marks import WASH_ALPHA, draw_doubt
from ridebook.gui.theme import LAMP, PAPER, Colours, Theme, ThemeChoice, style_sheet, themes

# Source: W3C, Web Content Accessibility Guidelines (WCAG) 2.2, "relative luminance" and "contrast ratio" in the
# glossary; success criterion 1.4.3 asks 4.5:1 of text, 1.4.11 asks 3:1 of graphics that carry meaning.
TEXT, GRAPHICS = 4.5, 3.0
SURFACES = ("page", "card", "selected")


def luminance(colour: QColor) -> float:
    def linear(value: float) -> float:
        return value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4

    return 0.2126 * linear(colour.redF()) + 0.7152 * linear(colour.greenF()) + 0.0722 * linear(colour.blueF())


def contrast(one: QColor, other: QColor) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def over(top: QColor, alpha: float, under: QColor) -> QColor:
    mixed = [alpha * a + (1 - alpha) * b for a, b in zip(top.getRgbF()[:3], under.getRgbF()[:3])]
    return QColor.fromRgbF(*mixed)


def colour(colours: Colours, role: str) -> QColor:
    return QColor(getattr(colours, role))


def test_formula_on_known_pairs():
    # Black on white is 21:1 by the definition; #767676 on white is the grey that just passes 4.5:1 (WCAG techniques,
    # from memory).
    white = QColor("#FFFFFF")
    assert contrast(QColor("#000000"), white) == pytest.approx(21.0)
    assert 4.5 <= contrast(QColor("#767676"), white) < 4.6


@pytest.mark.parametrize("colours", [PAPER, LAMP], ids=["paper", "lamp"])
@pytest.mark.parametrize("surface", SURFACES)
@pytest.mark.parametrize("role", ["ink", "pencil"])
def test_text_can_be_read(colours, surface, role):
    assert contrast(colour(colours, role), colour(colours, surface)) >= TEXT


@pytest.mark.parametrize("colours", [PAPER, LAMP], ids=["paper", "lamp"])
@pytest.mark.parametrize("surface", ["page", "card"])
@pytest.mark.parametrize("role", ["vocal", "bed", "lost", "in_order", "selection"])
def test_coloured_text_can_be_read(colours, surface, role):
    assert contrast(colour(colours, role), colour(colours, surface)) >= TEXT


@pytest.mark.parametrize("colours", [PAPER, LAMP], ids=["paper", "lamp"])
@pytest.mark.parametrize("surface", SURFACES)
@pytest.mark.parametrize("role", ["ink", "pencil", "vocal", "bed", "lost", "in_order", "selection", "edge"])
def test_marks_can_be_seen(colours, surface, role):
    assert contrast(colour(colours, role), colour(colours, surface)) >= GRAPHICS


@pytest.mark.parametrize("colours", [PAPER, LAMP], ids=["paper", "lamp"])
def test_finding_can_be_read_when_it_is_selected(colours):
    assert contrast(colour(colours, "lost"), colour(colours, "selected")) >= TEXT


@pytest.mark.parametrize("colours", [PAPER, LAMP], ids=["paper", "lamp"])
@pytest.mark.parametrize("surface", SURFACES)
def test_word_in_the_bed_can_be_read_and_its_gauge_seen(colours, surface):
    under = colour(colours, surface)
    wash = over(colour(colours, "bed"), WASH_ALPHA, under)
    assert contrast(colour(colours, "ink"), wash) >= TEXT
    assert contrast(colour(colours, "lost"), under) >= GRAPHICS


@pytest.mark.parametrize("colours", [PAPER, LAMP], ids=["paper", "lamp"])
@pytest.mark.parametrize("surface", [*SURFACES, "wash"])
def test_mark_of_a_doubtful_word_can_be_seen(qapp, colours, surface):
    page = colour(colours, "page")
    under = over(colour(colours, "bed"), WASH_ALPHA, page) if surface == "wash" else colour(colours, surface)
    image = QImage(20, 8, QImage.Format.Format_RGB32)
    image.fill(under)
    painter = QPainter(image)
    draw_doubt(painter, 2, 2, Theme("any", colours))
    painter.end()
    dots = {x for x in range(20) for y in range(8) if contrast(image.pixelColor(x, y), under) >= GRAPHICS}
    assert dots == {2, 3, 6, 7, 10, 11}  # three dots of two pixels


@pytest.mark.parametrize("colours", [PAPER, LAMP], ids=["paper", "lamp"])
def test_notice_and_band_carry_ink(colours):
    assert contrast(colour(colours, "ink"), colour(colours, "aim_band")) >= TEXT
    assert contrast(colour(colours, "in_order"), colour(colours, "aim_band")) >= GRAPHICS


@pytest.mark.parametrize("colours", [PAPER, LAMP], ids=["paper", "lamp"])
def test_text_on_filled_buttons_and_on_selected_text(colours):
    for fill in ("ink", "vocal", "selection"):
        assert contrast(colour(colours, "page"), colour(colours, fill)) >= TEXT


def test_fonts_ship_with_the_program(qapp):
    theme = Theme("paper", PAPER)
    assert QFontInfo(theme.lyric()).family() == "Source Serif Pro"
    assert QFontInfo(theme.text()).family() == "Source Sans Pro"


def test_sizes_follow_the_text_size():
    small, large = Theme("paper", PAPER, 1.0), Theme("paper", PAPER, 1.5)
    assert large.row_px == 1.5 * small.row_px
    assert large.lyric().pixelSize() > small.lyric().pixelSize()
    assert Theme("paper", PAPER, 0.85).target_px >= 24


def test_choice_is_told_once(qtbot):
    look = themes()
    with qtbot.waitSignal(look.theme_changed):
        look.choose(ThemeChoice.LAMP)
    assert look.current.dark
    with qtbot.assertNotEmitted(look.theme_changed):
        look.choose(ThemeChoice.LAMP)
    look.choose(ThemeChoice.PAPER)
    assert not look.current.dark


def test_text_size_stays_in_reach(qtbot):
    themes().choose(text_size=9.0)
    assert themes().text_size == 2.0
    themes().choose(text_size=1.0)


def test_style_sheet_uses_colours_of_its_own_theme_only():
    paper, lamp = style_sheet(Theme("paper", PAPER)), style_sheet(Theme("lamp", LAMP))
    assert PAPER.page in paper
    assert LAMP.page not in paper
    assert LAMP.page in lamp
    assert PAPER.page not in lamp
