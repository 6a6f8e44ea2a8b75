"""Measures of a pair against the mix that its stems make."""

import threading
from pathlib import Path

import numpy as np
import pytest
import soundfile

from ridebook.audio.stems import StemPair, open_pair, placement
from ridebook.measure.loudness import CellPower, integrated_lufs
from ridebook.measure.measures import Measures, StemMeasures
from ridebook.measure.pair import MeasureAccumulators
from ridebook.measure.spans import balance_lu

RATE_HZ = 16_000
LENGTH_N = 2 * RATE_HZ + 77


def noise_file(folder: Path, name: str, channels_n: int, frames_n: int = LENGTH_N, silent_n: int = 0) -> Path:
    rng = np.random.default_rng(sum(name.encode()))
    samples = rng.standard_normal((frames_n, channels_n)) * 0.05
    samples[frames_n // 2 :] *= 0.3
    samples[:silent_n] = 0.0
    path = folder / f"{name}.wav"
    with soundfile.SoundFile(path, "w", RATE_HZ, channels_n, "FLOAT", format="WAVEX") as file:
        file.write(samples.astype(np.float32))
    return path


def measures_of(pair: StemPair, block_n: int = 5_003) -> Measures:
    with MeasureAccumulators(pair) as gather:
        for start in range(0, pair.frames_n, block_n):
            stop = min(start + block_n, pair.frames_n)
            gather.feed(pair.vocal.read(start, stop), [bed.read(start, stop) for bed in pair.beds])
        return gather.measures()


def as_in_the_mix(pair: StemPair, stems: list) -> StemMeasures:
    """Measures of the sum of stems placed in the mix, the plain way."""
    mix = sum(
        stem.read(0, pair.frames_n).astype(np.float64) @ placement(stem.layout, pair.mix_layout) for stem in stems
    )
    meter = CellPower(pair.rate_hz, tuple(pair.mix_layout.weights))
    meter.feed(mix)
    return meter.measures()


@pytest.mark.parametrize(
    ("vocal_n", "beds_n"),
    [(1, [2]), (2, [1]), (1, [1]), (2, [2]), (1, [1, 2]), (1, [2, 2, 1]), (2, [5, 2]), (1, [6, 5]), (6, [1, 1])],
)
def test_powers_are_those_of_the_mix(vocal_n: int, beds_n: list[int], tmp_path: Path) -> None:
    vocal = noise_file(tmp_path, "vocal", vocal_n)
    beds = [noise_file(tmp_path, f"bed{i}", channels_n) for i, channels_n in enumerate(beds_n)]
    with open_pair(vocal, beds) as pair:
        measures = measures_of(pair)
        np.testing.assert_allclose(measures.vocal.cell_power, as_in_the_mix(pair, [pair.vocal]).cell_power, rtol=1e-6)
        for found, bed in zip(measures.beds, pair.beds, strict=True):
            np.testing.assert_allclose(found.cell_power, as_in_the_mix(pair, [bed]).cell_power, rtol=1e-6)
        together = as_in_the_mix(pair, list(pair.beds))
        np.testing.assert_allclose(measures.bed.cell_power, together.cell_power, rtol=1e-6)
        assert measures.frames_n == LENGTH_N
        assert measures.vocal_spread == (vocal_n == 1 and max(beds_n) > 1)


def test_a_mono_file_over_a_stereo_one_counts_twice(tmp_path: Path) -> None:
    mono, stereo = noise_file(tmp_path, "mono", 1), noise_file(tmp_path, "stereo", 2)
    both = soundfile.read(mono, always_2d=True)[0]
    with open_pair(mono, [stereo]) as pair:
        measures = measures_of(pair)
    alone = CellPower(RATE_HZ, (1.0,))
    alone.feed(both)
    louder = integrated_lufs(measures.vocal) - integrated_lufs(alone.measures())
    assert louder == pytest.approx(3.0103, abs=1e-4)
    with open_pair(stereo, [mono]) as pair:
        other = measures_of(pair)
    assert not other.vocal_spread
    # The same two files the other way round: the same loudness each, the balance turned over.
    there, back = (float(balance_lu(each, 0, LENGTH_N)) for each in (measures, other))
    assert there == pytest.approx(-back, abs=1e-9)


def test_how_blocks_are_cut_changes_nothing(tmp_path: Path) -> None:
    vocal = noise_file(tmp_path, "vocal", 1)
    beds = [noise_file(tmp_path, "one", 2), noise_file(tmp_path, "two", 1)]
    with open_pair(vocal, beds) as pair:
        whole, parts = measures_of(pair, LENGTH_N), measures_of(pair, 333)
    for found, expected in ((parts.vocal, whole.vocal), (parts.bed, whole.bed), (parts.beds[1], whole.beds[1])):
        np.testing.assert_allclose(found.cell_power, expected.cell_power, rtol=1e-9)


def test_opposite_beds_cancel(tmp_path: Path) -> None:
    # The sum is of samples, not of powers.
    vocal, bed = noise_file(tmp_path, "vocal", 1), noise_file(tmp_path, "bed", 2)
    samples, _ = soundfile.read(bed, dtype="float32")
    opposite = tmp_path / "opposite.wav"
    soundfile.write(opposite, -samples, RATE_HZ, "FLOAT")
    with open_pair(vocal, [bed, opposite]) as pair:
        measures = measures_of(pair)
    assert integrated_lufs(measures.beds[0]) > -40
    assert (measures.bed.cell_power < 1e-20).all()


def test_a_bed_that_starts_before_the_vocal_has_settled_in_the_filter(tmp_path: Path) -> None:
    # A low tone under a step at frame 0: without what came before, the high-pass would ring.
    vocal = noise_file(tmp_path, "vocal", 1)
    frames_n = LENGTH_N + RATE_HZ
    tone = 0.5 * np.cos(2 * np.pi * 30 * np.arange(frames_n) / RATE_HZ)
    soundfile.write(tmp_path / "bed.wav", tone.astype(np.float32), RATE_HZ, "FLOAT")
    whole = CellPower(RATE_HZ, (1.0,))
    whole.feed(tone[:, None].astype(np.float32))
    with open_pair(vocal, [tmp_path / "bed.wav"]) as pair:
        bed = pair.beds[0]
        bed.start_n, bed.end_n = -RATE_HZ, LENGTH_N
        measures = measures_of(pair)
    np.testing.assert_allclose(measures.bed.cell_power[:-1], whole.cell_power[100 : 100 + 200], rtol=1e-6)


def test_measures_of_half_a_pair_are_refused_and_its_threads_end(tmp_path: Path) -> None:
    with (
        open_pair(noise_file(tmp_path, "vocal", 1), [noise_file(tmp_path, "bed", 2)]) as pair,
        MeasureAccumulators(pair) as gather,
    ):
        gather.feed(pair.vocal.read(0, 100), [pair.beds[0].read(0, 100)])
        with pytest.raises(ValueError, match="100 of"):
            gather.measures()
    assert not [thread.name for thread in threading.enumerate() if thread.name.startswith("k-weight")]
