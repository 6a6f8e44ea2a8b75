"""The ridden stem against the source times the exported breakpoints, by numpy from the list alone."""

from __future__ import annotations

import csv

import numpy as np
import pytest
import soundfile
from wavinfo import WavInfoReader

from ridebook.audio.chunks import Marker
from ridebook.audio.render import render_stem
from ridebook.exchange.breakpoints import write_breakpoints
from ridebook.ride.lane import Lane
from ridebook.work.render import whole_gain

TRIM_DB = -1.37
FRAMES_N = 60_001


def random_lane(seed):
    """Points anywhere, two in neighbouring frames with a jump of 12 dB, some held, some before and after the vocal."""
    rng = np.random.default_rng(seed)
    frames = np.unique(np.concatenate([rng.integers(-2_000, FRAMES_N + 2_000, 40), [20_000, 20_001, 30_000, 40_000]]))
    gains_db = rng.uniform(-9.0, 6.0, len(frames))
    gains_db[frames == 20_000], gains_db[frames == 20_001] = -9.0, 3.0
    gains_db[(frames >= 30_000) & (frames <= 40_000)] = -TRIM_DB  # the whole gain is 0 dB
    return Lane.from_pairs(zip(frames.tolist(), gains_db.tolist(), strict=True))


def gain_of(path, frames_n, rate_hz):
    """Factors by the list: times are those of whole frames, gains straight in dB between them, flat outside."""
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    frames = np.rint([float(row["time_s"]) * rate_hz for row in rows])
    gains_db = [float(row["gain_db"]) for row in rows]
    return 10.0 ** (np.interp(np.arange(frames_n), frames, gains_db) / 20.0)[:, None]


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize(
    ("subtype", "rate_hz", "channels_n", "most"),
    [
        ("FLOAT", 48_000, 1, 1e-6),  # -120 dBFS
        ("FLOAT", 44_100, 2, 1e-6),
        ("DOUBLE", 96_000, 1, 1e-9),
        ("PCM_16", 44_100, 1, 2 * 2.0**-23),  # two steps of 24 bit, dither among them
        ("PCM_24", 48_000, 2, 2 * 2.0**-23),
        ("PCM_32", 88_200, 1, 2 * 2.0**-31),
    ],
)
def test_the_stem_nulls(tmp_path, subtype, rate_hz, channels_n, most, seed):
    vocal, stem, rides = (tmp_path / name for name in ("vocal.wav", "ridden.wav", "rides.csv"))
    rng = np.random.default_rng(seed)
    samples = rng.uniform(-0.4, 0.4, (FRAMES_N, channels_n))
    samples[0], samples[-1] = 0.39, -0.41  # the first and the last frame are known
    soundfile.write(vocal, samples, rate_hz, subtype)
    lane = random_lane(seed)
    write_breakpoints(rides, lane, TRIM_DB, rate_hz)
    render_stem(vocal, stem, whole_gain(lane, TRIM_DB), markers=[Marker(5_000, "a phrase", 100)])

    source, _ = soundfile.read(vocal, dtype="float64", always_2d=True)
    ridden, ridden_hz = soundfile.read(stem, dtype="float64", always_2d=True)
    assert (ridden.shape, ridden_hz) == (source.shape, rate_hz)
    wanted = source * gain_of(rides, FRAMES_N, rate_hz)
    residual = np.abs(ridden - wanted)
    assert residual.max() < most
    assert residual[0].max() < most
    assert residual[-1].max() < most
    # A frame too early or too late would be heard by this test.
    assert np.abs(ridden[1:] - wanted[:-1]).max() > 0.1
    # Where the whole gain is 0 dB nothing is touched.
    assert np.array_equal(ridden[30_000:40_001], source[30_000:40_001])
    assert WavInfoReader(stem).data.frame_count == FRAMES_N
