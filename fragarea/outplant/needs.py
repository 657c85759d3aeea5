"""What a fragment or pad still needs by its rule: an area, an age, or something that no forecast knows."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

from fragarea.nursery import Expression, ReadinessRule
from fragarea.outplant.readiness import MM2_PER_CM2, Verdict

_AREAS = tuple(MM2_PER_CM2 * 1.12 ** (k - 40) for k in range(110))  # from a hundredth of a cm2 to some 2,500 cm2
_AGE_STEP_DAYS, _AGE_STEPS = 30.0, 120


@dataclass(frozen=True)
class Needs:
    """What must come true before it is ready.

    Attributes
    ----------
    area_mm2 : float
        Live tissue; 0 for none.
    wait_days : float
        Days from today before which it is too young.
    unknown : str
        What it needs beside and no forecast tells; empty for nothing.
    """

    area_mm2: float
    wait_days: float
    unknown: str = ""


def needs_of(verdict: Verdict, rule: ReadinessRule) -> Needs:
    """What a fragment or pad needs by the rule that holds for it.

    Parameters
    ----------
    verdict : Verdict
        Of today, neither excluded nor unknown.
    rule : ReadinessRule

    Notes
    -----
    A rule of the nursery's own is read as an area from which on it holds, at today's age and health; where it holds
    for no area today, at the first age, in steps of 30 days up to ten years, at which it does.
    """
    unit, measures = verdict.unit, verdict.measures
    area_mm2 = max(rule.min_area_mm2 or 0.0, (rule.min_cover or 0.0) * unit.plug_mm2)
    wait = max(0.0, (rule.min_age_days or 0.0) - measures.get("age_days", math.inf))
    if rule.min_fused is not None and measures.get("fused", 0.0) < rule.min_fused:
        return Needs(area_mm2, wait, "fusion is told by: fragarea fusion")
    if rule.also is None:
        return Needs(area_mm2, wait)
    if "fused" in rule.also.names:
        holds = rule.also.holds(measures)
        return Needs(area_mm2, wait, "" if holds else "fusion is told by: fragarea fusion")
    key = tuple(sorted((name, value) for name, value in measures.items() if name not in ("area_cm2", "cover")))
    own = _own_needs(rule.also, key, unit.plug_mm2)
    if own is None:
        return Needs(area_mm2, wait, f"the rule {rule.also.text!r} holds for no area and age")
    return Needs(max(area_mm2, own[0]), max(wait, own[1]))


@lru_cache(maxsize=4096)
def _own_needs(
    rule: Expression, others: tuple[tuple[str, float], ...], plug_mm2: float
) -> tuple[float, float] | None:
    """Area and days of waiting from which on a rule holds, all else as today; None for never."""
    measures = dict(others)
    steps = range(_AGE_STEPS + 1) if "age_days" in measures and "age_days" in rule.names else range(1)
    for step in steps:
        older = measures | {
            name: measures[name] + step * _AGE_STEP_DAYS for name in ("age_days",) if name in measures
        }
        if (area := _least_area(rule, older, plug_mm2)) is not None:
            return area, step * _AGE_STEP_DAYS
    return None


def _least_area(rule: Expression, measures: Mapping[str, float], plug_mm2: float) -> float | None:
    """The smallest area from which on a rule holds; None where it does not hold for large ones."""

    def holds(area_mm2: float) -> bool:
        return rule.holds({**measures, "area_cm2": area_mm2 / MM2_PER_CM2, "cover": area_mm2 / plug_mm2})

    if not holds(_AREAS[-1]):
        return None
    below = next((area for area in reversed(_AREAS) if not holds(area)), None)
    if below is None:
        return 0.0
    above = _AREAS[_AREAS.index(below) + 1]
    for _ in range(30):
        middle = 0.5 * (below + above)
        below, above = (below, middle) if holds(middle) else (middle, above)
    return above
