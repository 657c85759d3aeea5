"""Visits of a pad in order of time: borders that last, and progress that went backwards."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime

from fragarea.fusion.records import (
    Figure,
    FusionRules,
    PadHistory,
    PadVisit,
    PairState,
    PairVisit,
    Setback,
)

NO_LONGER_FUSED = "no longer fused"
NO_LONGER_TOUCHING = "no longer touching"
LARGEST_SHRANK = "largest patch shrank"
COVER_FELL = "cover fell"

_COVERAGE = 1.96  # a change beyond this many standard uncertainties is no mere error of measurement

_POSSIBLE = 0.05  # what redrawn outlines give more often than this may be so
_LEAST = 1e-3  # a part so small is no setback, however sure it is


def history_of(site: str, visits: Iterable[PadVisit], rules: FusionRules) -> PadHistory:
    """The visits of one pad with what only time tells.

    Parameters
    ----------
    site : str
    visits : iterable of PadVisit
        One a day.
    rules : FusionRules

    Returns
    -------
    PadHistory
    """
    ordered = _with_borders(sorted(visits, key=lambda one: one.taken_at), rules)
    found = [
        replace(visit, setbacks=setbacks(ordered[number - 1], visit) if number else ())
        for number, visit in enumerate(ordered)
    ]
    return PadHistory(site, tuple(found))


def _with_borders(visits: Sequence[PadVisit], rules: FusionRules) -> list[PadVisit]:
    since: dict[tuple[str, str], datetime] = {}
    found = []
    for visit in visits:
        pairs = []
        for pair in visit.pairs:
            facing = not pair.fused and pair.gap_mm <= max(rules.contact_mm, rules.border_line_mm)
            if not facing:
                since.pop(pair.names, None)
                pairs.append(pair)
                continue
            first = since.setdefault(pair.names, visit.taken_at)
            lasting = (visit.taken_at - first).total_seconds() >= rules.border_days * 86_400
            pairs.append(_border(pair) if lasting else pair)
        borders = sum(pair.state is PairState.BORDER for pair in pairs)
        progress = replace(visit.progress, border_pairs=borders)
        found.append(replace(visit, pairs=tuple(pairs), progress=progress))
    return found


def _border(pair: PairVisit) -> PairVisit:
    if pair.state is PairState.BORDER:
        return pair
    return replace(
        pair,
        state=PairState.BORDER,
        p_border=pair.p_border + pair.p_contact + pair.p_apart,
        p_contact=0.0,
        p_apart=0.0,
    )


def setbacks(before: PadVisit, now: PadVisit) -> tuple[Setback, ...]:
    """What went backwards from one visit to the next; pairs first, then the pad.

    A pair whose state went back is always told. The figures of the pad are told where they fell by more than their
    uncertainties explain.
    """
    earlier = {pair.names: pair for pair in before.pairs}
    found = []
    for pair in now.pairs:
        was = earlier.get(pair.names)
        if was is None:
            continue
        if was.fused and not pair.fused:
            found.append(
                Setback(NO_LONGER_FUSED, pair.names, was.neck_mm, pair.neck_mm, _why(before, now, was, pair))
            )
        elif was.touching and not pair.touching:
            found.append(
                Setback(NO_LONGER_TOUCHING, pair.names, was.gap_mm, pair.gap_mm, _why(before, now, was, pair))
            )
    fell = "live tissue was lost" if _fell(before.progress.live_mm2, now.progress.live_mm2) else ""
    for what, then, this in (
        (LARGEST_SHRANK, before.progress.largest_share, now.progress.largest_share),
        (COVER_FELL, before.progress.cover_share, now.progress.cover_share),
    ):
        if _fell(then, this):
            found.append(Setback(what, (), then.value, this.value, fell or "look at the outlines of both visits"))
    return tuple(found)


def _fell(before: Figure, now: Figure) -> bool:
    fall = before.value - now.value
    return fall > max(_LEAST * before.value, _COVERAGE * math.hypot(before.u, now.u))


def _why(before: PadVisit, now: PadVisit, was: PairVisit, pair: PairVisit) -> str:
    lost = [name for name in pair.names if _lost(before, now, name)]
    if lost:
        return f"live tissue of {' and '.join(lost)} was lost"
    if was.fused:
        doubt = ((before, 1 - was.p_fused), (now, pair.p_fused))
    else:
        doubt = ((before, was.p_apart), (now, 1 - pair.p_apart))
    unsure = [f"{visit.day}" for visit, p in doubt if p >= _POSSIBLE]
    if unsure:
        return f"within the uncertainty of {' and '.join(unsure)}: the pair may have been the same at both visits"
    return "no tissue was lost: one of the two outlines is wrong; look at both"


def _lost(before: PadVisit, now: PadVisit, name: str) -> bool:
    one = next((part for part in before.fragments if part.fragment == name), None)
    other = next((part for part in now.fragments if part.fragment == name), None)
    if one is None or other is None:
        return False
    return one.live_mm2 - other.live_mm2 > _COVERAGE * math.hypot(one.live_u_mm2, other.live_u_mm2)
