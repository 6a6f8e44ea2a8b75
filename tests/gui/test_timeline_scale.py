"""Where things lie: frames to pixels and back, strips without overlap, round steps."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ridebook.gui.timeline_scale import TimeScale, ValueScale, strips, tick_step_s, value_steps

TIME = TimeScale(48000.0, 96000.0, 64.0, 864.0, 48000)


def test_edges_of_the_view_lie_at_the_edges_of_the_field():
    assert TIME.x_px(48000) == 64.0
    assert TIME.x_px(96000) == 864.0
    assert TIME.frame_n(464.0) == 72000


def test_value_scale_goes_up():
    scale = ValueScale(-6.0, 6.0, 100.0, 220.0)
    assert scale.y_px(6.0) == 100.0
    assert scale.y_px(0.0) == 160.0
    assert scale.value(scale.y_px(2.5)) == pytest.approx(2.5)


@given(st.floats(0, 1e8), st.floats(3000, 1e8), st.sampled_from([0.5, 1.0, 2.0]))
def test_bins_cover_the_view_and_stay_on_their_lattice(start_n, length_n, per_px):
    time = TimeScale(start_n, start_n + length_n, 64.0, 864.0, 48000)
    edges, left = time.bins_n(per_px)
    bin_n = length_n / 800.0 / per_px
    assert edges[0] <= start_n + 1
    assert edges[-1] >= start_n + length_n - 1
    assert 64.0 - 1.0 / per_px - 1e-6 <= left <= 64.0 + 1e-6
    # Moved by a hundred whole bins, the edges are the same ones a hundred places on.
    moved = TimeScale(start_n + 100 * bin_n, start_n + 100 * bin_n + length_n, 64.0, 864.0, 48000)
    again, _ = moved.bins_n(per_px)
    shift = round((again[0] - edges[0]) / bin_n)
    assert np.abs(again[: len(edges) - shift] - edges[shift:]).max() <= 1


@given(st.floats(0, 1e8), st.floats(3000, 1e8), st.integers(-500, 500))
def test_on_the_lattice_views_lie_whole_pixels_apart(start_n, length_n, apart_px):
    time = TimeScale(start_n, start_n + length_n, 64.0, 864.0, 48000).on_lattice()
    pixel_n = time.frames_per_px
    assert abs(time.start_n - start_n) <= pixel_n / 2 + 1e-6
    moved_n = start_n + apart_px * pixel_n * 1.003
    moved = TimeScale(moved_n, moved_n + length_n, 64.0, 864.0, 48000).on_lattice()
    moved_px = (moved.start_n - time.start_n) / pixel_n
    assert moved_px == pytest.approx(round(moved_px), abs=1e-3)


@pytest.mark.parametrize("height_px", [0, 480, 668, 1200])
@pytest.mark.parametrize("scale", [1.0, 1.5, 2.0])
def test_strips_follow_each_other_and_fill_the_height(height_px, scale):
    made = list(strips(height_px, scale).values())
    assert [strip.name for strip in made] == [
        "overview", "words", "vocal", "bed", "loudness", "balance", "lane", "ruler",
    ]  # fmt: skip
    for upper, lower in pairwise(made):
        assert upper.top_px < upper.bottom_px <= lower.top_px
    assert made[-1].bottom_px == max(height_px, strips(0, scale)["ruler"].bottom_px)


def test_steps_of_the_time_scale_leave_room_for_their_text():
    assert tick_step_s(0.01, 80) == 1.0
    assert tick_step_s(1.0, 80) == 120.0
    assert tick_step_s(100.0, 80) == 3600.0


def test_value_steps_are_round_and_apart():
    assert value_steps(-6.8, 6.8, 200, 40) == [-6.0, -3.0, 0.0, 3.0, 6.0]
    assert value_steps(-35.0, -8.0, 90, 30) == [-24.0, -12.0]
