"""EBU Tech 3342 (V4, November 2023), clause 4 Table 1: loudness range, at the table's own tolerance.

Cases 5 and 6 are recorded programmes and cannot be made here.
"""

import numpy as np
import pytest

from ridebook.measure.loudness import loudness_range_lu
from tests.published.signals import RATES_HZ, case, measured, table, tones

CASES = "ebu_tech3342_cases.json"


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("number", [1, 2, 3, 4])
def test_loudness_range(number: int, rate_hz: int) -> None:
    entry = case(CASES, number)
    samples = tones(entry["segments"], rate_hz)
    found = loudness_range_lu(measured(samples, rate_hz))
    expected, tolerance = entry["expected"]["LRA_lu"], entry["tolerance"]
    assert expected - tolerance["minus"] <= found <= expected + tolerance["plus"]
    # Steady tones stand for most of the time, so that the range comes out far closer than the table asks.
    assert found == pytest.approx(expected, abs=0.1)


@pytest.mark.parametrize("number", [1, 3])
def test_a_signal_repeated_whole_has_the_same_range(number: int) -> None:
    # Table 1, stated as invariance.
    assert "repeated" in table(CASES)["invariance"]
    samples = tones(case(CASES, number)["segments"], 48_000)
    once = loudness_range_lu(measured(samples, 48_000))
    assert loudness_range_lu(measured(np.concatenate([samples, samples]), 48_000)) == pytest.approx(once, abs=0.1)
