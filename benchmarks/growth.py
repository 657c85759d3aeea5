"""Growth figures: simulated nurseries with known truth, and rendered trays: ``python -m benchmarks.growth``.

The simulated parts are seeded; ``--nurseries 50`` makes a quick run.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # matrices are tiny: more threads only wait for each other

import numpy as np

from benchmarks.nurseries import START, Plan, pieces, seen_between, simulate
from fragarea.growth import (
    AreaPoint,
    ErrorPart,
    FragmentHistory,
    Sign,
    contrasts,
    find_mixups,
    form_distance_mm,
    genotype_growth,
    growth_curve,
    look_first,
)

PLANS = {
    "10 fragments each": Plan(),
    "alike": replace(Plan(), extensions_mm_per_month=(0.5,) * 4),
    "3 to 5 fragments": replace(Plan(), fragments=(3, 4, 5, 3)),
    "two visits": replace(Plan(), visit_days=(0.0, 60.0), missed=0.0),
}


@dataclass(frozen=True)
class Coverage:
    """What a simulation study found."""

    bias_percent: tuple[float, ...]
    covered_percent: tuple[float, ...]
    contrasts_covered_percent: float
    false_families_percent: float
    fell_back: int


def study(plan: Plan, nurseries: int, rng: np.random.Generator) -> Coverage:
    """Estimate many simulated nurseries and compare with their truth."""
    truth = {f"G{i}": mean for i, mean in enumerate(plan.extensions_mm_per_month, start=1)}
    found, held, pairs_held, false_families, fell_back = [], [], [], 0, 0
    for _ in range(nurseries):
        growth = genotype_growth([growth_curve(history) for history in simulate(plan, rng)])
        found.append([one.extension_mm_per_month / truth[one.genotype] for one in growth.genotypes])
        held.append(
            [one.low_mm_per_month <= truth[one.genotype] <= one.high_mm_per_month for one in growth.genotypes]
        )
        fell_back += sum(one.fell_back for one in growth.genotypes)
        pairs = contrasts(growth)
        for one in pairs:
            true = truth[one.faster] - truth[one.slower]
            pairs_held.append(one.low_mm_per_month <= true <= one.high_mm_per_month)
        false_families += any(one.shown and truth[one.faster] <= truth[one.slower] for one in pairs)
    return Coverage(
        bias_percent=tuple(100 * (np.mean(found, axis=0) - 1)),
        covered_percent=tuple(100 * np.mean(held, axis=0)),
        contrasts_covered_percent=100 * float(np.mean(pairs_held)),
        false_families_percent=100 * false_families / nurseries,
        fell_back=fell_back,
    )


def losses(trials: int, rng: np.random.Generator, lost: float) -> float:
    """Share of weekly visits on which a fragment that lost this part since the last one is alarmed."""
    alarms = 0
    for _ in range(trials):
        areas = [100 * (1 + 0.02 * rng.normal()), 100 * (1 - lost) * (1 + 0.02 * rng.normal())]
        points = [
            AreaPoint(START + timedelta(days=7 * i), area, (ErrorPart(0.02 * area),)) for i, area in enumerate(areas)
        ]
        concerns = look_first([FragmentHistory("F", "G", tuple(points))])
        alarms += any(finding.sign is Sign.SUDDEN_LOSS for one in concerns for finding in one.findings)
    return alarms / trials


def quiet_visits(fragments: int, visits: int, rng: np.random.Generator) -> tuple[int, int]:
    """Alarms of loss on fragments that neither grow nor shrink, and how many visits there were."""
    alarms = 0
    for _ in range(fragments):
        areas = 100 * (1 + 0.02 * rng.normal(size=visits))
        points = [
            AreaPoint(START + timedelta(days=7 * i), area, (ErrorPart(0.02 * area),)) for i, area in enumerate(areas)
        ]
        for end in range(2, visits + 1):
            alarms += bool(look_first([FragmentHistory("F", "G", tuple(points[:end]))]))
    return alarms, fragments * (visits - 1)


def exchanges(trays: int, rng: np.random.Generator, months: float) -> tuple[int, int, int, int]:
    """Exchanges found, exchanges that ought to be, false alarms, and fragment-visits without an exchange."""
    plan = Plan()
    found = ought = false = visits = 0
    for _ in range(trays):
        tray = pieces(plan, rng)
        quiet = seen_between(tray, plan, rng, months=months, exchanged=None)
        false += len(find_mixups(quiet, site="TRAY", taken_at=START))
        visits += len(tray)
        first, second = (int(i) for i in rng.choice(len(tray), size=2, replace=False))
        one, two = quiet[first].before, quiet[second].before
        ratio = (max(one.radius_mm, two.radius_mm) / min(one.radius_mm, two.radius_mm)) ** 2
        if ratio > 1.15 or form_distance_mm(one, two) > 0.5:
            ought += 1
            seen = seen_between(tray, plan, rng, months=months, exchanged=(first, second))
            named = {frozenset(one.fragments) for one in find_mixups(seen, site="TRAY", taken_at=START)}
            found += frozenset((seen[first].fragment, seen[second].fragment)) in named
    return found, ought, false, visits


def _list(numbers: Sequence[float], digits: int = 1) -> str:
    return " ".join(f"{number:.{digits}f}" for number in numbers)


def main() -> int:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nurseries", type=int, default=500)
    count = parser.parse_args().nurseries
    print(f"Simulated nurseries, {count} a line, four genotypes each; bias and cover of each in %")
    for number, (name, plan) in enumerate(PLANS.items()):
        result = study(plan, count, np.random.default_rng(100 + number))
        print(
            f"  {name:<18} bias {_list(result.bias_percent)}; intervals cover {_list(result.covered_percent)};"
            f" contrasts {result.contrasts_covered_percent:.1f}; false families {result.false_families_percent:.1f};"
            f" fell back {result.fell_back}",
            flush=True,
        )
    rng = np.random.default_rng(7)
    print(f"Loss of 20 % between visits found: {100 * losses(20 * count, rng, 0.2):.1f} % (areas known to 2 %)")
    alarms, visits = quiet_visits(20 * count, 10, rng)
    print(f"False alarms of loss: {alarms} in {visits} fragment-visits, {500 * alarms / visits:.2f} in 500")
    for months in (0.25, 1.0):
        found, ought, false, visits = exchanges(count, rng, months)
        print(
            f"Exchanges after {months:g} months: found {found} of {ought} ({100 * found / max(1, ought):.1f} %);"
            f" false alarms {false} in {visits} fragment-visits, {1000 * false / visits:.2f} in 1,000"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
