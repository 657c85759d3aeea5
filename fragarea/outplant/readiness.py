"""Whether a fragment or pad is ready to go out by the nursery's own rules, and what is in the way."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from enum import StrEnum

from fragarea.growth import AreaPoint, sudden_loss
from fragarea.growth.health import DEAD_SHARE
from fragarea.measurement import FragmentStatus
from fragarea.nursery import Outplanting, ReadinessRule
from fragarea.outplant.units import Unit

MM2_PER_CM2 = 100.0


class State(StrEnum):
    """Where a fragment or pad stands."""

    READY = "ready"
    NOT_YET = "not yet"
    EXCLUDED = "excluded"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class Verdict:
    """What the rules say of one fragment or pad on a day.

    Attributes
    ----------
    unit : Unit
    state : State
    why : tuple of str
        What is in the way: which rule and how far, why it is excluded, or what is not known. Empty when ready.
    last : AreaPoint or None
        The last measurement that counts.
    measures : dict of str to float
        What a rule may compare; those that are not known are not named.
    """

    unit: Unit
    state: State
    why: tuple[str, ...] = ()
    last: AreaPoint | None = None
    measures: Mapping[str, float] = field(default_factory=dict)


def judge_all(units: Iterable[Unit], settings: Outplanting, on: date) -> tuple[Verdict, ...]:
    """:func:`judge` for each, in the order given."""
    return tuple(judge(unit, settings, on) for unit in units)


def judge(unit: Unit, settings: Outplanting, on: date) -> Verdict:
    """Judge one fragment or pad.

    Parameters
    ----------
    unit : Unit
        With its points up to that day.
    settings : Outplanting
    on : date

    Returns
    -------
    Verdict

    Notes
    -----
    In this order: *unknown* where no rule fits, it was never photographed or its last photo is too old; *excluded*
    where it is missing, dead, lost tissue lately or is bleached beyond the rule; *not yet* where a limit is not
    reached; *unknown* where a limit needs a measure that is not known; else *ready*. A measurement that a person
    marked wrong, or that the photo's edge cuts, does not count.
    """
    rule = settings.rule_for(unit.species, unit.genotype, unit.kind)
    usable = [point for point in unit.points if not point.marked_wrong and "cut_off" not in point.doubts]
    if rule is None:
        return Verdict(unit, State.UNKNOWN, ("no rule in nursery.toml fits it",), usable[-1] if usable else None)
    if not usable:
        return Verdict(unit, State.UNKNOWN, ("never measured",))
    last = usable[-1]
    measures = measures_of(unit, usable, on)
    photo_age = (on - last.taken_at.date()).days
    if photo_age > settings.oldest_photo_days:
        allowed = f"{photo_age} days old, {settings.oldest_photo_days:.0f} allowed"
        return Verdict(
            unit, State.UNKNOWN, (f"last photo {last.taken_at:%Y-%m-%d} too old ({allowed})",), last, measures
        )
    if excluded := _excluded(rule, usable, on):
        return Verdict(unit, State.EXCLUDED, excluded, last, measures)
    lacking, unknown = _limits(rule, measures)
    if lacking:
        return Verdict(unit, State.NOT_YET, (*lacking, *unknown), last, measures)
    return Verdict(unit, State.UNKNOWN if unknown else State.READY, unknown, last, measures)


def measures_of(unit: Unit, usable: Sequence[AreaPoint], on: date) -> dict[str, float]:
    """What a rule may compare; shares from 0 to 1, and no name for what is not known."""
    last = usable[-1]
    skeleton = last.area_mm2 + last.dead_mm2
    loss = last_loss(usable)
    measures = {
        "area_cm2": last.area_mm2 / MM2_PER_CM2,
        "cover": last.area_mm2 / unit.plug_mm2,
        "bleached": last.bleached_mm2 / last.area_mm2 if last.area_mm2 > 0 else 0.0,
        "dead": last.dead_mm2 / skeleton if skeleton > 0 else 0.0,
        "days_since_loss": float((on - loss.seen_on).days) if loss else math.inf,
    }
    if unit.cut_on is not None:
        measures["age_days"] = float((on - unit.cut_on).days)
    if unit.fused is not None:
        measures["fused"] = unit.fused
    return measures


@dataclass(frozen=True)
class TissueLoss:
    """A visit that shows that tissue was lost, and what it shows."""

    seen_on: date
    words: str


def last_loss(usable: Sequence[AreaPoint]) -> TissueLoss | None:
    """The last visit that shows lost tissue; None where that was never seen.

    A loss is what :func:`fragarea.growth.growth_curve` takes for one: a fall of the area beyond its uncertainty, or
    bare skeleton above :data:`fragarea.growth.health.DEAD_SHARE`. Points of shared tissue are passed over: a share in
    a patch is an estimate and may fall without any loss.
    """
    sound = [
        point
        for point in usable
        if point.status is not FragmentStatus.MISSING and "touches_neighbour" not in point.doubts
    ]
    for number in range(len(sound) - 1, -1, -1):
        now, seen_on = sound[number], sound[number].taken_at.date()
        bare = now.dead_mm2 / (now.area_mm2 + now.dead_mm2) if now.dead_mm2 > 0 else 0.0
        if number > 0 and (loss := sudden_loss(sound[number - 1], now)) is not None:
            lost = f"lost {loss.lost_mm2 / MM2_PER_CM2:.2f} cm² ({100 * loss.share:.0f} %) by {seen_on}"
            return TissueLoss(seen_on, lost)
        if bare > DEAD_SHARE:
            return TissueLoss(seen_on, f"{100 * bare:.0f} % of the skeleton bare on {seen_on}")
    return None


def _excluded(rule: ReadinessRule, usable: Sequence[AreaPoint], on: date) -> tuple[str, ...]:
    last = usable[-1]
    if last.status is FragmentStatus.MISSING:
        seen = [point for point in usable if point.status is not FragmentStatus.MISSING]
        return (f"missing, last seen {seen[-1].taken_at:%Y-%m-%d}" if seen else "missing",)
    if last.status is FragmentStatus.DEAD or last.area_mm2 <= 0:
        return ("no live tissue",)
    why = []
    loss = last_loss(usable)
    if rule.no_loss_days is not None and loss is not None:
        free = loss.seen_on + timedelta(days=math.ceil(rule.no_loss_days))
        if on < free:
            why.append(f"{loss.words}; look again on {free}")
    bleached = last.bleached_mm2 / last.area_mm2
    if rule.max_bleached is not None and bleached > rule.max_bleached:
        shown = math.ceil(100 * bleached)
        why.append(f"{shown} % of the live tissue is bleached, {100 * rule.max_bleached:.0f} % allowed")
    return tuple(why)


def _limits(rule: ReadinessRule, measures: Mapping[str, float]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Limits that are not reached, and those that cannot be judged."""
    lacking, unknown = [], []
    if rule.min_area_mm2 is not None and measures["area_cm2"] < rule.min_area_mm2 / MM2_PER_CM2:
        lacking.append(f"live area {_below(measures['area_cm2'], 2)} of {rule.min_area_mm2 / MM2_PER_CM2:.2f} cm²")
    if rule.min_cover is not None and measures["cover"] < rule.min_cover:
        lacking.append(f"covers {_below(100 * measures['cover'])} % of the plug, {100 * rule.min_cover:.0f} % needed")
    if rule.min_age_days is not None:
        if "age_days" not in measures:
            unknown.append("age not known: fragments.csv has no cut_on")
        elif measures["age_days"] < rule.min_age_days:
            lacking.append(f"{measures['age_days']:.0f} of {rule.min_age_days:.0f} days since cutting")
    if rule.min_fused is not None:
        if "fused" not in measures:
            unknown.append("fusion not known")
        elif measures["fused"] < rule.min_fused:
            lacking.append(
                f"{_below(100 * measures['fused'])} % of the neighbours fused, {100 * rule.min_fused:.0f} % needed"
            )
    if rule.also is not None:
        absent = [name for name in rule.also.names if name not in measures]
        if absent:
            unknown.append(f"{' and '.join(absent)} not known for the rule {rule.also.text!r}")
        elif not rule.also.holds(measures):
            values = ", ".join(f"{name} {_number(measures[name])}" for name in rule.also.names)
            lacking.append(f"rule {rule.also.text!r} does not hold ({values})")
    return tuple(lacking), tuple(unknown)


def _below(value: float, decimals: int = 0) -> str:
    """A number rounded down, so that what falls short never reads as if it were enough."""
    return f"{math.floor(value * 10**decimals + 1e-9) / 10**decimals:.{decimals}f}"


def _number(value: float) -> str:
    return "never" if math.isinf(value) else f"{value:.3g}" if abs(value) < 100 else f"{value:.0f}"
