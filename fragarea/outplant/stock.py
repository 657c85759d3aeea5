"""How many will be ready on a date, when nothing may go out, and which deadlines a forecast passes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from fragarea.growth import DAYS_PER_MONTH
from fragarea.nursery import Outplanting, Substrate
from fragarea.outplant.forecast import Forecast
from fragarea.outplant.lines import Array
from fragarea.outplant.readiness import State
from fragarea.outplant.standing import Standing

_QUANTILES = (0.025, 0.1, 0.9, 0.975)


@dataclass(frozen=True)
class StockLine:
    """How many are ready and in the nursery on a day.

    Attributes
    ----------
    day : date
    species, genotype : str
        Both empty for the whole nursery; the genotype alone for a species.
    whole : str
        ``"nursery"``, ``"species"`` or ``"genotype"``: of what it is the number.
    expected : float
    low_80, high_80, low_95, high_95 : int
        Ranges of whole numbers.
    closed : str
        Name of the time in which outplanting is not wanted on that day; empty when it is open.
    """

    day: date
    species: str
    genotype: str
    whole: str
    expected: float
    low_80: int
    high_80: int
    low_95: int
    high_95: int
    closed: str


def stock_lines(
    forecast: Forecast, names: Sequence[tuple[str, str]], settings: Outplanting, on: date
) -> tuple[StockLine, ...]:
    """Numbers ready by day, for the nursery, each species and each genotype.

    Parameters
    ----------
    forecast : Forecast
    names : sequence of (genotype, species)
        As its counts number them.
    settings : Outplanting
    on : date
        Today.

    Notes
    -----
    Counts are summed within each draw, in which fragments of a genotype are ahead or behind together; so the ranges
    are wider than those of independent fragments.
    """
    groups: list[tuple[str, str, str, list[int]]] = [("", "", "nursery", list(range(len(names))))]
    for species in dict.fromkeys(species for _, species in names):
        groups.append((species, "", "species", [i for i, name in enumerate(names) if name[1] == species]))
    groups += [(species, genotype, "genotype", [i]) for i, (genotype, species) in enumerate(names)]
    lines = []
    for species, genotype, whole, members in groups:
        counts = forecast.counts[:, members].sum(axis=1)
        ranges = np.quantile(counts, _QUANTILES, axis=0, method="inverted_cdf").astype(int)
        for k, days in enumerate(forecast.days):
            day = on + timedelta(days=round(float(days)))
            low_95, low_80, high_80, high_95 = (int(one) for one in ranges[:, k])
            expected = float(counts[:, k].mean())
            closed = settings.closed_on(day)
            lines.append(StockLine(day, species, genotype, whole, expected, low_80, high_80, low_95, high_95, closed))
    return tuple(lines)


def next_open(day: date, settings: Outplanting) -> date | None:
    """The first day from a day on on which outplanting is wanted; None where there is none within four years."""
    for days in range(4 * 366):
        if not settings.closed_on(day + timedelta(days=days)):
            return day + timedelta(days=days)
    return None


@dataclass(frozen=True)
class Deadline:
    """Fragments whose substrate begins to fail before they are ready.

    Attributes
    ----------
    substrate, site : str
    fails_from, fails_by : date
        When it begins to fail, and when it has failed.
    late : tuple of (str, float)
        Fragments that are more likely not ready by the first of these days than ready, with their chance to be.
    """

    substrate: str
    site: str
    fails_from: date
    fails_by: date
    late: tuple[tuple[str, float], ...]


def deadlines(standing: Standing, forecast: Forecast, settings: Outplanting, on: date) -> tuple[Deadline, ...]:
    """Substrates that do not hold until their fragments are ready, by site and day.

    Parameters
    ----------
    standing : Standing
    forecast : Forecast
        Of the same rows.
    settings : Outplanting
    on : date
        Today.

    Notes
    -----
    Months count from the day on which a fragment came to its site. What is ready today is not late: it can go.
    """
    found: dict[tuple[str, str, date, date], list[tuple[str, float]]] = {}
    by_site = {site: substrate for substrate in settings.substrates for site in substrate.sites}
    median = forecast.ready_days[:, 1]
    for row, verdict in enumerate(standing.verdicts):
        unit = verdict.unit
        substrate = by_site.get(unit.site)
        if substrate is None or unit.since is None or verdict.state is State.READY:
            continue
        fails_from, fails_by = _fails(substrate, unit.since)
        left = (fails_from - on).days
        if median[row] > left:
            chance = _chance_by(forecast, row, left)
            found.setdefault((substrate.name, unit.site, fails_from, fails_by), []).append((unit.name, chance))
    return tuple(
        Deadline(substrate, site, first, last, tuple(sorted(late)))
        for (substrate, site, first, last), late in sorted(found.items())
    )


def _fails(substrate: Substrate, since: date) -> tuple[date, date]:
    first, last = (
        since + timedelta(days=round(months * DAYS_PER_MONTH))
        for months in (substrate.holds_from_months, substrate.holds_to_months)
    )
    return first, last


def _chance_by(forecast: Forecast, row: int, days: float) -> float:
    """Chance that a row is ready by so many days, between the dates that were counted."""
    if days < 0:
        return 0.0
    return float(np.interp(days, forecast.days, forecast.chance[row]))


def weekly(on: date, until: date) -> Array:
    """Days from today for which to count: today, every week, and the last day."""
    last = max(0, (until - on).days)
    return np.unique(np.r_[np.arange(0, last, 7), last]).astype(float)


def day_or_none(on: date, days: float) -> date | None:
    """A date so many days from today; None for never."""
    return None if math.isinf(days) else on + timedelta(days=math.ceil(days))
