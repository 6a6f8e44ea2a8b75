"""Word and line times out of and into other programs' files."""

from __future__ import annotations

import contextlib
import re
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import settings as runs
from hypothesis import strategies as st

from ridebook.errors import ExchangeError, OutputIsSourceError
from ridebook.exchange.timings import WRITERS, completed, read_timings, write_labels, write_textgrid, write_webvtt
from ridebook.segment.spans import Kind, Origin, Segments, Span
from tests.registry import praatio_source

RATE_HZ = 48000

KARAOKE = """WEBVTT - a song
Kind: captions

NOTE made by hand

STYLE
::cue { color: red }

intro
00:01.000 --> 00:04.000 align:start
<00:00:01.000><c>Hel<00:00:01.500>lo</c> <00:00:02.000>my <00:00:03.000>dear &amp; friend

01:00:05.250 --> 01:00:07.000
<v Anna>Second <i>line</i>
goes on
"""


def starts(spans: tuple[Span, ...]) -> list[tuple[float, float, str]]:
    return [(span.start_n / RATE_HZ, span.end_n / RATE_HZ, span.label) for span in spans]


def wrote(tmp_path: Path, text: str, encoding: str = "utf-8", name: str = "x.txt") -> Path:
    path = tmp_path / name
    path.write_bytes(text.encode(encoding))
    return path


def test_webvtt_with_times_of_words(tmp_path):
    """W3C WebVTT: header, NOTE and STYLE blocks, identifiers, settings, spans, entities and cue timestamps."""
    read = read_timings(wrote(tmp_path, KARAOKE), RATE_HZ)
    assert read.notices == ()
    assert starts(read.segments.phrases) == [
        (1.0, 4.0, "Hello my dear & friend"),
        (3605.25, 3607.0, "Second line goes on"),
    ]
    assert starts(read.segments.words) == [(1.0, 2.0, "Hello"), (2.0, 3.0, "my"), (3.0, 4.0, "dear & friend")]
    assert {span.origin for span in read.segments.all_spans()} == {Origin.FILE}


