from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ridebook.measure.measures import Measures, StemMeasures, grid_points_n
from ridebook.ride.settings import RideSettings
from ridebook.ride.suggest import suggest
from ridebook.ride.trim import trim_for
from ridebook.segment.spans import Kind, Segments, Span

RATE_HZ = 48_000
FRAMES_N = 4 * RATE_HZ
SEGMENTS = Segments(
    phrases=(Span("p0", Kind.PHRASE, RATE_HZ // 2, RATE_HZ), Span("p1", Kind.PHRASE, 2 * RATE_HZ, 3 * RATE_HZ))
)


def measures(vocal_db: float, bed_db: float, spread: bool = False) -> Measures:
    grid_n = grid_points_n(RATE_HZ, FRAMES_N)
    sings = np.zeros(len(grid_n) - 1, dtype=bool)
    for phrase in SEGMENTS.phrases:
        sings |= (grid_n[:-1] >= phrase.start_n) & (grid_n[:-1] < phrase.end_n)
    power = np.where(sings, 10.0 ** (vocal_db / 10), 1e-9)
    vocal = StemMeasures(RATE_HZ, FRAMES_N, power)
    bed = StemMeasures(RATE_HZ, FRAMES_N, np.full(len(power), 10.0 ** (bed_db / 10)))
    return Measures(vocal, (bed,), bed, vocal_spread=spread)


def test_trim_brings_the_balance_to_aim_and_lean():
    settings = RideSettings(aim_lu=2.0, lean_lu=0.5)
    assert trim_for(measures(-25.0, -20.0), SEGMENTS, settings) == pytest.approx(7.5)
    assert trim_for(measures(-10.0, -20.0), SEGMENTS, settings) == pytest.approx(-7.5)


def test_centre_law_counts_where_a_mono_vocal_is_spread():
    settings = RideSettings(aim_lu=2.0, lean_lu=0.0, centre_law_db=-3.0)
    assert trim_for(measures(-20.0, -20.0, spread=True), SEGMENTS, settings) == pytest.approx(5.0)
    assert trim_for(measures(-20.0, -20.0), SEGMENTS, settings) == pytest.approx(2.0)


def test_nothing_to_stand_against_leaves_the_level():
    assert trim_for(measures(-25.0, -90.0), SEGMENTS, RideSettings()) == 0.0
    assert trim_for(measures(-25.0, -20.0), Segments(), RideSettings()) == 0.0


def test_it_is_the_trim_that_a_suggestion_makes():
    for settings in (RideSettings(), replace(RideSettings(), aim_lu=-2.0, lean_lu=1.0)):
        made = measures(-22.0, -21.0)
        assert suggest(made, SEGMENTS, settings).trim_db == pytest.approx(trim_for(made, SEGMENTS, settings), abs=1e-9)
