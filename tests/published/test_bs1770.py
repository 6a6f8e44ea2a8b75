"""Recommendation ITU-R BS.1770-5 (11/2023): filter, weights, formula, gates, true peak."""

import numpy as np
import pytest
from scipy.signal import sosfilt, sosfreqz

from ridebook.audio.files import Layout
from ridebook.measure.kweight import KFilter, k_sos, prototype_sos
from ridebook.measure.loudness import integrated_lufs, loudness_lufs, windowed_power
from ridebook.measure.truepeak import TruePeak, interpolator, oversampling
from tests.published.signals import measured, table

BS1770 = "bs1770_5.json"
ALL_RATES_HZ = (8_000, 11_025, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 192_000)


# Greatest error of the response, in dB. The bilinear transform bends the frequency axis, which the lowest rates feel
# at the foot and the top of the shelf; the high-pass keeps its numerator, which lifts or lowers all of it a little.
ERROR_DB = {8_000: 0.51, 11_025: 0.3, 22_050: 0.085}
USUAL_ERROR_DB = 0.041


def response_db(rate_hz: int, at_hz: np.ndarray) -> np.ndarray:
    """Response of the filter as it runs at whole frequencies, read from its impulse response of one second."""
    impulse = np.zeros(rate_hz)
    impulse[0] = 1.0
    out = np.concatenate(list(KFilter(rate_hz).stretches(impulse)))
    return 20 * np.log10(np.abs(np.fft.rfft(out)[at_hz]))


def test_coefficients_are_the_tables() -> None:
    # Annex 1, Tables 1 and 2.
    tables = table(BS1770)["k_weighting_48k"]
    stages = [tables["stage1_shelf"], tables["stage2_highpass"]]
    assert k_sos(48_000).tolist() == [[*stage["b"], *stage["a"]] for stage in stages]


def test_prototype_gives_the_tables_at_48k() -> None:
    np.testing.assert_allclose(prototype_sos(48_000), k_sos(48_000), rtol=0, atol=2e-15)


def test_prototype_at_44k1() -> None:
    # Against the coefficients that open meters use (from memory).
    other = table(BS1770)["other_rates"]["coefficients_44100"]
    shelf, highpass = prototype_sos(44_100)
    np.testing.assert_allclose(shelf, [*other["stage1_b"], *other["stage1_a"]], rtol=1e-12)
    np.testing.assert_allclose(highpass, [*other["stage2_b"], *other["stage2_a"]], rtol=1e-12)


def test_response_at_48k() -> None:
    rows = np.array(table(BS1770)["k_response"]["rows"])
    at_hz = np.round(rows[:, 0]).astype(int)
    np.testing.assert_allclose(response_db(48_000, at_hz), rows[:, 3], atol=1e-3)


@pytest.mark.parametrize("rate_hz", ALL_RATES_HZ)
def test_response_is_the_same_at_every_rate(rate_hz: int) -> None:
    # Annex 1 asks for the same frequency response at other rates.
    at_hz = np.unique(np.geomspace(20, min(0.45 * rate_hz, 20_000), 60).astype(int))
    error_db = np.abs(response_db(rate_hz, at_hz) - response_db(48_000, at_hz))
    assert error_db.max() < ERROR_DB.get(rate_hz, USUAL_ERROR_DB)


@pytest.mark.parametrize("rate_hz", ALL_RATES_HZ)
@pytest.mark.parametrize("channel", [0, 1, 2])
def test_reference_point(rate_hz: int, channel: int) -> None:
    # Annex 1: 997 Hz at 0 dBFS in L, R or C alone reads -3.01 LKFS.
    reference = table(BS1770)["reference_point"]
    sine = np.zeros((rate_hz * 2, 6), dtype=np.float32)
    sine[:, channel] = np.sin(2 * np.pi * 997 / rate_hz * np.arange(len(sine)))
    found = integrated_lufs(measured(sine, rate_hz, tuple(Layout.SURROUND_5_1.weights)))
    assert found == pytest.approx(reference["expected_lkfs"], abs=ERROR_DB.get(rate_hz, USUAL_ERROR_DB))


@pytest.mark.parametrize("layout", [Layout.SURROUND_5_0, Layout.SURROUND_5_1])
def test_channel_weights(layout: Layout) -> None:
    # Annex 1, Table 3; the low-frequency channel is left out.
    weights = table(BS1770)["channel_weights"]
    names = ["L", "R", "C", "LFE", "Ls", "Rs"] if layout is Layout.SURROUND_5_1 else ["L", "R", "C", "Ls", "Rs"]
    noise = np.random.default_rng(5).standard_normal(48_000).astype(np.float32) * 0.1
    left = integrated_lufs(measured(noise[:, None], 48_000, (1.0,)))
    for channel, name in enumerate(names):
        samples = np.zeros((len(noise), len(names)), dtype=np.float32)
        samples[:, channel] = noise
        found = integrated_lufs(measured(samples, 48_000, tuple(layout.weights)))
        if weights[name] == "excluded":
            assert found == -np.inf
        else:
            assert found == pytest.approx(left + 10 * np.log10(weights[name]), abs=1e-9)


