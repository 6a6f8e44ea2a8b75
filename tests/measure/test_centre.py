"""The voice's standing in a finished mix, against mixes that were made with a known one."""

from functools import cache

import numpy as np
import pytest
import soxr

from ridebook.measure.centre import CentreAccumulator, CentreFigures, centre_balance
from ridebook.measure.loudness import CellPower, integrated_lufs
from tests.synth import speak
from tests.wide_beds import BEDS, in_a_room, wide_bed

RATE_HZ = 44_100
LENGTH_S = 16.0


def figures_of(mix: np.ndarray, rate_hz: int = RATE_HZ, block_n: int = 1 << 16) -> CentreFigures | None:
    gathered = CentreAccumulator(rate_hz)
    for at_n in range(0, len(mix), block_n):
        gathered.feed(mix[at_n : at_n + block_n])
    return gathered.finish()


def loudness_lufs(samples: np.ndarray) -> float:
    """Gated loudness: of a voice, nearly that of its phrases."""
    power = CellPower(RATE_HZ, [1.0, 1.0])
    power.feed(samples.astype(np.float32))
    return integrated_lufs(power.measures())


@cache
def voice() -> np.ndarray:
    said = speak("the river ran under the road and we followed it down to the sea", voice="en+m3", pitch=45, rate=140)
    once = soxr.resample(np.asarray(said.samples, np.float64), said.rate_hz, RATE_HZ)
    gap = np.zeros(round(0.8 * RATE_HZ))
    laid = np.concatenate([gap, once] * 8)[: round(LENGTH_S * RATE_HZ)]
    return in_a_room(laid, RATE_HZ, seed=2)


@cache
def bed(index: int) -> np.ndarray:
    return wide_bed(BEDS[index], RATE_HZ, LENGTH_S)


def mix_at(balance_lu: float, index: int) -> np.ndarray:
    apart_lu = loudness_lufs(voice()) - loudness_lufs(bed(index))
    return np.asarray(voice() * 10.0 ** ((balance_lu - apart_lu) / 20.0) + bed(index))


@pytest.mark.parametrize("index", [0, 1, 3])
def test_the_bar_covers_what_the_mix_was_made_with(index: int) -> None:
    told = {made_lu: centre_balance(figures_of(mix_at(made_lu, index))) for made_lu in (-5.0, 0.0, 5.0)}
    balances = [estimate.balance_lu for estimate in told.values()]
    assert balances == sorted(balances)
    assert balances[-1] - balances[0] > 5.0
    covered = [abs(estimate.balance_lu - made_lu) <= estimate.half_width_lu for made_lu, estimate in told.items()]
    # Nine in ten are, over many songs; here a miss in nine would already be odd, so none of three is left out.
    assert all(covered), told


def test_blocks_of_any_size_show_the_same() -> None:
    mix = mix_at(0.0, 0)
    whole = figures_of(mix, block_n=len(mix))
    assert whole == figures_of(mix, block_n=5_000)


def test_another_rate_tells_nearly_the_same() -> None:
    mix = mix_at(1.0, 1)
    at_44 = centre_balance(figures_of(mix))
    at_96 = centre_balance(figures_of(soxr.resample(mix, RATE_HZ, 96_000), 96_000))
    assert at_96.balance_lu == pytest.approx(at_44.balance_lu, abs=0.7)


def test_level_of_the_mix_does_not_count() -> None:
    mix = mix_at(1.0, 1)
    assert centre_balance(figures_of(0.05 * mix)).balance_lu == pytest.approx(
        centre_balance(figures_of(mix)).balance_lu, abs=0.01
    )


def test_a_mix_without_a_voice_reads_low_and_is_doubted() -> None:
    estimate = centre_balance(figures_of(bed(0)))
    assert estimate.balance_lu < -4.0
    assert "without any voice" in estimate.note


def test_mono_tells_nothing_and_says_so() -> None:
    mono = np.repeat(mix_at(1.0, 0).mean(axis=1, keepdims=True), 2, axis=1)
    estimate = centre_balance(figures_of(mono))
    assert estimate.balance_lu is None
    assert "mono" in estimate.note


def test_a_mix_without_a_middle_tells_nothing_and_says_so() -> None:
    estimate = centre_balance(figures_of(mix_at(1.0, 0) * [1.0, 0.0]))
    assert estimate.balance_lu is None
    assert "in its middle" in estimate.note


@pytest.mark.parametrize("mix", [np.zeros((20 * RATE_HZ, 2)), np.ones((RATE_HZ, 2)) * 0.1])
def test_silence_and_a_moment_tell_nothing(mix: np.ndarray) -> None:
    estimate = centre_balance(figures_of(mix))
    assert estimate.balance_lu is None
    assert estimate.note
