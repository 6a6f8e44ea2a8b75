"""Breakpoint lists in every form: read back by ours, by a reader without our code, and by the reader of any table."""

from __future__ import annotations

import csv
import math
import re
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as runs
from hypothesis import strategies as st

from ridebook.errors import ExchangeError, OutputIsSourceError, SettingError
from ridebook.exchange.any_lane import read_any_lane
from ridebook.exchange.breakpoints import (
    ListForm,
    ListGain,
    ListTime,
    list_preview,
    read_breakpoints,
    write_breakpoints,
)
from ridebook.exchange.dense import dense_lane
from ridebook.exchange.outgoing import Timeline, outgoing_lane
from ridebook.exchange.segment_lists import read_segments, write_segments
from ridebook.exchange.tables import cell_text, text_cell
from ridebook.exchange.tempo import TempoChange, TempoMap
from ridebook.exchange.timecode import TimecodeClock, TimecodeRate
from ridebook.ride.lane import Lane
from ridebook.segment.spans import Kind, Segments, Span
from tests.session.made import lanes

RATES_HZ = [44_100, 48_000, 96_000, 192_000]
HOUR_N = 3600 * 192_000
LANE = Lane.from_pairs([(0, 0.0), (24_000, -1.5), (96_000, 3.0), (480_000, 0.0)])

TEMPO = TempoMap.from_changes(
    [
        TempoChange(121.7, bar=1, metre=(6, 8)),
        TempoChange(73, bar=9),
        TempoChange(metre=(5, 4), bar=20),
        TempoChange(180, time_s=90.123),
    ]
)

forms = st.builds(
    ListForm,
    times=st.permutations(list(ListTime)).flatmap(lambda order: st.integers(1, 4).map(lambda n: tuple(order[:n]))),
    gains=st.sampled_from([(ListGain.DB,), (ListGain.LINEAR,), (ListGain.LINEAR, ListGain.DB)]),
    timeline=st.builds(
        Timeline,
        offset_n=st.integers(0, 10 * 192_000),
        timecode=st.sampled_from(
            [TimecodeClock(rate, start) for rate in TimecodeRate for start in ("00:00:00:00", "23:59:58:07")]
        ),
        tempo=st.just(TEMPO),
    ),
    with_trim=st.booleans(),
    decimal_comma=st.booleans(),
)


