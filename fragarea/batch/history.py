"""Areas against a fragment's earlier visits."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from fragarea.doubts import Doubt
from fragarea.logbook import FragmentVisit, Logbook, histories_of, keep_comparison, uncompared
from fragarea.measurement import FragmentStatus

DAYS_PER_MONTH = 30.4375
LOOK_BACK = 3
"""Earlier visits of which one must explain an area: a single wrong outline is doubted, not the visit after it."""


@dataclass(frozen=True)
class Plausible:
    """How a fragment's area may change between visits without a doubt (common practice, no source).

    Attributes
    ----------
    fastest_mm_per_month : float
        Radial extension of encrusting tissue on the equivalent radius; it seldom advances faster.
    loss_share : float
        Part of the area that may be lost: healthy tissue hardly shrinks, and more is worth a look.
    coverage : float
        Combined standard uncertainties allowed beyond that.
    """

    fastest_mm_per_month: float = 2.0
    loss_share: float = 0.10
    coverage: float = 1.96


USUAL = Plausible()


def compare_histories(logbook: Logbook) -> None:
    """Compare all histories that changed since the last time, and keep the doubts that come of it."""
    changed = uncompared(logbook)
    if not changed.measurement_ids:
        return
    found: dict[int, Doubt | None] = {}
    for visits in histories_of(logbook, changed.keys).values():
        for index, visit in enumerate(visits):
            found[visit.fragment_id] = area_jump(visits[:index], visit)
    keep_comparison(logbook, found, changed.measurement_ids)


def area_jump(history: Sequence[FragmentVisit], new: FragmentVisit, plausible: Plausible = USUAL) -> Doubt | None:
    """A doubt when an area differs from earlier ones by more than growth and uncertainty explain.

    Parameters
    ----------
    history : sequence of FragmentVisit
        Earlier visits of the same fragment, in order of time.
    new : FragmentVisit
    plausible : Plausible

    Returns
    -------
    Doubt or None
        None also where nothing can be said: no date is known. A fragment that goes missing, or that stands there
        again, is doubted like any other change; one that stays missing is not.

    Notes
    -----
    After t months, an area A with equivalent radius r = sqrt(A / pi) may lie between (1 - loss) A and
    pi (r + e t)^2, widened by the coverage times the root sum of squares of both standard uncertainties. These are
    taken as independent, which can only widen what is allowed.
    """
    dated = [one for one in history if one.taken_at is not None]
    if new.taken_at is None or not dated or any(_explains(one, new, plausible) for one in dated[-LOOK_BACK:]):
        return None
    last = dated[-1]
    change_cm2, days = (new.area_mm2 - last.area_mm2) / 100, _days_between(last, new)
    return Doubt("area_jump", f"{change_cm2:+.2f} cm² in {days:.0f} days, from {last.area_mm2 / 100:.2f} cm²")


def _explains(before: FragmentVisit, new: FragmentVisit, plausible: Plausible) -> bool:
    if before.status is new.status is FragmentStatus.MISSING:
        return True
    months = max(0.0, _days_between(before, new)) / DAYS_PER_MONTH
    slack = plausible.coverage * math.hypot(new.area_u_mm2, before.area_u_mm2)
    radius_mm = math.sqrt(max(0.0, before.area_mm2) / math.pi) + plausible.fastest_mm_per_month * months
    least = (1 - plausible.loss_share) * before.area_mm2 - slack
    return least <= new.area_mm2 <= math.pi * radius_mm**2 + slack


def _days_between(before: FragmentVisit, new: FragmentVisit) -> float:
    """By the camera's clock: only some photos may know their offset."""
    if before.taken_at is None or new.taken_at is None:
        return math.nan
    return (new.taken_at.replace(tzinfo=None) - before.taken_at.replace(tzinfo=None)).total_seconds() / 86400
