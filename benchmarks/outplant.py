"""Forecasts of readiness and cut numbers on simulated nurseries with known future: ``python -m benchmarks.outplant``.

Nurseries are drawn from the model that forecasts rest on, with their own genotypes, losses and visits, so this shows
whether ranges hold what they say where the model holds. The last part shows what they hold where growth swings with
the season, which the model only knows as a pace that wanders. All is seeded; ``--share 0.1`` makes a quick run.
"""

from __future__ import annotations

import argparse
import math
import os
import resource
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, timedelta

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np

from fragarea.growth import DAYS_PER_MONTH, FragmentHistory, reasons_of
from fragarea.growth.columns import AreaColumns
from fragarea.growth.curve import USUAL_RULES
from fragarea.outplant import Knowledge, Piece, Stand, forecast, learn, plan_cuts
from fragarea.outplant.forecast import draw_lines, site_shifts
from fragarea.outplant.lines import Array, Ints

BASE_DAY = 20_000.0
HORIZON_DAYS = (30.4375, 91.3125, 182.625)
TARGET_MM = 9.0
BARS = {80: (77.0, 83.0), 95: (93.0, 97.0)}
SIZES = {30: (4, 1000), 300: (8, 400), 3000: (12, 200)}
"""Fragments: genotypes, and nurseries that are simulated."""


@dataclass(frozen=True)
class Plan:
    """How nurseries are drawn.

    Attributes
    ----------
    speed_mm_per_month, genotypes_rel : float
        Mean speed of the species, and relative standard deviation of its genotypes.
    spread_rel : float
        Of fragments within a genotype.
    scatter_mm : float
        Of the radius about its line.
    outline_rel, photo_rel : float
        Relative standard uncertainty of an area by its outline and by its photo.
    loss_per_month, loss_shape : float
        Mean rate, and shape of the gamma distribution of genotypes' rates about it.
    visits : tuple of float
        Days; the forecast is made on the last.
    per_site : int
        Fragments of a tray.
    season_rel : float
        How much growth swings with the season, at a phase that every nursery has of its own.
    """

    speed_mm_per_month: float = 0.55
    genotypes_rel: float = 0.25
    spread_rel: float = 0.18
    scatter_mm: float = 0.03
    outline_rel: float = 0.02
    photo_rel: float = 0.003
    loss_per_month: float = 0.015
    loss_shape: float = 4.0
    visits: tuple[float, ...] = (0.0, 35.0, 70.0, 91.0, 126.0)
    per_site: int = 40
    season_rel: float = 0.0


@dataclass(frozen=True, eq=False)
class Nursery:
    """A simulated nursery: what is true of it."""

    plan: Plan
    genotype: Ints
    site: Ints
    mean_speed: Array
    loss: Array
    speed: Array
    start_mm: Array
    lost_day: Array
    phase: float

    @property
    def genotypes(self) -> int:
        return len(self.loss)

    @property
    def sites(self) -> int:
        return int(self.site.max()) + 1

    @property
    def names(self) -> list[tuple[str, str]]:
        return [(f"G{i}", "invented") for i in range(self.genotypes)]

    @property
    def today(self) -> float:
        return self.plan.visits[-1]

    def radius_mm(self, day: float, rng: np.random.Generator) -> Array:
        """Radii as measured on a day, those of lost fragments too."""
        plan, months = self.plan, _grown_months(self.plan, day, self.phase)
        true = self.start_mm + self.speed * months + plan.scatter_mm * rng.standard_normal(len(self.speed))
        noise = plan.outline_rel * rng.standard_normal(len(true))
        noise += plan.photo_rel * rng.standard_normal(self.sites)[self.site]
        return np.asarray(true * np.sqrt(1 + noise))


def _grown_months(plan: Plan, day: float, phase: float) -> float:
    """Months of even growth that a swinging one comes to: the integral of 1 + a cos."""
    year = 2 * math.pi / 365.25
    return (day + plan.season_rel / year * (math.sin(year * day + phase) - math.sin(phase))) / DAYS_PER_MONTH


