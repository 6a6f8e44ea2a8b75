"""`ridebook export` from a session to files, and what it refuses."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import mido
import numpy as np
import pytest
import soundfile

from ridebook.audio.files import read_info
from ridebook.cli import main
from ridebook.ride.lane import Lane
from ridebook.segment.spans import Kind, Segments, Span
from ridebook.session.document import Session
from ridebook.session.file import load_session, save_session
from ridebook.work.song import source_file
from tests.songs import RATE_HZ, noise_bed, sung, write_pair

LANE = Lane.from_pairs([(0, 0.0), (22_050, 2.0), (44_100, -3.0)])


@pytest.fixture
def saved(tmp_path: Path) -> Path:
    """A session with a trim of -1.5 dB, and a double beside its sources."""
    vocal, spans = sung([[0, -3]])
    files = [source_file(read_info(path)) for path in write_pair(tmp_path, vocal, noise_bed(len(vocal)))]
    soundfile.write(tmp_path / "double.wav", 0.5 * vocal, RATE_HZ, "PCM_24")
    phrases = tuple(Span(f"p{i}", Kind.PHRASE, a, b, "=la la") for i, (a, b) in enumerate(spans))
    made = Session(files[0], (files[1],), -1.5, segments=Segments(phrases=phrases), lane=LANE, title="Wall")
    save_session(made, tmp_path / "song.ridebook")
    return tmp_path / "song.ridebook"


def export(saved: Path, *words: object) -> int:
    return main(["export", str(saved), *map(str, words)])


def rows_of(path: Path, delimiter: str = ",") -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file, delimiter=delimiter))


def test_all_is_named_by_the_pattern_and_told(saved: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = saved.parent / "out"
    out.mkdir()
    words = [
        "--all",
        "--out",
        out,
        "--pattern",
        "{what} of {title}",
        "--follower",
        f"{saved.parent / 'double.wav'}=50%",
    ]
    assert export(saved, *words) == 0
    written = {path.name for path in out.iterdir()}
    assert len(written) == 14
    assert {"rides of Wall.csv", "rides of Wall.aaf", "mix vocal up 0.5 dB of Wall.wav", "bed of Wall.wav"} < written
    assert {"double ridden of Wall.wav", "double rides of Wall.csv", "manifest of Wall.json"} < written
    told = capsys.readouterr().out.splitlines()
    assert len(told) == len(written)
    assert all(any(f"to {out / name}:" in line for line in told) for name in written)
    assert {file["name"] for file in json.loads((out / "manifest of Wall.json").read_text("utf-8"))["files"]} == (
        written - {"manifest of Wall.json"}
    )
    # The session itself is as it was.
    assert load_session(saved).followers == ()

    manifest = str(out / "manifest of Wall.json")
    assert main(["check", manifest]) == 0
    assert capsys.readouterr().out == "All 13 files are as they were written.\n"
    (out / "bed of Wall.wav").rename(out / "gone.wav")
    assert main(["check", manifest]) == 1
    assert capsys.readouterr().out == "bed of Wall.wav is not there.\n"
    (out / "gone.wav").rename(out / "bed of Wall.wav")

    before = {path: path.read_bytes() for path in out.iterdir()}
    assert export(saved, *words) == 2
    assert "is there already" in capsys.readouterr().err
    assert {path: path.read_bytes() for path in out.iterdir()} == before
    assert export(saved, *words, "--force") == 0


def test_followers_are_kept_by_suggest_and_sound_in_the_mix(saved: Path) -> None:
    folder = saved.parent
    session = folder / "other.ridebook"
    pair = [str(folder / name) for name in ("vocal.wav", "bed.wav")]
    assert main(["suggest", *pair, "--session", str(session), "--follower", f"{folder / 'double.wav'}=0.25"]) == 0
    (follower,) = load_session(session).followers
    assert (Path(follower.source.path).name, follower.share) == ("double.wav", 0.25)
    assert main(["render", str(session), "--mix", str(folder / "mix.wav"), "--stem", str(folder / "stem.wav")]) == 0
    mix, stem, bed = (soundfile.read(folder / name, always_2d=True)[0] for name in ("mix.wav", "stem.wav", "bed.wav"))
    double = soundfile.read(folder / "double.wav", always_2d=True)[0]
    rest = (mix - stem - bed)[:, 0]
    there = np.abs(double[:, 0]) > 0.05
    ride_db = load_session(session).lane.gain_db_at(np.arange(len(double)))[there]
    assert 20 * np.log10(np.abs(rest[there] / double[there, 0])) == pytest.approx(0.25 * ride_db, abs=0.01)


@pytest.mark.parametrize(
    ("words", "header", "row"),
    [
        ([], ["time_s", "gain_db"], ["0.500000000", "0.500000000"]),
        (["--no-trim"], ["time_s", "gain_db"], ["0.500000000", "2.000000000"]),
        (["--time", "samples"], ["time_samples", "gain_db"], ["22050", "0.500000000"]),
        (["--time", "bars", "--tempo", "120"], ["bar_beat_tick960", "gain_db"], ["1|2|0.000000", "0.500000000"]),
        (
            ["--columns", "timecode,samples,linear", "--timecode", "25", "--start-timecode", "01:00:00:00"],
            ["timecode_25", "time_samples", "gain_linear"],
            ["01:00:00:12.500000", "22050", "1.059253725177"],
        ),
        (["--offset", "2"], ["time_s", "gain_db"], ["2.500000000", "0.500000000"]),
    ],
)
def test_columns(saved: Path, words: list[str], header: list[str], row: list[str]) -> None:
    path = saved.parent / "rides.csv"
    assert export(saved, "--rides", path, *words) == 0
    rows = rows_of(path)
    assert (list(rows[1]), list(rows[1].values())) == (header, row)


def test_decimal_commas_selections_and_dense_lists(saved: Path) -> None:
    path = saved.parent / "rides.csv"
    assert export(saved, "--rides", path, "--decimal", "comma") == 0
    assert rows_of(path, ";")[1] == {"time_s": "0,500000000", "gain_db": "0,500000000"}
    assert export(saved, "--rides", path, "--selection", "0.25", "0.75") == 0
    assert [row["time_s"] for row in rows_of(path)] == ["0.250000000", "0.500000000", "0.750000000"]
    assert export(saved, "--rides", path, "--dense") == 0
    assert len(rows_of(path)) > 3


def test_rides_go_by_their_ending(saved: Path) -> None:
    folder = saved.parent
    assert export(saved, "--rides", folder / "r.mid", "--controller", 7, "--bits", 7, "--full-scale-db", 12) == 0
    messages = [message for track in mido.MidiFile(folder / "r.mid").tracks for message in track]
    assert {message.control for message in messages if message.type == "control_change"} == {7}
    assert export(saved, "--rides", folder / "r.aaf", "--gain-on", "track", "--link") == 0
    assert (folder / "r.aaf").read_bytes()[:4] == b"\xd0\xcf\x11\xe0"
    assert export(saved, "--segments", folder / "s.vtt") == 0
    assert (folder / "s.vtt").read_text("utf-8").startswith("WEBVTT")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ([], "nothing to export"),
        (["--rides", "--out", "nowhere"], "there is no folder nowhere"),
        (["--rides", "--pattern", "{title}"], "lacks {what}"),
        (["--rides", "--columns", "seconds,loudness"], "'loudness'"),
        (["--rides", "--time", "bars"], "need a tempo"),
        (["--rides", "--metre", "3/4"], "--metre goes with --tempo"),
        (["--rides", "--tempo", "90", "--metre", "waltz"], "'waltz'"),
        (["--rides", "--tempo-map", "no.mid"], "no.mid"),
        (["--rides", "--selection", "3", "1"], "not after its start"),
        (["--rides", "--start-timecode", "noon"], "no timecode"),
        (["--rides", "--offset", "nan"], "the offset is nan"),
        (["--alternates", "loud"], "--alternates takes numbers"),
        (["--alternates", "0.5,-1"], "above 0"),
        (["--midi", "--full-scale-db", "-3"], "full scale is -3"),
        (["--stem", "--audio", ".mp3"], "cannot be written as .mp3"),
        (["--followers"], "no followers"),
        (["--mix", "--follower", "double.wav=2"], "share must be 0 to 1"),
        (["--mix", "--follower", "bed.wav"], "in the mix already"),
        (["--mix", "--follower", "gone.wav"], "gone.wav is not there"),
        (["--rides", "song.ridebook"], "is a source"),
        (["--rides", "a.csv", "--segments", "a.csv"], "two outputs"),
        (["--stem", "a.mp3", "--rides", "a.csv"], "a.mp3 cannot be written"),
    ],
)
def test_what_cannot_be_is_told_in_one_line_and_nothing_is_written(
    saved: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], words: list[str], says: str
) -> None:
    monkeypatch.chdir(saved.parent)
    before = {path.name for path in saved.parent.iterdir()}
    assert export(saved, *words) == 2
    told = capsys.readouterr().err.splitlines()
    assert len(told) == 1
    assert says in told[0]
    assert {path.name for path in saved.parent.iterdir()} == before
