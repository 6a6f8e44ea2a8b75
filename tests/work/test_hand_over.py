"""The hand-over as a whole, each file held against what numpy makes of the sources and the breakpoints alone."""

from __future__ import annotations

import csv
import hashlib
import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import mido
import numpy as np
import pyloudnorm
import pytest
import soundfile

from ridebook.errors import (
    OutputError,
    OutputExistsError,
    OutputIsSourceError,
    SourceUnreadableError,
    SourceUnusableError,
)
from ridebook.exchange.manifest import differing_files, read_manifest
from ridebook.ride.lane import Lane
from ridebook.session.document import Follower, Session
from ridebook.work.deliverables import Formats, Part, follower_names, named_outputs, naming_of
from ridebook.work.hand_over import HandedOver, HandOver, Output, What, hand_over
from ridebook.work.steps import Cancelled
from tests.handed import made_song
from tests.songs import RATE_HZ

MOMENT = datetime(2031, 5, 9, 17, 42, tzinfo=UTC)
STEP_24 = 2.0**-23


@pytest.fixture
def out(tmp_path: Path) -> Path:
    made = tmp_path / "out"
    made.mkdir()
    return made


@pytest.fixture
def session(tmp_path: Path) -> Session:
    return made_song(tmp_path / "sources")


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> tuple[HandedOver, Path, list[float], dict[Path, bytes]]:
    """Everything, handed over at once: what came of it, where, the progress told, and the sources before."""
    folder = tmp_path_factory.mktemp("song")
    song, out = made_song(folder / "sources"), folder / "out"
    out.mkdir()
    sources = {path: path.read_bytes() for path in (folder / "sources").iterdir()}
    seen: list[float] = []
    return hand_over(song, everything(song, out), moment=MOMENT, progress=seen.append), out, seen, sources


def everything(session: Session, out: Path, **options: object) -> HandOver:
    outputs = named_outputs(list(Part), session, out, naming_of(session, moment=MOMENT), **options)
    return HandOver(outputs)


def samples_of(path: Path | str) -> np.ndarray:
    return soundfile.read(path, dtype="float64", always_2d=True)[0]


def gain_of(path: Path, frames_n: int, rate_hz: int = RATE_HZ) -> np.ndarray:
    """Factors from a breakpoint list, straight in dB, by the standard library and numpy alone."""
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    times, gains = ([float(row[name]) for row in rows] for name in ("time_s", "gain_db"))
    return 10 ** (np.interp(np.arange(frames_n) / rate_hz, times, gains) / 20)


def test_everything_in_one_go(whole: tuple[HandedOver, Path, list[float], dict[Path, bytes]]) -> None:
    done, out, seen, sources = whole
    assert sorted(path.name for path in out.iterdir()) == [
        "Orchard_ wall bed.wav",
        "Orchard_ wall double ridden.wav",
        "Orchard_ wall double rides.csv",
        "Orchard_ wall hall ridden.wav",
        "Orchard_ wall hall rides.csv",
        "Orchard_ wall manifest.json",
        "Orchard_ wall mix vocal down 0.5 dB.wav",
        "Orchard_ wall mix vocal down 1 dB.wav",
        "Orchard_ wall mix vocal up 0.5 dB.wav",
        "Orchard_ wall mix vocal up 1 dB.wav",
        "Orchard_ wall mix.wav",
        "Orchard_ wall ridden.wav",
        "Orchard_ wall rides.aaf",
        "Orchard_ wall rides.csv",
        "Orchard_ wall rides.mid",
        "Orchard_ wall segments.csv",
    ]
    assert seen == sorted(seen)
    assert (seen[0] >= 0.0, seen[-1]) == (True, 1.0)
    lines = done.lines()
    assert len(lines) == 16
    assert all(str(file.output.path) in line for file, line in zip(done.files, lines))
    assert any("resampled from 48000 Hz" in notice for notice in done.notices)
    assert {path: path.read_bytes() for path in sources} == sources


