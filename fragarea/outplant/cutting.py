"""How many pieces to cut for so many outplants by a date, and how many are safe with what there is."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt
from scipy import stats

from fragarea.growth import DAYS_PER_MONTH
from fragarea.growth.columns import day_of
from fragarea.nursery import Fragment, Outplanting
from fragarea.outplant.knowledge import Knowledge
from fragarea.outplant.lines import Array

YEAR_DAYS = 365
"""What was cut from a colony in so many days counts against what may be cut."""

_MOST_PIECES = 1_000_000

Counts = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Piece:
    """A piece as it is cut, and what it must become.

    Attributes
    ----------
    radius_mm, radius_u_mm : float
        Mean and standard deviation between pieces.
    target_mm : float
        Radius, as if the plug had no edge, at which it is ready.
    target_noise_mm : float
        What a relative error of an area of 1 moves that radius by.
    wait_days : float
        Age from which on it may be ready.
    """

    radius_mm: float
    radius_u_mm: float
    target_mm: float
    target_noise_mm: float
    wait_days: float


def ready_chance(piece: Piece, knowledge: Knowledge, genotype: int, *, days: float, today_months: float) -> Array:
    """Chance that a piece cut today is ready and alive so many days from now, in each draw; shape (draws,).

    Parameters
    ----------
    piece : Piece
    knowledge : Knowledge
    genotype : int
        Its number in the knowledge.
    days : float
    today_months : float
        Months since 1970.

    Notes
    -----
    Within a draw the radius is normal: r0 + b max(0, t - lag), with t in months of even growth, the spread of pieces,
    of speeds, the scatter and the noise of the last visit; and losses are exponential.
    """
    if days < piece.wait_days or math.isinf(piece.target_mm):
        return np.zeros(knowledge.draws)
    speeds = knowledge.speeds
    since, until = knowledge.pace.even_at(today_months + np.array([0.0, days / DAYS_PER_MONTH]))
    months = np.maximum(0.0, until - since - knowledge.lag_months[:, genotype])
    mean = piece.radius_mm + speeds.speed[:, genotype] * months
    noise = math.hypot(knowledge.outline_rel, knowledge.photo_rel) * piece.target_noise_mm
    variance = piece.radius_u_mm**2 + (speeds.spread[:, genotype] * months) ** 2
    sd = np.sqrt(variance + speeds.scatter_mm[:, genotype] ** 2 + noise**2)
    alive = np.exp(-knowledge.loss_per_month[:, genotype] * days / DAYS_PER_MONTH)
    return np.asarray(np.nan_to_num(stats.norm.cdf((mean - piece.target_mm) / sd) * alive))


def assurance_of(wanted: int, pieces: int, chance: Array, stock: Counts) -> Array:
    """Chance in each draw that stock and cut pieces together give so many outplants; shape (draws,).

    Parameters
    ----------
    wanted, pieces : int
    chance : ndarray of float64, shape (draws,)
        That one piece becomes an outplant that lives.
    stock : ndarray of int64, shape (draws,)
        Outplants that live, of what stands in the nursery already.
    """
    return np.asarray(stats.binom.sf(wanted - stock - 1, pieces, np.clip(chance, 0.0, 1.0)))


def pieces_needed(wanted: int, assurance: float, chance: Array, stock: Counts) -> int | None:
    """The smallest number of pieces that gives so many outplants with the assurance; None where no number does.

    Notes
    -----
    P(stock + Binomial(pieces, chance) >= wanted), averaged over the draws, rises with the number of pieces, so it is
    doubled and then halved into. With one chance for all draws and no stock this is the quantile of the number of
    trials until the wanted number of successes: wanted + the negative binomial quantile.
    """

    def holds(pieces: int) -> bool:
        return float(assurance_of(wanted, pieces, chance, stock).mean()) >= assurance

    if holds(0):
        return 0
    high = max(1, wanted)
    while not holds(high):
        high *= 2
        if high > _MOST_PIECES:
            return None
    low = high // 2 if high > max(1, wanted) else 0
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if holds(middle) else (middle, high)
    return high


def safe_number(stock: Counts, assurance: float) -> int:
    """The largest number that the stock reaches with the assurance."""
    ordered = np.sort(stock)
    return int(ordered[math.floor((1 - assurance) * len(ordered) + 1e-9)]) if len(ordered) else 0


def safe_with(pieces: int, assurance: float, chance: Array, stock: Counts) -> int:
    """The largest number that stock and so many cut pieces reach together with the assurance.

    Parameters
    ----------
    pieces : int
    assurance : float
    chance : ndarray of float64, shape (draws,)
        That one piece becomes an outplant that lives.
    stock : ndarray of int64, shape (draws,)
        Outplants that live, of what stands in the nursery already.
    """
    low, high = 0, pieces + int(stock.max(initial=0)) + 1
    while high - low > 1:
        middle = (low + high) // 2
        reached = float(assurance_of(middle, pieces, chance, stock).mean()) >= assurance
        low, high = (middle, high) if reached else (low, middle)
    return low


@dataclass(frozen=True)
class ColonyLimit:
    """How much of one colony may be cut.

    Attributes
    ----------
    colony, genotype : str
    allowed_mm2 : float or None
        In a year; None where nursery.toml does not describe the colony.
    cut_mm2 : float
        Taken in the last year, by the fragments table.
    pieces : int or None
        How many more pieces may be cut; None where that is not known.
    """

    colony: str
    genotype: str
    allowed_mm2: float | None
    cut_mm2: float
    pieces: int | None


def colony_limits(fragments: Sequence[Fragment], settings: Outplanting, on: date) -> tuple[ColonyLimit, ...]:
    """What may still be cut of each colony, in order of genotype.

    Parameters
    ----------
    fragments : sequence of Fragment
        Their broodstock and days of cutting tell which genotype a colony is of, and what was cut.
    settings : Outplanting
    on : date
        Today.
    """
    genotypes: dict[str, str] = {}
    pieces: dict[str, int] = {}
    for fragment in fragments:
        if not fragment.broodstock:
            continue
        genotypes.setdefault(fragment.broodstock, fragment.genotype)
        recent = fragment.cut_on is not None and on - timedelta(days=YEAR_DAYS) < fragment.cut_on <= on
        pieces[fragment.broodstock] = pieces.get(fragment.broodstock, 0) + int(recent)
    described = {colony.name: colony for colony in settings.colonies}
    limits = []
    for colony, genotype in sorted(genotypes.items(), key=lambda one: (one[1], one[0])):
        cut_mm2 = pieces[colony] * settings.piece_mm2
        known = described.get(colony)
        allowed = known.live_mm2 * known.max_share if known else None
        more = None if allowed is None else max(0, math.floor((allowed - cut_mm2) / settings.piece_mm2 + 1e-9))
        limits.append(ColonyLimit(colony, genotype, allowed, cut_mm2, more))
    return tuple(limits)


@dataclass(frozen=True)
class CutLine:
    """What to cut of one genotype.

    Attributes
    ----------
    genotype, species : str
    wanted : int
        Outplants that live.
    stock_safe : int
        Outplants that live, of what stands in the nursery, with the assurance.
    stock_expected : float
    chance : float
        That a piece cut today becomes an outplant that lives, in the mean.
    pieces : int or None
        To cut; None where no number reaches the assurance.
    allowed : int or None
        How many pieces may be cut of its colonies; None where that is not known.
    assurance : float
        Chance to reach the number with `pieces`, or with what is allowed where that is less.
    safe : int
        Outplants that live, of stock and what is cut in fact, with the wanted assurance.
    """

    genotype: str
    species: str
    wanted: int
    stock_safe: int
    stock_expected: float
    chance: float
    pieces: int | None
    allowed: int | None
    assurance: float
    safe: int

    @property
    def to_cut(self) -> int:
        """What to cut in fact: no more than is allowed, and nothing where no number helps."""
        if self.pieces is None:
            return 0
        return self.pieces if self.allowed is None else min(self.pieces, self.allowed)


@dataclass(frozen=True)
class CutPlan:
    """What to cut today for so many outplants by a day.

    Attributes
    ----------
    by : date
    assurance : float
        Wanted for each genotype.
    loss_after : float
        Part of the outplants taken to be lost after planting.
    lines : tuple of CutLine
    together : float
        Chance that every genotype reaches its number.
    """

    by: date
    assurance: float
    loss_after: float
    lines: tuple[CutLine, ...]
    together: float


def plan_cuts(
    wanted: Mapping[int, int],
    pieces: Mapping[int, Piece],
    knowledge: Knowledge,
    stock: npt.NDArray[np.int32],
    *,
    by: date,
    on: date,
    assurance: float,
    loss_after: float,
    allowed: Mapping[int, int | None],
    rng: np.random.Generator,
) -> CutPlan:
    """Plan cuts for every genotype that is wanted.

    Parameters
    ----------
    wanted : mapping of int to int
        Living outplants by number of the genotype.
    pieces : mapping of int to Piece
    knowledge : Knowledge
    stock : ndarray of int32, shape (draws, genotypes)
        Ready by the day, of what stands in the nursery.
    by, on : date
        The day, and today.
    assurance, loss_after : float
    allowed : mapping of int to int or None
        How many pieces may be cut.
    rng : numpy.random.Generator
    """
    keep, days = 1 - loss_after, float((by - on).days)
    today_months = day_of(on) / DAYS_PER_MONTH
    lines, together = [], np.ones(knowledge.draws)
    for genotype, number in wanted.items():
        living = rng.binomial(stock[:, genotype], keep)
        chance = keep * ready_chance(pieces[genotype], knowledge, genotype, days=days, today_months=today_months)
        needed = pieces_needed(number, assurance, chance, living)
        limit = allowed.get(genotype)
        cut = 0 if needed is None else needed if limit is None else min(needed, limit)
        reached = assurance_of(number, cut, chance, living)
        together = together * reached
        name, species = knowledge.names[genotype]
        lines.append(
            CutLine(
                genotype=name,
                species=species,
                wanted=number,
                stock_safe=safe_number(living, assurance),
                stock_expected=float(living.mean()),
                chance=float(chance.mean()),
                pieces=needed,
                allowed=limit,
                assurance=float(reached.mean()),
                safe=safe_with(cut, assurance, chance, living),
            )
        )
    return CutPlan(by, assurance, loss_after, tuple(lines), float(together.mean()) if lines else 0.0)
