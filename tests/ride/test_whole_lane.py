"""The lane of a whole suggestion, its ramps and limits with it, against the optimum found another way."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import ridebook.ride.suggest as suggesting
from ridebook.ride.fit import fewest_points
from ridebook.ride.settings import RideSettings
from tests.ride.test_suggest import RATE_HZ, scene

STEP_DB = 0.1


def fewest_on_a_grid(frames: np.ndarray, low_db: np.ndarray, high_db: np.ndarray) -> int:
    """Fewest breakpoints at gates with gains in steps of `STEP_DB`, by dynamic programming over the last one."""
    gates_n = len(frames)
    values = [
        np.arange(np.ceil(low / STEP_DB), np.floor(high / STEP_DB) + 1) * STEP_DB for low, high in zip(low_db, high_db)
    ]
    if ((low_db <= 0.0) & (high_db >= 0.0)).all():
        return 0
    best = [np.full(len(row), np.inf) for row in values]
    for k in range(gates_n):
        flat = (values[k] >= low_db[: k + 1].max() - 1e-9) & (values[k] <= high_db[: k + 1].min() + 1e-9)
        best[k][flat] = 1
        for i in range(k):
            if not np.isfinite(best[i]).any():
                continue
            part = (frames[i + 1 : k] - frames[i]) / (frames[k] - frames[i])
            line = values[i][:, None, None] + part * (values[k][None, :, None] - values[i][:, None, None])
            passes = ((line >= low_db[i + 1 : k] - 1e-9) & (line <= high_db[i + 1 : k] + 1e-9)).all(axis=2)
            best[k] = np.minimum(best[k], np.where(passes, best[i][:, None] + 1, np.inf).min(axis=0))
    least = np.inf
    for k in range(gates_n):
        flat = (values[k] >= low_db[k:].max() - 1e-9) & (values[k] <= high_db[k:].min() + 1e-9)
        least = min(least, best[k][flat].min(initial=np.inf))
    return int(least)


rows = st.lists(
    st.lists(st.integers(-14, 14).map(lambda level: level / 2), min_size=1, max_size=3), min_size=2, max_size=4
)


@settings(max_examples=25, deadline=None)
@given(rows, st.lists(st.integers(-6, 6), min_size=4, max_size=4), st.booleans())
def test_no_lane_through_the_same_gates_has_fewer_breakpoints(levels, bed, breaths):
    taken = []

    def noted(frames, low_db, high_db, wanted_db):
        taken.append((frames, low_db, high_db))
        return fewest_points(frames, low_db, high_db, wanted_db)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(suggesting, "fewest_points", noted)
        lane = scene(levels, [float(level) for level in bed], breaths=breaths).suggest(RideSettings(share=1.0)).lane
    ((frames, low_db, high_db),) = taken
    assert len(lane.points) <= fewest_on_a_grid(frames, low_db, high_db)
    # And it is a lane that may be taken: through the gates but for what a pause forbids, and no faster than allowed.
    gains_db = lane.gain_db_at(frames)
    assert (gains_db <= high_db + 1e-6).all()
    for one, two in pairwise(lane.points):
        quickest = 1.15 * suggesting.FASTEST_DB_PER_S * (two.frame_n - one.frame_n) / RATE_HZ
        assert abs(two.gain_db - one.gain_db) <= quickest + 2 * suggesting.FIT_DB


def test_the_optimum_on_a_grid_counts_what_can_be_counted_by_hand():
    frames = np.array([0, 100, 120, 300, 320, 500])
    wanted_db = np.array([0.0, 0.0, 3.0, 3.0, 0.0, 0.0])
    assert fewest_on_a_grid(frames, wanted_db - 0.2, wanted_db + 0.2) == 4
    assert fewest_on_a_grid(frames, wanted_db - 4.0, wanted_db + 4.0) == 0
    assert fewest_on_a_grid(frames[:4], wanted_db[:4] - 0.2, wanted_db[:4] + 0.2) == 2
