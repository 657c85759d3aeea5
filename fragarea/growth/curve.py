"""Which points of a history are growth: radius linear in time, from the end of healing to the plug's edge."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from fragarea.growth.loss import sudden_loss
from fragarea.growth.records import AreaPoint, FragmentHistory, days_between
from fragarea.measurement import FragmentStatus


class LeftOut(StrEnum):
    """Why a measurement is no part of a growth curve; the text stands in reports."""

    NO_DATE = "the photo has no date"
    MARKED_WRONG = "marked wrong by a person"
    AFTER_LEAVING = "taken after the fragment left the nursery"
    MAYBE_EXCHANGED = "taken since the fragment may have changed places with another"
    MISSING = "fragment missing"
    CUT_OFF = "cut off by the photo's edge"
    SHARED_TISSUE = "tissue touches a neighbour's, so its share is an estimate"
    AFTER_LOSS = "at or after a loss of tissue"
    HEALING = "before the end of healing"
    AT_RIM = "at or after reaching the plug's edge"


@dataclass(frozen=True)
class CurveRules:
    """What counts as growth.

    Attributes
    ----------
    lag_days : float
        Days after cutting in which a fragment heals and hardly spreads; 0 for none. Needs the day of cutting.
    rim_share : float
        Part of the outline at the plug's edge from which on growth is held back: one twentieth of the edge that
        cannot advance makes radial extension one twentieth too small (plain geometry).
    dead_share : float
        Part of the skeleton without tissue from which on a fragment counts as losing tissue (common practice, no
        source); a dead rim of half a pixel stays below it.
    """

    lag_days: float = 0.0
    rim_share: float = 0.05
    dead_share: float = 0.05


USUAL_RULES = CurveRules()


@dataclass(frozen=True)
class GrowthCurve:
    """The part of a history that shows growth, and what was left out of it.

    Attributes
    ----------
    fragment, genotype, site : str
    points : tuple of AreaPoint
        In order of time.
    left_out : tuple of (AreaPoint, LeftOut)
        Every other point with its reason.
    undated : int
        Photos without a date, left out for :attr:`LeftOut.NO_DATE`.
    """

    fragment: str
    genotype: str
    site: str
    points: tuple[AreaPoint, ...]
    left_out: tuple[tuple[AreaPoint, LeftOut], ...]
    undated: int = 0


def growth_curve(
    history: FragmentHistory, rules: CurveRules = USUAL_RULES, *, exchanged_at: datetime | None = None
) -> GrowthCurve:
    """Sort the points of a history into growth and left out.

    Parameters
    ----------
    history : FragmentHistory
    rules : CurveRules
    exchanged_at : datetime, optional
        Visit from which on it is doubted that the record means this fragment: an exchange that nobody settled yet.

    Returns
    -------
    GrowthCurve

    Notes
    -----
    A point is left out for the first reason that holds, in the order of :class:`LeftOut`. From the first loss of
    tissue on, and from the first visit at the plug's edge on, every later point is left out too: what grows back
    after a loss, or round the edge, is another process. Missing, cut off and shared tissue leave out their own visit
    only. A loss is a dead fragment, a share of dead skeleton above the rule's, or an area that fell by more than its
    uncertainty explains (:func:`fragarea.growth.loss.sudden_loss`).
    """
    kept: list[AreaPoint] = []
    left_out: list[tuple[AreaPoint, LeftOut]] = []
    ended: LeftOut | None = None
    for point in history.points:
        reason = _own_reason(history, point, exchanged_at)
        if reason is None:
            ended = ended or _ends(kept, point, rules)
            reason = LeftOut.HEALING if _heals(history, point.taken_at, rules) and ended is None else ended
        if reason is None:
            kept.append(point)
        else:
            left_out.append((point, reason))
    return GrowthCurve(
        history.fragment, history.genotype, history.site, tuple(kept), tuple(left_out), history.undated
    )


def count_left_out(curves: Iterable[GrowthCurve]) -> dict[LeftOut, int]:
    """How many measurements were left out for each reason; reasons that never held are not named."""
    counts = dict.fromkeys(LeftOut, 0)
    for curve in curves:
        counts[LeftOut.NO_DATE] += curve.undated
        for _, reason in curve.left_out:
            counts[reason] += 1
    return {reason: count for reason, count in counts.items() if count}


def _own_reason(history: FragmentHistory, point: AreaPoint, exchanged_at: datetime | None) -> LeftOut | None:
    """What speaks against this point alone."""
    if point.marked_wrong:
        return LeftOut.MARKED_WRONG
    if history.left_on is not None and point.taken_at.date() >= history.left_on:
        return LeftOut.AFTER_LEAVING
    if exchanged_at is not None and days_between(exchanged_at, point.taken_at) >= 0:
        return LeftOut.MAYBE_EXCHANGED
    if point.status is FragmentStatus.MISSING:
        return LeftOut.MISSING
    if "cut_off" in point.doubts:
        return LeftOut.CUT_OFF
    if "touches_neighbour" in point.doubts:
        return LeftOut.SHARED_TISSUE
    return None


def _ends(kept: Sequence[AreaPoint], point: AreaPoint, rules: CurveRules) -> LeftOut | None:
    """What ends the curve at this point."""
    skeleton = point.area_mm2 + point.dead_mm2
    dead = point.status is FragmentStatus.DEAD or point.area_mm2 == 0 or point.dead_mm2 > rules.dead_share * skeleton
    if dead or (kept and sudden_loss(kept[-1], point) is not None):
        return LeftOut.AFTER_LOSS
    # Without an outline only the doubt tells that tissue came to the edge.
    at_rim = "beyond_rim" in point.doubts if point.rim_share is None else point.rim_share > rules.rim_share
    return LeftOut.AT_RIM if at_rim else None


def _heals(history: FragmentHistory, taken_at: datetime, rules: CurveRules) -> bool:
    if history.cut_on is None or rules.lag_days <= 0:
        return False
    return days_between(datetime.combine(history.cut_on, datetime.min.time()), taken_at) < rules.lag_days
