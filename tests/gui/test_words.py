from __future__ import annotations

import math

import pytest

from ridebook.gui.words import MINUS, ago, clock, counted, signed, with_minus


@pytest.mark.parametrize(
    ("frame_n", "decimals", "text"),
    [
        (0, 0, "0:00"),
        (47_999, 0, "0:00"),
        (48_000 * 67, 0, "1:07"),
        (48_000 * 67.36, 1, "1:07.3"),
        (-24_000, 1, "\u22120:00.5"),
    ],
)
def test_clock(frame_n, decimals, text):
    assert clock(frame_n, 48_000, decimals) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (1.54, "+1.5"),
        (-1.5, "\u22121.5"),
        (0.0, "0.0"),
        (-0.04, "0.0"),
        (None, "\u2013"),
        (math.nan, "\u2013"),
        (-math.inf, "\u2212\u221e"),
    ],
)
def test_signed(value, text):
    assert signed(value) == text


def test_ago_and_counted():
    assert ago(1) == "just now"
    assert ago(42) == "42 s ago"
    assert ago(130) == "2 min ago"
    assert ago(7300) == "2 h ago"
    assert counted(1, "phrase") == "1 phrase"
    assert counted(3, "phrase") == "3 phrases"


def test_negative_numbers_in_a_sentence_have_a_true_minus():
    said = "its section rides -1.0 dB; held at the limit, -6.0 dB, from 0:02-0:05 in take-2"
    wanted = f"its section rides {MINUS}1.0 dB; held at the limit, {MINUS}6.0 dB, from 0:02-0:05 in take-2"
    assert with_minus(said) == wanted
