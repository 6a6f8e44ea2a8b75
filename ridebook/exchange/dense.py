"""Lanes for receivers that ramp in amplitude: extra points where straight in dB and straight in amplitude part.

Between two points that lie `d` dB apart a receiver that ramps linearly in amplitude is above the lane, which is
straight in dB. With ``x = d ln(10) / 20`` and `u` the part of the way, it is above by

    e(u) = 20 log10((1 + (exp(x) - 1) u) / exp(x u))

The derivative vanishes at ``u = 1 / x - 1 / (exp(x) - 1)``, and there

    e = 20 / ln(10) * (ln((exp(x) - 1) / x) - 1 + x / (exp(x) - 1)),

about ``ln(10) / 160 d**2``: 0.014 dB over 1 dB, 0.13 over 3, 0.5 over 6, 2 over 12. It depends on the size of the move
alone, not on its length or direction, and grows with it.
"""

from __future__ import annotations

import math
from functools import cache

from ridebook.errors import SettingError
from ridebook.ride.lane import Breakpoint, Lane

WITHIN_DB = 0.05
"""How far a lane may be off in a receiver that ramps in amplitude: unheard (a choice of this program)."""


def amplitude_deviation_db(move_db: float) -> float:
    """How far a ramp straight in amplitude rises above one straight in dB, at most, over a move of `move_db` dB."""
    x = abs(move_db) * math.log(10.0) / 20.0
    if x < 1e-3:  # the terms cancel; the next one of the series is under 1e-12 dB here
        return 20.0 / math.log(10.0) * x * x / 8.0
    rise = math.expm1(x)
    return 20.0 / math.log(10.0) * (math.log(rise / x) - 1.0 + x / rise)


@cache
def widest_move_db(within_db: float) -> float:
    """Largest move in dB over which `amplitude_deviation_db` stays within `within_db`."""
    if not within_db > 0.0:
        raise SettingError(f"a lane cannot be held within {within_db:g} dB; the tolerance must be above 0")
    low, high = 0.0, 1.0
    while amplitude_deviation_db(high) < within_db:
        high *= 2.0
    while high - low > 1e-9:
        middle = (low + high) / 2.0
        low, high = (middle, high) if amplitude_deviation_db(middle) <= within_db else (low, middle)
    return low


def dense_lane(lane: Lane, within_db: float = WITHIN_DB) -> Lane:
    """Lane with points added until a receiver that ramps in amplitude stays within `within_db` of it.

    All breakpoints stay, and those added lie on the lane, so that a receiver that ramps in dB reads the same lane. The
    points added are the fewest that do at whole frames: the deviation depends on the size of a move alone, so that each
    piece may be as long as the widest move and no longer, and the pieces are as even as frames allow. Within one frame
    nothing can be added, nor heard.

    Parameters
    ----------
    lane : Lane
        The lane; whether the trim is in it makes no difference.
    within_db : float
        How far off the receiver may be.

    Raises
    ------
    SettingError
        `within_db` is not above 0.
    """
    widest_db = widest_move_db(within_db)
    points = list(lane.points[:1])
    for before, after in zip(lane.points, lane.points[1:]):
        length_n, move_db = after.frame_n - before.frame_n, after.gain_db - before.gain_db
        if abs(move_db) > widest_db:
            longest_n = max(1, math.floor(widest_db * length_n / abs(move_db)))
            pieces_n = -(-length_n // longest_n)
            at_n = [before.frame_n + k * length_n // pieces_n for k in range(1, pieces_n)]
            points += (Breakpoint(n, before.gain_db + move_db * ((n - before.frame_n) / length_n)) for n in at_n)
        points.append(after)
    return Lane(tuple(points))
