"""What is known of each fragment's radius: where it stands, how fast it grew, and how sure both are."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fragarea.growth import DAYS_PER_MONTH
from fragarea.growth.columns import OWN, AreaColumns

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

LEAST_VARIANCE = 1e-6
"""In mm2; a radius is never taken as known better than to a micrometre."""


@dataclass(frozen=True, eq=False)
class Radii:
    """Equivalent radii as rows, in order of fragment and time.

    Attributes
    ----------
    fragment : ndarray of int64, shape (n,)
        Ascending.
    months : ndarray of float64, shape (n,)
        Since 1970.
    radius_mm : ndarray of float64, shape (n,)
    own_variance : ndarray of float64, shape (n,)
        Of the radius, by what no other row shares, in mm2.
    photo_variance : ndarray of float64, shape (n,)
        By what the row shares with other fragments of its photo and with no other row of its own fragment.
    """

    fragment: Ints
    months: Array
    radius_mm: Array
    own_variance: Array
    photo_variance: Array

    def __len__(self) -> int:
        return len(self.fragment)

    def rows(self, chosen: npt.NDArray[np.bool_] | Ints) -> Radii:
        """Some rows."""
        return Radii(
            self.fragment[chosen],
            self.months[chosen],
            self.radius_mm[chosen],
            self.own_variance[chosen],
            self.photo_variance[chosen],
        )


def radii_of(columns: AreaColumns) -> Radii:
    """Radii of rows with live tissue, with the variances that matter for what will be measured next.

    An error that comes back at every visit of a fragment (the print, a given height) is left out: it moves what is
    measured today and what will be measured when the fragment is ready alike.
    """
    per_area = 0.5 / np.sqrt(math.pi * columns.area_mm2)
    variance = (columns.part_u_mm2 * per_area[:, None]) ** 2
    named = columns.part_source != OWN
    own = np.where(named, 0.0, variance).sum(axis=1)
    row, part = np.nonzero(named)
    count = int(columns.part_source.max(initial=0)) + 1
    key = columns.fragment[row] * count + columns.part_source[row, part]
    _, pair, times = np.unique(key, return_inverse=True, return_counts=True)
    holders = np.bincount(columns.part_source[row, part], minlength=count)[columns.part_source[row, part]]
    once = times[pair] == 1 if len(row) else np.zeros(0, dtype=bool)
    own += np.bincount(row, np.where(once & (holders == 1), variance[row, part], 0.0), minlength=len(columns))
    common = np.bincount(row, np.where(once & (holders > 1), variance[row, part], 0.0), minlength=len(columns))
    return Radii(
        columns.fragment,
        columns.day / DAYS_PER_MONTH,
        np.sqrt(columns.area_mm2 / math.pi),
        np.maximum(own, LEAST_VARIANCE),
        np.asarray(common, dtype=float),
    )


@dataclass(frozen=True, eq=False)
class Lines:
    """Straight lines through the radii of fragments, a row a fragment, in order of fragment.

    Attributes
    ----------
    fragment : ndarray of int64, shape (m,)
    points : ndarray of int64, shape (m,)
    months : ndarray of float64, shape (m,)
        Weighted mean of the times, where level and slope are independent.
    level_mm, level_variance : ndarray of float64, shape (m,)
    slope, slope_variance : ndarray of float64, shape (m,)
        mm a month; 0 and infinite with one point, or all at one moment.
    log_likelihood : ndarray of float64, shape (m,)
        Restricted, of the scatter about the line; 0 with fewer than three points.
    """

    fragment: Ints
    points: Ints
    months: Array
    level_mm: Array
    level_variance: Array
    slope: Array
    slope_variance: Array
    log_likelihood: Array


def lines_through(radii: Radii, residual_variance: Array | float) -> Lines:
    """Weighted least-squares lines, one a fragment.

    Parameters
    ----------
    radii : Radii
    residual_variance : ndarray of float64, shape (n,), or float
        Of each row about its line, beside its own variance.
    """
    starts = np.flatnonzero(np.diff(radii.fragment, prepend=-1) > 0)
    counts = np.diff(np.r_[starts, len(radii)])
    number = np.repeat(np.arange(len(starts)), counts)
    weight = 1 / (radii.own_variance + residual_variance)

    def sums(values: Array) -> Array:
        return np.add.reduceat(values, starts) if len(starts) else np.zeros(0)

    total = sums(weight)
    months, level = sums(weight * radii.months) / total, sums(weight * radii.radius_mm) / total
    x, y = radii.months - months[number], radii.radius_mm - level[number]
    spread = sums(weight * x**2)
    moved = spread > 1e-9 * total
    safe = np.where(moved, spread, 1.0)
    slope = np.where(moved, sums(weight * x * y) / safe, 0.0)
    rest = sums(weight * (y - slope[number] * x) ** 2)
    told = sums(np.log(weight)) - np.log(total) - np.log(safe) - rest
    return Lines(
        fragment=radii.fragment[starts],
        points=counts,
        months=months,
        level_mm=level,
        level_variance=1 / total,
        slope=slope,
        slope_variance=np.where(moved, 1 / safe, np.inf),
        log_likelihood=np.where(moved & (counts >= 3), 0.5 * told, 0.0),
    )


def photo_moves(radii: Radii, residual_variance: Array | float, site: Ints, sites: int) -> tuple[Array, Array, Array]:
    """How errors of whole photos move the lines of a site: variance of level and of slope, and their covariance.

    Parameters
    ----------
    radii : Radii
    residual_variance : ndarray or float
        As for :func:`lines_through`.
    site : ndarray of int64, shape (fragments,)
        Site of each fragment, by its number.
    sites : int

    Returns
    -------
    tuple of ndarray of float64, shape (sites,)
        In mm2, (mm/month)2 and mm2/month; the level is that at the mean time of each line.

    Notes
    -----
    A photo's error moves every radius on it, so it moves the mean line of its site by the mean of the weights that
    its radii have in their lines.
    """
    lines = lines_through(radii, residual_variance)
    place = np.searchsorted(lines.fragment, radii.fragment)
    weight = 1 / (radii.own_variance + residual_variance)
    u = np.sqrt(radii.photo_variance)
    known = np.isfinite(lines.slope_variance[place])
    on_level = u * weight * lines.level_variance[place]
    x = radii.months - lines.months[place]
    on_slope = np.where(known, u * weight * x * np.where(known, lines.slope_variance[place], 0.0), 0.0)
    keys, photo = np.unique(photo_keys(radii, site), return_inverse=True)
    of_photo = np.zeros(len(keys), dtype=np.int64)
    of_photo[photo] = site[radii.fragment]
    fragments = np.bincount(site[lines.fragment], minlength=sites)
    level, slope = (
        np.asarray(np.bincount(photo, moves, minlength=len(keys)), dtype=float) for moves in (on_level, on_slope)
    )
    least = np.maximum(fragments, 1) ** 2

    def summed(values: Array) -> Array:
        return np.asarray(np.bincount(of_photo, values, minlength=sites) / least)

    return summed(level**2), summed(slope**2), summed(level * slope)


def photo_keys(radii: Radii, site: Ints) -> Ints:
    """A number for the photo of each row: one moment of one site is one photo, to ten minutes.

    Parameters
    ----------
    radii : Radii
    site : ndarray of int64, shape (fragments,)
    """
    moment = np.round((radii.months - (radii.months.min() if len(radii) else 0.0)) * DAYS_PER_MONTH * 144).astype(
        np.int64
    )
    return np.asarray(site[radii.fragment] * (moment.max(initial=0) + 1) + moment)