def draw_nursery(plan: Plan, fragments: int, genotypes: int, rng: np.random.Generator) -> Nursery:
    """A nursery with genotypes, speeds and losses of its own."""
    genotype = np.arange(fragments) % genotypes
    mean = plan.speed_mm_per_month * np.maximum(0.1, 1 + plan.genotypes_rel * rng.standard_normal(genotypes))
    loss = rng.gamma(plan.loss_shape, plan.loss_per_month / plan.loss_shape, genotypes)
    return Nursery(
        plan=plan,
        genotype=genotype,
        site=np.arange(fragments) // plan.per_site,
        mean_speed=mean,
        loss=loss,
        speed=mean[genotype] * (1 + plan.spread_rel * rng.standard_normal(fragments)),
        start_mm=rng.uniform(4, 7, fragments),
        lost_day=rng.exponential(1 / loss[genotype]) * DAYS_PER_MONTH,
        phase=rng.uniform(0, 2 * math.pi),
    )


def measured(nursery: Nursery, rng: np.random.Generator) -> AreaColumns:
    """Its areas at all visits, as the logbook would give them."""
    days = np.array(nursery.plan.visits)
    n, visits = len(nursery.genotype), len(days)
    area = np.array([math.pi * nursery.radius_mm(day, rng) ** 2 for day in days]).T
    missing = days[None, :] > nursery.lost_day[:, None]
    area = np.where(missing, 0.0, area).ravel()
    fragment, visit = np.repeat(np.arange(n), visits), np.tile(np.arange(visits), n)
    photo = nursery.site[fragment] * visits + visit
    no = np.zeros(area.shape, dtype=bool)
    return AreaColumns(
        heads=tuple(FragmentHistory(f"F{i}", f"G{g}", ()) for i, g in enumerate(nursery.genotype)),
        fragment=fragment,
        day=BASE_DAY + days[visit],
        area_mm2=area,
        dead_mm2=np.zeros(area.shape),
        rim_share=np.full(area.shape, np.nan),
        missing=missing.ravel(),
        dead=no,
        cut_off=no,
        touches_neighbour=no,
        beyond_rim=no,
        marked_wrong=no,
        part_u_mm2=np.column_stack([nursery.plan.outline_rel * area, nursery.plan.photo_rel * area]),
        part_source=np.column_stack([np.full(len(area), -1), photo]),
    )


def learned(nursery: Nursery, columns: AreaColumns, draws: int, rng: np.random.Generator) -> Knowledge:
    """What the program learns of it."""
    n = len(columns.heads)
    reasons = reasons_of(columns, USUAL_RULES, lag_days=np.zeros(n), exchanged_day=np.full(n, np.nan))
    return learn(
        columns,
        reasons,
        genotype=nursery.genotype,
        names=nursery.names,
        site=nursery.site,
        sites=nursery.sites,
        lags={},
        draws=draws,
        rng=rng,
    )


def standing(nursery: Nursery, known: Knowledge, target_mm: float) -> tuple[Stand, Ints]:
    """What still stands there, to be of a radius; with the numbers of the fragments."""
    lines = known.speeds.lines
    alive = nursery.lost_day[lines.fragment] > nursery.today
    chosen = lines.fragment[alive]
    n = len(chosen)
    stand = Stand(
        genotype=nursery.genotype[chosen],
        site=nursery.site[chosen],
        months=lines.months[alive],
        level_mm=lines.level_mm[alive],
        level_variance=lines.level_variance[alive],
        slope=lines.slope[alive],
        slope_variance=lines.slope_variance[alive],
        target_mm=np.full(n, target_mm),
        target_noise_mm=np.full(n, target_mm / 2),
        bound_days=np.zeros(n),
        cut_months=np.full(n, -np.inf),
        ready=np.zeros(n, dtype=bool),
        pieces=np.ones(n, dtype=np.int64),
    )
    return stand, chosen


@dataclass(frozen=True, eq=False)
class Found:
    """Places of the truth among the draws, by horizon: of dates, of the nursery's stock and of each genotype's."""

    dates: tuple[Array, ...]
    stock: tuple[float, ...]
    stocks: tuple[Array, ...]