def seconds_by_hand(name, cell, timeline):
    """Time on the timeline by formulas of the test's own, in exact arithmetic."""
    cell = cell.replace(",", ".")
    if name.startswith("timecode_"):
        rate = name.removeprefix("timecode_")

        def count(text):
            hours, minutes, seconds, frame = re.split("[:;]", text)
            counted = {"23.976": 24, "29.97": 30, "29.97drop": 30}.get(rate) or int(rate)
            whole = (int(hours) * 60 + int(minutes)) * 60 + int(seconds)
            # The published shortcut: two frames a minute, but none every tenth.
            dropped = 2 * (whole // 60) - 2 * (whole // 600) if rate.endswith("drop") else 0
            return whole * counted + Fraction(frame) - dropped

        per_s = {"23.976": Fraction(24000, 1001)}.get(rate) or (
            Fraction(30000, 1001) if rate.startswith("29") else Fraction(int(rate))
        )
        passed = count(cell) - count(timeline.timecode.start)
        day = 2_589_408 if rate.endswith("drop") else 86_400 * math.ceil(per_s)
        return passed % day / per_s
    if name.startswith("bar"):
        bar, beat, tick = cell.split("|")
        # The map above, bar by bar: 6/8 up to bar 20, then 5/4; tempi in quarter notes from the begin.
        bar = int(bar)
        quarter = 3 * (bar - 1) + (int(beat) - 1) * Fraction(1, 2)
        if bar >= 20:
            quarter = 57 + 5 * (bar - 20) + int(beat) - 1
        quarter += Fraction(tick) / 960
        first_s, second_s = 60 / Fraction("121.7"), Fraction(60, 73)
        last_at = 24 + (Fraction("90.123") - 24 * first_s) / second_s
        slow = max(Fraction(0), min(quarter, last_at) - 24) * second_s
        fast = max(Fraction(0), quarter - last_at) * Fraction(60, 180)
        return min(quarter, Fraction(24)) * first_s + slow + fast
    raise AssertionError(name)


@given(lane=lanes(last_n=HOUR_N), trim_db=st.floats(-24, 24), rate_hz=st.sampled_from(RATES_HZ), form=forms)
@runs(max_examples=70, deadline=None)
def test_every_form_comes_back_to_the_frame_and_a_thousandth_of_a_decibel(
    tmp_path_factory, lane, trim_db, rate_hz, form
):
    path = tmp_path_factory.mktemp("forms") / "rides.csv"
    written_n = write_breakpoints(path, lane, trim_db, rate_hz, form=form)
    kept_db = trim_db if form.with_trim else 0.0
    expected = lane if lane.points else Lane.from_pairs([(0, 0.0)])
    assert written_n == len(expected.points)
    for read in (
        read_breakpoints(path, rate_hz, kept_db, form.timeline),
        read_breakpoints(path, rate_hz, 0.0, form.timeline),
    ):
        assert read.frames.tolist() == expected.frames.tolist()
    assert np.abs(read.gains_db - kept_db - expected.gains_db).max() < 1e-3
    # By a reader without our code, each column for itself.
    with open(path, newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream, delimiter=";" if form.decimal_comma else ","))
    for frame_n, gain_db, row in zip(expected.frames.tolist(), expected.gains_db + kept_db, rows, strict=True):
        for name, cell in row.items():
            number = cell.replace(",", ".")
            if name == "gain_db":
                assert abs(float(number) - gain_db) < 1e-3
            elif name == "gain_linear":
                assert abs(20 * math.log10(float(number)) - gain_db) < 1e-3
            elif name == "time_samples":
                assert int(cell) == frame_n + form.timeline.offset_n
            else:
                time_s = Fraction(number) if name == "time_s" else seconds_by_hand(name, cell, form.timeline)
                assert abs(time_s * rate_hz - form.timeline.offset_n - frame_n) < Fraction(1, 2)


@given(lane=lanes(last_n=HOUR_N), form=forms)
@runs(max_examples=30, deadline=None)
def test_the_reader_of_any_table_takes_every_form(tmp_path_factory, lane, form):
    form = replace(form, timeline=replace(form.timeline, offset_n=0))
    path = tmp_path_factory.mktemp("forms") / "rides.csv"
    write_breakpoints(path, lane, 1.0, 96_000, form=form)
    read = read_any_lane(path, 96_000, HOUR_N, timeline=form.timeline)
    assert read.notice == ""
    expected = lane if lane.points else Lane.from_pairs([(0, 0.0)])
    assert read.lane.frames.tolist() == expected.frames.tolist()
    assert np.abs(read.lane.gains_db - expected.gains_db - form.with_trim).max() < 1e-3


def test_forms_are_plain_to_see():
    timeline = Timeline(48_000, TimecodeClock(TimecodeRate.F25, "01:00:00:00"), TempoMap.steady(120))
    every = ListForm(tuple(ListTime), tuple(ListGain), timeline)
    assert list_preview(LANE, -1.5, 48_000, every, 2) == (
        "time_s,time_samples,timecode_25,bar_beat_tick960,gain_db,gain_linear\n"
        "1.000000000,48000,01:00:01:00.000000,1|3|0.000000,-1.500000000,0.841395141645\n"
        "1.500000000,72000,01:00:01:12.500000,1|4|0.000000,-3.000000000,0.707945784384\n"
    )
    comma = ListForm((ListTime.BARS,), timeline=timeline, with_trim=False, decimal_comma=True)
    assert list_preview(LANE, -1.5, 48_000, comma, 2) == (
        "bar_beat_tick960;gain_db\n1|3|0,000000;0,000000000\n1|4|0,000000;-1,500000000\n"
    )
    drop = ListForm((ListTime.TIMECODE,), timeline=Timeline(0, TimecodeClock(TimecodeRate.F29_97_DROP)))
    # A semicolon that parts columns and one that is in a timecode: RFC 4180 quotes the cell.
    assert list_preview(LANE, 0.0, 48_000, drop, 1) == "timecode_29.97drop,gain_db\n00:00:00;00.000000,0.000000000\n"
    assert list_preview(LANE, 0.0, 48_000, replace(drop, decimal_comma=True), 1) == (
        'timecode_29.97drop;gain_db\n"00:00:00;00,000000";0,000000000\n'
    )


