"""Forecasts of readiness and stock as tables and sentences. Units stand in the headers."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Sequence
from datetime import date, timedelta

import numpy as np

from fragarea.growth import DAYS_PER_MONTH
from fragarea.growth.columns import day_of
from fragarea.outplant import GenotypeSpeed, State, StockLine, day_or_none, next_open
from fragarea.outplant.forecast import Forecast
from fragarea.outplant_tables import closed_lines, readiness_lines
from fragarea.outplant_view import ForecastView
from fragarea.report.plain_tables import Table, Value
from fragarea.report.spreadsheet import clean_text

NEVER = "never"

NOTES = (
    "Dates are those by which a fragment is measured as ready with a chance of 10, 50 and 90 %, if it is not lost.",
    "Numbers are fragments and pads that are ready and still in the nursery; nothing is taken out in between.",
    "Ranges hold 80 and 95 % of the draws: speeds of genotypes and fragments, the noise of visits, healing, losses.",
    "What is excluded, unknown or left to fusion today is not counted on later.",
)


def dates_table(view: ForecastView, by: Sequence[date] = ()) -> Table:
    """One row a fragment or pad: dates of readiness, and the chance to be ready by some days."""
    header = (
        *("name", "site", "place", "species", "genotype", "state", "area_cm2"),
        *("ready_10_percent", "ready_50_percent", "ready_90_percent", "outplant_from"),
        *(f"chance_percent_by_{day}" for day in by),
    )
    made = view.forecast
    rows: list[tuple[Value, ...]] = []
    places = [_place(made, view.on, day) for day in by]
    for row, verdict in enumerate(view.standing.verdicts):
        unit = verdict.unit
        dates = [day_or_none(view.on, float(days)) for days in made.ready_days[row]]
        middle = dates[1]
        open_from = next_open(middle, view.settings) if middle else None
        chances = [100 * float(made.chance[row, place]) for place in places]
        head: list[Value] = [unit.name, unit.site, unit.place, unit.species, unit.genotype, verdict.state.value]
        rows.append((*head, verdict.measures["area_cm2"], *(d or NEVER for d in dates), open_from or NEVER, *chances))
    return header, rows


def shown_dates(view: ForecastView) -> Table:
    """Dates of what is not ready yet, as a terminal shows them."""
    header, rows = dates_table(view)
    at = header.index
    shown: list[tuple[Value, ...]] = []
    for row in rows:
        if row[at("state")] != State.READY.value:
            place = f"{row[at('site')]} {row[at('place')]}".strip()
            dates = (row[at(f"ready_{chance}_percent")] for chance in (10, 50, 90))
            shown.append((row[at("name")], place, row[at("genotype")], row[at("area_cm2")], *dates))
    return ("name", "place", "genotype", "cm2", "10_%", "50_%", "90_%"), shown


def stock_table(lines: Sequence[StockLine]) -> Table:
    """One row a day and nursery, species or genotype."""
    header = (
        *("day", "of", "species", "genotype", "expected", "low_80", "high_80", "low_95", "high_95"),
        "outplanting_not_wanted",
    )
    return header, [
        (
            *(one.day, one.whole, one.species, one.genotype, one.expected),
            *(one.low_80, one.high_80, one.low_95, one.high_95, one.closed),
        )
        for one in lines
    ]


def shown_stock(view: ForecastView, by: Sequence[date]) -> Table:
    """Numbers by some days as a terminal shows them: a row each for the nursery and its genotypes."""
    rows: list[tuple[Value, ...]] = []
    by_key = {(one.whole, one.species, one.genotype, one.day): one for one in view.stock}
    several = len({species for _, species in view.knowledge.names}) > 1
    keys = [("nursery", "", "")]
    if several:
        keys += [
            ("species", species, "") for species in dict.fromkeys(species for _, species in view.knowledge.names)
        ]
    keys += [("genotype", species, genotype) for genotype, species in view.knowledge.names]
    for whole, species, genotype in keys:
        lines = [by_key[whole, species, genotype, day] for day in by]
        name = {"nursery": "all", "species": species or "no species"}.get(whole, genotype or "no genotype")
        if whole != "nursery" and all(line.high_95 == 0 for line in lines):
            continue
        rows.append((name, *(_range_words(line) for line in lines)))
    return ("ready", *(f"by {day}" for day in by)), rows


def _range_words(line: StockLine) -> str:
    return f"{line.expected:.0f} ({line.low_80}–{line.high_80}; {line.low_95}–{line.high_95})"


def speeds_table(view: ForecastView) -> Table:
    """One row a genotype: what its forecast rests on."""
    header = (
        *("genotype", "species", "fragments", "speed_mm_per_month", "speed_u_mm_per_month", "own_percent"),
        *(
            "spread_mm_per_month",
            "scatter_mm",
            "loss_percent_per_month",
            "losses_seen",
            "watched_months",
            "healing_days",
        ),
    )
    known = view.knowledge
    rows: list[tuple[Value, ...]] = []
    for number, one in enumerate(known.speeds.genotypes):
        rows.append(
            (
                one.genotype,
                one.species,
                one.fragments,
                one.speed_mm_per_month if one.known else None,
                one.speed_u_mm_per_month if one.known else None,
                100 * one.own_share,
                float(np.median(known.speeds.spread[:, number])),
                float(np.median(known.speeds.scatter_mm[:, number])),
                100 * float(known.loss_per_month[:, number].mean()),
                int(known.losses.lost[number]),
                float(known.losses.months[number]),
                DAYS_PER_MONTH * float(known.lag_months[:, number].mean()),
            )
        )
    return header, rows


def aside_table(view: ForecastView) -> Table:
    """One row for each fragment or pad that no forecast is made for, and why."""
    rows: list[tuple[Value, ...]] = [
        (one.unit.name, one.unit.site, one.unit.place, one.unit.genotype, one.state.value, why)
        for one, why in view.standing.aside
    ]
    return ("name", "site", "place", "genotype", "state", "why"), rows


def deadlines_table(view: ForecastView) -> Table:
    """One row a fragment that is more likely not ready than ready when its substrate begins to fail."""
    header = ("substrate", "site", "fails_from", "failed_by", "name", "chance_percent_ready_in_time")
    return header, [
        (one.substrate, one.site, one.fails_from, one.fails_by, name, 100 * chance)
        for one in view.deadlines
        for name, chance in one.late
    ]


def past_table(view: ForecastView) -> Table:
    """How good past forecasts were, by genotype and horizon."""
    header = (
        *("genotype", "horizon", "forecasts", "inside_80_percent_range", "inside_95_percent_range"),
        *("median_error_days", "median_days_later_than_forecast"),
    )
    rows: list[tuple[Value, ...]] = [
        (
            one.genotype or "all",
            one.horizon or "all",
            one.forecasts,
            100 * one.inside_80,
            100 * one.inside_95,
            _finite(one.error_days),
            _finite(one.bias_days),
        )
        for one in view.past_lines
    ]
    return header, rows


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def past_sentence(view: ForecastView) -> str:
    """How good past forecasts were, in a sentence."""
    whole = next((one for one in view.past_lines if not (one.genotype or one.horizon)), None)
    if whole is None:
        return "Past forecasts cannot be held against what came: that takes three visits that count as growth."
    months = max(1, round((day_of(view.on) - float(view.past.origin_day.min())) / DAYS_PER_MONTH))
    when = f"the last {months} months" if months > 1 else "the last month"
    words = (
        f"In {when}, {100 * whole.inside_80:.0f} % of dates fell inside the 80 % range and"
        f" {100 * whole.inside_95:.0f} % inside the 95 % range ({whole.forecasts} forecasts)"
    )
    if not math.isfinite(whole.error_days):
        return f"{words}."
    off = f"the middle was off by {_days(whole.error_days)} in the median"
    if round(whole.bias_days) == 0:
        return f"{words}; {off}, as often too early as too late."
    side = "later" if whole.bias_days > 0 else "earlier"
    return f"{words}; {off}, and things came {_days(abs(whole.bias_days))} {side} than forecast."


def _days(days: float) -> str:
    return "1 day" if round(days) == 1 else f"{days:.0f} days"


def forecast_lines(view: ForecastView, by: Sequence[date]) -> list[str]:
    """What the forecast says beside its tables, in sentences."""
    lines = readiness_lines(view.readiness)
    if not view.readiness.verdicts:
        return lines
    lines += [
        *_nothing_lines(view),
        *closed_lines(view.settings, sorted({view.on, *by})),
        *_growth_lines(view),
        *_deadline_lines(view),
    ]
    if view.standing.verdicts:
        lines += [*_reach_lines(view, by), past_sentence(view)]
    return [clean_text(line) for line in lines]


def planning_lines(view: ForecastView, genotypes: Collection[str], by: date) -> list[str]:
    """What a plan of cuts rests on: the stock of today, borrowed speeds, how far ahead, past forecasts."""
    lines = readiness_lines(view.readiness)
    if view.readiness.of(State.UNKNOWN):
        lines.append("What is unknown today is not counted as stock.")
    lines += [_borrowed(one) for one in view.knowledge.speeds.genotypes if one.borrows and one.genotype in genotypes]
    return [clean_text(line) for line in [*lines, *_reach_lines(view, [by]), past_sentence(view)]]


def _nothing_lines(view: ForecastView) -> list[str]:
    """What leaves nothing to forecast."""
    states = Counter(one.state for one in view.readiness.verdicts)
    if states[State.READY] == len(view.readiness.verdicts):
        return ["All of it is ready today: only losses are forecast."]
    if states[State.EXCLUDED] == len(view.readiness.verdicts):
        return ["All of it is missing, dead or excluded: there is nothing to forecast."]
    if not any(one.known for one in view.knowledge.speeds.genotypes):
        return [
            "Growth is not known yet: a forecast needs two visits on which fragments grew. Photograph them again."
        ]
    reasons = Counter(why for one, why in view.standing.aside if one.state is State.NOT_YET)
    return [f"Not forecast: {count}, because {why}." for why, count in reasons.items()]


def _growth_lines(view: ForecastView) -> list[str]:
    """Genotypes that hardly grow, and those whose speed is their species'."""
    lines = []
    if view.knowledge.pace.varies > 0.5:
        lines.append("Growth of the whole nursery has quickened and slowed; the ranges allow for its doing so again.")
    middles = view.forecast.ready_days[:, 1]
    for number, one in enumerate(view.knowledge.speeds.genotypes):
        rows = (view.standing.stand.genotype == number) & ~view.standing.stand.ready
        if not rows.any():
            continue
        name = one.genotype or "Fragments without a genotype"
        small = np.isinf(view.standing.stand.target_mm[rows])
        if small.all():
            lines.append(f"{name}: the rules ask for more tissue than its plugs hold. Change the rules or the plugs.")
        elif np.isinf(middles[rows]).all():
            speed = f"{one.speed_mm_per_month:.2f} ± {1.96 * one.speed_u_mm_per_month:.2f} mm/month"
            lines.append(f"{name} does not grow ({speed}): none of what is not ready yet is forecast to be.")
        elif one.borrows:
            lines.append(_borrowed(one))
    return lines


