"""The pace of the whole nursery: growth that slows and quickens with season, water or light, for all alike.

Time is told in months of even growth: a month in which all fragments grow a tenth faster than in the mean of the
record counts as 1.1 of them. On that scale a fragment's radius is a straight line. How much the pace may change from
month to month is learned from how much it did; where the record shows no change beyond noise, it is taken for even.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import sparse

from fragarea.outplant.lines import Array, Ints, Lines, Radii, photo_keys

EVEN = 0.9
"""Chance that the pace does not change at all, as believed before any data (common practice, no source)."""

USUAL_CHANGE = 0.08
"""Standard deviation of the pace's change over a month, where it changes (common practice, no source: growth that
swings by a fifth with the seasons changes by up to a tenth in a month)."""

SLOWEST, FASTEST = 0.3, 1.7
"""The pace is never taken to leave these bounds."""

FUTURE_MONTHS = 60
"""From so many months ahead on the pace stays as it is."""

_CHANGES = np.r_[0.0, np.geomspace(0.005, 0.3, 24)]
_SURELY_EVEN = 0.02  # probability of change below which none is followed
_LEAST_BINS = 3
_LEAST_POINTS = 3


@dataclass(frozen=True, eq=False)
class Pace:
    """The pace of the past, and draws of that to come.

    Attributes
    ----------
    months : ndarray of float64, shape (k,)
        Since 1970, ascending: ends of the stretches of the past.
    even : ndarray of float64, shape (k,)
        Months of even growth at them; equal to the months at the last.
    ahead : ndarray of float64, shape (draws, 1 + FUTURE_MONTHS)
        Months of even growth after 0, 1, 2 ... months from the last on, in each draw.
    varies : float
        Probability that the pace changes at all.
    """

    months: Array
    even: Array
    ahead: Array
    varies: float

    def even_months(self, months: Array) -> Array:
        """Months of even growth at some months since 1970; those after the last of the past stay as they are."""
        if not len(self.months):
            return months
        inside = np.interp(months, self.months, self.even)
        before = self.even[0] - (self.months[0] - months)
        inside = np.where(months < self.months[0], before, inside)
        return np.asarray(np.where(months > self.months[-1], months, inside))

    def even_at(self, months: Array) -> Array:
        """Months of even growth at some months since 1970, in each draw; shape (n, draws)."""
        past = self.even_months(months)[:, None]
        if not len(self.months):
            return np.broadcast_to(past, (len(months), len(self.ahead)))
        since = np.maximum(0.0, months - self.months[-1])
        below = np.minimum(since.astype(np.int64), FUTURE_MONTHS - 1)
        ahead = self.ahead.T
        later = ahead[below] + (since - below)[:, None] * (ahead[below + 1] - ahead[below])
        return np.asarray(np.where((months > self.months[-1])[:, None], self.even[-1] + later, past))

    def calendar(self, even: Array) -> Array:
        """Months since 1970 at which so many months of even growth have passed, in each draw; shape (n, draws).

        What lies in the past stays as it is: it is no date of anything to come.
        """
        if not len(self.months) or self.varies == 0:
            return even
        last, steps = self.months[-1], np.arange(FUTURE_MONTHS + 1.0)
        found = even - last
        for draw in np.flatnonzero((self.ahead != steps).any(axis=1)):
            ahead = self.ahead[draw]
            since = even[:, draw] - last
            beyond = np.maximum(0.0, since - ahead[-1]) / (ahead[-1] - ahead[-2])
            found[:, draw] = np.where(since > 0, np.interp(since, ahead, steps) + beyond, since)
        return last + found


def even_pace(draws: int) -> Pace:
    """A pace that never changes."""
    ahead = np.broadcast_to(np.arange(FUTURE_MONTHS + 1.0), (draws, FUTURE_MONTHS + 1))
    return Pace(np.empty(0), np.empty(0), ahead, 0.0)


def learn_pace(
    radii: Radii, lines: Lines, residual_variance: Array, site: Ints, draws: int, rng: np.random.Generator
) -> Pace:
    """Learn how the pace of a nursery changed, and how it may go on.

    Parameters
    ----------
    radii : Radii
        Only those that count as growth.
    lines : Lines
        Through them.
    residual_variance : ndarray of float64, shape (n,)
        Of each row about its line, beside its own variance.
    site : ndarray of int64, shape (fragments,)
    draws : int
    rng : numpy.random.Generator

    Notes
    -----
    Pace of a stretch of time: the growth of all fragments over it, over what their own lines say. Their errors, by
    fragment and by photo, are linear in the radii, so their covariance is exact. The pace is a random walk with an
    unknown level; how much it changes has a grid of values, zero among them, with a half-normal prior and the
    restricted likelihood. Fragments with fewer than three points, whose lines follow any pace, do not count.

    References
    ----------
    Durbin & Koopman 2012, Time Series Analysis by State Space Methods, 2nd edition, chapter 2 (local level model).
    """
    steps = _steps(radii, lines)
    if steps is None:
        return even_pace(draws)
    first, second, speed = steps
    width = max(1.0, float(np.median(radii.months[second] - radii.months[first])))
    last = float(radii.months.max())
    middle = 0.5 * (radii.months[first] + radii.months[second])
    back = np.floor((last - middle) / width).astype(np.int64)
    bins, place = np.unique(-back, return_inverse=True)
    if len(bins) < _LEAST_BINS:
        return even_pace(draws)
    grown = speed * (radii.months[second] - radii.months[first])
    expected = np.asarray(np.bincount(place, grown), dtype=float)
    pace = np.bincount(place, radii.radius_mm[second] - radii.radius_mm[first]) / expected
    noise = _noise(radii, residual_variance, site, first, second, place, expected)
    centre = np.bincount(place, middle) / np.bincount(place)
    chances, means, variances, smooth = _walks(pace, noise, centre, last)
    if 1 - chances[0] < _SURELY_EVEN:
        return even_pace(draws)
    chosen = np.minimum(np.searchsorted(chances.cumsum(), rng.random(draws)), len(_CHANGES) - 1)
    now = means[chosen] + np.sqrt(variances[chosen]) * rng.standard_normal(draws)
    edges, even = _past(chances @ smooth, centre, last, float(radii.months.min()))
    steps_ahead = _CHANGES[chosen][:, None] * rng.standard_normal((draws, FUTURE_MONTHS))
    path = np.clip(now[:, None] + steps_ahead.cumsum(axis=1) - 0.5 * steps_ahead, SLOWEST, FASTEST)
    ahead = np.concatenate([np.zeros((draws, 1)), path.cumsum(axis=1)], axis=1)
    return Pace(edges, even, ahead, 1 - float(chances[0]))


def _steps(radii: Radii, lines: Lines) -> tuple[Ints, Ints, Array] | None:
    """Rows of each visit and the next of fragments with enough points, and the speed of their line."""
    line = np.searchsorted(lines.fragment, radii.fragment)
    enough = (lines.points[line] >= _LEAST_POINTS) & np.isfinite(lines.slope_variance[line])
    first = np.flatnonzero((np.diff(radii.fragment) == 0) & enough[:-1])
    if not len(first) or lines.slope[line[first]].sum() <= 0:
        return None
    # what hardly grows tells nothing of the pace
    speed = np.maximum(lines.slope[line[first]], 0.0)
    return first, first + 1, speed


def _noise(
    radii: Radii, residual_variance: Array, site: Ints, first: Ints, second: Ints, place: Ints, expected: Array
) -> Array:
    """Covariance of the paces through errors of fragments and of photos."""
    rows, shape = np.r_[place, place], (len(expected), len(radii))
    weight = 1 / expected[place]
    moves = sparse.coo_array((np.r_[weight, -weight], (rows, np.r_[second, first])), shape=shape).tocsr()
    own = sparse.diags_array(radii.own_variance + residual_variance)
    _, photo = np.unique(photo_keys(radii, site), return_inverse=True)
    of_photo = sparse.coo_array(
        (np.sqrt(radii.photo_variance), (np.arange(len(radii)), photo)), shape=(len(radii), int(photo.max()) + 1)
    ).tocsr()
    by_photo = moves @ of_photo
    return np.asarray((moves @ own @ moves.T + by_photo @ by_photo.T).toarray())


def _walks(pace: Array, noise: Array, centre: Array, last: float) -> tuple[Array, Array, Array, Array]:
    """For each change: its probability, mean and variance of the pace now, and the smoothed pace of every stretch."""
    count = len(pace)
    ones = np.ones(count)
    logs = np.empty(len(_CHANGES))
    means, variances = np.ones(len(_CHANGES)), np.zeros(len(_CHANGES))
    smooth = np.ones((len(_CHANGES), count))
    walk = np.minimum.outer(centre, centre) - centre.min()
    to_now = centre - centre.min()
    for k, change in enumerate(_CHANGES):
        covariance = noise + change**2 * walk
        inverse = np.linalg.inv(covariance)
        info = float(ones @ inverse @ ones)
        level = float(ones @ inverse @ pace) / info
        rest = inverse @ (pace - level)
        logs[k] = -0.5 * (np.linalg.slogdet(covariance)[1] + math.log(info) + float((pace - level) @ rest))
        if change == 0:
            continue  # an even pace is one: how sure that is stands in the lines already
        smooth[k] = level + change**2 * walk @ rest
        means[k] = level + change**2 * float(to_now @ rest)
        gain = 1 - change**2 * float(to_now @ inverse @ ones)
        known = change**4 * float(to_now @ inverse @ to_now)
        since = change**2 * (last - centre.min())
        variances[k] = max(0.0, since - known + gain**2 / info)
    prior = np.r_[EVEN, (1 - EVEN) * _half_normal()]
    weight = np.exp(logs - logs.max()) * prior
    return weight / weight.sum(), means, variances, np.clip(smooth, SLOWEST, FASTEST)


def _half_normal() -> Array:
    """Prior of the changes above zero, on their grid of equal logarithmic steps."""
    density = _CHANGES[1:] * np.exp(-0.5 * (_CHANGES[1:] / USUAL_CHANGE) ** 2)
    return np.asarray(density / density.sum())


def _past(pace: Array, centre: Array, last: float, first: float) -> tuple[Array, Array]:
    """Ends of the stretches, and months of even growth at them, which are those of the calendar at the last."""
    edges = np.r_[min(first, float(centre[0])), 0.5 * (centre[1:] + centre[:-1]), last]
    even = np.r_[0.0, (np.diff(edges) * pace).cumsum()]
    return edges, even - even[-1] + last
