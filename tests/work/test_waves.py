from __future__ import annotations

import numpy as np
import pytest

from ridebook.audio.stems import open_pair
from ridebook.work.analyse import analyse, waves_of
from ridebook.work.cache import AnalysisCache
from ridebook.work.song import open_song
from tests.songs import noise_bed, sung, write_pair


@pytest.fixture
def stems(tmp_path):
    vocal, _ = sung([(0, 0, -8, 0), (0, -2, 0, 0), (0, 0, 0)])
    return write_pair(tmp_path, vocal, noise_bed(len(vocal)))


def extremes(*pyramids):
    return [(pyramid.frames_n, pyramid.low.tolist(), pyramid.high.tolist()) for pyramid in pyramids]


def test_waves_alone_are_those_of_the_analysis(stems):
    with open_pair(stems[0], [stems[1]]) as pair:
        waves = waves_of(pair)
        found = analyse(pair)
        given = analyse(pair, waves=waves)
    assert np.abs(waves.vocal.low).max() > 0.1
    assert extremes(waves.vocal, waves.bed) == extremes(found.vocal_pyramid, found.bed_pyramid)
    assert (given.vocal_pyramid, given.bed_pyramid) == (waves.vocal, waves.bed)
    assert given.segments == found.segments


def test_waves_are_shown_before_the_measures_and_not_from_the_cache(stems, tmp_path):
    cache = AnalysisCache(tmp_path / "cache")
    told = []
    for times in (1, 1):
        opened = open_song(stems[0], [stems[1]], cache=cache, progress=told.append, show=told.append)
        opened.pair.close()
        waves = [each for each in told if not isinstance(each, float)]
        assert len(waves) == times
        assert told[0] is waves[0]
    assert len(told) > 2
