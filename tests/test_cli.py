"""The command line from files to files: what is written, what is refused, and that refusals write nothing."""

from __future__ import annotations

import csv
import json
import os
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from ridebook.cli import main
from ridebook.errors import OutputIsSourceError
from ridebook.work.demo import demo_sources
from tests.songs import RATE_HZ, noise_bed, sung, write_pair

LEVELS_DB = [[0, 0, 0], [-5, -5, -5], [0, 0, 0], [4, 4, 4], [0, 0, 0]]


@pytest.fixture(autouse=True)
def own_cache(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    vocal, _ = sung(LEVELS_DB)
    return write_pair(tmp_path_factory.mktemp("written"), vocal, noise_bed(len(vocal)))


@pytest.fixture
def pair(written: tuple[Path, Path], tmp_path: Path) -> tuple[Path, Path]:
    """Files of the test's own, which it may spoil."""
    vocal, bed = (Path(shutil.copy(path, tmp_path)) for path in written)
    return vocal, bed


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def files_in(folder: Path) -> set[str]:
    return {entry.name for entry in folder.rglob("*")}


def test_from_files_to_lists(pair: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rides, segments = tmp_path / "rides.csv", tmp_path / "segments.csv"
    assert main(["suggest", *map(str, pair), "--rides", str(rides), "--segments", str(segments)]) == 0
    told = re.search(r"The suggestion keeps (.+)\.$", capsys.readouterr().out, re.MULTILINE)
    # Lines that were 5 dB down and 4 dB up are evened, so a part of what was between them is left and not all.
    between = re.search(r"(\d+) %( of the dynamics between phrases| between them)", told[1])
    assert 0 < int(between[1]) < 60
    points = rows_of(rides)
    assert list(points[0]) == ["time_s", "gain_db"]
    assert len(points) >= 1
    assert all(len(row["time_s"].partition(".")[2]) >= 9 for row in points)
    assert all(len(row["gain_db"].partition(".")[2]) >= 6 for row in points)
    kinds = [row["kind"] for row in rows_of(segments)]
    assert kinds.count("phrase") == len(LEVELS_DB)


def test_quiet_phrase_is_raised_and_loud_one_lowered(pair: tuple[Path, Path], tmp_path: Path) -> None:
    rides = tmp_path / "rides.csv"
    assert main(["suggest", *map(str, pair), "--rides", str(rides), "--share", "1"]) == 0
    points = [(float(row["time_s"]), float(row["gain_db"])) for row in rows_of(rides)]
    _, spans = sung(LEVELS_DB)
    at_s = [(start_n + end_n) / 2 / RATE_HZ for start_n, end_n in spans]
    gain = np.interp(at_s, [time for time, _ in points], [gain for _, gain in points])
    assert gain[1] - gain[0] > 2.0
    assert gain[3] - gain[0] < -2.0


def test_session_to_stem_and_mix(pair: tuple[Path, Path], tmp_path: Path) -> None:
    session, stem, mix, rides = (tmp_path / name for name in ("s.ridebook", "stem.wav", "mix.wav", "rides.csv"))
    assert main(["suggest", *map(str, pair), "--session", str(session)]) == 0
    assert main(["render", str(session), "--stem", str(stem), "--mix", str(mix)]) == 0
    assert main(["export", str(session), "--rides", str(rides)]) == 0
    source, rate_hz = soundfile.read(pair[0])
    ridden, ridden_rate_hz = soundfile.read(stem)
    assert (ridden.shape, ridden_rate_hz) == (source.shape, rate_hz)
    points = [(float(row["time_s"]), float(row["gain_db"])) for row in rows_of(rides)]
    gain_db = np.interp(np.arange(len(source)) / rate_hz, [t for t, _ in points], [g for _, g in points])
    # One step of 24 bits of rounding and as much of dither on either side.
    np.testing.assert_allclose(ridden, source * 10 ** (gain_db / 20), atol=2.0 / 2**23)
    bed, _ = soundfile.read(pair[1])
    mixed, _ = soundfile.read(mix)
    np.testing.assert_allclose(mixed, ridden[:, None] + bed, atol=4.0 / 2**23)


def test_open_session_keeps_all_phrases_open_and_the_lane_flat(pair: tuple[Path, Path], tmp_path: Path) -> None:
    session, stem = tmp_path / "s.ridebook", tmp_path / "stem.wav"
    assert main(["suggest", *map(str, pair), "--session", str(session), "--open"]) == 0
    document = json.loads(session.read_text(encoding="utf-8"))
    assert document["lane"] == []
    assert document["decisions"] == {}
    assert document["trim_db"] != 0.0
    assert main(["render", str(session), "--stem", str(stem)]) == 0


def test_flat_lane_without_trim_gives_back_the_same_samples(pair: tuple[Path, Path], tmp_path: Path) -> None:
    session, stem = tmp_path / "s.ridebook", tmp_path / "stem.wav"
    assert main(["suggest", *map(str, pair), "--session", str(session), "--open"]) == 0
    document = json.loads(session.read_text(encoding="utf-8"))
    document["trim_db"] = 0.0
    session.write_text(json.dumps(document), encoding="utf-8")
    assert main(["render", str(session), "--stem", str(stem)]) == 0
    source, _ = soundfile.read(pair[0], dtype="int32")
    rendered, _ = soundfile.read(stem, dtype="int32")
    np.testing.assert_array_equal(rendered, source)


def words_in(path: Path) -> list[tuple[str, float]]:
    return [(row["label"], float(row["start_s"])) for row in rows_of(path) if row["kind"] == "word"]


def test_lyric_is_laid_on_the_demo_song(tmp_path: Path) -> None:
    vocal, beds = demo_sources()
    out = tmp_path / "segments.csv"
    command = ["suggest", str(vocal), *map(str, beds), "--segments", str(out)]
    assert main([*command, "--lyrics", str(vocal.with_name("lyric.txt"))]) == 0
    true, found = words_in(vocal.with_name("words.csv")), words_in(out)
    assert [word for word, _ in found] == [word for word, _ in true]
    off_s = np.abs([start - other for (_, start), (_, other) in zip(found, true, strict=True)])
    assert np.median(off_s) < 0.06
    assert np.quantile(off_s, 0.8) < 0.15
    assert {row["kind"] for row in rows_of(out)} >= {"section", "phrase", "word"}


def test_timings_from_a_file_are_taken(pair: tuple[Path, Path], tmp_path: Path) -> None:
    timings, out = tmp_path / "words.tsv", tmp_path / "segments.csv"
    timings.write_text("0.800000\t1.150000\tone\n1.200000\t1.550000\ttwo\n", encoding="utf-8")
    assert main(["suggest", *map(str, pair), "--timings", str(timings), "--segments", str(out)]) == 0
    assert words_in(out)[:2] == [("one", pytest.approx(0.8, abs=1e-4)), ("two", pytest.approx(1.2, abs=1e-4))]


@pytest.mark.parametrize("option", ["--lyrics", "--timings"])
def test_words_that_cannot_be_read(
    pair: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str], option: str
) -> None:
    bad = tmp_path / "bad.txt"
    bad.write_bytes(b"\xff\xfe\x00nothing\xff")
    before = files_in(tmp_path)
    assert main(["suggest", *map(str, pair), option, str(bad), "--rides", str(tmp_path / "r.csv")]) == 2
    assert str(bad) in capsys.readouterr().err
    assert files_in(tmp_path) == before
    assert main(["suggest", *map(str, pair), option, str(tmp_path / "no.txt")]) == 2
    bad.write_text("one two\n", encoding="utf-8")
    assert main(["suggest", *map(str, pair), option, str(bad), "--rides", str(bad)]) == 2
    assert bad.read_text(encoding="utf-8") == "one two\n"


def test_cache_changes_nothing(pair: tuple[Path, Path], tmp_path: Path) -> None:
    texts = []
    for name, more in (("a.csv", ["--no-cache"]), ("b.csv", []), ("c.csv", [])):
        assert main(["suggest", *map(str, pair), "--rides", str(tmp_path / name), *more]) == 0
        texts.append((tmp_path / name).read_bytes())
    assert texts[0] == texts[1] == texts[2]


def test_damaged_cache_is_measured_anew(pair: tuple[Path, Path], tmp_path: Path) -> None:
    out = tmp_path / "a.csv"
    assert main(["suggest", *map(str, pair), "--rides", str(out)]) == 0
    text = out.read_bytes()
    kept = list(Path(os.environ["XDG_CACHE_HOME"]).rglob("*.npz"))
    assert kept
    for path in kept:
        path.write_bytes(path.read_bytes()[:100])
    assert main(["suggest", *map(str, pair), "--rides", str(out)]) == 0
    assert out.read_bytes() == text


def test_check_tells_findings_and_proof_as_json(
    pair: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    session = tmp_path / "s.ridebook"
    assert main(["suggest", *map(str, pair), "--session", str(session), "--aim", "-8"]) == 0
    capsys.readouterr()
    code = main(["check", str(session), "--json"])
    report = json.loads(capsys.readouterr().out)
    assert code == int(any(found["severity"] == "must" for found in report["findings"]))
    assert report["proof"]["phrases"] == len(LEVELS_DB)


def test_check_fails_where_a_word_is_lost(pair: tuple[Path, Path], tmp_path: Path) -> None:
    session = tmp_path / "s.ridebook"
    assert main(["suggest", *map(str, pair), "--session", str(session), "--open"]) == 0
    document = json.loads(session.read_text(encoding="utf-8"))
    document["trim_db"] -= 12.0
    session.write_text(json.dumps(document), encoding="utf-8")
    assert main(["check", str(session)]) == 1


def test_measure_gives_the_named_fields(pair: tuple[Path, Path], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["measure", *map(str, pair), "--json"]) == 0
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert len(lines) == 2
    for name in (
        "rate_hz", "channels", "seconds", "integrated_lufs", "loudness_range_lu", "momentary_max_lufs",
        "short_term_max_lufs", "true_peak_dbtp", "sample_peak_dbfs",
    ):  # fmt: skip
        assert name in lines[0]
    assert (lines[0]["channels"], lines[1]["channels"]) == (1, 2)


def spoil_nan(vocal: Path) -> None:
    samples, rate_hz = soundfile.read(vocal)
    samples[1000] = np.nan
    soundfile.write(vocal, samples, rate_hz, subtype="FLOAT")


def spoil_infinity(vocal: Path) -> None:
    samples, rate_hz = soundfile.read(vocal)
    samples[1000] = np.inf
    soundfile.write(vocal, samples, rate_hz, subtype="FLOAT")


def spoil_no_frames(vocal: Path) -> None:
    soundfile.write(vocal, np.zeros(0), RATE_HZ)


def spoil_short(vocal: Path) -> None:
    soundfile.write(vocal, np.full(RATE_HZ // 4, 0.1), RATE_HZ)


def spoil_silence(vocal: Path) -> None:
    soundfile.write(vocal, np.zeros(RATE_HZ * 3), RATE_HZ)


def spoil_text(vocal: Path) -> None:
    vocal.write_text("no audio at all\n" * 100)


def spoil_missing(vocal: Path) -> None:
    vocal.unlink()


def spoil_cut_header(vocal: Path) -> None:
    vocal.write_bytes(vocal.read_bytes()[:20])


def spoil_folder(vocal: Path) -> None:
    vocal.unlink()
    vocal.mkdir()


def spoil_channels(vocal: Path) -> None:
    soundfile.write(vocal, np.full((RATE_HZ, 3), 0.1), RATE_HZ)


SPOILERS = [value for name, value in sorted(globals().items()) if name.startswith("spoil_")]


@pytest.mark.parametrize("spoil", SPOILERS, ids=lambda spoil: spoil.__name__)
@pytest.mark.parametrize("which", [0, 1], ids=["vocal", "bed"])
def test_bad_input_is_one_clear_line_and_writes_nothing(
    pair: tuple[Path, Path],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    spoil: Callable[[Path], None],
    which: int,
) -> None:
    spoil(pair[which])
    before = files_in(tmp_path)
    outputs = ["--rides", str(tmp_path / "r.csv"), "--segments", str(tmp_path / "g.csv")]
    code = main(["suggest", *map(str, pair), *outputs, "--session", str(tmp_path / "s.ridebook")])
    told = capsys.readouterr()
    assert code == 2
    errors = [line for line in told.err.splitlines() if str(pair[which]) in line]
    assert len(errors) == 1
    assert "Traceback" not in told.err
    assert told.out == ""
    assert files_in(tmp_path) == before


@pytest.mark.parametrize("option", ["--rides", "--segments", "--session"])
@pytest.mark.parametrize("which", [0, 1])
def test_no_output_may_be_a_source(
    pair: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str], option: str, which: int
) -> None:
    content = pair[which].read_bytes()
    assert main(["suggest", *map(str, pair), option, str(pair[which]), "--force"]) == 2
    assert "source" in capsys.readouterr().err
    assert pair[which].read_bytes() == content


def test_no_output_may_be_a_source_through_a_link(pair: tuple[Path, Path], tmp_path: Path) -> None:
    link = tmp_path / "link.csv"
    link.symlink_to(pair[0])
    content = pair[0].read_bytes()
    assert main(["suggest", *map(str, pair), "--rides", str(link)]) == 2
    assert pair[0].read_bytes() == content


def test_render_refuses_source_and_session(pair: tuple[Path, Path], tmp_path: Path) -> None:
    session = tmp_path / "s.ridebook"
    assert main(["suggest", *map(str, pair), "--session", str(session)]) == 0
    for target in (*pair, session):
        content = target.read_bytes()
        assert main(["render", str(session), "--stem", str(target)]) == 2
        assert target.read_bytes() == content
    assert issubclass(OutputIsSourceError, OSError)


def test_session_is_replaced_only_by_force(pair: tuple[Path, Path], tmp_path: Path) -> None:
    session = tmp_path / "s.ridebook"
    command = ["suggest", *map(str, pair), "--session", str(session), "--rides", str(tmp_path / "r.csv")]
    session.write_text("mine", encoding="utf-8")
    assert main(command) == 2
    assert session.read_text(encoding="utf-8") == "mine"
    assert not (tmp_path / "r.csv").exists()
    assert main([*command, "--force"]) == 0
    assert json.loads(session.read_text(encoding="utf-8"))["format"] == "ridebook-session"


@pytest.mark.parametrize(
    "more",
    [["--share", "1.5"], ["--share", "nan"], ["--follow", "-1"], ["--aim", "99"], ["--centre-law", "-2"]],
    ids=" ".join,
)
def test_setting_out_of_range(pair: tuple[Path, Path], capsys: pytest.CaptureFixture[str], more: list[str]) -> None:
    assert main(["suggest", *map(str, pair), *more]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1


def test_one_name_for_two_outputs(pair: tuple[Path, Path], tmp_path: Path) -> None:
    both = str(tmp_path / "x.csv")
    assert main(["suggest", *map(str, pair), "--rides", both, "--segments", both]) == 2
    assert not (tmp_path / "x.csv").exists()


def test_missing_folder(pair: tuple[Path, Path], tmp_path: Path) -> None:
    assert main(["suggest", *map(str, pair), "--rides", str(tmp_path / "no" / "r.csv")]) == 2


def test_moved_source_is_told(pair: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    session = tmp_path / "s.ridebook"
    assert main(["suggest", *map(str, pair), "--session", str(session)]) == 0
    pair[1].rename(tmp_path / "elsewhere.wav")
    assert main(["check", str(session)]) == 2
    assert "bed.wav" in capsys.readouterr().err


@pytest.mark.parametrize("arguments", [["suggest"], ["nonsense"], ["render"], ["measure"]], ids=" ".join)
def test_slip_of_the_keys(arguments: list[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(arguments)
    assert stopped.value.code == 2


def test_one_sentence_tells_of_padding_and_resampling(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    vocal, _ = sung([[0, 0], [0, 0]])
    soundfile.write(tmp_path / "vocal.wav", vocal, RATE_HZ, subtype="PCM_24")
    soundfile.write(tmp_path / "bed.wav", noise_bed(48_000), 48_000, subtype="PCM_24")
    assert main(["suggest", str(tmp_path / "vocal.wav"), str(tmp_path / "bed.wav")]) == 0
    told = capsys.readouterr().err
    assert "resampled from 48000 Hz" in told
    assert "silence" in told