def test_the_preview_is_the_begin_of_the_file(tmp_path):
    form = ListForm((ListTime.SECONDS, ListTime.SAMPLES), (ListGain.LINEAR,), dense=True)
    written_n = write_breakpoints(tmp_path / "x.csv", LANE, 2.0, 48_000, form=form)
    text = (tmp_path / "x.csv").read_bytes().decode().replace("\r\n", "\n")
    assert list_preview(LANE, 2.0, 48_000, form, 100) == text
    assert list_preview(LANE, 2.0, 48_000, form, 3) == "".join(text.splitlines(keepends=True)[:4])
    assert written_n == text.count("\n") - 1 == len(dense_lane(LANE).points)


@given(lane=lanes(), trim_db=st.floats(-6, 6), start_n=st.integers(0, 960_000), length_n=st.integers(1, 960_000))
@runs(max_examples=40, deadline=None)
def test_a_selection_stands_alone(lane, trim_db, start_n, length_n):
    end_n = start_n + length_n
    piece = outgoing_lane(lane, trim_db, span=(start_n, end_n))
    assert piece.points[0].frame_n == start_n
    assert piece.points[-1].frame_n == end_n
    frames = np.unique(np.linspace(start_n, end_n, 500).astype(np.int64))
    assert np.abs(piece.gain_db_at(frames) - lane.gain_db_at(frames) - trim_db).max() < 1e-9
    assert len(piece.points) <= 2 + sum(start_n < point.frame_n < end_n for point in lane.points)


def test_a_timeline_that_begins_inside_the_vocal_begins_at_its_zero(tmp_path):
    form = ListForm((ListTime.SECONDS,), timeline=Timeline(-60_000))
    assert list_preview(LANE, 0.0, 48_000, form, 2) == (
        "time_s,gain_db\n0.000000000,0.750000000\n0.750000000,3.000000000\n"
    )
    write_breakpoints(tmp_path / "x.csv", LANE, 0.0, 48_000, form=form)
    read = read_breakpoints(tmp_path / "x.csv", 48_000, timeline=form.timeline)
    assert read == Lane.from_pairs([(60_000, 0.75), (96_000, 3.0), (480_000, 0.0)])
    with pytest.raises(ExchangeError, match="must be from 2 to"):
        read_breakpoints(tmp_path / "x.csv", 48_000, timeline=Timeline(96_000))
    with pytest.raises(SettingError, match="before the timeline's zero"):
        list_preview(LANE, 0.0, 48_000, replace(form, span=(0, 60_000)))
    with pytest.raises(SettingError, match="not after its start"):
        list_preview(LANE, 0.0, 48_000, replace(form, span=(5, 5)))


def test_a_list_of_another_rate_keeps_its_seconds(tmp_path):
    write_breakpoints(tmp_path / "x.csv", LANE, 0.0, 48_000, form=ListForm((ListTime.SAMPLES, ListTime.SECONDS)))
    read = read_breakpoints(tmp_path / "x.csv", 96_000)
    assert read.frames.tolist() == [2 * frame_n for frame_n in LANE.frames.tolist()]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("timecode_25,gain_db\n00:00:00:25,0\n", "line 2: timecode 00:00:00:25 has frame 25"),
        ("timecode_29.97drop,gain_db\n00:01:00;00,0\n", "does not exist"),
        ("timecode_25,gain_db\n00:00:01:00,0\n00:00:01:00,1\n", "line 3: timecode_25 is 00:00:01:00, but must rise"),
        ("timecode_31,gain_db\n00:00:01:00,0\n", "must begin with the header"),
        ("bar_beat_tick960,gain_db\n1|1|0,0\n", "name a tempo"),
        ("time_samples,gain_db\n12.5.1,0\n", "time_samples is '12.5.1'"),
        ("time_samples,gain_db\n-3,0\n", "time_samples is -3"),
        ("time_s,gain_linear\n0,0\n", "gain_linear is 0, but must be above 0"),
        ("time_s;gain_db\n1.000,5;0\n", "time_s is '1.000,5'"),
        ("time_s,timecode_25\n0,00:00:00:00\n", "must begin with the header"),
        ("time_s,note,gain_db\n0,x,0\n", "must begin with the header"),
        ("time_s,time_samples,gain_db\n0,0\n", "line 2: 2 columns"),
    ],
)
def test_lists_that_do_not_hold_say_where(tmp_path, content, said):
    (tmp_path / "bad.csv").write_text(content)
    with pytest.raises(ExchangeError, match=re.escape(said)) as caught:
        read_breakpoints(tmp_path / "bad.csv", 48_000)
    assert str(tmp_path / "bad.csv") in str(caught.value)


