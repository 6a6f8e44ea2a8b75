"""True peaks that follow edits, against a pass over all samples."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from ridebook.audio.stems import StemPair, open_pair
from ridebook.measure.truepeak import TruePeak
from ridebook.ride.lane import Lane
from ridebook.session.document import Session
from ridebook.work import peaks as peaks_module
from ridebook.work.blocks import bed_placed, gain_column, voices_placed
from ridebook.work.peaks import heights_of, true_peaks
from ridebook.work.render import voice_curves
from tests.songs import RATE_HZ, noise_bed, sung, write_pair
from tests.work.test_source_health import session_of


@pytest.fixture(scope="module")
def stems(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """A pair whose loud places move about, 20 s or so, and a double that begins later."""
    folder = tmp_path_factory.mktemp("peaks")
    rng = np.random.default_rng(4)
    vocal, _ = sung([list(rng.uniform(-9, 0, 5)) for _ in range(8)])
    bed = noise_bed(len(vocal), 0.05) * (1 + np.sin(np.arange(len(vocal)) / RATE_HZ))[:, None]
    paths = list(write_pair(folder, vocal, bed))
    soundfile.write(folder / "double.wav", 0.4 * np.roll(vocal, 900), RATE_HZ, subtype="PCM_24")
    return [*paths, folder / "double.wav"]


def whole_pass(pair: StemPair, session: Session) -> dict[str, float]:
    """Peaks by one pass over the whole song."""
    stem, mix = TruePeak(pair.rate_hz), TruePeak(pair.rate_hz)
    start_n, end_n = pair.mix_start_n, pair.mix_end_n
    gains = [gain_column(curve, start_n, end_n) for curve in voice_curves(session)]
    voices = voices_placed(pair, start_n, end_n, 0.0)
    stem.feed(pair.vocal.read(start_n, end_n) * gains[0])
    mix.feed(sum(voice * gain for voice, gain in zip(voices, gains, strict=True)) + bed_placed(pair, start_n, end_n))
    return {"ridden stem": stem.dbtp, "mix": mix.dbtp}


@pytest.mark.parametrize("followers", [False, True])
def test_peaks_are_those_of_a_whole_pass_edit_after_edit(stems: list[Path], followers: bool) -> None:
    rng = np.random.default_rng(9)
    vocal, bed, double = stems
    with open_pair(vocal, [bed], [double] if followers else []) as pair:
        session = with_double(session_of(pair), pair) if followers else session_of(pair)
        heights, known = heights_of(pair, 0.0), None
        for _ in range(8):
            frames = np.sort(rng.choice(pair.frames_n // 4410, 9, replace=False)) * 4410
            lane = Lane.from_pairs(zip(frames.tolist(), rng.uniform(-6, 6, 9).tolist()))
            session = replace(session, lane=lane, trim_db=float(rng.uniform(-6, 6)))
            found = true_peaks(pair, session, heights, known)
            known = found.known
            assert found.dbtp == pytest.approx(whole_pass(pair, session), abs=1e-4)


def with_double(session: Session, pair: StemPair) -> Session:
    from ridebook.session.document import Follower
    from ridebook.work.song import source_file

    return replace(session, followers=(Follower(source_file(pair.followers[0].info), 0.7),))


def test_an_edit_of_one_place_looks_at_little_more_than_that_place(
    stems: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    looked: list[int] = []
    ridden_peak = peaks_module._ridden_peak
    monkeypatch.setattr(peaks_module, "_ridden_peak", lambda *given: looked.append(given[2]) or ridden_peak(*given))
    with open_pair(stems[0], [stems[1]]) as pair:
        session, heights = session_of(pair), heights_of(pair, 0.0)
        session = replace(session, lane=Lane.from_pairs([(0, 1.0), (pair.frames_n, 1.0)]))
        known = true_peaks(pair, session, heights).known
        looked.clear()
        assert true_peaks(pair, session, heights, known).dbtp == pytest.approx(whole_pass(pair, session), abs=1e-4)
        assert not looked
        nudged = Lane.from_pairs([(0, 1.0), (40_000, 1.0), (44_000, 0.5), (80_000, 0.5), (84_000, 1.0)])
        true_peaks(pair, replace(session, lane=nudged), heights, known)
        assert len(looked) <= 4


def test_a_spike_between_two_points_of_the_grid_is_found_and_forgotten(stems: list[Path]) -> None:
    with open_pair(stems[0], [stems[1]]) as pair:
        session, heights = session_of(pair), heights_of(pair, 0.0)
        loudest_n = int(np.abs(pair.vocal.read(0, pair.frames_n)).argmax())
        at_n = loudest_n // 128 * 128 + 64
        flat = replace(session, lane=Lane.from_pairs([(0, 0.0)]))
        spike = Lane.from_pairs([(at_n - 60, 0.0), (at_n, 12.0), (at_n + 60, 0.0)])
        known = None
        for each in (flat, replace(flat, lane=spike), flat, replace(flat, lane=spike)):
            found = true_peaks(pair, each, heights, known)
            known = found.known
            assert found.dbtp == pytest.approx(whole_pass(pair, each), abs=1e-4)


def test_a_spike_where_the_voice_is_silent_does_not_hide_the_bed_there_later(tmp_path: Path) -> None:
    rng = np.random.default_rng(0)
    vocal, bed = np.zeros((6 * RATE_HZ, 1)), 0.05 * rng.standard_normal((6 * RATE_HZ, 2))
    vocal[4 * RATE_HZ :] = 0.2
    hit_n = 2 * RATE_HZ
    bed[hit_n : hit_n + 2_000] *= 4
    vocal_path, bed_path = write_pair(tmp_path, vocal, bed)
    with open_pair(vocal_path, [bed_path]) as pair:
        session, heights, known = session_of(pair), heights_of(pair, 0.0), None
        for second_n in (hit_n + 100, hit_n + 40_000):
            each = replace(session, lane=Lane.from_pairs([(hit_n, 0.0), (second_n, -3.0)]))
            found = true_peaks(pair, each, heights, known)
            known = found.known
            assert found.dbtp == pytest.approx(whole_pass(pair, each), abs=1e-4)
