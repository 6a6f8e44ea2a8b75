"""The trim that an aim asks for."""

from __future__ import annotations

import numpy as np

from ridebook.measure.measures import Measures
from ridebook.measure.spans import mean_balance_lu
from ridebook.ride.settings import RideSettings
from ridebook.segment.spans import Segments


def trim_for(measures: Measures, segments: Segments, settings: RideSettings) -> float:
    """Trim that brings the song's balance to the aim, with a lean to the loud side.

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
    starts_n = np.array([phrase.start_n for phrase in segments.phrases])
    ends_n = np.array([phrase.end_n for phrase in segments.phrases])
    balance_lu = mean_balance_lu(measures, starts_n, ends_n, settings.centre_law_db)
    return float(settings.aim_lu + settings.lean_lu - balance_lu) if np.isfinite(balance_lu) else 0.0