@pytest.mark.parametrize("line_end", ["\r\n", "\r", "\n"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_webvtt_of_any_system(tmp_path, line_end, mark):
    read = read_timings(wrote(tmp_path, mark + KARAOKE.replace("\n", line_end)), RATE_HZ)
    assert [word.label for word in read.segments.words] == ["Hello", "my", "dear & friend"]


def test_webvtt_with_overlaps_and_backward_times(tmp_path):
    text = "WEBVTT\n\n"
    cues = [
        ("00:10.000 --> 00:12.000", "late one"),
        ("00:01.000 --> 00:03.000", "first one"),
        ("00:02.000 --> 00:05.000", "over lap"),
        ("00:07.000 --> 00:06.000", "back wards"),
        ("00:xx.000 --> 00:06.000", "no time"),
        ("00:08.000 --> 00:09.000", "in <00:08.700>side <00:08.200>back"),
        ("00:20.000 --> 00:30.000", "be yond"),
        ("00:11.500 --> 00:17.000", "long est"),
    ]
    text += "\n\n".join(f"{timing}\n{payload}" for timing, payload in cues)
    read = read_timings(wrote(tmp_path, text), RATE_HZ, frames_n=15 * RATE_HZ)
    assert starts(read.segments.phrases) == [
        (1.0, 2.0, "first one"),
        (2.0, 5.0, "over lap"),
        (8.0, 9.0, "in side back"),
        (10.0, 11.5, "late one"),
        (11.5, 15.0, "long est"),
    ]
    said = " ".join(read.notices)
    for part in ("overlaps", "ends where or before", "cannot be read", "inside a cue", "outside the vocal", "in order"):
        assert part in said
    assert "line 12 ('back wards')" in said


def test_a_cue_for_each_word_makes_words_and_phrases_at_the_pauses(tmp_path):
    cues = [(1.0, 1.2, "so"), (1.2, 1.6, "long"), (2.4, 2.8, "my"), (2.8, 3.0, "love")]
    text = "WEBVTT\n\n" + "\n\n".join(f"00:0{a:.3f} --> 00:0{b:.3f}\n{word}" for a, b, word in cues)
    read = read_timings(wrote(tmp_path, text), RATE_HZ)
    assert starts(read.segments.words) == cues
    assert starts(read.segments.phrases) == [(1.0, 1.6, "so long"), (2.4, 3.0, "my love")]


LONG_GRID = """File type = "ooTextFile"
Object class = "TextGrid"

xmin = 0
xmax = 3
tiers? <exists>
size = 2
item []:
    item [1]:
        class = "IntervalTier"
        name = "words"
        xmin = 0
        xmax = 3
        intervals: size = 3
        intervals [1]:
            xmin = 0
            xmax = 0.5
            text = ""
        intervals [2]:
            xmin = 0.5
            xmax = 1.25
            text = "say ""ğüş"" now"
        intervals [3]:
            xmin = 1.25
            xmax = 3
            text = "愛"
    item [2]:
        class = "TextTier"
        name = "events"
        xmin = 0
        xmax = 3
        points: size = 1
        points [1]:
            number = 1
            mark = "clap"
"""
SHORT_GRID = (
    '"ooTextFile"\n"TextGrid"\n0\n3 ! three seconds\n<exists>\n2\n"IntervalTier"\n"words"\n0\n3\n3\n0\n0.5\n""\n0.5\n'
    '1.25\n"say ""ğüş"" now"\n1.25\n3\n"愛"\n"TextTier"\n"events"\n0\n3\n1\n1\n"clap"\n'
)


@pytest.mark.parametrize("text", [LONG_GRID, SHORT_GRID])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_textgrids(tmp_path, text, encoding):
    read = read_timings(wrote(tmp_path, text, encoding), RATE_HZ)
    assert starts(read.segments.words) == [(0.5, 1.25, 'say "ğüş" now'), (1.25, 3.0, "愛")]
    assert len(read.notices) == 1
    assert "points" in read.notices[0]


@pytest.mark.parametrize("keep", [0.3, 0.6, 0.9])
def test_a_textgrid_that_breaks_off(tmp_path, keep):
    with pytest.raises(ExchangeError, match=r"breaks off|stands where|no time"):
        read_timings(wrote(tmp_path, LONG_GRID[: int(len(LONG_GRID) * keep)]), RATE_HZ)


def test_tab_separated_labels(tmp_path):
    read = read_timings(
        wrote(tmp_path, "start\tend\tlabel\n0,5\t1.0\tso\n1.0\t1.5\tlong\nfoo\n2.5\t2.0\tmy\n"), RATE_HZ
    )
    assert starts(read.segments.words) == [(0.5, 1.0, "so"), (1.0, 1.5, "long")]
    assert len(read.notices) == 2
    lines = read_timings(wrote(tmp_path, "0.5\t2.0\tso long\n0.5\t1\tso\n1\t2\tlong\n"), RATE_HZ)
    assert lines.notices == ()
    assert starts(lines.segments.phrases) == [(0.5, 2.0, "so long")]
    assert starts(lines.segments.words) == [(0.5, 1.0, "so"), (1.0, 2.0, "long")]


def test_a_word_in_no_line_gets_one(tmp_path):
    read = read_timings(wrote(tmp_path, SHORT_GRID.replace('"words"', '"lines"')), RATE_HZ)
    assert [phrase.label for phrase in read.segments.phrases] == ['say "ğüş" now', "愛"]
    assert read.segments.words == ()


@pytest.mark.parametrize("content", [b"", b"\n\n", b"hello", b"\xff\xfe\x00", b"WEBVTT", b"\x00" * 50, b"RIFFxxxxWAVE"])
def test_what_is_no_list_of_times_is_refused(tmp_path, content):
    path = tmp_path / "x.vtt"
    path.write_bytes(content)
    with pytest.raises(ExchangeError, match=r"x\.vtt"):
        read_timings(path, RATE_HZ)


def test_a_missing_file_is_told(tmp_path):
    with pytest.raises(ExchangeError, match="cannot be read"):
        read_timings(tmp_path / "none.vtt", RATE_HZ)


LABELS = st.text(st.characters(exclude_categories=("Cs", "Cc", "Zl", "Zp", "Zs")), min_size=1, max_size=8).filter(
    lambda text: (
        text.strip("<>").lower() not in {"sil", "sp", "spn", "#", "-", "_", "silence", "p", "s", "/s"}
        and text.strip("\u200e\u200f_<>")
        and not re.fullmatch(r"_\w*_", text)  # marks of noises, as corpora write them
    )
)


@st.composite
def songs(draw: st.DrawFn) -> Segments:
    """Segments whose borders lie on milliseconds, which is as fine as WebVTT is."""
    phrases, words = [], []
    at = draw(st.integers(0, 3000))
    for p in range(draw(st.integers(1, 4))):
        start = at
        labels = []
        for w in range(draw(st.integers(1, 4))):
            length = draw(st.integers(1, 2000))
            labels.append(draw(LABELS))
            words.append(Span(f"w{p}.{w}", Kind.WORD, at * 48, (at + length) * 48, labels[-1]))
            at += length
        phrases.append(Span(f"p{p}", Kind.PHRASE, start * 48, at * 48, " ".join(labels)))
        at += draw(st.integers(0, 2000))
    return Segments((), tuple(phrases), tuple(words))


def places(spans: tuple[Span, ...]) -> list[tuple[int, int, str]]:
    return [(span.start_n, span.end_n, span.label) for span in spans]


@given(song=songs(), short=st.booleans(), encoding=st.sampled_from(["utf-8", "utf-16"]))
@runs(max_examples=60, deadline=None)
def test_textgrids_come_back(tmp_path_factory, song, short, encoding):
    path = tmp_path_factory.mktemp("grids") / "x.TextGrid"
    write_textgrid(path, song, RATE_HZ, song.phrases[-1].end_n + 100, short=short, encoding=encoding)
    read = read_timings(path, RATE_HZ)
    assert read.notices == ()
    assert places(read.segments.phrases) == places(song.phrases)
    assert places(read.segments.words) == places(song.words)


@given(song=songs())
@runs(max_examples=60, deadline=None)
def test_webvtt_comes_back(tmp_path_factory, song):
    path = tmp_path_factory.mktemp("cues") / "x.vtt"
    write_webvtt(path, song, RATE_HZ)
    read = read_timings(path, RATE_HZ)
    assert read.notices == ()
    if len(song.words) > len(song.phrases):
        assert places(read.segments.phrases) == places(song.phrases)
        timed = [word for phrase in song.phrases for word in song.words_of(phrase) if len(song.words_of(phrase)) > 1]
        assert places(read.segments.words) == places(tuple(timed))


@given(song=songs(), rate_hz=st.sampled_from([8000, 44100, 48000, 192000]))
@runs(max_examples=40, deadline=None)
def test_labels_come_back(tmp_path_factory, song, rate_hz):
    path = tmp_path_factory.mktemp("labels") / "x.tsv"
    write_labels(path, song, rate_hz)
    assert places(read_timings(path, rate_hz).segments.words) == places(song.words)


@given(text=st.text(max_size=300))
@runs(max_examples=150, deadline=None)
def test_any_text_is_read_or_refused(tmp_path_factory, text):
    folder = tmp_path_factory.mktemp("any")
    for head in ("", "WEBVTT\n\n00:01.000 --> 00:02.000\n", '"ooTextFile"\n"TextGrid"\n0\n1\n<exists>\n1\n', "1\t2\t"):
        path = wrote(folder, head + text.encode("utf-8", "ignore").decode())
        with contextlib.suppress(ExchangeError):
            assert read_timings(path, RATE_HZ).segments.phrases


def test_every_writer_keeps_off_sources(tmp_path):
    source = wrote(tmp_path, "keep")
    song = Segments((), (Span("p", Kind.PHRASE, 0, 10, "a"),), (Span("w", Kind.WORD, 0, 10, "a"),))
    for suffix, write in WRITERS.items():
        extra = (100,) if suffix == ".textgrid" else ()
        with pytest.raises(OutputIsSourceError):
            write(source, song, RATE_HZ, *extra, protect=[source])
    assert source.read_text() == "keep"


def test_lines_alone_take_the_found_words(tmp_path):
    timed = read_timings(wrote(tmp_path, "WEBVTT\n\n00:01.000 --> 00:03.000\none two\n"), RATE_HZ).segments
    found = Segments((), (), (Span("w1", Kind.WORD, 48000, 90000),), (Span("b1", Kind.BREATH, 10, 20),))
    whole = completed(timed, found)
    assert whole.phrases == timed.phrases
    assert whole.words == found.words
    assert whole.breaths == found.breaths


_READ_BY_PRAATIO = """
import sys
sys.path.insert(0, sys.argv[1])
from praatio import textgrid
grid = textgrid.openTextgrid(sys.argv[2], includeEmptyIntervals=False)
for name in grid.tierNames:
    for entry in grid.getTier(name).entries:
        print(name, *entry, sep="\\t")
"""


@pytest.mark.registry
@pytest.mark.parametrize("short", [True, False])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_praatio_reads_what_we_write(tmp_path, short, encoding):
    """praatio 6.2.2, a reader of TextGrids that shares no code with ours."""
    song = Segments(
        (),
        (Span("p1", Kind.PHRASE, 4800, 48000, "so 愛 long"),),
        (Span("w1", Kind.WORD, 4800, 20001, 'so "so"'), Span("w2", Kind.WORD, 20001, 48000, "愛 long")),
    )
    write_textgrid(tmp_path / "x.TextGrid", song, RATE_HZ, 96000, short=short, encoding=encoding)
    command = [sys.executable, "-I", "-W", "ignore", "-c", _READ_BY_PRAATIO, str(praatio_source()), "x.TextGrid"]
    told = {"PYTHONUTF8": "1"}
    out = subprocess.run(command, cwd=tmp_path, capture_output=True, check=True, encoding="utf-8", env=told)
    rows = [line.split("\t") for line in out.stdout.splitlines()]
    read = [(tier, round(float(a) * RATE_HZ), round(float(b) * RATE_HZ), text) for tier, a, b, text in rows]
    assert read == [(f"{span.kind}s", span.start_n, span.end_n, span.label) for span in song.all_spans()]


@pytest.mark.registry
@pytest.mark.parametrize("form", ["", "_longfile"])
def test_textgrids_of_praat(form):
    """Files of praatio 6.2.2, made with Praat, in the short and the long form."""
    folder = praatio_source() / "tests" / "files"
    bobby = read_timings(folder / f"bobby_words_with_newlines{form}.TextGrid", 44100).segments
    assert [phrase.label for phrase in bobby.phrases] == ["BOBBY RIPPED THE LEDGER"]
    mary = read_timings(folder / f"mary{form}.TextGrid", 44100).segments
    assert [word.label for word in mary.words] == ["mary", "rolled", "the", "barrel"]
    assert 0.31 < mary.words[0].start_n / 44100 < 0.32
