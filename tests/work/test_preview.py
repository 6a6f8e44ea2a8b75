from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from ridebook.audio.stems import open_pair
from ridebook.errors import OutputIsSourceError
from ridebook.ride.lane import Lane
from ridebook.work.analyse import analyse
from ridebook.work.opened import opened_pair
from ridebook.work.preview import Heard, Listening, PreviewRenderer, match_db, opened_followers, save_preview
from ridebook.work.steps import Cancelled
from tests.handed import made_song
from tests.songs import noise_bed, sung, write_pair


@pytest.fixture
def pair(tmp_path: Path):
    vocal, _ = sung([[0, 0, 0], [0, -6, 0]])
    with open_pair(*[write_pair(tmp_path, vocal, noise_bed(len(vocal)))[0], [tmp_path / "bed.wav"]]) as opened:
        yield opened


def heard(renderer: PreviewRenderer, how: Listening, start_n: int = 40_000, stop_n: int = 60_000) -> np.ndarray:
    renderer.listening = how
    return renderer.block(start_n, stop_n)


def test_starts_12_db_down(pair) -> None:
    renderer = PreviewRenderer(pair)
    quiet = heard(renderer, Listening(Heard.BED))
    full = heard(renderer, Listening(Heard.BED, level_db=0.0))
    np.testing.assert_allclose(quiet, full * 10 ** (-12 / 20), atol=1e-7)


def test_rides_are_vocal_times_trim_and_lane_plus_bed(pair) -> None:
    renderer = PreviewRenderer(pair)
    renderer.lane = Lane.from_pairs([(45_000, 0.0), (55_000, 3.0)])
    renderer.trim_db = 1.0
    flat = Listening(Heard.RIDDEN, matched=False, level_db=0.0)
    gain = 10 ** ((1.0 + np.interp(np.arange(40_000, 60_000), [45_000, 55_000], [0.0, 3.0])) / 20)
    expected = pair.vocal.read(40_000, 60_000) * gain[:, None] + pair.beds[0].read(40_000, 60_000)
    np.testing.assert_allclose(heard(renderer, flat), expected, atol=1e-6)


def test_followers_take_their_share_in_the_mixes_alone(tmp_path: Path) -> None:
    session = made_song(tmp_path / "song")
    double, hall = opened_followers(session)
    with opened_pair(session) as pair, double, hall:
        renderer = PreviewRenderer(pair)
        renderer.lane = session.lane
        bare = {each: heard(renderer, Listening(each, matched=False, level_db=0.0)) for each in Heard}
        renderer.followers = ((double, 0.5), (hall, 1.0))
        added = {each: heard(renderer, Listening(each, matched=False, level_db=0.0)) - bare[each] for each in Heard}
        lane_db = session.lane.gain_db_at(np.arange(40_000, 60_000))[:, None]
        parts = [stem.read(40_000, 60_000) for stem in (double, hall)]
    ridden = parts[0] * 10 ** (lane_db / 40) + parts[1] * 10 ** (lane_db / 20)
    np.testing.assert_allclose(added[Heard.RIDDEN], ridden, atol=1e-6)
    np.testing.assert_allclose(added[Heard.BEFORE], parts[0] + parts[1], atol=1e-6)
    assert not any(added[each].any() for each in (Heard.VOCAL, Heard.BED))


def test_an_edit_is_heard_in_the_next_block(pair) -> None:
    renderer = PreviewRenderer(pair)
    how = Listening(Heard.VOCAL, matched=False)
    before = heard(renderer, how)
    renderer.lane = Lane.from_pairs([(0, -6.0)])
    np.testing.assert_allclose(heard(renderer, how), before * 10 ** (-6 / 20), atol=1e-7)


def test_blocks_do_not_show(pair) -> None:
    whole, cut = PreviewRenderer(pair), PreviewRenderer(pair)
    how = Listening(Heard.BEFORE, small=True)
    cut.listening = how
    parts = [cut.block(start, start + 1_000) for start in range(40_000, 60_000, 1_000)]
    np.testing.assert_allclose(np.concatenate(parts), heard(whole, how), atol=1e-6)


def test_mono_is_the_same_on_both_sides(pair) -> None:
    block = heard(PreviewRenderer(pair), Listening(Heard.BED, mono=True))
    assert np.abs(block).max() > 0.0
    np.testing.assert_array_equal(block[:, 0], block[:, 1])


def test_small_speaker_loses_the_bass(tmp_path: Path) -> None:
    t = np.arange(88_200) / 44_100
    low, middle = 0.2 * np.sin(2 * np.pi * 60 * t), 0.2 * np.sin(2 * np.pi * 1_000 * t)
    with open_pair(*[write_pair(tmp_path, middle, np.stack([low, low], 1))[0], [tmp_path / "bed.wav"]]) as pair:
        renderer = PreviewRenderer(pair)
        bass = heard(renderer, Listening(Heard.BED, small=True, level_db=0.0))[10_000:]
        voice = heard(renderer, Listening(Heard.VOCAL, small=True, matched=False, level_db=0.0))[10_000:]
    assert np.abs(bass).max() < 0.02
    assert np.abs(voice).max() > 0.18


def test_over_full_scale_is_cut_off_and_counted(pair) -> None:
    renderer = PreviewRenderer(pair)
    block = heard(renderer, Listening(Heard.VOCAL, level_db=40.0))
    assert np.abs(block).max() == 1.0
    assert renderer.clipped_n > 0


def test_matched_mixes_are_equally_loud(pair) -> None:
    measures = analyse(pair).measures
    lane = Lane.from_pairs([(0, 2.0)])
    gain_db = match_db(measures, lane, 3.0)
    assert gain_db < -0.5
    assert match_db(measures, Lane(), 0.0) == 0.0
    renderer = PreviewRenderer(pair)
    renderer.lane, renderer.trim_db, renderer.match_db = lane, 3.0, gain_db
    rms = [
        np.sqrt(np.mean(np.square(heard(renderer, Listening(which, level_db=0.0), 35_280, 88_000))))
        for which in (Heard.BEFORE, Heard.RIDDEN)
    ]
    assert 20 * np.log10(rms[1] / rms[0]) == pytest.approx(0.0, abs=1.0)


def test_reference_is_silent_where_none_is_set(pair) -> None:
    assert not heard(PreviewRenderer(pair), Listening(Heard.REFERENCE)).any()


def test_saved_preview_is_what_is_heard(pair, tmp_path: Path) -> None:
    renderer = PreviewRenderer(pair)
    renderer.trim_db = 2.0
    expected = heard(renderer, Listening(Heard.RIDDEN), 30_000, 170_000)
    save_preview(renderer.twin(), tmp_path / "preview.wav", 30_000, 170_000)
    saved, rate_hz = soundfile.read(tmp_path / "preview.wav", dtype="float32")
    assert rate_hz == pair.rate_hz
    np.testing.assert_array_equal(saved, expected)


def test_preview_called_off_leaves_nothing(pair, tmp_path: Path) -> None:
    with pytest.raises(Cancelled):
        save_preview(PreviewRenderer(pair), tmp_path / "p.wav", 0, 100_000, cancelled=lambda: True)
    assert {path.name for path in tmp_path.iterdir()} == {"vocal.wav", "bed.wav"}


def test_preview_is_never_written_over_a_source(pair, tmp_path: Path) -> None:
    with pytest.raises(OutputIsSourceError):
        save_preview(PreviewRenderer(pair), tmp_path / "bed.wav", 0, 1_000)