def test_voices_null_and_mixes_add_up(whole: tuple[HandedOver, Path, list[float], object]) -> None:
    done, out, _, _ = whole
    session = done.session
    # The voices null against their sources times the breakpoints.
    vocal = samples_of(session.vocal.path)
    lead = vocal * gain_of(out / "Orchard_ wall rides.csv", len(vocal))[:, None]
    ridden = samples_of(out / "Orchard_ wall ridden.wav")
    assert np.abs(ridden - lead).max() < 2 * STEP_24
    double = samples_of(session.followers[0].source.path)
    half = gain_of(out / "Orchard_ wall double rides.csv", len(double), 48_000)[:, None]
    assert 20 * np.log10(half.max()) == pytest.approx(1.5, abs=1e-6)
    assert np.abs(samples_of(out / "Orchard_ wall double ridden.wav") - double * half).max() < 1e-6
    hall = samples_of(session.followers[1].source.path)
    full = gain_of(out / "Orchard_ wall hall rides.csv", len(hall))[:, None]
    assert np.abs(samples_of(out / "Orchard_ wall hall ridden.wav") - hall * full).max() < 2 * STEP_24

    # Mixes less the bed are the voices; what differs between them is the step, on the double half of it.
    bed, mix = samples_of(out / "Orchard_ wall bed.wav"), samples_of(out / "Orchard_ wall mix.wav")
    n = len(vocal)
    np.testing.assert_allclose(bed[:n], samples_of(session.beds[0].path), atol=2 * STEP_24)
    assert not bed[n:].any()
    voices = mix - bed
    doubled = voices[:n] - lead - hall * full
    assert np.abs(doubled[:, 0] - doubled[:, 1]).max() < 1e-6
    there = voices[:, :1].copy()
    there[:n] -= lead + (hall * full)[:, :1]
    for name, step_db in (("up 0.5", 0.5), ("down 0.5", -0.5), ("up 1", 1.0), ("down 1", -1.0)):
        other = samples_of(out / f"Orchard_ wall mix vocal {name} dB.wav")
        wanted = np.zeros_like(mix)
        wanted[:n] += (lead + hall * full) * 10 ** (step_db / 20)
        wanted += there * 10 ** (step_db / 40)
        np.testing.assert_allclose(other - bed, wanted, atol=1e-6)

    midi = mido.MidiFile(out / "Orchard_ wall rides.mid")
    assert any(message.type == "control_change" for track in midi.tracks for message in track)


def test_the_manifest_tells_hashes_and_figures(whole: tuple[HandedOver, Path, list[float], object]) -> None:
    done, out, _, _ = whole
    session = done.session
    path = out / "Orchard_ wall manifest.json"
    raw = json.loads(path.read_text("utf-8"))
    assert raw["format"] == "ridebook-manifest"
    assert raw["written_at"] == "2031-05-09T17:42:00+00:00"
    written = {file["name"]: file for file in raw["files"]}
    assert set(written) == {each.name for each in out.iterdir()} - {path.name}
    for name, file in written.items():
        content = (out / name).read_bytes()
        assert (file["sha256"], file["bytes"]) == (hashlib.sha256(content).hexdigest(), len(content))
    for source in raw["sources"]:
        content = (Path(session.vocal.path).parent / source["name"]).read_bytes()
        assert source["sha256"] == hashlib.sha256(content).hexdigest()
    assert [source.get("share") for source in raw["sources"]] == [None, None, 0.5, 1.0]
    for name in ("Orchard_ wall mix.wav", "Orchard_ wall ridden.wav"):
        samples, rate_hz = soundfile.read(out / name)
        audio = written[name]["audio"]
        assert (audio["frames"], audio["rate_hz"]) == (len(samples), rate_hz)
        # pyloudnorm's filter reads 0.04 LU low.
        wanted = pyloudnorm.Meter(rate_hz).integrated_loudness(samples)
        assert audio["loudness"]["integrated_lufs"] == pytest.approx(wanted, abs=0.1)
        assert audio["loudness"]["true_peak_dbtp"] >= 20 * np.log10(np.abs(samples).max()) - 1e-3
    assert read_manifest(path).files[0].details["columns"] == ["time_s", "gain_db"]

    assert differing_files(path) == ()
    (out / "Orchard_ wall bed.wav").unlink()
    with (out / "Orchard_ wall rides.csv").open("a") as file:
        file.write("x")
    assert differing_files(path) == (
        "Orchard_ wall rides.csv is not as it was written.",
        "Orchard_ wall bed.wav is not there.",
    )


