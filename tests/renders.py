"""The one mix of a pair without followers, as most tests of mixes want it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ridebook.audio.gain import GainCurve
from ridebook.audio.render import MixVersion, Observer, RenderReport, render_mixes
from ridebook.audio.stems import StemPair


def render_mix(
    pair: StemPair,
    target: Path,
    curve: GainCurve,
    centre_law_db: float = 0.0,
    *,
    observer: Observer | None = None,
    **how: Any,
) -> RenderReport | None:
    """Write the ridden vocal and all beds together; None where it was called off."""
    version = MixVersion(target, (0.0,))
    reports = render_mixes(pair, [version], [curve], centre_law_db, observers=[observer], **how)
    return None if reports is None else reports[0]
