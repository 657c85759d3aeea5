"""Areas against a fragment's earlier visits."""

from __future__ import annotations

import math
from collections.abc import Sequence

from fragarea.doubts import Doubt
from fragarea.logbook import FragmentVisit, Logbook, keep_comparison, uncompared, visits_of
from fragarea.measurement import FragmentStatus

DAYS_PER_MONTH = 30.4375
# Encrusting tissue seldom advances faster than this, nor does healthy tissue shrink (common practice, no source); a
# doubt only asks for a look.
FASTEST_MM_PER_MONTH = 2.0
LOSS_SHARE = 0.10


def compare_histories(logbook: Logbook) -> None:
    """Compare all histories that changed since the last time, and keep the doubts that come of it."""
    changed = uncompared(logbook)
    found: dict[int, Doubt | None] = {}
    for key in changed.keys:
        visits = visits_of(logbook, key)
        for index, visit in enumerate(visits):
            found[visit.fragment_id] = area_jump(visits[:index], visit)
    keep_comparison(logbook, found, changed.measurement_ids)


def area_jump(history: Sequence[FragmentVisit], new: FragmentVisit) -> Doubt | None:
    """A doubt when an area differs from the last one by more than growth and uncertainty explain.

    Parameters
    ----------
    history : sequence of FragmentVisit
        Earlier visits of the same fragment, in order of time.
    new : FragmentVisit

    Returns
    -------
    Doubt or None

    Notes
    -----
    Growth is bounded by a radial extension of 2 mm a month on the equivalent radius sqrt(A / pi); loss beyond a
    tenth of the area and the uncertainties is doubted. Uncertainties are taken as independent, which can only widen
    what is allowed.
    """
    before = next((v for v in reversed(history) if v.taken_at and v.status is not FragmentStatus.MISSING), None)
    if before is None or new.taken_at is None or before.taken_at is None:
        return None
    days = (new.taken_at.replace(tzinfo=None) - before.taken_at.replace(tzinfo=None)).total_seconds() / 86400
    if days < 0:
        return None
    slack = 1.96 * math.hypot(new.area_u_mm2, before.area_u_mm2)
    radius = math.sqrt(before.area_mm2 / math.pi) + FASTEST_MM_PER_MONTH * days / DAYS_PER_MONTH
    most, least = math.pi * radius**2 + slack, (1 - LOSS_SHARE) * before.area_mm2 - slack
    if least <= new.area_mm2 <= most:
        return None
    change = new.area_mm2 - before.area_mm2
    return Doubt("area_jump", f"{change / 100:+.2f} cm² in {days:.0f} days, from {before.area_mm2 / 100:.2f} cm²")