def test_it_is_all_or_nothing(session: Session, out: Path) -> None:
    (out / "Orchard_ wall mix.wav").write_bytes(b"old")
    plan = everything(session, out, replace=True)
    turns = iter(range(1_000_000))
    with pytest.raises(Cancelled):
        hand_over(session, plan, cancelled=lambda: next(turns) > 3)
    assert [path.name for path in out.iterdir()] == ["Orchard_ wall mix.wav"]

    bed = Path(session.beds[0].path)
    samples = samples_of(bed)
    samples[-5] = np.nan
    soundfile.write(bed, samples, RATE_HZ, "FLOAT")
    with pytest.raises(SourceUnusableError, match=r"bed\.wav holds a sample that is not a number"):
        hand_over(session, plan)
    bed.unlink()
    with pytest.raises(SourceUnreadableError, match="no longer where"):
        hand_over(session, plan)
    assert [path.name for path in out.iterdir()] == ["Orchard_ wall mix.wav"]
    assert (out / "Orchard_ wall mix.wav").read_bytes() == b"old"


def test_lists_alone_need_no_audio(session: Session, out: Path) -> None:
    for path in Path(session.vocal.path).parent.iterdir():
        path.unlink()
    outputs = named_outputs({Part.RIDES, Part.MIDI, Part.SEGMENTS}, session, out, naming_of(session))
    assert len(hand_over(session, HandOver(outputs)).files) == 3


@pytest.mark.parametrize("suffix", [".csv", ".vtt", ".TextGrid", ".tsv"])
def test_segments_go_by_their_ending(session: Session, out: Path, suffix: str) -> None:
    outputs = named_outputs({Part.SEGMENTS}, session, out, naming_of(session), Formats(segments=suffix))
    hand_over(session, HandOver(outputs))
    assert "line 1" in (out / f"Orchard_ wall segments{suffix}").read_text("utf-8")


def test_files_that_are_there_get_company_or_are_replaced_when_told(session: Session, out: Path) -> None:
    naming, parts = naming_of(session), {Part.RIDES, Part.SEGMENTS}
    for tail in ("", " 2", " 3"):
        outputs = named_outputs(parts, session, out, naming)
        assert [output.path.name for output in outputs] == [
            f"Orchard_ wall rides{tail}.csv",
            f"Orchard_ wall segments{tail}.csv",
        ]
        hand_over(session, HandOver(outputs, replace=False))
    again = named_outputs(parts, session, out, naming, replace=True)
    assert [output.path.name for output in again] == ["Orchard_ wall rides.csv", "Orchard_ wall segments.csv"]
    hand_over(session, HandOver(again))
    with pytest.raises(OutputExistsError):
        hand_over(session, HandOver(again, replace=False))


def test_sources_are_never_written_over(session: Session, out: Path) -> None:
    for source in session.sources:
        with pytest.raises(OutputIsSourceError):
            hand_over(session, HandOver((Output(What.STEM, Path(source.path)),)))
    kept = out / "song.ridebook"
    kept.write_bytes(b"{}")
    with pytest.raises(OutputIsSourceError):
        hand_over(session, HandOver((Output(What.RIDES, kept),)), protect=[kept])
    twice = Output(What.RIDES, out / "a.csv"), Output(What.SEGMENTS, out / "a.csv")
    with pytest.raises(OutputError, match="two outputs"):
        hand_over(session, HandOver(twice))


def test_followers_of_one_name_are_told_apart(session: Session) -> None:
    sources = [
        replace(session.vocal, path=path)
        for path in ("/a/double.wav", "/b/Double.flac", "/c/double 2.wav", "/c/hall.wav")
    ]
    followers = tuple(map(Follower, sources))
    names = follower_names(replace(session, followers=followers))
    assert names == ["double", "Double 2", "double 2 2", "hall"]


def test_true_peaks_are_held_against_the_ceiling_of_the_session(session: Session, out: Path) -> None:
    outputs = named_outputs({Part.STEM}, session, out, naming_of(session), replace=True)
    for ceiling_dbtp, told in ((-20.0, True), (6.0, False)):
        limited = replace(session, limits=replace(session.limits, ceiling_dbtp=ceiling_dbtp))
        (file,) = hand_over(limited, HandOver(outputs)).files
        assert any(f"ceiling of {ceiling_dbtp:g} dBTP" in notice for notice in file.notices) is told


def test_samples_that_are_cut_off_are_told_with_the_trim_as_cure_where_it_is_one(session: Session, out: Path) -> None:
    loud = replace(session, lane=Lane.from_pairs([(0, 40.0)]), followers=session.followers[1:])
    outputs = named_outputs({Part.STEM, Part.FOLLOWERS}, loud, out, naming_of(loud))
    told = {file.output.what: " ".join(file.notices) for file in hand_over(loud, HandOver(outputs)).files}
    assert "cut off at full scale: lower the trim." in told[What.STEM]
    assert "cut off at full scale." in told[What.FOLLOWER]
