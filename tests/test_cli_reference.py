"""References and the user's hand on the command line."""

from pathlib import Path

import numpy as np
import platformdirs
import pytest
import soundfile

from ridebook.cli import main
from ridebook.ride.hand import Case, SongRecord
from ridebook.session.file import load_session
from ridebook.work.hand import HandStore
from tests.songs import noise_bed, sung, write_pair
from tests.test_cli import own_cache  # noqa: F401 - a fixture that each test has

RATE_HZ = 44_100


@pytest.fixture
def pair(tmp_path: Path) -> tuple[Path, Path]:
    vocal, _ = sung([[0.0] * 4] * 3)
    return write_pair(tmp_path, vocal, noise_bed(len(vocal)))


@pytest.fixture
def other(tmp_path: Path) -> tuple[Path, Path]:
    """Another song, whose vocal is the same and whose bed is 3 dB louder."""
    folder = tmp_path / "other"
    folder.mkdir()
    vocal, _ = sung([[0.0] * 4] * 3)
    return write_pair(folder, vocal, noise_bed(len(vocal)) * 10.0 ** (3.0 / 20.0))


def suggested(capsys: pytest.CaptureFixture[str], *arguments: object) -> list[str]:
    assert main(["suggest", *map(str, arguments)]) == 0
    return capsys.readouterr().out.splitlines()


def test_aim_is_taken_from_a_pair_and_kept_in_the_session(
    pair: tuple[Path, Path], other: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    session_path = tmp_path / "song.ridebook"
    own = suggested(capsys, *pair, "--reference-pair", *pair)
    lines = suggested(capsys, *pair, "--reference-pair", *other, "--session", session_path)
    session = load_session(session_path)
    own_lu, other_lu = (float(text[0].split("stands at ")[1].split()[0]) for text in (own, lines))
    assert other_lu == pytest.approx(own_lu - 3.0, abs=0.11)
    assert session.settings.aim_lu == pytest.approx(other_lu, abs=0.06)
    assert [Path(source.path).parent.name for source in session.reference_pairs[0].sources] == ["other", "other"]
    # It is 3 LU under this song, and the lean of 0.5 LU goes on top.
    assert session.trim_db == pytest.approx(-2.5, abs=0.2)
    assert "the trim goes 0.5 LU over it" in lines[1]
    main(["check", str(session_path)])
    assert "This song stands" in capsys.readouterr().out


def test_a_mix_is_estimated_with_its_bar_and_a_mono_one_is_not(
    pair: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    vocal, rate_hz = soundfile.read(pair[0])
    bed, _ = soundfile.read(pair[1])
    stereo, mono, session_path = tmp_path / "record.wav", tmp_path / "mono.wav", tmp_path / "song.ridebook"
    soundfile.write(stereo, np.asarray(vocal)[:, None] + bed, rate_hz, subtype="FLOAT")
    soundfile.write(mono, np.asarray(vocal), rate_hz)
    lines = suggested(capsys, *pair, "--reference", stereo, mono, "--session", session_path)
    assert "record.wav: the voice stands at about" in lines[0]
    assert "9 of 10 songs" in lines[0]
    assert "mono.wav: It is mono" in lines[1]
    assert "by 1 reference" in lines[2]
    assert [Path(source.path).name for source in load_session(session_path).references] == ["record.wav", "mono.wav"]


def test_an_aim_that_is_given_stands(
    pair: tuple[Path, Path], other: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "song.ridebook"
    lines = suggested(capsys, *pair, "--aim", 3, "--reference-pair", *other, "--published", "--session", path)
    assert "about +1.0 LU" in lines[0]
    assert lines[2] == "Aim: +3.0 LU, as given."
    assert load_session(path).settings.aim_lu == 3.0


def test_a_reference_without_a_bed_is_a_slip(
    pair: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["suggest", *map(str, pair), "--reference-pair", str(pair[0])]) == 2
    assert "has no bed" in capsys.readouterr().err
    assert main(["suggest", *map(str, pair), "--reference", str(tmp_path / "none.wav")]) == 2


def test_the_hand_is_used_only_when_told(
    pair: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("ridebook.work.hand.data_folder", lambda: tmp_path / "data")
    case = Case(2.0, 1.0, 0.8, 4.0)
    HandStore().keep(SongRecord("a", "", "2026-01-31", (case,) * 200, 3.0))
    plain, leaning = tmp_path / "plain.ridebook", tmp_path / "leaning.ridebook"
    assert not any("Your hand" in line for line in suggested(capsys, *pair, "--session", plain))
    lines = suggested(capsys, *pair, "--hand", "--session", leaning)
    assert "200 phrases of 1 song" in lines[0]
    assert load_session(plain).settings.share == 0.8
    assert load_session(leaning).settings.share == pytest.approx(0.42, abs=0.03)
    assert suggested(capsys, *pair, "--hand", "--share", 0.6, "--session", leaning, "--force")
    assert load_session(leaning).settings.share == 0.6


def test_the_folder_of_the_hand_is_the_users_own() -> None:
    assert HandStore().path.parent == Path(platformdirs.user_data_dir("ridebook", appauthor=False))
