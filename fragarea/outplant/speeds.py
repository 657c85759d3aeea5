"""How fast genotypes and species grow, and how sure that is: draws of means, spreads and scatter.

The model is that of :mod:`fragarea.growth.genotypes`: the radius of fragment i of genotype g is
r = a_i + b_i t + e, with b_i ~ N(b_g, (c_g m_g)^2) and var e = sigma_g^2 + the measurement's own variance. There,
b_g is estimated; a forecast also needs how sure spread and scatter are, and what to believe of a genotype with
little data. So here b_g ~ N(mu, tau^2) within a species, and sigma_g and c_g are drawn from their likelihood on a
grid, that of a genotype drawn towards that of all.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fragarea.growth.genotypes import LEAST_SPEED_SHARE
from fragarea.outplant.lines import Array, Ints, Lines, Radii, lines_through

SCATTERS_MM = np.geomspace(0.003, 1.5, 30)
SPREADS = np.geomspace(0.02, 1.5, 30)
"""Standard deviation of fragments' speeds over the genotype's mean speed."""

USUAL_SCATTER_MM, USUAL_SPREAD = 0.05, 0.2
"""Middles of what is believed before any data (common practice, no source)."""

GENOTYPES_DIFFER = 0.25
"""Standard deviation of genotypes' speeds over their species' mean, as believed before any data: that of about ten
genotypes of which the fastest has 2.16 times the speed of the slowest (Papke, Wallace, Hamlyn, Nowicki 2021,
doi 10.3389/fmars.2021.623963), ln 2.16 over the mean range of ten normal values, 3.08."""

_LIKE = 0.35  # standard deviation of the logarithm of a genotype's scatter or spread about that of all
_MOST = 20_000  # fragments that scatters are read from
_LEAST_SPEED = 0.02  # mm a month: what spreads are taken in proportion to, at least


@dataclass(frozen=True)
class GenotypeSpeed:
    """What is known of one genotype.

    Attributes
    ----------
    genotype, species : str
    fragments : int
        With a speed of their own.
    speed_mm_per_month, speed_u_mm_per_month : float
        nan where nothing is known of the species either.
    own_share : float
        Part of the speed that comes from its own fragments, 0 to 1; the rest is the species'.
    """

    genotype: str
    species: str
    fragments: int
    speed_mm_per_month: float
    speed_u_mm_per_month: float
    own_share: float

    @property
    def known(self) -> bool:
        """Whether there is a speed at all."""
        return not math.isnan(self.speed_mm_per_month)

    @property
    def borrows(self) -> bool:
        """Whether a tenth of its speed and more is that of its species."""
        return self.known and self.own_share < 0.9


@dataclass(frozen=True, eq=False)
class Speeds:
    """Draws of growth, an array of shape (draws, genotypes) each.

    Attributes
    ----------
    genotypes : tuple of GenotypeSpeed
    lines : Lines
        Of all fragments, weighted with the scatter that is most likely.
    speed : ndarray
        Mean of the genotype, mm a month; nan where nothing is known.
    spread : ndarray
        Standard deviation between its fragments, mm a month.
    scatter_mm : ndarray
        Standard deviation about a fragment's line, beside what its measurement explains.
    scatter_ratio : ndarray
        Variance about the lines over that with which they were weighted.
    residual_variance : ndarray of float64, shape (genotypes,)
        The scatter that the lines were weighted with, in mm2.
    """

    genotypes: tuple[GenotypeSpeed, ...]
    lines: Lines
    speed: Array
    spread: Array
    scatter_mm: Array
    scatter_ratio: Array
    residual_variance: Array


def draw_speeds(
    radii: Radii,
    genotype: Ints,
    names: Sequence[tuple[str, str]],
    draws: int,
    rng: np.random.Generator,
) -> Speeds:
    """Draw speeds, spreads and scatters of genotypes.

    Parameters
    ----------
    radii : Radii
        Only those that count as growth.
    genotype : ndarray of int64, shape (fragments,)
        Number of each fragment's genotype in `names`.
    names : sequence of (genotype, species)
    draws : int
    rng : numpy.random.Generator

    Returns
    -------
    Speeds

    Notes
    -----
    Scatter and spread: marginal likelihoods on a grid with the mean integrated out, a prior of Cauchy's form for
    those of all genotypes together, and a log-normal one of `_LIKE` for each genotype about these. Means of
    genotypes: the normal hierarchical model with a uniform prior for the species' mean and a half-normal one, in
    proportion to it, for the standard deviation between genotypes [1]_.

    References
    ----------
    .. [1] Gelman, Carlin, Stern, Dunson, Vehtari, Rubin 2013, Bayesian Data Analysis, 3rd edition, section 5.4.
    """
    count = len(names)
    some = radii.rows(_few_of_each(radii, genotype, count))
    scatter_told = np.array([_by_genotype(_scatter_told(some, s), some, genotype, count) for s in SCATTERS_MM]).T
    of_scatter = _pooled(scatter_told, SCATTERS_MM, USUAL_SCATTER_MM)
    residual = (of_scatter @ SCATTERS_MM) ** 2
    lines = lines_through(radii, residual[genotype[radii.fragment]])
    sloped = np.isfinite(lines.slope_variance)
    of = genotype[lines.fragment[sloped]]
    slope, variance = lines.slope[sloped], lines.slope_variance[sloped]
    scale = _scales(slope, variance, of, count)
    told, mean, mean_variance = _means(slope, variance, of, scale)
    of_spread = _pooled(told, SPREADS, USUAL_SPREAD)
    scatter = _draws(of_scatter, SCATTERS_MM, draws, rng)
    spread_at = _places(of_spread, draws, rng)
    column = np.arange(count)
    own_mean, own_variance = mean[column, spread_at], mean_variance[column, spread_at]
    likely = of_spread.argmax(axis=1)
    speed, own_share = _within_species(
        own_mean,
        own_variance,
        mean[column, likely],
        mean_variance[column, likely],
        [species for _, species in names],
        rng,
    )
    sizes = np.bincount(of, minlength=count)
    rows = np.bincount(genotype[radii.fragment], minlength=count)
    own = np.bincount(genotype[radii.fragment], radii.own_variance, minlength=count) / np.maximum(1, rows)
    known = tuple(
        GenotypeSpeed(name, species, int(sizes[i]), float(speed[:, i].mean()), float(speed[:, i].std()), own_share[i])
        for i, (name, species) in enumerate(names)
    )
    return Speeds(
        genotypes=known,
        lines=lines,
        speed=speed,
        spread=_jittered(SPREADS, spread_at, rng) * scale,
        scatter_mm=scatter,
        scatter_ratio=(scatter**2 + own) / (residual + own + 1e-12),
        residual_variance=residual,
    )


def _few_of_each(radii: Radii, genotype: Ints, count: int) -> npt.NDArray[np.bool_]:
    """Rows of some fragments of each genotype, spread over all of them."""
    fragments = np.unique(radii.fragment)
    chosen = np.zeros(int(radii.fragment.max(initial=-1)) + 1, dtype=bool)
    few = max(20, _MOST // max(1, count))
    for number in range(count):
        members = fragments[genotype[fragments] == number]
        chosen[members[:: max(1, len(members) // few)]] = True
    return np.asarray(chosen[radii.fragment])


def _scatter_told(radii: Radii, scatter_mm: float) -> Array:
    return lines_through(radii, scatter_mm**2).log_likelihood


def _by_genotype(values: Array, radii: Radii, genotype: Ints, count: int) -> Array:
    fragments = np.unique(radii.fragment)
    return np.asarray(np.bincount(genotype[fragments], values, minlength=count), dtype=float)


def _pooled(told: Array, values: Array, usual: float) -> Array:
    """Probability of each value of a grid for each genotype, from log-likelihoods of shape (genotypes, values)."""
    step = np.log(values)
    prior = -np.log1p((values / usual) ** 2) + step  # half-Cauchy, on a grid of equal steps of the logarithm
    of_all = _normal(prior + told.sum(axis=0))
    near = np.exp(-0.5 * ((step[:, None] - step[None, :]) / _LIKE) ** 2)
    near /= near.sum(axis=0)
    about = near @ of_all
    return _normal(told + np.log(np.maximum(about, 1e-300)))


def _normal(logs: Array) -> Array:
    shares = np.exp(logs - logs.max(axis=-1, keepdims=True))
    return np.asarray(shares / shares.sum(axis=-1, keepdims=True))


def _scales(slope: Array, variance: Array, of: Ints, count: int) -> Array:
    """What the spread of each genotype is in proportion to: its mean speed, or a least one where it hardly grows."""
    weight = 1 / (variance + np.median(variance) if len(variance) else variance)
    total = np.bincount(of, weight, minlength=count)
    means = np.abs(np.bincount(of, weight * slope, minlength=count)) / np.where(total > 0, total, 1.0)
    usual = float(means[total > 0].mean()) if (total > 0).any() else 0.0
    least = max(_LEAST_SPEED, LEAST_SPEED_SHARE * float(means.max(initial=0.0)))
    return np.maximum(np.where(total > 0, means, usual), least)


def _means(slope: Array, variance: Array, of: Ints, scale: Array) -> tuple[Array, Array, Array]:
    """Log-likelihood of each spread, and mean speed with its variance at it, each of shape (genotypes, spreads)."""
    count = len(scale)
    told, mean, mean_variance = (np.zeros((count, len(SPREADS))) for _ in range(3))
    for place, spread in enumerate(SPREADS):
        weight = 1 / (variance + (spread * scale[of]) ** 2)
        total = np.bincount(of, weight, minlength=count)
        there = total > 0
        mean[:, place] = np.where(
            there, np.bincount(of, weight * slope, minlength=count) / np.where(there, total, 1), 0
        )
        mean_variance[:, place] = np.where(there, 1 / np.where(there, total, 1), np.inf)
        rest = np.bincount(of, np.log(weight) - weight * (slope - mean[of, place]) ** 2, minlength=count)
        told[:, place] = np.where(there, 0.5 * (rest - np.log(np.where(there, total, 1))), 0.0)
    return told, mean, mean_variance


def _places(shares: Array, draws: int, rng: np.random.Generator) -> Ints:
    """Places on a grid, drawn by their probabilities; shape (draws, genotypes)."""
    until = shares.cumsum(axis=1)
    u = rng.random((draws, len(shares)))
    found = np.empty(u.shape, dtype=np.int64)
    for genotype, row in enumerate(until):
        found[:, genotype] = np.searchsorted(row, u[:, genotype])
    return np.minimum(found, shares.shape[1] - 1)


def _jittered(values: Array, places: Ints, rng: np.random.Generator) -> Array:
    """Values anywhere in the cells of a grid of equal logarithmic steps."""
    step = math.log(values[1] / values[0])
    return np.asarray(values[places] * np.exp(step * (rng.random(places.shape) - 0.5)))


def _draws(shares: Array, values: Array, draws: int, rng: np.random.Generator) -> Array:
    return _jittered(values, _places(shares, draws, rng), rng)


def _within_species(
    own_mean: Array,
    own_variance: Array,
    likely_mean: Array,
    likely_variance: Array,
    species: Sequence[str],
    rng: np.random.Generator,
) -> tuple[Array, list[float]]:
    """Speeds of genotypes drawn towards their species, and the part of each that is its own."""
    speed, own_share = np.full(own_mean.shape, np.nan), [0.0] * len(species)
    draws = len(own_mean)
    for name in dict.fromkeys(species):
        members = np.array([i for i, one in enumerate(species) if one == name])
        seen = members[np.isfinite(likely_variance[members])]
        if not len(seen):
            continue
        y, v = likely_mean[seen], likely_variance[seen]
        size = max(abs(float(np.average(y, weights=1 / v))), _LEAST_SPEED)
        taus = size * np.linspace(0.01, 4 * GENOTYPES_DIFFER, 60)
        total = (1 / (v + taus[:, None] ** 2)).sum(axis=1)
        middle = (y / (v + taus[:, None] ** 2)).sum(axis=1) / total
        rest = (-np.log(v + taus[:, None] ** 2) - (y - middle[:, None]) ** 2 / (v + taus[:, None] ** 2)).sum(axis=1)
        told = 0.5 * (rest - np.log(total)) - 0.5 * (taus / (GENOTYPES_DIFFER * size)) ** 2
        place = np.minimum(np.searchsorted(_normal(told).cumsum(), rng.random(draws)), len(taus) - 1)
        tau = taus[place]
        mu = middle[place] + rng.standard_normal(draws) / np.sqrt(total[place])
        weight = 1 / own_variance[:, members]
        precision = weight + 1 / tau[:, None] ** 2
        mean = (np.where(weight > 0, weight * own_mean[:, members], 0.0) + (mu / tau**2)[:, None]) / precision
        speed[:, members] = mean + rng.standard_normal(mean.shape) / np.sqrt(precision)
        for member, share in zip(members, (weight / precision).mean(axis=0), strict=True):
            own_share[member] = float(share)
    return speed, own_share
