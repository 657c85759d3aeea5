"""Growth rates of one fragment, between two visits or over any window."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

import numpy as np

from fragarea.growth.records import DAYS_PER_MONTH, AreaPoint, days_between
from fragarea.growth.shared import Array, area_covariance_mm4


@dataclass(frozen=True)
class GrowthRates:
    """How fast a fragment grew over a window; every ``*_u_*`` is a standard uncertainty.

    Attributes
    ----------
    since, until : datetime
        First and last point.
    points : int
        How many areas the rates rest on.
    extension_mm_per_month, extension_u_mm_per_month : float
        Of the equivalent radius.
    growth_cm2_per_month, growth_u_cm2_per_month : float
    percent_per_month, percent_u_per_month : float or None
        Compound: 100 (exp(30.4375 mu) - 1). None where an area is zero.
    specific_per_day, specific_u_per_day : float or None
        Specific growth rate mu. None where an area is zero.
    doubling_days, doubling_u_days : float or None
        ln 2 / mu. None unless mu is positive.
    """

    since: datetime
    until: datetime
    points: int
    extension_mm_per_month: float
    extension_u_mm_per_month: float
    growth_cm2_per_month: float
    growth_u_cm2_per_month: float
    percent_per_month: float | None
    percent_u_per_month: float | None
    specific_per_day: float | None
    specific_u_per_day: float | None
    doubling_days: float | None
    doubling_u_days: float | None

    @property
    def days(self) -> float:
        """Length of the window."""
        return days_between(self.since, self.until)


@dataclass(frozen=True)
class RadiusLine:
    """The straight line whose slope is a fragment's radial extension.

    Attributes
    ----------
    since : datetime
        First point.
    start_mm : float
        Radius of the line at that time.
    mm_per_day : float
    """

    since: datetime
    start_mm: float
    mm_per_day: float

    def radius_mm(self, moment: datetime) -> float:
        """Radius of the line at a time."""
        return self.start_mm + self.mm_per_day * days_between(self.since, moment)


def radius_line(points: Sequence[AreaPoint]) -> RadiusLine | None:
    """The line through the equivalent radii that :func:`rates_over` takes the radial extension from.

    Parameters
    ----------
    points : sequence of AreaPoint
        Of one fragment, in order of time.

    Returns
    -------
    RadiusLine or None
        None with fewer than two points at different times.
    """
    if len(points) < 2 or not points[0].taken_at < points[-1].taken_at:
        return None
    days = np.array([days_between(points[0].taken_at, point.taken_at) for point in points])
    radii = np.array([point.radius_mm for point in points])
    covariance = _covariance_of_radius(points)
    slope, _ = _slope(days, radii, covariance)
    weights = np.ones(2) if len(points) == 2 else 1 / _own_variances(covariance)
    middle = weights @ days / weights.sum()
    return RadiusLine(points[0].taken_at, float(weights @ radii / weights.sum() - slope * middle), slope)


def rates_over(
    points: Sequence[AreaPoint], *, since: datetime | None = None, until: datetime | None = None
) -> GrowthRates | None:
    """Rates over a window: the difference of two areas, or straight lines through more.

    Parameters
    ----------
    points : sequence of AreaPoint
        Of one fragment, in order of time.
    since, until : datetime, optional
        Only points from the first to the second, both included.

    Returns
    -------
    GrowthRates or None
        None with fewer than two points at different times.

    Notes
    -----
    With r = sqrt(A / pi), t in days and a month of 30.4375 d:

    * radial extension (r2 - r1) / t, in mm/month: how the size of encrusting pieces grows in a way that does not
      depend on size [1]_;
    * (A2 - A1) / t in cm2/month;
    * specific growth rate mu = ln(A2 / A1) / t [2]_, doubling time ln 2 / mu, and 100 (exp(30.4375 mu) - 1) per cent
      a month, compound.

    With more than two points each is the slope of a weighted least-squares line through r, A or ln A, weighted by the
    variances of what the points do not share; a common error weighs nothing there and its effect is added after.
    Where points scatter more than these explain, their part is widened by the root of chi-squared over the degrees of
    freedom [3]_. Uncertainties follow the law of propagation, with the covariance of the areas through shared
    errors [4]_: one print wrong by 1 % changes both areas by 2 % and mu not at all.

    References
    ----------
    .. [1] Kahng, Odle, Wakeman 2024, doi 10.7717/peerj.17037.
    .. [2] Hoffmann & Poorter 2002, Annals of Botany 90:37-42, doi 10.1093/aob/mcf140.
    .. [3] Particle Data Group, Review of Particle Physics, Introduction, "Unconstrained averaging" (scale factor).
    .. [4] JCGM 100:2008, 5.2.2 and F.1.2.3.
    """
    chosen = [
        point
        for point in points
        if (since is None or point.taken_at >= since) and (until is None or point.taken_at <= until)
    ]
    if len(chosen) < 2 or not chosen[0].taken_at < chosen[-1].taken_at:
        return None
    days = np.array([days_between(chosen[0].taken_at, point.taken_at) for point in chosen])
    areas = np.array([point.area_mm2 for point in chosen])
    alive = bool((areas > 0).all())
    radial, radial_u = _slope_of_radius(chosen, days, areas)
    planar, planar_u = _slope(days, areas, area_covariance_mm4(chosen))
    mu, mu_u = _slope_of_logarithm(chosen, days, areas) if alive else (None, None)
    growing = mu is not None and mu_u is not None and mu > 0
    compound = math.exp(mu * DAYS_PER_MONTH) if mu is not None else None
    return GrowthRates(
        since=chosen[0].taken_at,
        until=chosen[-1].taken_at,
        points=len(chosen),
        extension_mm_per_month=radial * DAYS_PER_MONTH,
        extension_u_mm_per_month=radial_u * DAYS_PER_MONTH,
        growth_cm2_per_month=planar * DAYS_PER_MONTH / 100,
        growth_u_cm2_per_month=planar_u * DAYS_PER_MONTH / 100,
        percent_per_month=100 * (compound - 1) if compound is not None else None,
        percent_u_per_month=100 * DAYS_PER_MONTH * compound * mu_u
        if compound is not None and mu_u is not None
        else None,
        specific_per_day=mu,
        specific_u_per_day=mu_u,
        doubling_days=math.log(2) / mu if growing and mu else None,
        doubling_u_days=math.log(2) / mu**2 * mu_u if growing and mu and mu_u is not None else None,
    )


def area_trend_cm2_per_month(points: Sequence[AreaPoint]) -> tuple[float, float]:
    """Slope of the area and its standard uncertainty, as :func:`rates_over` has it; two times at least."""
    days = np.array([days_between(points[0].taken_at, point.taken_at) for point in points])
    slope, u = _slope(days, np.array([point.area_mm2 for point in points]), area_covariance_mm4(points))
    return slope * DAYS_PER_MONTH / 100, u * DAYS_PER_MONTH / 100


def rates_between_visits(points: Sequence[AreaPoint]) -> tuple[GrowthRates, ...]:
    """Rates from each point to the next; points at one time give none."""
    pairs = (rates_over(pair) for pair in pairwise(points))
    return tuple(rates for rates in pairs if rates is not None)


def _slope_of_radius(points: Sequence[AreaPoint], days: Array, areas: Array) -> tuple[float, float]:
    return _slope(days, np.sqrt(areas / math.pi), _covariance_of_radius(points))


def _covariance_of_radius(points: Sequence[AreaPoint]) -> Array:
    # Where tissue is gone, r = 0 holds whatever the errors; its derivative by the area would be infinite.
    per_area = np.array([point.radius_per_area if point.area_mm2 > 0 else 0.0 for point in points])
    return np.asarray(area_covariance_mm4(points) * np.outer(per_area, per_area))


def _slope_of_logarithm(points: Sequence[AreaPoint], days: Array, areas: Array) -> tuple[float, float]:
    return _slope(days, np.log(areas), area_covariance_mm4(points) / np.outer(areas, areas))


def _slope(days: Array, values: Array, covariance: Array) -> tuple[float, float]:
    """Slope of a line through values, and its standard uncertainty."""
    if len(days) == 2:
        per_value = np.array([-1.0, 1.0]) / (days[1] - days[0])
        return float(per_value @ values), math.sqrt(max(0.0, float(per_value @ covariance @ per_value)))
    weights = 1 / _own_variances(covariance)
    middle = weights @ days / weights.sum()
    per_value = weights * (days - middle) / (weights @ (days - middle) ** 2)
    slope = float(per_value @ values)
    residuals = values - weights @ values / weights.sum() - slope * (days - middle)
    known = max(0.0, float(per_value @ covariance @ per_value))
    own = float(per_value @ (per_value / weights))
    birge = float(weights @ residuals**2) / (len(days) - 2)
    return slope, math.sqrt(known + own * max(0.0, birge - 1))


def _own_variances(covariance: Array) -> Array:
    """Variances less what all points share at least; all equal where nothing is left to weigh by."""
    own = np.diag(covariance) - covariance.min()
    own = np.where(own > 0, own, 0.0)
    largest = float(own.max())
    return np.ones(len(own)) if largest == 0 else np.maximum(own, 1e-6 * largest)
