"""When each fragment will be ready, and how many will be on a date: draws of the future, all fragments at once."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fragarea.growth import DAYS_PER_MONTH
from fragarea.outplant.knowledge import Knowledge
from fragarea.outplant.lines import Array, Ints

Bools = npt.NDArray[np.bool_]

LEVELS = (0.1, 0.5, 0.9)
"""Chances by which a fragment is ready on the dates that a forecast names."""

NEVER_DAYS = 36_525.0
"""A date further away than a century is never."""

_AT_ONCE = 2_000_000  # draws of fragments held in memory together


@dataclass(frozen=True, eq=False)
class Stand:
    """Fragments that may become ready, a row each.

    Attributes
    ----------
    genotype, site : ndarray of int64, shape (n,)
        Numbers of those in the knowledge.
    months : ndarray of float64, shape (n,)
        When the radius was `level_mm`, in months of even growth since 1970.
    level_mm, level_variance : ndarray of float64, shape (n,)
        As if the plug had no edge.
    slope, slope_variance : ndarray of float64, shape (n,)
        Of its own, in mm a month; 0 and infinite where it has none.
    target_mm : ndarray of float64, shape (n,)
        Radius, as if the plug had no edge, at which the rules are met; infinite where the plug is too small for them.
    target_noise_mm : ndarray of float64, shape (n,)
        What a relative error of an area of 1 moves that radius by.
    bound_days : ndarray of float64, shape (n,)
        Days from today before which it cannot be ready, by its age.
    cut_months : ndarray of float64, shape (n,)
        When it was cut, in months since 1970; minus infinity where that is not known.
    ready : ndarray of bool, shape (n,)
        Whether it is ready today.
    pieces : ndarray of int64, shape (n,)
        Of how many fragments the row is the mean: one, or all of a pad.
    """

    genotype: Ints
    site: Ints
    months: Array
    level_mm: Array
    level_variance: Array
    slope: Array
    slope_variance: Array
    target_mm: Array
    target_noise_mm: Array
    bound_days: Array
    cut_months: Array
    ready: Bools
    pieces: Ints

    def __len__(self) -> int:
        return len(self.genotype)

    def rows(self, chosen: slice) -> Stand:
        """Some rows."""
        return Stand(**{name: getattr(self, name)[chosen] for name in self.__dataclass_fields__})


@dataclass(frozen=True, eq=False)
class Forecast:
    """What is to come.

    Attributes
    ----------
    days : ndarray of float64, shape (dates,)
        Days from today, ascending.
    ready_days : ndarray of float64, shape (n, 3)
        Days from today by which each fragment is ready with the chances of `LEVELS`, if it is not lost; infinite
        where that is more than a century away.
    chance : ndarray of float64, shape (n, dates)
        That it is ready and in the nursery.
    counts : ndarray of int32, shape (draws, genotypes, dates)
        How many are ready and in the nursery.
    """

    days: Array
    ready_days: Array
    chance: Array
    counts: npt.NDArray[np.int32]


def forecast(
    stand: Stand, knowledge: Knowledge, *, today_months: float, days: Array, rng: np.random.Generator
) -> Forecast:
    """Draw the future of all fragments.

    Parameters
    ----------
    stand : Stand
    knowledge : Knowledge
    today_months : float
        Months since 1970.
    days : ndarray of float64, shape (dates,)
        Days from today for which to count, ascending.
    rng : numpy.random.Generator

    Returns
    -------
    Forecast

    Notes
    -----
    In each draw the mean speed, spread, scatter, healing lag and loss rate of every genotype are one draw of the
    knowledge, so fragments of a genotype are ahead or behind together; so are those of a site by the errors of its
    photos. A fragment's speed is drawn from the normal distribution that its own line and its genotype make, its
    level from that of its line, and the day on which its measured area meets the rule follows: measured, since that
    is what decides, with the noise of a visit to come. Losses are exponential in time; one that was ready counts no
    more once it is lost.
    """
    draws, genotypes = knowledge.draws, len(knowledge.names)
    n, dates = len(stand), len(days)
    ready_days, chance = np.empty((n, len(LEVELS))), np.empty((n, dates))
    changes = np.zeros(draws * genotypes * (dates + 1), dtype=np.int64)
    shifts = site_shifts(knowledge, draws, rng)
    step = max(1, _AT_ONCE // draws)
    for start in range(0, n, step):
        rows = slice(start, start + step)
        some = stand.rows(rows)
        when = ready_after(some, knowledge, shifts, today_months=today_months, rng=rng)
        lost = rng.standard_exponential(when.shape) / knowledge.loss_per_month.T[some.genotype] * DAYS_PER_MONTH
        ready_days[rows] = _quantiles(when)
        came, went = np.searchsorted(days, when), np.searchsorted(days, lost)
        there = came < went
        came, went = np.where(there, came, dates), np.where(there, went, dates)
        chance[rows] = _standing(np.arange(len(some))[:, None], came, went, len(some), dates) / draws
        cell = np.arange(draws)[None, :] * genotypes + some.genotype[:, None]
        changes += _changes(cell, came, went, draws * genotypes, dates)
    counts = changes.reshape(draws, genotypes, dates + 1).cumsum(axis=2)[:, :, :-1].astype(np.int32)
    return Forecast(days, ready_days, chance, counts)


def ready_after(
    stand: Stand,
    knowledge: Knowledge,
    shifts: tuple[Array, Array, Array],
    *,
    today_months: float,
    rng: np.random.Generator,
) -> Array:
    """Days from today until each fragment is ready in each draw, if it is not lost; shape (n, draws)."""
    level, slope, start = draw_lines(stand, knowledge, shifts, rng)
    noise = rng.standard_normal(level.shape) * np.hypot(
        knowledge.speeds.scatter_mm.T[stand.genotype], (knowledge.outline_rel * stand.target_noise_mm)[:, None]
    )
    noise /= np.sqrt(stand.pieces)[:, None]
    noise += shifts[2][:, stand.site].T * (knowledge.photo_rel * stand.target_noise_mm)[:, None]
    lacking = np.where(np.isinf(stand.target_mm)[:, None], np.inf, stand.target_mm[:, None] - level - noise)
    with np.errstate(divide="ignore", invalid="ignore"):
        months = np.where(slope > 0, lacking / slope, np.inf)
    # at the level already: ready whatever its speed, at the next visit
    when = knowledge.pace.calendar(np.where(lacking <= 0, start, start + months))
    days = np.where(lacking <= 0, 0.0, (when - today_months) * DAYS_PER_MONTH)
    days = np.maximum(days, np.maximum(stand.bound_days, 1.0)[:, None])
    days = np.where(np.isnan(days) | (days > NEVER_DAYS), np.inf, days)
    return np.asarray(np.where(stand.ready[:, None], 0.0, days))


def draw_lines(
    stand: Stand, knowledge: Knowledge, shifts: tuple[Array, Array, Array], rng: np.random.Generator
) -> tuple[Array, Array, Array]:
    """Level, speed, and the months of even growth from which on the level grows; shape (n, draws) each."""
    speeds, of = knowledge.speeds, stand.genotype
    ratio = speeds.scatter_ratio.T[of]
    own = 1 / (stand.slope_variance[:, None] * ratio)
    prior = stand.pieces[:, None] / speeds.spread.T[of] ** 2
    precision = own + prior
    slope = (own * stand.slope[:, None] + prior * speeds.speed.T[of]) / precision
    slope += rng.standard_normal(ratio.shape) / np.sqrt(precision)
    slope -= shifts[1][:, stand.site].T
    level = stand.level_mm[:, None] + rng.standard_normal(ratio.shape) * np.sqrt(
        stand.level_variance[:, None] * ratio
    )
    level -= shifts[0][:, stand.site].T
    healed = knowledge.pace.even_months(stand.cut_months)[:, None] + knowledge.lag_months.T[of]
    return level, slope, np.maximum(stand.months[:, None], healed)


def site_shifts(knowledge: Knowledge, draws: int, rng: np.random.Generator) -> tuple[Array, Array, Array]:
    """Errors of past photos in level and slope of each site, and of the photo to come; shape (draws, sites) each."""
    level_variance, slope_variance, covariance = knowledge.site_moves
    sites = len(level_variance)
    first, second = rng.standard_normal((2, draws, sites))
    u = np.sqrt(level_variance)
    along = np.where(u > 0, covariance / np.where(u > 0, u, 1.0), 0.0)
    rest = np.sqrt(np.maximum(0.0, slope_variance - along**2))
    return first * u, first * along + second * rest, rng.standard_normal((draws, sites))


def _quantiles(when: Array) -> Array:
    """Each row's smallest values that hold the chances of `LEVELS`; infinite ones are in order too."""
    draws = when.shape[1]
    places = [min(draws - 1, math.ceil(level * draws) - 1) for level in LEVELS]
    return np.asarray(np.partition(when, places, axis=1)[:, places])


def _changes(cell: Ints, came: Ints, went: Ints, cells: int, dates: int) -> Ints:
    """How many come less how many go, by cell and date; a last date stands for what is beyond."""
    size = cells * (dates + 1)
    at = np.broadcast_to(cell, came.shape) * (dates + 1)
    come = np.bincount((at + came).ravel(), minlength=size)
    return np.asarray(come - np.bincount((at + went).ravel(), minlength=size))


def _standing(cell: Ints, came: Ints, went: Ints, cells: int, dates: int) -> Ints:
    """How many stand there, by cell and date."""
    return np.asarray(_changes(cell, came, went, cells, dates).reshape(cells, dates + 1).cumsum(axis=1)[:, :-1])