def one_nursery(plan: Plan, fragments: int, genotypes: int, draws: int, rng: np.random.Generator) -> Found:
    """Forecast one nursery and see what comes."""
    nursery = draw_nursery(plan, fragments, genotypes, rng)
    known = learned(nursery, measured(nursery, rng), draws, rng)
    stand, chosen = standing(nursery, known, TARGET_MM)
    today = (BASE_DAY + nursery.today) / DAYS_PER_MONTH
    made = forecast(stand, known, today_months=today, days=np.array(HORIZON_DAYS), rng=rng)
    shifts = site_shifts(known, draws, rng)
    level, slope, start = draw_lines(stand, known, shifts, rng)
    dates, stock, stocks = [], [], []
    for place, days in enumerate(HORIZON_DAYS):
        radius = nursery.radius_mm(nursery.today + days, rng)[chosen]
        # a size reached on this day is inside its range just when the day is inside the range of dates for the size
        own = np.hypot(known.speeds.scatter_mm.T[stand.genotype], (known.outline_rel * radius / 2)[:, None])
        even = known.pace.even_at(np.array([today + days / DAYS_PER_MONTH]))
        ahead = level + slope * (even - start) + own * rng.standard_normal(level.shape)
        ahead += shifts[2][:, stand.site].T * (known.photo_rel * radius / 2)[:, None]
        dates.append(((ahead < radius[:, None]).sum(axis=1) + rng.random(len(radius))) / (draws + 1))
        there = (radius >= TARGET_MM) & (nursery.lost_day[chosen] > nursery.today + days)
        counts = made.counts[:, :, place]
        of_genotype = np.bincount(stand.genotype, there, minlength=genotypes)
        stock.append(float(_place(counts.sum(axis=1)[:, None], np.array([there.sum()]), rng)[0]))
        stocks.append(_place(counts, of_genotype, rng))
    return Found(tuple(dates), tuple(stock), tuple(stocks))


def _place(counts: Array, true: Array, rng: np.random.Generator) -> Array:
    """Place of whole numbers among their draws, drawn by lot among equal ones: else ranges of few would hold more."""
    below, equal = (counts < true).sum(axis=0), (counts == true).sum(axis=0)
    return np.asarray((below + rng.random(len(true)) * (equal + 1)) / (len(counts) + 1))


def coverage(places: list[Array], percent: int) -> tuple[float, float]:
    """Per cent inside the range, and its standard error with nurseries as units."""
    inside = np.array([100 * np.mean(np.abs(np.atleast_1d(p) - 0.5) <= percent / 200) for p in places if np.size(p)])
    return float(inside.mean()), float(inside.std(ddof=1) / math.sqrt(len(inside)))


def study(plan: Plan, fragments: int, genotypes: int, nurseries: int, rng: np.random.Generator) -> bool:
    """Print what ranges hold; whether dates hold what they must."""
    draws = 400
    found = [one_nursery(plan, fragments, genotypes, draws, rng) for _ in range(nurseries)]
    kinds: dict[str, Callable[[Found, int], Array]] = {
        "dates": lambda one, k: one.dates[k],
        "stock of nursery": lambda one, k: np.array(one.stock[k]),
        "stock of genotypes": lambda one, k: one.stocks[k],
    }
    good = True
    for name, of in kinds.items():
        words = []
        for k, days in enumerate(HORIZON_DAYS):
            told = []
            for percent, (low, high) in BARS.items():
                held, u = coverage([of(one, k) for one in found], percent)
                met = low <= held <= high
                good &= met or name != "dates"
                told.append(f"{held:.1f} ± {u:.1f}{'' if met else ' missed'}")
            words.append(f"{days / DAYS_PER_MONTH:.0f} mo {', '.join(told)}")
        print(f"  {name:<19} {'; '.join(words)}", flush=True)
    return good


def cut_study(
    plan: Plan, fragments: int, genotypes: int, nurseries: int, rng: np.random.Generator
) -> tuple[float, ...]:
    """Assurance planned and reached of cut numbers, in %, and its standard error."""
    wanted, days, keep, assurance = 20, 300, 0.8, 0.9
    piece = Piece(math.sqrt(100 / math.pi), 0.1 * math.sqrt(100 / math.pi), TARGET_MM, TARGET_MM / 2, 0.0)
    planned, reached = [], []
    for _ in range(nurseries):
        nursery = draw_nursery(plan, fragments, genotypes, rng)
        known = learned(nursery, measured(nursery, rng), 1000, rng)
        today = date(1970, 1, 1) + timedelta(days=BASE_DAY + nursery.today)
        cut = plan_cuts(
            dict.fromkeys(range(genotypes), wanted),
            dict.fromkeys(range(genotypes), piece),
            known,
            np.zeros((1000, genotypes), dtype=np.int32),
            by=today + timedelta(days=days),
            on=today,
            assurance=assurance,
            loss_after=1 - keep,
            allowed={},
            rng=rng,
        )
        own_planned, own_reached = [], []
        for number, line in enumerate(cut.lines):
            if line.pieces is None:
                continue
            own_planned.append(line.assurance)
            own_reached.append(_outplants(nursery, number, line.pieces, piece, days, keep, rng) >= wanted)
        if own_planned:
            planned.append(float(np.mean(own_planned)))
            reached.append(float(np.mean(own_reached)))
    u = float(np.std(reached, ddof=1) / math.sqrt(len(reached)))
    return 100 * float(np.mean(planned)), 100 * float(np.mean(reached)), 100 * u


