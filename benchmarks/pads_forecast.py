"""Forecasts of contact on drawn pads whose future is known: ``python -m benchmarks.pads_forecast``.

Ten discs in a hexagonal layout, radii drawn, every fragment with its own constant extension about its genotype's,
every gap closing a little otherwise than the two tell, and every visit measured with errors. Forecasts see the visits
alone. Pads that are drawn from the model that forecasts rest on show whether intervals hold what they say where it
holds; three visits tell no seasons, so that intervals are wide then. The last part shows what they hold where growth
swings with the season, on all pads alike, of which the model only knows how strong it was so far. All is seeded;
``--pads 20`` makes a quick run.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from benchmarks.drawn_pads import history, pad_at
from fragarea.fusion import FusionRules, PadHistory, PadVisit, PairState
from fragarea.fusion.forecast import Dates, forecast_pad
from fragarea.fusion.speeds import speeds_of

MONTH = 30.4375
EVERY_MONTHS = 2.0
GENOTYPES, PADS_OF_EACH = 4, 2
SPREAD, PAIR_SPREAD = 0.2, 0.1
EDGE_U_MM = 0.05
SPACING_MM = 38.0  # so wide that no pair meets within the visits seen


@dataclass(frozen=True)
class Coverage:
    """Part of the intervals that held the truth: of pairs, and of the day by which half and all pairs had met."""

    pairs: int
    pads: int
    pairs_80: float
    pairs_95: float
    half_80: float
    half_95: float
    all_80: float
    all_95: float


Pace = Callable[[np.ndarray], np.ndarray]
"""Months that growth takes as long as even growth, by months since the start; increasing."""


def even(months: np.ndarray) -> np.ndarray:
    """Growth at the same rate all year."""
    return months


def seasonal(months: np.ndarray) -> np.ndarray:
    """Growth that swings by 30 % over the year."""
    return np.asarray(months + 0.3 * 12 / (2 * math.pi) * (1 - np.cos(2 * math.pi * months / 12)))


@dataclass(frozen=True)
class _Drawn:
    """A pad as seen, and the months after its last visit at which each pair meets."""

    seen: PadHistory
    meets: dict[tuple[str, str], float]


def _nursery(visits: int, rng: np.random.Generator, pace: Pace) -> list[_Drawn]:
    drawn = []
    for genotype in range(GENOTYPES):
        mean = rng.normal(0.35, 0.06)
        for pad in range(PADS_OF_EACH):
            speeds = mean * (1 + SPREAD * rng.standard_normal(10))
            drawn.append(_pad(f"P{genotype}{pad}", f"G{genotype}", speeds, visits, rng, pace))
    return drawn


def _pad(site: str, genotype: str, speeds: np.ndarray, visits: int, rng: np.random.Generator, pace: Pace) -> _Drawn:
    start = rng.normal(8.0, 0.5, size=10)
    times = EVERY_MONTHS * np.arange(visits)
    exact = pad_at(list(start), 0, site=site, genotypes=(genotype,) * 10, spacing_mm=SPACING_MM)
    place = {one.fragment: number for number, one in enumerate(exact.fragments)}
    both = {pair.names: sum(speeds[place[name]] for name in pair.names) for pair in exact.pairs}
    closing = {names: both[names] * (1 + PAIR_SPREAD * rng.standard_normal()) for names in both}
    gaps = {pair.names: pair.gap_mm for pair in exact.pairs}
    paced = pace(times)
    seen: list[PadVisit] = []
    for month, even_months in zip(times, paced, strict=True):
        off = EDGE_U_MM * rng.standard_normal(10)
        visit = pad_at(
            list(start + speeds * even_months),
            float(month),
            site=site,
            genotypes=(genotype,) * 10,
            spacing_mm=SPACING_MM,
            off_mm=list(off),
            gap_u_mm=EDGE_U_MM * math.sqrt(2),
        )
        pairs = []
        for pair in visit.pairs:
            measured = gaps[pair.names] - closing[pair.names] * even_months
            measured += EDGE_U_MM * math.sqrt(2) * rng.standard_normal()
            pairs.append(replace(pair, gap_mm=measured, state=PairState.APART, neck_mm=0.0))
        seen.append(replace(visit, pairs=tuple(pairs)))
    grid = np.arange(0.0, 360.0, 0.05)
    at = pace(times[-1] + grid)
    contact = FusionRules().contact_mm
    meets = {}
    for names, rate in closing.items():
        even_until = (gaps[names] - contact) / rate if rate > 0 else math.inf
        meets[names] = float(np.interp(even_until, at, grid, left=0.0, right=math.inf))
    return _Drawn(history(seen), meets)


def coverage(*, pads: int, visits: int, seed: int, pace: Pace = even) -> Coverage:
    """Draw pads, forecast them from their visits, and count how often intervals hold the day of contact.

    Parameters
    ----------
    pads : int
    visits : int
        That forecasts may see, two months apart.
    seed : int
    pace : callable
        How growth swings.
    """
    rng = np.random.default_rng(seed)
    rules = FusionRules()
    of_pairs: list[tuple[bool, bool]] = []
    of_half: list[tuple[bool, bool]] = []
    of_all: list[tuple[bool, bool]] = []
    for _ in range(math.ceil(pads / (GENOTYPES * PADS_OF_EACH))):
        drawn = _nursery(visits, rng, pace)
        speeds = speeds_of([one.seen for one in drawn])
        for one in drawn:
            told = forecast_pad(one.seen, speeds, rules, draws=1000)
            start = told.made_on
            for pair in told.pairs:
                if pair.contact is not None:
                    of_pairs.append(_held(pair.contact, one.meets[pair.last.names], start.toordinal()))
            order = sorted(one.meets.values())
            for found, dates, months in (
                (of_half, told.half_contact, order[math.ceil(len(order) / 2) - 1]),
                (of_all, told.all_contact, order[-1]),
            ):
                if dates is not None:
                    found.append(_held(dates, months, start.toordinal()))
    shares = [float(np.mean([held[level] for held in of])) for of in (of_pairs, of_half, of_all) for level in (0, 1)]
    return Coverage(len(of_pairs), len(of_all), *shares)


def _held(dates: Dates, months: float, start: int) -> tuple[bool, bool]:
    # dates are rounded to the nearest day: any slack beside that would flatter narrow intervals
    day = start + months * MONTH
    return (
        dates.low_80.toordinal() <= day <= (dates.high_80.toordinal() if dates.high_80 else math.inf),
        dates.low_95.toordinal() <= day <= (dates.high_95.toordinal() if dates.high_95 else math.inf),
    )


def main() -> None:
    """Print what intervals hold."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pads", type=int, default=400)
    options = parser.parse_args()
    print(f"{'growth':<10} {'visits':>6} {'pairs':>6} {'80 %':>6} {'95 %':>6}   half: 80/95 %   all: 80/95 %")
    for name, pace, visits in (
        ("even", even, 3),
        ("even", even, 5),
        ("even", even, 8),
        ("seasonal", seasonal, 5),
        ("seasonal", seasonal, 8),
    ):
        told = coverage(pads=options.pads, visits=visits, seed=1, pace=pace)
        shares = [
            100 * x for x in (told.pairs_80, told.pairs_95, told.half_80, told.half_95, told.all_80, told.all_95)
        ]
        print(
            f"{name:<10} {visits:>6} {told.pairs:>6} {shares[0]:>6.1f} {shares[1]:>6.1f}   "
            f"{shares[2]:>6.1f} {shares[3]:>6.1f} {shares[4]:>7.1f} {shares[5]:>6.1f}"
        )


if __name__ == "__main__":
    main()
