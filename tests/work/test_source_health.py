"""What is measured of sources, on files made with the fault and without it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from ridebook.audio.stems import StemPair, open_pair
from ridebook.check.findings import find
from ridebook.check.source_faults import SourceHealth
from ridebook.measure.measures import Measures
from ridebook.measure.pair import MeasureAccumulators
from ridebook.session.document import Session
from ridebook.work.demo import demo_sources
from ridebook.work.song import source_file
from ridebook.work.source_health import ClippedRuns, source_health
from tests.songs import noise_bed, sung, write_pair

LEVELS_DB = [[0, 0, 0], [-2, -2, -2], [0, 0, 0], [1, 1, 1]]


def healthy(folder: Path, vocal: np.ndarray, bed: np.ndarray, *, subtype: str = "PCM_24") -> list[str]:
    """Which faults of a pair's sources are found."""
    health, session, measures = measured(folder, vocal, bed, subtype=subtype)
    kinds = ("stale", "clipped", "offset", "sides", "shared", "aligned")
    found = find(session, measures, health=health)
    return [finding.key for finding in found if finding.key.partition(":")[0] in kinds]


def measured(
    folder: Path, vocal: np.ndarray, bed: np.ndarray, *, subtype: str = "PCM_24"
) -> tuple[SourceHealth, Session, Measures]:
    paths = write_pair(folder, vocal, bed, subtype=subtype)
    with open_pair(paths[0], [paths[1]]) as pair:
        session, measures = session_of(pair), powers_of(pair)
        return source_health(pair, session, measures), session, measures


def session_of(pair: StemPair) -> Session:
    sources = [source_file(stem.info) for stem in pair.stems]
    return Session(sources[0], tuple(sources[1:]))


def powers_of(pair: StemPair) -> Measures:
    with MeasureAccumulators(pair) as powers:
        powers.feed(pair.vocal.read(0, pair.frames_n), [bed.read(0, pair.frames_n) for bed in pair.beds])
        return powers.measures()


@pytest.fixture
def voice() -> np.ndarray:
    return sung(LEVELS_DB)[0]


def test_a_sound_pair_has_no_fault(voice: np.ndarray, tmp_path: Path) -> None:
    assert healthy(tmp_path, voice, noise_bed(len(voice))) == []


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
def test_a_clipped_vocal_is_found_and_one_that_only_comes_near_is_not(
    voice: np.ndarray, tmp_path: Path, subtype: str
) -> None:
    bed = noise_bed(len(voice))
    top = np.abs(voice).max()
    # Clipped, and turned down after it, as a take comes from another's desk.
    assert healthy(tmp_path, 0.7 * np.clip(voice / top * 1.3, -1, 1), bed, subtype=subtype) == ["clipped:vocal"]
    assert healthy(tmp_path, 0.7 * voice / top, bed, subtype=subtype) == []


def test_flat_tops_are_found_over_the_border_of_blocks_and_in_either_channel() -> None:
    samples = np.zeros((1000, 2), np.float32)
    samples[:, 0] = np.sin(np.arange(1000) / 7.0) * 0.6
    samples[398:403, 1] = 0.9
    samples[600:602, 1] = 0.9
    samples[700:704, 1] = -0.9
    samples[800:804, 1] = 0.5
    for block_n in (1, 2, 3, 100, 400, 1000):
        clipped = ClippedRuns()
        for start in range(0, 1000, block_n):
            clipped.feed(samples[start : start + block_n])
        assert clipped.finish() == ((398, 403), (700, 704)), block_n
        assert clipped.peak == pytest.approx(0.9)


def test_a_constant_part_is_found(voice: np.ndarray, tmp_path: Path) -> None:
    bed = noise_bed(len(voice))
    health, *_ = measured(tmp_path, 0.5 * voice - 0.005, bed)
    assert health.offset == pytest.approx(-0.005, abs=1e-4)
    assert healthy(tmp_path, 0.5 * voice - 0.005, bed) == ["offset:vocal"]
    assert healthy(tmp_path, 0.5 * voice - 0.002, bed) == []


def test_sides_of_opposite_polarity_are_found(voice: np.ndarray, tmp_path: Path) -> None:
    bed = noise_bed(len(voice))
    hiss = 0.01 * np.random.default_rng(1).standard_normal(len(voice))
    assert healthy(tmp_path, np.column_stack([voice + hiss, -voice]), bed) == ["sides:vocal"]
    assert healthy(tmp_path, np.column_stack([voice, 0.7 * voice]), bed) == []


@pytest.mark.parametrize(("sign", "lag_n"), [(1.0, 0), (-1.0, 0), (-1.0, 441), (1.0, -300)])
def test_a_bed_that_holds_the_vocal_is_found(voice: np.ndarray, tmp_path: Path, sign: float, lag_n: int) -> None:
    bed = noise_bed(len(voice))
    held = bed + 0.3 * sign * np.roll(voice, lag_n)[:, None]
    health, *_ = measured(tmp_path, voice, held)
    # What a vocal of this power in noise of that power correlates to, from the samples as they were made.
    power = np.mean((0.3 * voice) ** 2)
    expected = sign * np.sqrt(power / (power + np.mean(bed.mean(axis=1) ** 2)))
    assert health.shared == pytest.approx(expected, abs=0.02)
    assert healthy(tmp_path, voice, held) == ["shared:bed"]
    assert healthy(tmp_path, voice, bed + 0.01 * sign * np.roll(voice, lag_n)[:, None]) == []


def test_the_demo_song_is_aligned_and_moved_by_a_part_of_a_beat_it_is_not(tmp_path: Path) -> None:
    vocal, beds = demo_sources()
    voice, rate_hz = soundfile.read(vocal, dtype="float32")
    band = sum(soundfile.read(bed, dtype="float32")[0] for bed in beds)
    found = []
    for by_s in (0.0, 0.13):
        by_n = round(by_s * rate_hz)
        paths = tmp_path / "vocal.wav", tmp_path / "bed.wav"
        soundfile.write(paths[0], voice, rate_hz, subtype="PCM_24")
        soundfile.write(paths[1], np.roll(band, by_n, axis=0), rate_hz, subtype="PCM_24")
        with open_pair(paths[0], [paths[1]]) as pair:
            session, measures = session_of(pair), powers_of(pair)
            health = source_health(pair, session, measures)
            found.append([finding.key for finding in find(session, measures, health=health)])
    assert found == [[], ["aligned:pair"]]


def test_a_file_that_changed_is_told(voice: np.ndarray, tmp_path: Path) -> None:
    paths = write_pair(tmp_path, voice, noise_bed(len(voice)))
    with open_pair(paths[0], [paths[1]]) as pair:
        session = session_of(pair)
        session = replace(session, beds=(replace(session.beds[0], sha256="0" * 64),))
        assert source_health(pair, session, powers_of(pair)).changed == ("bed.wav",)
