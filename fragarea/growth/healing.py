"""The healing lag after cutting, estimated from the curves of a genotype."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from scipy import stats

from fragarea.growth.curve import USUAL_RULES, CurveRules, growth_curve
from fragarea.growth.records import FragmentHistory, days_between
from fragarea.growth.shared import Array

STEP_DAYS = 1.0


@dataclass(frozen=True)
class HealingLag:
    """An estimated healing lag.

    Attributes
    ----------
    lag_days : float
        Days after cutting; 0 where the curves show none.
    low_days, high_days : float
        95 % interval by the profile of the sum of squares.
    p_value : float
        Of no lag at all.
    fragments, points : int
        How many curves it rests on.
    """

    lag_days: float
    low_days: float
    high_days: float
    p_value: float
    fragments: int
    points: int


def estimate_lag(histories: Sequence[FragmentHistory], rules: CurveRules = USUAL_RULES) -> HealingLag | None:
    """Estimate the lag that the fragments of one genotype share.

    Parameters
    ----------
    histories : sequence of FragmentHistory
        Those without a day of cutting tell nothing and are passed over.
    rules : CurveRules
        Its lag is ignored.

    Returns
    -------
    HealingLag or None
        None where too few points are left to tell a lag from none: three a fragment, and one more than the model has
        parameters.

    Notes
    -----
    r = r0 + s max(0, age - L), with r0 and s of each fragment and L of all, by least squares weighted with the
    variances of the radii, L on a grid of whole days. The interval holds every L with
    S(L) <= S(min) (1 + F(0.95; 1, nu) / nu) [1]_; where L = 0 is inside, no lag is shown and 0 is returned.

    References
    ----------
    .. [1] Seber & Wild 1989, Nonlinear Regression, section 5.3 (from memory).
    """
    plain = CurveRules(0.0, rules.rim_share, rules.dead_share)
    series = []
    for history in histories:
        points = growth_curve(history, plain).points if history.cut_on is not None else ()
        if len(points) >= 3 and history.cut_on is not None:
            cut = datetime.combine(history.cut_on, datetime.min.time())
            ages = np.array([days_between(cut, point.taken_at) for point in points])
            radii = np.array([point.radius_mm for point in points])
            series.append((ages, radii, np.array([max(point.radius_u_mm, 1e-6) for point in points])))
    count = sum(len(ages) for ages, _, _ in series)
    freedom = count - 2 * len(series) - 1
    if freedom < 1:
        return None
    # Two points must stay after the lag, or a fragment's speed would be anything.
    longest = max(0.0, min(float(ages[-2]) for ages, _, _ in series))
    lags = np.arange(0.0, longest + STEP_DAYS / 2, STEP_DAYS)
    squares = np.array([sum(_residual_squares(*one, lag) for one in series) for lag in lags])
    best = int(squares.argmin())
    # Scatter of a thousandth of the uncertainty and less is that of rounding, and tells no lag.
    least = max(float(squares[best]), 1e-6 * freedom)
    inside = lags[squares <= least * (1 + stats.f.ppf(0.95, 1, freedom) / freedom)]
    p_value = float(stats.f.sf((squares[0] - least) / least * freedom, 1, freedom))
    shown = inside.min() > 0
    return HealingLag(
        lag_days=float(lags[best]) if shown else 0.0,
        low_days=float(inside.min()),
        high_days=float(inside.max()),
        p_value=p_value,
        fragments=len(series),
        points=count,
    )


def _residual_squares(ages: Array, radii: Array, u: Array, lag: float) -> float:
    """Weighted sum of squares about the best r0 + s max(0, age - lag)."""
    weights = 1 / u**2
    grown = np.maximum(0.0, ages - lag)
    x, y = grown - weights @ grown / weights.sum(), radii - weights @ radii / weights.sum()
    spread = float(weights @ x**2)
    explained = float(weights @ (x * y)) ** 2 / spread if spread > 0 else 0.0
    return max(0.0, float(weights @ y**2) - explained) if math.isfinite(explained) else math.inf
