"""Why a phrase and its words ride as they do, each in one line with its numbers."""

from __future__ import annotations

from ridebook.ride.settings import RideSettings
from ridebook.ride.wanted import Wanted

TOLD_LU = 0.3
"""What is less is not worth a word in a reason."""


def main_run(own: list[Wanted]) -> Wanted:
    """Return the run in the middle of a phrase's levels: the one that its words are held against."""
    order = sorted(range(len(own)), key=lambda k: own[k].run.own_lufs)
    half_n = sum(one.run.length_n for one in own) / 2
    upto_n = 0
    for k in order:
        upto_n += own[k].run.length_n
        if upto_n >= half_n:
            return own[k]
    return own[order[-1]]


def phrase_reason(rate_hz: int, settings: RideSettings, own: list[Wanted], ride_db: float) -> str:
    """Why a phrase rides as it does: what drives the ride first.

    Parameters
    ----------
    rate_hz : int
        The pair's rate.
    settings : RideSettings
        What the suggestion was made by.
    own : list of Wanted
        What is wanted of the runs of the phrase, in order of time.
    ride_db : float
        Mean of the suggested lane over it.
    """
    main = main_run(own)
    weights = [one.run.length_n * 10.0 ** (one.run.own_lufs / 10.0) for one in own]
    level_lu = sum(weight * one.level_lu for weight, one in zip(weights, own)) / sum(weights)
    bed_lu = None
    if any(one.bed_lu is not None for one in own):
        bed_lu = sum(weight * (one.bed_lu or 0.0) for weight, one in zip(weights, own)) / sum(weights)
    drives = []
    if abs(level_lu) >= TOLD_LU:
        drives.append((-level_lu, f"{abs(level_lu):.1f} LU {'over' if level_lu > 0 else 'under'} its neighbours"))
    if bed_lu is not None and abs(bed_lu) >= TOLD_LU:
        text = f"the bed {'rises' if bed_lu > 0 else 'falls'} {abs(bed_lu):.1f} LU here"
        drives.append((settings.follow * bed_lu, text))
    if main.section_db:
        like = ", as its repeats do" if main.as_repeats else ""
        drives.append((main.section_db, f"its section rides {main.section_db:+.1f} dB{like}"))
    drives.sort(key=lambda drive: -abs(drive[0]))
    parts = [text for value, text in drives if value * ride_db >= 0.0]
    against = [text for value, text in drives if value * ride_db < 0.0]
    if against:
        parts.append(f"though {' and '.join(against)}" if parts else "; ".join(against))
    if bed_lu is None:
        parts.append("no bed here, the vocal's own level rules")
    if main.as_repeats and not main.section_db:
        parts.append("its section stays, as its repeats do")
    if main.holds_balance:
        parts.append("the vocal already follows the bed")
    if main.lost_lu > 0.0:
        parts.append(f"still {main.lost_lu:.1f} LU below what would be heard, lifted for that")
    if main.no_line:
        parts.append("a sigh and no line, so not lifted")
    elif main.quiet:
        parts.append("meant to be quiet, so not lifted")
    if main.limited:
        parts.append(f"held at the limit, {main.gain_db:+.1f} dB")
    elif main.idle and not main.section_db:
        parts.append(f"left alone, inside the dead band of {settings.phrase_dead_db:g} dB")
    aside = _aside(main, own, settings)
    words_n = sum(len(one.run.words) for one in aside)
    if words_n:
        parts.append(f"{words_n} of its words {'rides by itself' if words_n == 1 else 'ride by themselves'}")
    for one in [one for one in aside if not one.run.words][:1]:
        apart = one.run.own_lufs - main.run.own_lufs
        at_s = one.run.start_n / rate_hz
        parts.append(f"from {at_s:.2f} s on {abs(apart):.1f} LU {'over' if apart > 0 else 'under'} the rest of it")
    line = "; ".join(parts) or "even with its neighbours"
    return line[:1].upper() + line[1:]


def _aside(main: Wanted, own: list[Wanted], settings: RideSettings) -> list[Wanted]:
    """Return the runs of a phrase that stand apart from its middle."""
    return [one for one in own if abs(one.run.own_lufs - main.run.own_lufs) >= settings.word_dead_db]


def word_reasons(own: list[Wanted], settings: RideSettings) -> tuple[tuple[str, str], ...]:
    """Id of each word of a phrase that rides by itself, and why; parameters as for `phrase_reason`."""
    main = main_run(own)
    told = []
    for one in _aside(main, own, settings):
        apart = one.run.own_lufs - main.run.own_lufs
        reason = f"{abs(apart):.1f} LU {'over' if apart > 0 else 'under'} the rest of its phrase"
        if one.lost_lu > 0.0:
            reason += f"; still {one.lost_lu:.1f} LU below what would be heard"
        if one.limited:
            reason += f"; held at the limit, {one.gain_db:+.1f} dB"
        told += [(word.id, reason) for word in one.run.words]
    return tuple(told)
