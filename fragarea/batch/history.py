"""Areas against a fragment's earlier visits."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from fragarea.doubts import Doubt
from fragarea.logbook import MARKED_WRONG, FragmentVisit, Logbook, histories_of, keep_comparison, uncompared
from fragarea.measurement import FragmentStatus

DAYS_PER_MONTH = 30.4375


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


def compare_histories(logbook: Logbook) -> bool:
    """Compare all histories that changed since the last time, and keep the doubts that come of it.

    Returns
    -------
    bool
        Whether any had changed.
    """
    changed = uncompared(logbook)
    if not changed.measurement_ids:
        return False
    found: dict[int, Doubt | None] = {}
    for visits in histories_of(logbook, changed.keys).values():
        found |= {visit.fragment_id: doubt for visit, doubt in zip(visits, area_jumps(visits), strict=True)}
    keep_comparison(logbook, found, changed.measurement_ids)
    return True


def area_jumps(visits: Sequence[FragmentVisit], plausible: Plausible = USUAL) -> list[Doubt | None]:
    """For each visit a doubt when its area differs from the last one by more than growth and uncertainty explain.

    Parameters
    ----------
    visits : sequence of FragmentVisit
        All of one fragment, in order of time.
    plausible : Plausible

    Returns
    -------
    list of (Doubt or None)
        In the order of `visits`. None also where nothing can be said: no date is known, or a person marked the
        measurement wrong. A fragment that goes missing, or that stands there again, is doubted like any other change;
        one that stays missing is not.

    Notes
    -----
    The last visit must explain an area. Where that one was doubted itself, the one before it may explain the area
    too, and so on back: a single wrong outline is doubted, not the visit after it, and a change that lasts once.

    After t months, an area A with equivalent radius r = sqrt(A / pi) may lie between (1 - loss) A and
    pi (r + e t)^2, widened by the coverage times the root sum of squares of both standard uncertainties. These are
    taken as independent, which can only widen what is allowed.
    """
    found: list[Doubt | None] = []
    explaining: list[FragmentVisit] = []  # the last visit, and those before it that it does not stand for
    for visit in visits:
        doubt = None
        if visit.taken_at is not None and not _marked_wrong(visit):
            if explaining and not any(_explains(one, visit, plausible) for one in explaining):
                doubt = _jump(explaining[-1], visit)
            explaining = [*explaining, visit] if doubt else [visit]
        found.append(doubt)
    return found


def _jump(last: FragmentVisit, new: FragmentVisit) -> Doubt:
    change_cm2, days = (new.area_mm2 - last.area_mm2) / 100, _days_between(last, new)
    return Doubt("area_jump", f"{change_cm2:+.2f} cm² in {days:.0f} days, from {last.area_mm2 / 100:.2f} cm²")


def _marked_wrong(visit: FragmentVisit) -> bool:
    return any(doubt.key == MARKED_WRONG for doubt in visit.doubts)


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
