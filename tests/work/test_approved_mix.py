"""What vocal plus bed leave over of a mix that was approved, on mixes of known making."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from ridebook.audio.stems import open_pair
from ridebook.check.findings import find
from ridebook.check.source_faults import MixFit
from ridebook.session.edits import set_trim
from ridebook.session.limits import CheckLimits
from ridebook.work.song import source_file
from ridebook.work.source_health import source_health
from tests.songs import RATE_HZ, noise_bed, sung, write_pair
from tests.work.test_source_health import powers_of, session_of

LEVELS_DB = [[0, 0, 0], [-2, -2, -2], [0, 0, 0], [1, 1, 1]]


def checked(folder: Path, mix: np.ndarray, *, trim_db: float = 0.0) -> tuple[MixFit, list[str]]:
    """Fit of a mix to the pair of `song`, and the keys of what is found of it."""
    vocal, bed = song()
    paths = write_pair(folder, vocal, bed)
    soundfile.write(folder / "approved.wav", mix, RATE_HZ, subtype="FLOAT")
    with open_pair(paths[0], [paths[1]]) as pair, open_pair(paths[0], [folder / "approved.wav"]) as beside:
        session = replace(session_of(pair), approved_mix=source_file(beside.beds[0].info))
        session = set_trim(session, trim_db)
        measures = powers_of(pair)
        health = source_health(pair, session, measures)
    found = [finding.key for finding in find(session, measures, health=health) if finding.key.endswith(":mix")]
    return health.mix, found


def song() -> tuple[np.ndarray, np.ndarray]:
    vocal = sung(LEVELS_DB)[0]
    return vocal, noise_bed(len(vocal), 0.05)


def summed(vocal_db: float = 0.0) -> np.ndarray:
    vocal, bed = song()
    return 10 ** (vocal_db / 20) * vocal[:, None] + bed


def test_the_sum_itself_adds_up(tmp_path: Path) -> None:
    fit, found = checked(tmp_path, summed())
    assert found == []
    assert (fit.vocal_db, fit.bed_db) == pytest.approx((0.0, 0.0), abs=0.001)
    assert fit.left_over_db < -100
    assert fit.late_s == 0.0


def test_another_level_of_the_whole_mix_is_no_fault(tmp_path: Path) -> None:
    fit, found = checked(tmp_path, 0.5 * summed())
    assert found == []
    assert (fit.vocal_db, fit.bed_db) == pytest.approx((-6.02, -6.02), abs=0.01)


def test_a_mix_that_starts_later_is_laid_beside(tmp_path: Path) -> None:
    late = np.concatenate([np.zeros((4410, 2)), summed()])
    fit, found = checked(tmp_path, late)
    assert found == []
    assert fit.late_s == pytest.approx(0.1)


@pytest.mark.parametrize(("over_db", "found"), [(0.6, ["level:mix"]), (0.25, [])])
def test_a_vocal_at_another_level_is_told(tmp_path: Path, over_db: float, found: list[str]) -> None:
    fit, keys = checked(tmp_path, summed(over_db))
    assert keys == found
    assert fit.vocal_over_bed_db == pytest.approx(over_db, abs=0.001)


def test_a_trim_that_was_approved_is_no_fault(tmp_path: Path) -> None:
    assert checked(tmp_path, summed(2.0), trim_db=2.0)[1] == []


@pytest.mark.parametrize(
    ("under_db", "found"), [(CheckLimits().left_over_db + 1, ["sum:mix"]), (CheckLimits().left_over_db - 1, [])]
)
def test_what_is_left_over_is_measured(tmp_path: Path, under_db: float, found: list[str]) -> None:
    mix = summed()
    rest = np.random.default_rng(3).standard_normal(mix.shape)
    rest *= np.sqrt(np.square(mix).sum() / np.square(rest).sum()) * 10 ** (under_db / 20)
    fit, keys = checked(tmp_path, mix + rest)
    assert keys == found
    assert fit.left_over_db == pytest.approx(under_db, abs=0.1)


def test_a_bus_that_moves_the_level_is_told_with_how_far(tmp_path: Path) -> None:
    mix = summed()
    swing_db = 1.5 * np.sin(2 * np.pi * np.arange(len(mix)) / (4 * RATE_HZ))
    fit, keys = checked(tmp_path, mix * 10 ** (swing_db[:, None] / 20))
    assert keys == ["sum:mix"]
    # Over a second the swing's mean is 0.9 of its height.
    assert fit.moves_db[1] - fit.moves_db[0] == pytest.approx(2.7, abs=0.4)


def test_another_song_is_told_as_such(tmp_path: Path) -> None:
    fit, keys = checked(tmp_path, noise_bed(len(song()[0]), 0.2, seed=11))
    assert keys == ["sum:mix"]
    assert fit.left_over_db > -1
