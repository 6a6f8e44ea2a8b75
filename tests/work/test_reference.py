"""References from files: measured, estimated, kept in the cache, told where they are gone."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from ridebook.errors import SourceError
from ridebook.ride.reference import PUBLISHED, ReferenceKind
from ridebook.ride.settings import RideSettings
from ridebook.work import reference
from ridebook.work.cache import AnalysisCache
from ridebook.work.reference import aim_line, learn_all, learn_from_mix, noted, reference_pair, with_aim_of
from ridebook.work.steps import Cancelled
from tests.songs import RATE_HZ, noise_bed, sung, write_pair


@pytest.fixture
def pair(tmp_path: Path) -> tuple[Path, Path]:
    vocal, _ = sung([[0.0] * 4] * 3)
    return write_pair(tmp_path, vocal, noise_bed(len(vocal)))


@pytest.fixture
def record(pair: tuple[Path, Path], tmp_path: Path) -> Path:
    path = tmp_path / "record.wav"
    mix = soundfile.read(pair[0])[0][:, None] + soundfile.read(pair[1])[0]
    soundfile.write(path, mix, RATE_HZ, subtype="FLOAT")
    return path


def test_pairs_come_first_and_progress_ends_at_one(pair: tuple[Path, Path], record: Path) -> None:
    told: list[float] = []
    learnt = learn_all([noted(record)], [reference_pair(pair[0], [pair[1]])], progress=told.append)
    assert [each.known.kind for each in learnt] == [ReferenceKind.PAIR, ReferenceKind.MIX]
    assert told[-1] == 1.0
    assert told == sorted(told)
    stands = learnt[0].standing
    assert stands is not None
    assert stands.words_n > 0


def test_an_estimate_is_kept_by_content(record: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    cache = AnalysisCache(tmp_path / "cache")
    first = learn_from_mix(noted(record), cache=cache)

    def refuse(*_anything: object) -> None:
        raise AssertionError("measured a second time")

    monkeypatch.setattr(reference, "_estimated", refuse)
    moved = record.rename(tmp_path / "moved.wav")
    again = learn_from_mix(noted(moved), cache=cache)
    assert (again.known.balance_lu, again.known.half_width_lu) == (first.known.balance_lu, first.known.half_width_lu)
    assert again.known.name == "moved.wav"


def test_one_that_is_gone_is_told_and_the_others_are_learnt(pair: tuple[Path, Path], record: Path) -> None:
    gone = noted(record)
    record.unlink()
    known, missing = learn_all([gone], [reference_pair(pair[0], [pair[1]])])
    assert known.known.balance_lu is not None
    assert missing.known.balance_lu is None
    assert "no longer where it was" in missing.line()


def test_one_that_serves_no_longer_is_told_and_the_others_are_learnt(pair: tuple[Path, Path], record: Path) -> None:
    broken = noted(record)
    record.write_bytes(b"no audio any more")
    known, told = learn_all([broken], [reference_pair(pair[0], [pair[1]])])
    assert known.known.balance_lu is not None
    assert told.known.balance_lu is None
    assert record.name in told.line()


def test_work_can_be_called_off(record: Path) -> None:
    with pytest.raises(Cancelled):
        learn_all([noted(record)], [], cancelled=lambda: True)


def test_a_file_that_is_no_audio_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "text.wav").write_text("no audio")
    with pytest.raises(SourceError):
        noted(tmp_path / "text.wav")


def test_the_aim_is_that_of_the_references_and_the_lean_is_told() -> None:
    settings = RideSettings()
    assert with_aim_of(settings, []) == settings
    assert with_aim_of(settings, [PUBLISHED]).aim_lu == 1.0
    assert "0.5 LU over it, to err on the loud side" in aim_line(settings, [PUBLISHED])
    assert "stays as it is" in aim_line(settings, [])


def test_five_channels_are_folded(record: Path, tmp_path: Path) -> None:
    stereo, rate_hz = soundfile.read(record)
    wide = np.zeros((len(stereo), 6))
    wide[:, :2] = stereo
    path = tmp_path / "wide.wav"
    soundfile.write(path, wide, rate_hz, subtype="FLOAT")
    folded, plain = learn_from_mix(noted(path)), learn_from_mix(noted(record))
    assert folded.known.balance_lu == pytest.approx(plain.known.balance_lu, abs=0.01)
