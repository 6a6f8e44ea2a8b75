import csv
import re
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as runs
from hypothesis import strategies as st

from ridebook.errors import ExchangeError, OutputIsSourceError
from ridebook.exchange.breakpoints import read_breakpoints, write_breakpoints
from ridebook.exchange.segment_lists import read_segments, write_segments
from ridebook.ride.lane import Lane
from ridebook.segment.spans import Kind, Origin, Segments, Span
from tests.session.made import lanes, spans

RATES_HZ = [8000, 11025, 22050, 44100, 48000, 88200, 96000, 176400, 192000]
HOURS_10_N = 10 * 3600 * 192000


@given(lane=lanes(last_n=HOURS_10_N), trim_db=st.floats(-60, 60), rate_hz=st.sampled_from(RATES_HZ))
@runs(max_examples=60, deadline=None)
def test_breakpoints_round_back_to_the_exact_frame(tmp_path_factory, lane, trim_db, rate_hz):
    path = tmp_path_factory.mktemp("lists") / "rides.csv"
    write_breakpoints(path, lane, trim_db, rate_hz)
    read = read_breakpoints(path, rate_hz, trim_db)
    expected = lane if lane.points else Lane.from_pairs([(0, 0.0)])
    assert read.frames.tolist() == expected.frames.tolist()
    assert np.abs(read.gains_db - expected.gains_db).max() < 1e-8
    # And by a reader that shares no code with ours, in exact arithmetic.
    with open(path, newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert [round(Fraction(row["time_s"]) * rate_hz) for row in rows] == expected.frames.tolist()
    whole_db = [float(row["gain_db"]) for row in rows]
    assert whole_db == pytest.approx((expected.gains_db + trim_db).tolist(), abs=1e-8)


def test_a_breakpoint_list_is_plain_rfc_4180(tmp_path):
    path = tmp_path / "rides.csv"
    write_breakpoints(path, Lane.from_pairs([(0, -0.0), (1, 1 / 3), (44100, -2.5)]), 0.0, 44100)
    assert path.read_bytes() == (
        b"time_s,gain_db\r\n0.000000000,0.000000000\r\n0.000022676,0.333333333\r\n1.000000000,-2.500000000\r\n"
    )
    loaded = np.loadtxt(path, delimiter=",", skiprows=1)
    assert loaded == pytest.approx(np.array([[0, 0], [1 / 44100, 1 / 3], [1, -2.5]]), abs=1e-9)


def test_the_trim_is_in_the_list_and_a_lane_without_points_is_one_row(tmp_path):
    path = tmp_path / "rides.csv"
    write_breakpoints(path, Lane(), -1.25, 48000)
    assert path.read_bytes() == b"time_s,gain_db\r\n0.000000000,-1.250000000\r\n"
    write_breakpoints(path, Lane.from_pairs([(480, 2.0)]), -1.25, 48000)
    assert path.read_bytes() == b"time_s,gain_db\r\n0.010000000,0.750000000\r\n"


def test_what_lies_before_the_song_becomes_its_first_row(tmp_path):
    write_breakpoints(tmp_path / "x.csv", Lane.from_pairs([(-100, 0.0), (100, 2.0)]), 0.0, 48000)
    assert read_breakpoints(tmp_path / "x.csv", 48000) == Lane.from_pairs([(0, 1.0), (100, 2.0)])
    write_breakpoints(tmp_path / "x.csv", Lane.from_pairs([(-100, 3.0)]), 0.0, 48000)
    assert read_breakpoints(tmp_path / "x.csv", 48000) == Lane.from_pairs([(0, 3.0)])


@pytest.mark.parametrize(
    "text",
    [
        "time_s,gain_db\r\n0,0\r\n1.5,-2\r\n",
        "time_s,gain_db\n0,0\n1.5,-2",
        "\ufefftime_s,gain_db\r0,0\r1.5,-2\r",
        'time_s,gain_db,shape\r\n"0","0",x\r\n+1.5e0,-2.,"a,b"\r\n\r\n',
        " time_s , gain_db\n 0 , 0 \n\n 1.5 , -2 \n",
    ],
)
def test_lists_of_other_hands_are_read(tmp_path, text):
    (tmp_path / "x.csv").write_bytes(text.encode())
    assert read_breakpoints(tmp_path / "x.csv", 48000) == Lane.from_pairs([(0, 0), (72000, -2)])


def test_two_times_on_one_frame_keep_the_later_gain(tmp_path):
    (tmp_path / "x.csv").write_text("time_s,gain_db\n1.0,1\n1.00001,2\n2,3\n")
    assert read_breakpoints(tmp_path / "x.csv", 8000) == Lane.from_pairs([(8000, 2), (16000, 3)])


BAD_RIDES = {
    "empty": (b"", "begins with nothing"),
    "header alone": (b"time_s,gain_db\r\n", "no breakpoint"),
    "no header": (b"0,0\r\n1,1\r\n", "begins with 0,0"),
    "other order": (b"gain_db,time_s\r\n0,0\r\n", "must begin with the header time_s,gain_db"),
    "bars": (b"time_s|gain_db\r\n0|0\r\n", "time_s|gain_db"),
    "one column": (b"time_s,gain_db\r\n0,0\r\n1\r\n", "line 3: 1 columns"),
    "text": (b"time_s,gain_db\r\n0,loud\r\n", "line 2: gain_db is 'loud'"),
    "comma": (b'time_s,gain_db\r\n"0,5",1\r\n', "decimal mark must be a point"),
    "nan": (b"time_s,gain_db\r\n0,nan\r\n", "line 2: gain_db is 'nan'"),
    "inf": (b"time_s,gain_db\r\n0,-inf\r\n", "gain_db is '-inf'"),
    "huge": (b"time_s,gain_db\r\n0,1e999\r\n", "gain_db is '1e999'"),
    "underscore": (b"time_s,gain_db\r\n0,1_0\r\n", "gain_db is '1_0'"),
    "other digits": ("time_s,gain_db\r\n0,\u0663\r\n".encode(), "gain_db is"),
    "negative": (b"time_s,gain_db\r\n-1,0\r\n", "time_s is -1 s"),
    "too far": (b"time_s,gain_db\r\n1e9,0\r\n", "time_s is 1e+09 s"),
    "falling": (b"time_s,gain_db\r\n2,0\r\n1,0\r\n", "line 3: time_s is 1, but must rise"),
    "twice": (b"time_s,gain_db\r\n1,0\r\n1.0,2\r\n", "line 3: time_s is 1.0, but must rise"),
    "latin": (b"time_s,gain_db,\xe4\r\n0,0\r\n", "not UTF-8"),
    "open quote": (b'time_s,gain_db\r\n"0,0\r\n', "line 2"),
    "null": (b"time_s,gain_db\r\n0\0,0\r\n", "line"),
}


@pytest.mark.parametrize("name", BAD_RIDES)
def test_bad_breakpoint_lists_say_what_is_wrong_and_where(tmp_path, name):
    content, says = BAD_RIDES[name]
    path = tmp_path / "bad.csv"
    path.write_bytes(content)
    with pytest.raises(ExchangeError, match=re.escape(says)) as caught:
        read_breakpoints(path, 48000)
    assert str(path) in str(caught.value)


def test_missing_lists_are_named(tmp_path):
    for read in (read_breakpoints, read_segments):
        with pytest.raises(ExchangeError, match=r"none\.csv cannot be read: No such file"):
            read(tmp_path / "none.csv", 48000)


def test_sources_are_never_written_over(tmp_path):
    source = tmp_path / "vocal.wav"
    source.write_bytes(b"samples")
    with pytest.raises(OutputIsSourceError):
        write_breakpoints(source, Lane(), 0.0, 48000, protect=[source])
    with pytest.raises(OutputIsSourceError):
        write_segments(tmp_path / "x" / ".." / "vocal.wav", Segments(), 48000, protect=[source])
    assert source.read_bytes() == b"samples"


# ---- segments ----

KINDS = [(Kind.SECTION, "s"), (Kind.PHRASE, "p"), (Kind.WORD, "w"), (Kind.BREATH, "b"), (Kind.SIBILANT, "x")]


@given(data=st.data(), rate_hz=st.sampled_from(RATES_HZ))
@runs(max_examples=40, deadline=None)
def test_segments_are_read_back(tmp_path_factory, data, rate_hz):
    path = tmp_path_factory.mktemp("lists") / "segments.csv"
    segments = Segments(*(data.draw(spans(kind, letter, last_n=HOURS_10_N, most=3)) for kind, letter in KINDS))
    write_segments(path, segments, rate_hz)
    read = read_segments(path, rate_hz, HOURS_10_N)

    def content(of):
        return [(s.kind, s.start_n, s.end_n, s.label.replace("\0", "")) for s in of.all_spans()]

    assert content(read) == content(segments)
    assert len({s.id for s in read.all_spans()}) == len(read.all_spans())
    assert {s.origin for s in read.all_spans()} <= {Origin.FILE}


def test_a_segment_list_reads_from_the_outside_in(tmp_path):
    segments = Segments(
        sections=(Span("s1", Kind.SECTION, 0, 96000, "verse"),),
        phrases=(Span("p1", Kind.PHRASE, 0, 48000, 'she said "no", twice'), Span("p2", Kind.PHRASE, 48000, 96000)),
        words=(Span("w1", Kind.WORD, 0, 24000, "élan\nvital"),),
    )
    write_segments(tmp_path / "x.csv", segments, 48000)
    assert (tmp_path / "x.csv").read_bytes().decode() == (
        "kind,start_s,end_s,label\r\n"
        "section,0.000000000,2.000000000,verse\r\n"
        'phrase,0.000000000,1.000000000,"she said ""no"", twice"\r\n'
        'word,0.000000000,0.500000000,"élan\nvital"\r\n'
        "phrase,1.000000000,2.000000000,\r\n"
    )


def test_no_segments_are_a_header(tmp_path):
    write_segments(tmp_path / "x.csv", Segments(), 48000)
    assert (tmp_path / "x.csv").read_bytes() == b"kind,start_s,end_s,label\r\n"
    assert read_segments(tmp_path / "x.csv", 48000) == Segments()


BAD_SEGMENTS = {
    "kind": (b"kind,start_s,end_s,label\nverse,0,1,x\n", "line 2: kind is 'verse'"),
    "backward": (b"kind,start_s,end_s,label\nword,1,1,x\n", "not after its start at 1 s"),
    "overlap": (b"kind,start_s,end_s,label\nword,0,2,x\nword,1,3,y\n", "overlap"),
    "too long": (b"kind,start_s,end_s,label\nword,0,11,x\n", "but the vocal at 10.000 s"),
    "short row": (b"kind,start_s,end_s,label\nword,0,1\n", "line 2: 3 columns"),
    "number": (b"kind,start_s,end_s,label\nword,0,end,x\n", "end_s is 'end'"),
    "header": (b"kind,start,end,label\nword,0,1,x\n", "must begin with the header"),
    "multi-line before": (b'kind,start_s,end_s,label\nword,0,1,"a\nb"\nverse,0,1,x\n', "line 4: kind"),
}


@pytest.mark.parametrize("name", BAD_SEGMENTS)
def test_bad_segment_lists_say_what_is_wrong_and_where(tmp_path, name):
    content, says = BAD_SEGMENTS[name]
    (tmp_path / "bad.csv").write_bytes(content)
    with pytest.raises(ExchangeError, match=re.escape(says)) as caught:
        read_segments(tmp_path / "bad.csv", 48000, 480000)
    assert str(tmp_path / "bad.csv") in str(caught.value)
