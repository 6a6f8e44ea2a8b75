"""Lanes out of tables that others wrote: units told, named by the header, or recognised by the values."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from ridebook.errors import ExchangeError
from ridebook.exchange.any_lane import GainUnit, TimeUnit, read_any_lane
from ridebook.exchange.breakpoints import write_breakpoints
from ridebook.ride.lane import Lane

RATE_HZ = 48_000
FRAMES_N = 20 * RATE_HZ
POINTS = [(0.5, -1.5), (2.0, 3.0), (10.25, 0.0)]
LANE = Lane.from_pairs([(round(time_s * RATE_HZ), gain_db) for time_s, gain_db in POINTS])


def read(folder: Path, text: str, **units: object):
    path = folder / "lane.csv"
    path.write_bytes(text.encode("utf-8"))
    return read_any_lane(path, RATE_HZ, FRAMES_N, **units)


def same(lane: Lane) -> None:
    assert lane.frames.tolist() == LANE.frames.tolist()
    assert lane.gains_db == pytest.approx(LANE.gains_db, abs=1e-4)


def linear(gain_db: float) -> float:
    return 10 ** (gain_db / 20)


@pytest.mark.parametrize(
    "text",
    [
        "time_s,gain_db,colour\r\n0.5,-1.5,red\r\n2,3.0,\r\n10.25,0,\r\n",
        "0.5,-1.5\n2,3\n10.25,0\n",
        "\ufeffTime [s];Gain [dB]\n0,5;-1,5\n2,0;3,0\n10,25;0,0\n",
        "10.25\t0\n0.5\t-1.5\n2\t3\n",
        "0.5 -1.5\n2.0  3.0\n\n10.25 0\n",
        "0:00.5,-1.5\n0:02,3\n0:00:10.25,0\n",
        "500,-1.5\n2000,3\n10250,0\n",
        "24000,-1.5\n96000,3\n492000,0\n",
        "samples,gain dB\n24000,-1.5\n96000,3\n492000,0\n",
        "time ms,db\n500,-1.5\n2000,3\n10250,0\n",
    ],
)
def test_times_and_decibels_in_many_dresses(tmp_path: Path, text: str) -> None:
    found = read(tmp_path, text)
    assert found.gain_unit is GainUnit.DB
    same(found.lane)


def test_linear_gains_are_recognised_named_or_told(tmp_path: Path) -> None:
    rows = "\n".join(f"{time_s},{linear(gain_db):.9f}" for time_s, gain_db in POINTS)
    recognised = read(tmp_path, rows)
    assert recognised.gain_unit is GainUnit.LINEAR
    assert recognised.notice == ("lane.csv was taken to hold linear gain and seconds; --gain and --time say otherwise.")
    same(recognised.lane)
    same(read(tmp_path, f"seconds,linear gain\n{rows}").lane)
    told = read(tmp_path, rows, gain_unit=GainUnit.LINEAR, time_unit=TimeUnit.SECONDS)
    assert told.notice == ""
    same(told.lane)


def test_what_is_told_counts_more_than_what_is_named_or_seen(tmp_path: Path) -> None:
    rows = "time_s,gain_linear\n0.5,1.0\n2,2.0\n"
    assert read(tmp_path, rows).lane.gains_db == pytest.approx([0.0, 6.0206], abs=1e-4)
    assert read(tmp_path, rows, gain_unit=GainUnit.DB).lane.gains_db.tolist() == [1.0, 2.0]
    assert read(tmp_path, rows, time_unit=TimeUnit.SAMPLES).lane.frames.tolist() == [0, 2]


def test_a_lane_that_rests_at_zero_decibels_is_not_silence(tmp_path: Path) -> None:
    assert read(tmp_path, "0,0\n3,1.5\n5,0\n").lane.gains_db.tolist() == [0.0, 1.5, 0.0]
    muted = read(tmp_path, "0,1.0\n3,0.0\n", gain_unit=GainUnit.LINEAR)
    assert muted.lane.gains_db == pytest.approx([0.0, -60.0])
    assert read(tmp_path, "0,-inf\n1,-3\n").lane.gains_db.tolist() == [-60.0, -3.0]


def test_our_own_lists_are_read_whole_and_without_a_word(tmp_path: Path) -> None:
    path = tmp_path / "ours.csv"
    write_breakpoints(path, LANE, 2.5, RATE_HZ)
    found = read_any_lane(path, RATE_HZ, FRAMES_N)
    assert found.notice == ""
    assert found.lane.frames.tolist() == LANE.frames.tolist()
    assert found.lane.gains_db == pytest.approx(LANE.gains_db + 2.5, abs=1e-9)


def test_of_several_at_one_frame_the_last_counts(tmp_path: Path) -> None:
    assert read(tmp_path, "1,-1\n1,-2\n2,0\n").lane.points == Lane.from_pairs([(RATE_HZ, -2), (2 * RATE_HZ, 0)]).points


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is empty"),
        ("time,gain\n", "no row after its header"),
        ("1,2\n3\n", "line 2: a time and a gain are needed"),
        ("1,2\n3,loud\n", "line 2: the gain is 'loud'"),
        ("1,2\nlater,3\n", "line 2: the time is 'later'"),
        ("1,2\n2,nan\n", "line 2: the gain is 'nan'"),
        ("time_s,linear\n1,-0.5\n", "a linear gain is negative"),
        ("time_s,db\n1,900\n", "beyond any song"),
    ],
)
def test_what_cannot_be_read_says_where(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(ExchangeError, match=said):
        read(tmp_path, text)


def test_a_file_that_is_not_there_or_not_text(tmp_path: Path) -> None:
    with pytest.raises(ExchangeError, match="cannot be read"):
        read_any_lane(tmp_path / "none.csv", RATE_HZ, FRAMES_N)
    (tmp_path / "noise.csv").write_bytes(np.arange(128, 255, dtype=np.uint8).tobytes())
    with pytest.raises(ExchangeError, match="not UTF-8"):
        read_any_lane(tmp_path / "noise.csv", RATE_HZ, FRAMES_N)