def _borrowed(one: GenotypeSpeed) -> str:
    name = one.genotype or "Fragments without a genotype"
    return (
        f"{name}: {one.fragments} measured fragments, so {100 * (1 - one.own_share):.0f} % of its speed is"
        f" borrowed from {one.species or 'the other genotypes'}."
    )


def _deadline_lines(view: ForecastView) -> list[str]:
    return [
        f"{one.site}: {len(one.late)} of its fragments will probably not be ready before the {one.substrate} fails,"
        f" from {one.fails_from} to {one.fails_by}."
        for one in view.deadlines
    ]


def _reach_lines(view: ForecastView, by: Sequence[date]) -> list[str]:
    """How far ahead is further than growth was ever watched."""
    longest = view.watched_months
    far = [day for day in by if (day - view.on).days > longest * DAYS_PER_MONTH]
    if not far or longest <= 0:
        return []
    return [
        f"Growth was watched over {longest:.1f} months; what is forecast further ahead ({far[0]}) rests on its going"
        " on alike, through seasons that nobody has measured."
    ]


def _place(made: Forecast, on: date, day: date) -> int:
    return int(np.searchsorted(made.days, (day - on).days))


def usual_days(on: date) -> list[date]:
    """In one, three and six months."""
    return [on + timedelta(days=round(months * DAYS_PER_MONTH)) for months in (1, 3, 6)]
