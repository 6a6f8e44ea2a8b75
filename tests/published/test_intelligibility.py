"""Ridden voices hold their own by a measure of intelligibility that the program does not use.

Extended short-time objective intelligibility (ESTOI): Jensen and Taal, "An algorithm for predicting the intelligibility
of speech masked by modulated noise maskers", IEEE/ACM Trans. Audio, Speech, and Language Processing 24 (2016),
2009-2022; computed by the package pystoi at its 10 kHz.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pystoi
import pytest

from ridebook.audio.gain import GainCurve
from ridebook.check.standing import standing
from ridebook.ride.lane import Lane
from ridebook.ride.settings import RideSettings
from tests.spoken_songs import Spoken, hits, opened, pad, spoken

KNOCKED = (("en", 45, "words", "pad"), ("en+f3", 60, "words", "hits"), ("en+m4", 30, "phrases", "pad"))


def ridden(song: Spoken, voice: np.ndarray, lane: Lane) -> np.ndarray:
    """The voice with a lane on it, at the energy that it had."""
    made = voice * np.asarray(GainCurve(lane.frames, lane.gains_db).block(0, len(voice)))
    return made * np.sqrt((voice**2).sum() / (made**2).sum())


def estoi(song: Spoken, voice: np.ndarray, bed: np.ndarray) -> float:
    return float(pystoi.stoi(song.voice, voice + bed, song.rate_hz, extended=True))


@pytest.mark.parametrize(("name", "pitch", "what", "bed"), KNOCKED)
def test_a_ridden_voice_is_more_intelligible_at_equal_energy(
    name: str, pitch: int, what: str, bed: str, tmp_path: Path
) -> None:
    song = spoken(name, pitch)
    rng = np.random.default_rng(pitch)
    spans = song.segments.words if what == "words" else song.segments.phrases
    knocks_db = rng.normal(0.0, 3.0, len(spans)) if what == "words" else rng.uniform(-3.5, 3.5, len(spans))
    voice = song.with_gains(spans, knocks_db.tolist())
    noise = pad(song) if bed == "pad" else pad(song) + hits(pad(song, seed=2), song.rate_hz, 0.5, 0.08)
    made = opened(tmp_path, song, voice, {"bed": noise}, RideSettings(aim_lu=0.0))
    assert made.hearing is not None
    assert made.suggestion.lane.points
    heard_bed = noise * 10.0 ** (-made.session.trim_db / 20.0)
    before = estoi(song, voice, heard_bed)
    after = estoi(song, ridden(song, voice, made.suggestion.lane), heard_bed)
    # 0.01 to 0.05 better; the least that counts is far over what the energies' rounding does.
    assert after > before + 0.005
    # The program's own measure agrees: words that were lost are heard.
    stands = standing(replace(made.session, lane=made.suggestion.lane), made.analysis.measures, hearing=made.hearing)
    assert stands.words.lost.sum() <= stands.words.lost_before.sum()


def test_a_lane_the_other_way_is_told_from_a_good_one(tmp_path: Path) -> None:
    # The check itself: rides turned upside down make it worse.
    song = spoken("en", 45)
    words = song.segments.words
    voice = song.with_gains(words, np.random.default_rng(45).normal(0.0, 3.0, len(words)).tolist())
    bed = pad(song)
    made = opened(tmp_path, song, voice, {"bed": bed}, RideSettings(aim_lu=0.0), listen=False)
    wrong = Lane.from_pairs([(frame_n, -gain_db) for frame_n, gain_db in made.suggestion.lane.points])
    assert estoi(song, ridden(song, voice, wrong), bed) < estoi(song, voice, bed) - 0.005