def _outplants(
    nursery: Nursery, genotype: int, pieces: int, piece: Piece, days: float, keep: float, rng: np.random.Generator
) -> int:
    """How many living outplants come of so many pieces in truth."""
    plan = nursery.plan
    speed = nursery.mean_speed[genotype] * (1 + plan.spread_rel * rng.standard_normal(pieces))
    radius = piece.radius_mm + piece.radius_u_mm * rng.standard_normal(pieces) + speed * days / DAYS_PER_MONTH
    noise = np.hypot(plan.outline_rel, plan.photo_rel) * rng.standard_normal(pieces)
    radius = (radius + plan.scatter_mm * rng.standard_normal(pieces)) * np.sqrt(1 + noise)
    alive = rng.exponential(1 / nursery.loss[genotype], pieces) * DAYS_PER_MONTH > days
    return int((alive & (radius >= piece.target_mm) & (rng.random(pieces) < keep)).sum())


def size(rng: np.random.Generator) -> bool:
    """Time and memory of 100,000 fragments; whether both are below their bars."""
    plan = replace(Plan(), visits=tuple(float(day) for day in range(0, 200, 21)))
    nursery = draw_nursery(plan, 100_000, 200, rng)
    columns = measured(nursery, rng)
    began, busy = time.perf_counter(), time.process_time()
    known = learned(nursery, columns, 500, rng)
    stand, _ = standing(nursery, known, 12.0)
    forecast(
        stand,
        known,
        today_months=(BASE_DAY + nursery.today) / DAYS_PER_MONTH,
        days=np.arange(0, 366, 7.0),
        rng=rng,
    )
    took, busy = time.perf_counter() - began, time.process_time() - busy
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    # one thread: on a machine with nothing else to do, the clock shows its processor time
    print(
        f"100,000 fragments, {len(columns):,} areas, 500 draws, 53 dates: {busy:.0f} s of one processor (bar 60 s),"
        f" {took:.0f} s by the clock beside other work, {peak:.2f} GB (bar 2 GB)",
        flush=True,
    )
    return busy < 60 and peak < 2


def main() -> int:
    """Print the figures; 1 when a bar is missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--share", type=float, default=1.0, help="Of the nurseries that are simulated.")
    share = parser.parse_args().share
    good = size(np.random.default_rng(1))
    print("Truth inside 80 % and 95 % ranges, in % ± standard error; bars 77 to 83 and 93 to 97 for dates")
    for fragments, (genotypes, count) in SIZES.items():
        nurseries = max(10, round(share * count))
        print(f" {fragments} fragments, {genotypes} genotypes, {nurseries} nurseries")
        good &= study(Plan(), fragments, genotypes, nurseries, np.random.default_rng(fragments))
    for fragments, (genotypes, count) in list(SIZES.items())[:2]:
        nurseries = max(10, round(share * count))
        planned, reached, u = cut_study(Plan(), fragments, genotypes, nurseries, np.random.default_rng(7 + fragments))
        met = abs(reached - planned) <= 2
        good &= met
        print(
            f"Cut numbers for 20 outplants in 300 days, {fragments} fragments, {nurseries} nurseries: planned"
            f" {planned:.1f} %, reached {reached:.1f} ± {u:.1f} %{'' if met else ' missed'}"
        )
    nurseries = max(10, round(share * 200))
    for visits, words in (((0.0, 35.0, 70.0, 91.0, 126.0), "4 months"), (tuple(range(0, 365, 28)), "a year")):
        plan = replace(Plan(), season_rel=0.2, visits=tuple(float(day) for day in visits))
        print(f"Not in the model: growth that swings by 20 % with the season, watched for {words}; 300 fragments")
        study(plan, 300, 8, nurseries, np.random.default_rng(5))
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
