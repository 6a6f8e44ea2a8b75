"""Lanes drawn elsewhere: inferred from two renders, and taken over into a session."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from ridebook.audio.render import render_stem
from ridebook.errors import SourceUnusableError
from ridebook.measure.measures import Measures, StemMeasures
from ridebook.ride.lane import Lane
from ridebook.session.document import State
from ridebook.work.demo import demo_sources
from ridebook.work.elsewhere import infer_lane, with_whole_gain
from ridebook.work.render import whole_gain
from tests.session.made import S, small_session
from tests.songs import RATE_HZ, sung

SOUNDS_DB = 40.0
"""The vocal sounds where a cell is no further than this under its loudest."""


def random_lane(seed: int, frames_n: int, rate_hz: int) -> Lane:
    """Plateaus of up to 6 dB either way with ramps of 20 to 400 ms, none steeper than 240 dB/s."""
    rng = np.random.default_rng(seed)
    points = [(0, float(rng.uniform(-6, 6)))]
    while points[-1][0] < frames_n:
        at_n, gain_db = points[-1]
        hold_n, ramp_n = int(rng.uniform(0.1, 1.5) * rate_hz), int(rng.uniform(0.02, 0.4) * rate_hz)
        most_db = 240.0 * ramp_n / rate_hz
        to_db = float(np.clip(rng.uniform(-6, 6), gain_db - most_db, gain_db + most_db))
        points += [(at_n + hold_n, gain_db), (at_n + hold_n + ramp_n, to_db)]
    return Lane.from_pairs(points)


def sounding(samples: np.ndarray, rate_hz: int) -> np.ndarray:
    """Frames at which a vocal sounds."""
    cell_n = rate_hz // 100
    cells = samples[: len(samples) // cell_n * cell_n].reshape(-1, cell_n)
    power = np.square(cells).mean(axis=1)
    loud = np.repeat(power > power.max() * 10 ** (-SOUNDS_DB / 10), cell_n)
    return np.flatnonzero(loud)


@pytest.fixture(scope="module")
def takes(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """A made vocal in the noise of a room, and the demo song's, turned down so that its samples are no 16-bit steps."""
    folder = tmp_path_factory.mktemp("takes")
    vocal, rate_hz = soundfile.read(demo_sources()[0])
    made = folder / "made.wav", folder / "song.wav"
    voice = sung([[0, -4, 2], [-12, -9], [3, 0, 0, -2]])[0]
    voice = voice + 1e-4 * np.random.default_rng(2).standard_normal(len(voice))
    soundfile.write(made[0], voice, RATE_HZ, subtype="PCM_24")
    soundfile.write(made[1], 0.9 * vocal[: 20 * rate_hz], rate_hz, subtype="PCM_24")
    return list(made)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("which", [0, 1], ids=["made", "song"])
def test_a_random_lane_comes_back_through_24_bit_files(
    takes: list[Path], tmp_path: Path, which: int, seed: int
) -> None:
    samples, rate_hz = soundfile.read(takes[which])
    lane = random_lane(seed, len(samples), rate_hz)
    after = tmp_path / "after.wav"
    render_stem(takes[which], after, whole_gain(lane, 1.3), [])
    assert soundfile.info(after).subtype == "PCM_24"
    found = infer_lane(takes[which], after)
    at = sounding(samples, rate_hz)
    away_db = np.abs(found.lane.gain_db_at(at) - lane.gain_db_at(at) - 1.3)
    assert away_db.max() < 0.1
    assert len(found.lane.points) <= len(lane.points) + 4
    assert found.notices == ()


def test_renders_that_lie_beside_each_other_or_are_turned_over(takes: list[Path], tmp_path: Path) -> None:
    samples, rate_hz = soundfile.read(takes[0])
    lane = random_lane(9, len(samples), rate_hz)
    ridden = samples * 10 ** (lane.block_db(0, len(samples)) / 20)
    for lag_n in (64, -441):
        after = tmp_path / f"after{lag_n}.wav"
        moved = np.concatenate([np.zeros(max(lag_n, 0)), -ridden[max(-lag_n, 0) :]])
        soundfile.write(after, moved, rate_hz, subtype="PCM_24")
        found = infer_lane(takes[0], after)
        at = sounding(samples, rate_hz)
        at = at[at < len(samples) - 500]
        assert found.lag_n == lag_n
        assert np.abs(found.lane.gain_db_at(at) - lane.gain_db_at(at)).max() < 0.1
        assert "s later" in found.notices[0] if lag_n > 0 else "s earlier" in found.notices[0]
        assert "polarity" in found.notices[1]


def test_the_same_file_twice_is_a_flat_lane(takes: list[Path]) -> None:
    assert infer_lane(takes[0], takes[0]).lane.gain_db_at([0, RATE_HZ]).tolist() == [0.0, 0.0]


def test_what_is_not_two_renders_of_one_take_is_refused(takes: list[Path], tmp_path: Path) -> None:
    samples, rate_hz = soundfile.read(takes[0])
    other = tmp_path / "other.wav"
    soundfile.write(other, samples + 0.1 * np.random.default_rng(0).standard_normal(len(samples)), rate_hz)
    with pytest.raises(SourceUnusableError, match=r"is not made\.wav with another gain"):
        infer_lane(takes[0], other)
    stereo = tmp_path / "stereo.wav"
    soundfile.write(stereo, np.column_stack([samples, samples]), rate_hz)
    with pytest.raises(SourceUnusableError, match="same rate and channels"):
        infer_lane(takes[0], stereo)
    lossy = tmp_path / "lossy.ogg"
    soundfile.write(lossy, samples, rate_hz)
    with pytest.raises(SourceUnusableError, match="compressed with loss"):
        infer_lane(takes[0], lossy)


def test_a_whole_gain_becomes_trim_and_rides_and_sounds_the_same() -> None:
    voice = StemMeasures(S, 20 * S, np.full(2000, 0.01))
    measures = Measures(voice, (voice,), voice)
    lane = Lane.from_pairs([(0, 4.0), (10 * S, 4.0), (10 * S + 4800, 6.0), (20 * S, 6.0)])
    session = with_whole_gain(small_session(), measures, lane)
    assert 4.5 < session.trim_db < 5.5
    at = np.arange(0, 20 * S, 1000)
    assert session.lane.gain_db_at(at) + session.trim_db == pytest.approx(lane.gain_db_at(at))
    assert {session.decision(phrase.id).state for phrase in session.segments.phrases} == {State.DRAWN}
