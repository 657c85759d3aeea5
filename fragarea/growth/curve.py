"""Which points of a history are growth: radius linear in time, from the end of healing to the plug's edge."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from fragarea.growth.columns import AreaColumns, columns_of, day_of
from fragarea.growth.loss import fell
from fragarea.growth.records import AreaPoint, FragmentHistory
from fragarea.growth.shared import Array

Codes = npt.NDArray[np.int8]

KEPT = -1
"""Code of a point that is part of a curve."""


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


REASONS = tuple(LeftOut)
_CODE = {reason: code for code, reason in enumerate(REASONS)}


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
    exchanged = np.array([np.nan if exchanged_at is None else day_of(exchanged_at)])
    codes = reasons_of(columns_of([history]), rules, lag_days=np.array([rules.lag_days]), exchanged_day=exchanged)
    return curve_by_reasons(history, codes)


def curve_by_reasons(history: FragmentHistory, codes: Sequence[int] | Codes) -> GrowthCurve:
    """The curve of a history whose points have these codes of :func:`reasons_of`."""
    sorted_points = list(zip(history.points, codes, strict=True))
    return GrowthCurve(
        history.fragment,
        history.genotype,
        history.site,
        tuple(point for point, code in sorted_points if code == KEPT),
        tuple((point, REASONS[code]) for point, code in sorted_points if code != KEPT),
        history.undated,
    )


def reasons_of(columns: AreaColumns, rules: CurveRules, *, lag_days: Array, exchanged_day: Array) -> Codes:
    """Why each point of many fragments is no part of a growth curve, all at once; see :func:`growth_curve`.

    Parameters
    ----------
    columns : AreaColumns
    rules : CurveRules
        Its lag is not used.
    lag_days, exchanged_day : ndarray of float64, shape (fragments,)
        Healing lag of each fragment, and the day from which on it is doubted; nan for never.

    Returns
    -------
    ndarray of int8, shape (n,)
        `KEPT`, or the place of a reason in `REASONS`.
    """
    codes = _own_reasons(columns, exchanged_day)
    cut = np.array([np.nan if head.cut_on is None else day_of(head.cut_on) for head in columns.heads])
    with np.errstate(invalid="ignore"):
        healing = columns.day - cut[columns.fragment] < np.maximum(lag_days, 0.0)[columns.fragment]
        healing &= (lag_days > 0)[columns.fragment]
        at_rim = np.where(np.isnan(columns.rim_share), columns.beyond_rim, columns.rim_share > rules.rim_share)
    skeleton = columns.area_mm2 + columns.dead_mm2
    gone = columns.dead | (columns.area_mm2 == 0) | (columns.dead_mm2 > rules.dead_share * skeleton)
    ended = np.full(len(columns.heads), KEPT, dtype=np.int8)
    last = np.full(len(columns.heads), -1)  # row of the last point kept
    starts = np.searchsorted(columns.fragment, np.arange(len(columns.heads) + 1))
    open_rows = codes == KEPT
    # Fragments side by side, one visit after the other: what a visit is depends on those before it.
    for visit in range(int(np.diff(starts).max(initial=0))):
        rows = starts[:-1][np.diff(starts) > visit] + visit
        rows = rows[open_rows[rows]]
        fragment = columns.fragment[rows]
        fresh = rows[ended[fragment] == KEPT]
        lost = gone[fresh].copy()
        before = last[columns.fragment[fresh]]
        compared = before >= 0
        lost[compared] |= fell(columns, before[compared], fresh[compared])
        now = np.where(lost, _CODE[LeftOut.AFTER_LOSS], np.where(at_rim[fresh], _CODE[LeftOut.AT_RIM], KEPT))
        ended[columns.fragment[fresh]] = now
        codes[rows] = ended[fragment]
        resting = rows[(ended[fragment] == KEPT) & healing[rows]]
        codes[resting] = _CODE[LeftOut.HEALING]
        kept = rows[codes[rows] == KEPT]
        last[columns.fragment[kept]] = kept
    return codes


def count_left_out(curves: Iterable[GrowthCurve]) -> dict[LeftOut, int]:
    """How many measurements were left out for each reason; reasons that never held are not named."""
    counts = dict.fromkeys(LeftOut, 0)
    for curve in curves:
        counts[LeftOut.NO_DATE] += curve.undated
        for _, reason in curve.left_out:
            counts[reason] += 1
    return {reason: count for reason, count in counts.items() if count}


def _own_reasons(columns: AreaColumns, exchanged_day: Array) -> Codes:
    """What speaks against each point alone; the reason that comes first counts."""
    left = np.array([np.inf if head.left_on is None else day_of(head.left_on) for head in columns.heads])
    with np.errstate(invalid="ignore"):
        doubted = columns.day >= exchanged_day[columns.fragment]
    codes = np.full(len(columns), KEPT, dtype=np.int8)
    for reason, holds in (
        (LeftOut.SHARED_TISSUE, columns.touches_neighbour),
        (LeftOut.CUT_OFF, columns.cut_off),
        (LeftOut.MISSING, columns.missing),
        (LeftOut.MAYBE_EXCHANGED, doubted),
        (LeftOut.AFTER_LEAVING, columns.day >= left[columns.fragment]),
        (LeftOut.MARKED_WRONG, columns.marked_wrong),
    ):
        codes[holds] = _CODE[reason]
    return codes