def plain_integrated_lufs(samples: np.ndarray, rate_hz: int) -> float:
    """Annex 1, equations (1) to (7), straight from the samples, block by block."""
    gates = table(BS1770)["gating"]
    weighted = sosfilt(k_sos(rate_hz), samples.astype(np.float64), axis=0)
    blocks = []
    for j in range(len(samples)):
        # Block j starts at j tenths of a second, on the nearest frame.
        start, end = round(j * rate_hz / 10), round((j + gates["block_s"] * 10) * rate_hz / 10)
        if end > len(samples):
            break
        blocks.append((weighted[start:end] ** 2).mean(axis=0).sum())
    z = np.array(blocks)
    loudness = -0.691 + 10 * np.log10(z)
    absolute = loudness > gates["absolute_gate_lkfs"]
    relative = -0.691 + 10 * np.log10(z[absolute].mean()) + gates["relative_gate_lu"]
    return float(-0.691 + 10 * np.log10(z[absolute & (loudness > relative)].mean()))


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 22_050, 44_100, 48_000])
def test_integrated_against_the_equations(rate_hz: int) -> None:
    rng = np.random.default_rng(rate_hz)
    length_n = 12 * rate_hz + 123
    # Steps of level in the middle of blocks, some under each gate.
    level_db = rng.permutation([-95, -90, -60, -45, -35, -30, -25, -22, -20, -18, -15, -12])
    level_db = np.repeat(level_db, length_n // 12 + 1)[:length_n]
    samples = (rng.standard_normal((length_n, 2)) * 10 ** (level_db[:, None] / 20)).astype(np.float32)
    stem = measured(samples, rate_hz)
    assert integrated_lufs(stem) == pytest.approx(plain_integrated_lufs(samples, rate_hz), abs=1e-6)
    powers = loudness_lufs(windowed_power(stem, 40, 10))
    assert (powers < -70).any()
    assert ((powers > -70) & (powers < integrated_lufs(stem) - 11)).any()


def test_the_absolute_gate_stands_at_its_level() -> None:
    # A long hum counts in the mean that sets the relative gate if it is over -70 LKFS, and not if it is under. With it,
    # the relative gate falls far enough to let the second part in, which lowers the reading.
    rate_hz, gate_lkfs = 8_000, table(BS1770)["gating"]["absolute_gate_lkfs"]

    def found_lufs(hum_lufs: float) -> float:
        parts = ((2, -20.0), (2, -36.0), (60, hum_lufs))
        tone = np.sin(2 * np.pi * 1000 / rate_hz * np.arange(64 * rate_hz))
        tone_lufs = integrated_lufs(measured(tone[: 2 * rate_hz, None], rate_hz))
        gain = np.concatenate(
            [np.full(length_s * rate_hz, 10 ** ((lufs - tone_lufs) / 20)) for length_s, lufs in parts]
        )
        return integrated_lufs(measured((tone * gain)[:, None], rate_hz))

    assert found_lufs(gate_lkfs - 0.1) == pytest.approx(-20, abs=0.6)
    assert found_lufs(gate_lkfs + 0.1) == pytest.approx(-22.8, abs=0.6)


@pytest.mark.parametrize(("rate_hz", "phases_n"), [(8_000, 8), (44_100, 8), (48_000, 8), (96_000, 4), (192_000, 2)])
def test_oversampling(rate_hz: int, phases_n: int) -> None:
    # Annex 2: four times at 48 kHz and proportionately less over it (from memory).
    assert oversampling(rate_hz) == phases_n
    assert phases_n * rate_hz >= 4 * 48_000 or phases_n == 8


def test_interpolator() -> None:
    taps = interpolator(8)
    assert np.flatnonzero(np.abs(taps[0]) > 1e-12).tolist() == [taps.shape[1] // 2 - 1]
    for phase in range(8):
        at, response = response_of_taps(taps[phase])
        # The delay of a phase cannot be told from its size; that it is right is for the next test.
        assert np.abs(20 * np.log10(response[at <= 0.45])).max() < 0.02


def response_of_taps(taps: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    at = np.linspace(0, 0.499, 500)
    return at, np.abs(np.exp(-2j * np.pi * np.outer(at, np.arange(len(taps)))) @ taps)


@pytest.mark.parametrize("frequency", [0.01, 0.1, 0.25, 0.3, 0.4, 0.45])
def test_true_peak_under_reads_no_more_than_the_table(frequency: float) -> None:
    # Annex 2, Attachment 1: the worst case is a peak in the middle between two interpolated values.
    rate_hz, n = 48_000, 8
    rows = {row[0]: row[1] for row in table(BS1770)["true_peak_under_read"]["rows"]}
    worst_db = -20 * np.log10(np.cos(np.pi * frequency / n))
    if frequency == 0.45:
        assert worst_db == pytest.approx(rows[n], abs=1e-3)
    for phase in np.linspace(0, np.pi, 7):
        wave = 0.5 * np.sin(2 * np.pi * frequency * np.arange(4800) + phase)
        fade = np.hanning(480)
        wave[:240] *= fade[:240]
        wave[-240:] *= fade[-240:]
        meter = TruePeak(rate_hz)
        meter.feed(wave[:, None].astype(np.float32))
        error_db = meter.dbtp - 20 * np.log10(0.5)
        assert -worst_db - 0.02 <= error_db <= 0.02


def test_response_of_the_tables_is_that_of_the_sections() -> None:
    # The published rows were computed from the tables; so they must agree with the sections taken together.
    rows = np.array(table(BS1770)["k_response"]["rows"])
    for section, column in ((0, 1), (1, 2)):
        _, response = sosfreqz(k_sos(48_000)[section : section + 1], rows[:, 0], fs=48_000)
        np.testing.assert_allclose(20 * np.log10(np.abs(response)), rows[:, column], atol=1e-3)
