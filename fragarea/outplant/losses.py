"""How many fragments a nursery loses: dead, gone, or with tissue lost."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fragarea.growth import DAYS_PER_MONTH, REASONS, LeftOut
from fragarea.growth.columns import AreaColumns
from fragarea.growth.curve import Codes
from fragarea.outplant.lines import Array, Ints

USUAL_PER_MONTH, USUAL_WEIGHT = 0.02, 0.5
"""Loss believed before any data, and how many losses seen that belief weighs: as much as 25 months of one fragment
(common practice, no source)."""

LIKE_NURSERY = 4.0
"""How many losses seen the nursery's own rate weighs against a genotype's: rates of genotypes are believed to differ
by half of their mean (common practice, no source)."""

_RATES = np.geomspace(1e-5, 3.0, 120)


@dataclass(frozen=True, eq=False)
class LossRecord:
    """Losses seen, by genotype.

    Attributes
    ----------
    lost : ndarray of int64, shape (genotypes,)
    months : ndarray of float64, shape (genotypes,)
        Fragment-months over which they were seen.
    """

    lost: Ints
    months: Array

    @property
    def per_month(self) -> float:
        """Over all genotypes."""
        return float(self.lost.sum() / self.months.sum()) if self.months.sum() > 0 else float("nan")


def losses_seen(columns: AreaColumns, reasons: Codes, genotype: Ints, genotypes: int) -> LossRecord:
    """Count losses and the time over which fragments were watched.

    Parameters
    ----------
    columns : AreaColumns
        All rows, in order of fragment and time.
    reasons : ndarray of int8, shape (n,)
        As :func:`fragarea.growth.reasons_of` gives them.
    genotype : ndarray of int64, shape (fragments,)
    genotypes : int

    Notes
    -----
    A fragment is lost when it is missing at its last visit, dead, or lost tissue as growth counts it: what grows back
    after that is not counted on. It was watched from its first visit to the last one before, and half of the time to
    the visit that shows the loss.
    """
    fragments = len(columns.heads)
    counted = np.flatnonzero(~columns.marked_wrong & (reasons != REASONS.index(LeftOut.AFTER_LEAVING)))
    of, day = columns.fragment[counted], columns.day[counted]
    after_loss = (reasons[counted] == REASONS.index(LeftOut.AFTER_LOSS)) | columns.dead[counted]
    first_loss = _first(of, after_loss, fragments)
    last_seen = _last(of, ~columns.missing[counted], fragments)
    last = _last(of, np.ones(len(of), dtype=bool), fragments)
    gone = (last_seen >= 0) & (last > last_seen)
    event = np.where(first_loss >= 0, first_loss, np.where(gone, last_seen + 1, -1))
    first = _first(of, ~columns.missing[counted], fragments)
    watched = (first >= 0) & ((event < 0) | (event > first))
    # an event at the first visit tells no rate: it was lost before it was watched
    before = np.where(event > 0, event - 1, last)
    until = np.where(event >= 0, 0.5 * (_at(day, before) + _at(day, event)), _at(day, last))
    months = np.where(watched, (until - _at(day, first)) / DAYS_PER_MONTH, 0.0)
    lost = np.bincount(genotype[watched & (event >= 0)], minlength=genotypes)
    exposed = np.asarray(np.bincount(genotype, np.maximum(months, 0.0), minlength=genotypes), dtype=float)
    return LossRecord(lost, exposed)


def draw_loss_rates(record: LossRecord, draws: int, rng: np.random.Generator) -> Array:
    """Loss rates of genotypes a month; shape (draws, genotypes).

    Notes
    -----
    Losses are Poisson over the months watched; rates of genotypes are gamma with shape `LIKE_NURSERY` about the
    nursery's. So losses of a genotype are negative binomial given the nursery's rate [1]_, which is drawn on a grid
    with a gamma prior of `USUAL_WEIGHT` losses at `USUAL_PER_MONTH`, and a genotype's rate given it is gamma again.

    References
    ----------
    .. [1] Gelman, Carlin, Stern, Dunson, Vehtari, Rubin 2013, Bayesian Data Analysis, 3rd edition, section 2.7.
    """
    expected = _RATES[:, None] * record.months / LIKE_NURSERY
    told = record.lost * np.log(np.maximum(expected, 1e-300)) - (LIKE_NURSERY + record.lost) * np.log1p(expected)
    # on a grid of equal steps of the logarithm a density counts times its rate
    prior = USUAL_WEIGHT * np.log(_RATES) - USUAL_WEIGHT / USUAL_PER_MONTH * _RATES
    logs = prior + np.where(record.months > 0, told, 0.0).sum(axis=1)
    until = np.exp(logs - logs.max()).cumsum()
    place = np.minimum(np.searchsorted(until, rng.random(draws) * until[-1]), len(_RATES) - 1)
    whole = _RATES[place] * np.exp(math.log(_RATES[1] / _RATES[0]) * (rng.random(draws) - 0.5))
    shape = LIKE_NURSERY + record.lost[None, :]
    return np.asarray(rng.gamma(shape, 1 / (LIKE_NURSERY / whole[:, None] + record.months[None, :])))


def _first(of: Ints, holds: npt.NDArray[np.bool_], fragments: int) -> Ints:
    """Row of each fragment at which something holds first; -1 for never."""
    found = np.full(fragments, -1)
    rows = np.flatnonzero(holds)[::-1]
    found[of[rows]] = rows
    return found


def _last(of: Ints, holds: npt.NDArray[np.bool_], fragments: int) -> Ints:
    found = np.full(fragments, -1)
    rows = np.flatnonzero(holds)
    found[of[rows]] = rows
    return found


def _at(day: Array, rows: Ints) -> Array:
    return day[np.maximum(rows, 0)] if len(day) else np.zeros(len(rows))
