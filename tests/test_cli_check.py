"""`check` of a lane drawn elsewhere and `sheet`, from files to files."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from ridebook.cli import main
from ridebook.session.file import load_session
from tests.songs import RATE_HZ, noise_bed, sung, write_pair


@pytest.fixture(autouse=True)
def own_cache(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))


@pytest.fixture
def pair(tmp_path: Path) -> tuple[str, str]:
    vocal, _ = sung([[0, 0, 0], [-5, -5, -5], [0, 0, 0], [3, 3, 3]])
    vocal, bed = write_pair(tmp_path, 0.5 * vocal, noise_bed(len(vocal)))
    return str(vocal), str(bed)


def checked(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, object]:
    capsys.readouterr()
    assert main(["check", *arguments, "--json"]) in (0, 1)
    return json.loads(capsys.readouterr().out)


def test_a_lane_out_of_a_table_is_checked_and_taken_over(
    pair: tuple[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rides, session = tmp_path / "rides.csv", tmp_path / "s.ridebook"
    assert main(["suggest", *pair, "--rides", str(rides)]) == 0
    linear = tmp_path / "linear.txt"
    rows = [line.split(",") for line in rides.read_text().splitlines()[1:]]
    linear.write_text("\n".join(f"{time}\t{10 ** (float(gain) / 20):.9f}" for time, gain in rows))
    report = checked(capsys, *pair, "--lane", str(linear), "--session", str(session))
    assert report["proof"]["after"]["phrase_spread_lu"] < report["proof"]["before"]["phrase_spread_lu"]
    assert not [finding for finding in report["findings"] if finding["key"].startswith("open")]
    taken = load_session(session)
    times = np.array([float(time) for time, _ in rows])
    gains = taken.lane.gain_db_at(np.rint(times * RATE_HZ)) + taken.trim_db
    assert gains == pytest.approx([float(gain) for _, gain in rows], abs=1e-4)


def test_a_lane_is_inferred_from_the_ridden_vocal(
    pair: tuple[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    made, stem = tmp_path / "made.ridebook", tmp_path / "stem.wav"
    assert main(["suggest", *pair, "--session", str(made)]) == 0
    assert main(["render", str(made), "--stem", str(stem)]) == 0
    own = checked(capsys, str(made))
    found = checked(capsys, *pair, "--after", str(stem))
    assert found == checked(capsys, *pair, "--before", pair[0], "--after", str(stem))
    for name in ("words_lost", "phrases_out"):
        assert found["proof"]["after"][name] == own["proof"]["after"][name]
    assert found["proof"]["after"]["phrase_spread_lu"] == pytest.approx(
        own["proof"]["after"]["phrase_spread_lu"], abs=0.05
    )


def test_peaks_over_the_ceiling_end_with_1_and_the_page_is_written(
    pair: tuple[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lane, page = tmp_path / "lane.csv", tmp_path / "page.html"
    lane.write_text("time_s,gain_db\n0,18\n")
    assert main(["check", *pair, "--lane", str(lane), "--html", str(page)]) == 1
    assert "must be seen to: The ridden stem peaks at" in capsys.readouterr().out
    assert "The ridden stem peaks at" in page.read_text("utf-8")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["{vocal}", "{bed}"], "name a lane with --lane CSV or --after RENDER"),
        (["{vocal}", "{bed}", "--before", "{vocal}"], "name the one with rides with --after"),
        (["{vocal}", "{bed}", "--after", "{vocal}", "--gain", "db"], "--gain and --time say how a table is to be read"),
        (["{vocal}", "--session", "{out}"], "--session takes a lane that was drawn elsewhere over"),
        (["{vocal}", "{bed}", "--lane", "{vocal}"], "is not UTF-8 text"),
        (["{vocal}", "{bed}", "--after", "{bed}"], "must have the same rate and channels"),
        (["{vocal}", "{bed}", "--after", "{vocal}", "--html", "{vocal}"], "is a source"),
    ],
)
def test_what_does_not_go_together_is_refused_and_writes_nothing(
    pair: tuple[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], said: str
) -> None:
    places = {"vocal": pair[0], "bed": pair[1], "out": str(tmp_path / "out.ridebook")}
    before = {path: path.read_bytes() for path in tmp_path.iterdir()}
    assert main(["check", *(each.format(**places) for each in arguments)]) == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1
    assert said in error
    assert {path: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_a_session_that_is_there_is_not_replaced_without_force(pair: tuple[str, str], tmp_path: Path) -> None:
    session, lane = tmp_path / "s.ridebook", tmp_path / "lane.csv"
    lane.write_text("0,0\n1,1\n")
    session.write_text("mine")
    arguments = ["check", *pair, "--lane", str(lane), "--session", str(session)]
    assert main(arguments) == 2
    assert session.read_text() == "mine"
    assert main([*arguments, "--force"]) in (0, 1)
    assert load_session(session).lane.points


def test_a_clipped_source_and_one_that_changed_are_found(
    pair: tuple[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    session = tmp_path / "s.ridebook"
    assert main(["suggest", *pair, "--session", str(session)]) == 0
    kinds = {finding["key"].partition(":")[0] for finding in checked(capsys, str(session))["findings"]}
    assert not kinds & {"stale", "clipped", "offset", "shared", "sides", "aligned"}
    samples, rate_hz = soundfile.read(pair[0])
    top = np.abs(samples).max() * 0.6
    soundfile.write(pair[0], 0.5 * np.clip(samples / top, -1, 1), rate_hz, subtype="PCM_24")
    kinds = {finding["key"].partition(":")[0] for finding in checked(capsys, str(session))["findings"]}
    assert {"stale", "clipped"} <= kinds


def test_the_sheet_is_printed_from_a_session(
    pair: tuple[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    session, pdf, png = (tmp_path / name for name in ("s.ridebook", "sheet.pdf", "sheet.png"))
    assert main(["suggest", *pair, "--session", str(session)]) == 0
    capsys.readouterr()
    assert main(["sheet", str(session)]) == 2
    assert "name --pdf FILE, --png FILE or both" in capsys.readouterr().err
    pytest.importorskip("PySide6.QtGui", reason="printing needs Qt", exc_type=ImportError)
    assert main(["sheet", str(session), "--pdf", str(pdf), "--png", str(png), "--paper", "letter"]) == 0
    assert capsys.readouterr().out.splitlines()[0] == f"Wrote {pdf}."
    assert pdf.read_bytes().startswith(b"%PDF")
    assert png.read_bytes().startswith(b"\x89PNG")


def test_another_limit_is_held_against_and_a_wrong_one_is_refused(
    pair: tuple[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    session = tmp_path / "s.ridebook"
    assert main(["suggest", *pair, "--session", str(session)]) == 0
    usual = {finding["key"] for finding in checked(capsys, str(session))["findings"]}
    lower = {finding["key"] for finding in checked(capsys, str(session), "--limit", "ceiling_dbtp=-20")["findings"]}
    assert lower - usual == {"peak:ridden stem", "peak:mix"}
    for given, said in (
        ("loudest=3", "there is no limit 'loudest'"),
        ("lift_db=much", "number"),
        ("lift_db=-1", "lie"),
    ):
        assert main(["check", str(session), "--limit", given]) == 2
        assert said in capsys.readouterr().err


def test_the_approved_mix_is_kept_in_the_session_and_held_against_in_a_check(
    pair: tuple[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    session, mix = tmp_path / "s.ridebook", tmp_path / "approved.wav"
    vocal, bed = (soundfile.read(path, always_2d=True)[0] for path in pair)
    soundfile.write(mix, np.tanh(4.0 * (vocal + bed)) / 4.0, RATE_HZ, subtype="FLOAT")
    assert main(["suggest", *pair, "--session", str(session)]) == 0
    assert not [finding for finding in checked(capsys, str(session))["findings"] if finding["key"] == "sum:mix"]
    given = checked(capsys, str(session), "--approved-mix", str(mix))["findings"]
    assert "approved.wav" in next(finding["sentence"] for finding in given if finding["key"] == "sum:mix")
    assert main(["suggest", *pair, "--approved-mix", str(mix), "--session", str(session), "--force"]) == 0
    assert "sum:mix" in {finding["key"] for finding in checked(capsys, str(session))["findings"]}
    assert load_session(session).approved_mix.path == str(mix)