def test_a_timecode_before_its_start_is_told_from_one_after_midnight(tmp_path):
    (tmp_path / "x.csv").write_text("timecode_25,gain_db\n23:59:59:00,1\n00:00:01:00,2\n")
    read = read_breakpoints(tmp_path / "x.csv", 48_000, timeline=Timeline(0, TimecodeClock(start="23:59:58:00")))
    assert read == Lane.from_pairs([(48_000, 1.0), (144_000, 2.0)])
    with pytest.raises(ExchangeError, match="line 2: timecode_25 is 23:59:59:00, but must be from 0 to"):
        read_breakpoints(tmp_path / "x.csv", 48_000)


def test_a_list_for_another_start_is_not_taken_for_a_lane_after_the_song(tmp_path):
    hour = Timeline(0, TimecodeClock(start="01:00:00:00"))
    write_breakpoints(tmp_path / "x.csv", LANE, 0.0, 48_000, form=ListForm((ListTime.TIMECODE,), timeline=hour))
    with pytest.raises(ExchangeError, match="begins 3600 s into the vocal, after its end"):
        read_any_lane(tmp_path / "x.csv", 48_000, 480_000)
    assert read_any_lane(tmp_path / "x.csv", 48_000, 480_000, timeline=hour).lane == LANE


def test_forms_that_cannot_be_say_so():
    with pytest.raises(SettingError, match="column of time"):
        ListForm(times=())
    with pytest.raises(SettingError, match="column of gain"):
        ListForm(gains=(ListGain.DB, ListGain.DB))
    with pytest.raises(SettingError, match="need a tempo"):
        ListForm(times=(ListTime.BARS,))


def test_a_list_of_any_form_never_replaces_a_source(tmp_path):
    (tmp_path / "vocal.wav").write_bytes(b"samples")
    with pytest.raises(OutputIsSourceError):
        write_breakpoints(
            tmp_path / "vocal.wav", LANE, 0.0, 48_000, [tmp_path / "vocal.wav"], ListForm((ListTime.SAMPLES,))
        )
    assert (tmp_path / "vocal.wav").read_bytes() == b"samples"


# ---- text that a spreadsheet must not reckon with ----


@given(st.text(st.sampled_from("'=+-@\t\r x"), max_size=6))
@runs(max_examples=60, deadline=None)
def test_no_text_is_a_formula_and_all_comes_back(text):
    cell = text_cell(text)
    assert not cell.startswith(("=", "+", "-", "@", "\t", "\r"))
    assert cell_text(cell) == text


def test_words_of_the_lyric_are_spreadsheet_safe_and_numbers_stay_numbers(tmp_path):
    labels = ["=1+1", "-oh", "'cause", "+", "@home", "'=x", "plain - text"]
    spans = tuple(Span(f"w{i}", Kind.WORD, i * 48_000, (i + 1) * 48_000, label) for i, label in enumerate(labels))
    write_segments(tmp_path / "x.csv", Segments(words=spans), 48_000)
    with open(tmp_path / "x.csv", newline="", encoding="utf-8") as stream:
        assert [row["label"] for row in csv.DictReader(stream)] == [
            "'=1+1", "'-oh", "'cause", "'+", "'@home", "''=x", "plain - text",
        ]  # fmt: skip
    assert [word.label for word in read_segments(tmp_path / "x.csv", 48_000).words] == labels
    assert ",-1.5" in list_preview(LANE, 0.0, 48_000)
