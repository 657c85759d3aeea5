"""All that a forecast draws from: speeds, losses, healing and the noise of visits, learned from a nursery's areas."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from fragarea.growth import DAYS_PER_MONTH, KEPT, HealingLag
from fragarea.growth.columns import AreaColumns
from fragarea.growth.curve import Codes
from fragarea.outplant.lines import Array, Ints, Radii, photo_moves, radii_of
from fragarea.outplant.losses import LossRecord, draw_loss_rates, losses_seen
from fragarea.outplant.pace import Pace, learn_pace
from fragarea.outplant.speeds import Speeds, draw_speeds

USUAL_OUTLINE_REL, USUAL_PHOTO_REL = 0.02, 0.003
"""Relative standard uncertainty of an area by its own outline and by its photo, where no measurement tells."""


@dataclass(frozen=True, eq=False)
class Knowledge:
    """Draws, and what they rest on.

    Attributes
    ----------
    names : tuple of (genotype, species)
    speeds : Speeds
    losses : LossRecord
    loss_per_month, lag_months : ndarray of float64, shape (draws, genotypes)
    outline_rel, photo_rel : float
        Relative standard uncertainty of an area at a visit to come, by itself and by its photo.
    site_moves : ndarray of float64, shape (3, sites)
        How errors of past photos move the lines of a whole site: variance of level, of slope, and covariance.
    pace : Pace
        Of all fragments together; lines, speeds and lags are in months of even growth.
    """

    names: tuple[tuple[str, str], ...]
    speeds: Speeds
    losses: LossRecord
    loss_per_month: Array
    lag_months: Array
    outline_rel: float
    photo_rel: float
    site_moves: Array
    pace: Pace

    @property
    def draws(self) -> int:
        """Number of draws."""
        return len(self.loss_per_month)


def learn(
    columns: AreaColumns,
    reasons: Codes,
    *,
    genotype: Ints,
    names: Sequence[tuple[str, str]],
    site: Ints,
    sites: int,
    lags: Mapping[str, HealingLag],
    draws: int,
    rng: np.random.Generator,
) -> Knowledge:
    """Learn growth and losses from all areas of a nursery.

    Parameters
    ----------
    columns : AreaColumns
    reasons : ndarray of int8
        Which of its rows count as growth, as :func:`fragarea.growth.reasons_of` gives it.
    genotype, site : ndarray of int64, shape (fragments,)
        Numbers of each fragment's genotype in `names`, and of its site.
    names : sequence of (genotype, species)
        May hold genotypes that no fragment has yet.
    sites : int
    lags : mapping of str to HealingLag
        By genotype; none for those without.
    draws : int
    rng : numpy.random.Generator
    """
    radii = radii_of(columns.rows((reasons == KEPT) & (columns.area_mm2 > 0)))
    speeds = draw_speeds(radii, genotype, names, draws, rng)
    of = speeds.residual_variance[genotype[radii.fragment]]
    pace = learn_pace(radii, speeds.lines, of, site, draws, rng)
    if pace.varies > 0:
        radii = replace(radii, months=pace.even_months(radii.months))
        speeds = draw_speeds(radii, genotype, names, draws, rng)
    record = losses_seen(columns, reasons, genotype, len(names))
    outline_rel, photo_rel = _visit_noise(radii)
    of = speeds.residual_variance[genotype[radii.fragment]]
    return Knowledge(
        names=tuple(names),
        speeds=speeds,
        losses=record,
        loss_per_month=draw_loss_rates(record, draws, rng),
        lag_months=_lags(names, lags, draws, rng),
        outline_rel=outline_rel,
        photo_rel=photo_rel,
        site_moves=np.array(photo_moves(radii, of, site, sites)),
        pace=pace,
    )


def _visit_noise(radii: Radii) -> tuple[float, float]:
    """Relative uncertainty of an area, twice that of its radius, in the median."""
    if not len(radii):
        return USUAL_OUTLINE_REL, USUAL_PHOTO_REL
    own = 2 * np.sqrt(radii.own_variance) / radii.radius_mm
    photo = 2 * np.sqrt(radii.photo_variance) / radii.radius_mm
    return float(np.median(own)), float(np.median(photo))


def _lags(
    names: Sequence[tuple[str, str]], lags: Mapping[str, HealingLag], draws: int, rng: np.random.Generator
) -> Array:
    """Healing lags in months; the 95 % interval of an estimate is taken for four standard deviations wide."""
    days = np.array([lags[name].lag_days if name in lags else 0.0 for name, _ in names])
    u = np.array(
        [(lags[n].high_days - lags[n].low_days) / 4 if n in lags and lags[n].lag_days else 0 for n, _ in names]
    )
    return np.asarray(np.maximum(0.0, days + u * rng.standard_normal((draws, len(names)))) / DAYS_PER_MONTH)
