"""The trim that an aim asks for."""

from __future__ import annotations

import numpy as np

from ridebook.measure.measures import Measures
from ridebook.ride.middles import mended_balances_lu
from ridebook.ride.settings import RideSettings
from ridebook.segment.spans import Segments


def trim_for(measures: Measures, segments: Segments, settings: RideSettings) -> float:
    """Trim that brings the song's balance to the aim, with a lean to the loud side.

    The balance is that of the vocal with what sinks or sticks out brought near the rest: the rides mend that, and
    the trim should not do it a second time.

    Parameters
    ----------
    measures : Measures
        Measures of the pair.
    segments : Segments
        Its phrases; their frames alone count.
    settings : RideSettings
        Aim, lean and centre law.

    Returns
    -------
    float
        The trim in dB; 0 where there is no phrase, no bed or no voice.
    """
    if not segments.phrases:
        return 0.0
    everywhere = np.ones((1, len(segments.phrases)), bool)
    balance_lu = float(mended_balances_lu(measures, segments, everywhere, settings.centre_law_db)[0])
    return settings.aim_lu + settings.lean_lu - balance_lu if np.isfinite(balance_lu) else 0.0
