"""Forecasts of pads and times on pads as tables and sentences. Units stand in the headers."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import date

from fragarea.closing_view import ClosingView, TimesView
from fragarea.fusion.forecast import HORIZON_DAYS, Dates, PadForecast, PairForecast, Verdict
from fragarea.fusion.speeds import RateSource
from fragarea.fusion.survival import DRAWS, LEAST_PADS, EventCurve, EventTimes
from fragarea.report.plain_tables import Table, Value
from fragarea.report.spreadsheet import clean_text

_GOALS = {
    "half_contact": "half of its neighbour pairs in contact",
    "all_contact": "all neighbour pairs in contact",
    "half_fused": "half of its pairs of one genotype fused",
    "all_fused": "all pairs of one genotype fused",
}
_SHORT_GOALS = {
    "half_contact": "half in contact",
    "all_contact": "all in contact",
    "half_fused": "half fused",
    "all_fused": "all fused",
}
_BOUNDS = ("low_80", "high_80", "low_95", "high_95")
_MOST_LINES = 20


def forecast_notes(view: ClosingView) -> tuple[str, ...]:
    """What the columns of forecasts mean, and what forecasts do not know."""
    return (
        "Forecasts start at the last visit of each pad. A gap closes by both edges, each at the radial extension of "
        "its fragment; rate tells where that comes from. Edges that scatter, fragments that differ, and a genotype's "
        "rate that all its fragments share are in the intervals.",
        f"contact: the day on which the gap is {view.rules.contact_mm:g} mm. fused: the day on which the neck is "
        f"{view.rules.neck_mm:g} mm, as for two discs that meet. low and high bound the 80 and 95 % intervals; empty "
        f"is later than {HORIZON_DAYS / 365.25:.0f} years, or never.",
        "A pad's pairs may quicken and slow together, by as much as visits showed so far (pace) or, where fewer than "
        "four tell it, by 10 % (common practice, no source). When in the year is not known. Losses, shading and how "
        "far a fragment has yet to heal are not in the forecasts.",
        "past: forecasts made anew from what earlier visits had told. What happened is known to lie between two "
        "visits; an interval that has a day in common with that time held it. Judged are those whose event was seen, "
        "or whose interval has passed.",
    )


def times_notes() -> tuple[str, ...]:
    """What the columns of times mean."""
    return (
        "Times count from the day on which the fragments stood on the pad (placements.csv), else from its first "
        "visit. An event came after the last visit without it and at the first visit with it at the latest; pairs "
        "that have not come yet are open.",
        "Curves: Turnbull's estimate for times between visits; it falls at the latest day that the visits allow. Its "
        f"bands and the intervals of medians come from {DRAWS} draws of whole pads, with {LEAST_PADS} pads or more.",
        "Comparison: log-rank scores for times between visits; p by permuting pads between groups, because pairs of "
        "a pad are not independent.",
    )


def _told(dates: Dates | None) -> tuple[date | None, ...]:
    if dates is None:
        return (None,) * 5
    return (dates.median, *(getattr(dates, name) for name in _BOUNDS))


def pad_forecast_table(view: ClosingView) -> Table:
    """One row a pad and goal."""
    header = ("site", "visit", "goal", "reached", "date", *_BOUNDS, "why_no_date", "doubt")
    rows: list[tuple[Value, ...]] = []
    for one in view.forecasts:
        for name, goal in _GOALS.items():
            reached = name in one.reached
            why = "" if reached else one.why.get(name, "")
            rows.append(
                (
                    *(one.site, one.made_on, goal, "yes" if reached else "no"),
                    *(*_told(getattr(one, name)), why, one.doubt),
                )
            )
    return header, rows


def pair_forecast_table(view: ClosingView) -> Table:
    """One row a pair of neighbours."""
    header = (
        *("site", "visit", "fragment_a", "fragment_b", "genotype_a", "genotype_b", "state", "gap_mm", "gap_u_mm"),
        *("closing_mm_per_month", "closing_u_mm_per_month", "rate", "contact"),
        *(f"contact_{name}" for name in _BOUNDS),
        *("fused", *(f"fused_{name}" for name in _BOUNDS), "why_no_contact_date", "why_no_fused_date"),
    )
    return header, [_pair_row(pair) for one in view.forecasts for pair in one.pairs]


def _pair_row(one: PairForecast) -> tuple[Value, ...]:
    pair = one.last
    return (
        *(pair.site, pair.day, pair.fragment_a, pair.fragment_b, pair.genotype_a, pair.genotype_b),
        *(pair.state.value, _known(pair.gap_mm), _known(pair.gap_u_mm)),
        *(_known(one.closing_mm_per_month), _known(one.closing_u_mm_per_month), one.source.value),
        *(*_told(one.contact), *_told(one.fused), one.contact_why, one.fused_why),
    )


def past_table(view: ClosingView) -> Table:
    """One row a past forecast of contact."""
    header = (
        *("site", "forecast_on", "fragment_a", "fragment_b", "gap_mm", "rate", "contact"),
        *(*(f"contact_{name}" for name in _BOUNDS), "apart_until", "touching_on", "interval_80", "interval_95"),
    )
    return header, [
        (
            *(one.forecast.last.site, one.forecast.last.day, *one.forecast.last.names, one.forecast.last.gap_mm),
            *(one.forecast.source.value, *_told(one.forecast.contact), one.after, one.until),
            *(one.verdict_80.value, one.verdict_95.value),
        )
        for one in view.past
    ]


def shown_forecasts(view: ClosingView) -> Table:
    """Pads for a terminal: medians with 80 % intervals."""
    header = ("site", "from", "goal", "date", "80 %")
    rows: list[tuple[Value, ...]] = []
    for one in view.forecasts:
        for name, goal in _SHORT_GOALS.items():
            dates: Dates | None = getattr(one, name)
            span = _span(dates.low_80, dates.high_80) if dates else ""
            when = "reached" if name in one.reached else f"{dates.median}" if dates else "no date"
            rows.append((one.site, one.made_on, goal, when, span))
    return header, rows


def shown_pair_forecasts(view: ClosingView) -> Table:
    """Pairs that are not fused, for a terminal; ± is the expanded uncertainty (95 %)."""
    header = ("site", "pair", "gap_mm", "mm/month", "contact", "80 %", "fused")
    rows: list[tuple[Value, ...]] = []
    for one in view.forecasts:
        for pair in one.pairs:
            last = pair.last
            if last.fused:
                continue
            rate = "–"
            if not math.isnan(pair.closing_mm_per_month):
                rate = f"{pair.closing_mm_per_month:.2f}±{1.96 * pair.closing_u_mm_per_month:.2f}"
            gap = "no tissue" if math.isnan(last.gap_mm) else f"{last.gap_mm:.1f}"
            contact, span = _month(pair.contact), ""
            if last.touching:
                contact = last.state.value
            elif pair.contact:
                high = f"{pair.contact.high_80:%Y-%m}" if pair.contact.high_80 else "open"
                span = f"{pair.contact.low_80:%Y-%m} to {high}"
            fused = _month(pair.fused) if last.one_genotype else "never"
            rows.append((one.site, f"{last.fragment_a}–{last.fragment_b}", gap, rate, contact, span, fused))
    return header, rows


def _month(dates: Dates | None) -> str:
    return f"{dates.median:%Y-%m}" if dates else "no date"


def forecast_lines(view: ClosingView) -> list[str]:
    """What the forecasts say, in sentences: pads, rates, past forecasts, doubts."""
    lines = _at_most([_sentence(one) for one in view.forecasts], "pads")
    lines += _at_most([f"{one.site}: doubtful: {one.doubt}" for one in view.forecasts if one.doubt], "doubts")
    for genotype in sorted(
        {g for f in view.forecasts for p in f.pairs for g in (p.last.genotype_a, p.last.genotype_b)}
    ):
        named = f"Genotype {genotype}" if genotype else "Fragments without a genotype"
        source = view.speeds.source_of(genotype)
        if source is RateSource.NONE:
            lines.append(f"{named}: no growth rate known; two fragments with two visits each are needed.")
            continue
        growth = view.speeds.growth[genotype]
        where = "measured on pads" if source is RateSource.PADS else "taken from trays: pads tell too little yet"
        half = 1.96 * growth.extension_u_mm_per_month
        lines.append(
            f"{named}: {growth.extension_mm_per_month:.2f} ± {half:.2f} mm a month, {where} "
            f"({growth.fragments} fragments, {growth.method.value})."
        )
    return [clean_text(line) for line in [*lines, *_past_lines(view)]]


def _past_lines(view: ClosingView) -> list[str]:
    if not view.forecasts:
        return []
    judged = [one for one in view.past if one.verdict_95 is not Verdict.OPEN or one.verdict_80 is not Verdict.OPEN]
    if not judged:
        return ["No earlier forecast can be judged yet: that takes a visit after the days that one named."]
    lines = []
    for level in (80, 95):
        counts = Counter(getattr(one, f"verdict_{level}") for one in view.past)
        decided = sum(counts.values()) - counts[Verdict.OPEN]
        if decided:
            lines.append(
                f"Forecasts of contact that earlier visits would have given: the {level} % interval held what "
                f"happened in {counts[Verdict.HELD]} of {decided} ({counts[Verdict.EARLY]} came earlier, "
                f"{counts[Verdict.LATE]} later; {counts[Verdict.OPEN]} not decided yet)."
            )
    return lines


def _sentence(one: PadForecast) -> str:
    if one.reached >= {"all_contact", "all_fused"}:
        return f"{one.site}: all neighbours are in contact and all pairs that can fuse are fused."
    parts = []
    for name in ("all_contact", "all_fused"):
        dates: Dates | None = getattr(one, name)
        if name in one.reached:
            parts.append(f"{_GOALS[name]} already")
        elif dates is not None:
            parts.append(f"{_GOALS[name]} by {dates.median} (95 %: {_span(dates.low_95, dates.high_95)})")
        else:
            parts.append(f"no date for {_GOALS[name]}: {one.why.get(name, '')}")
    return f"{one.site}, from {one.made_on}: {'; '.join(parts)}."


def _span(low: date, high: date | None) -> str:
    return f"{low} to {high}" if high else f"from {low}, end open"


def curve_table(view: TimesView) -> Table:
    """One row a step of a curve."""
    header = ("event", "group", "days", "still_waiting_percent", "low_percent", "high_percent", "method")
    return header, [
        (
            *(times.event.value, curve.group, float(day), 100 * float(share)),
            *(_known(100 * float(low)), _known(100 * float(high)), curve.method),
        )
        for times in (view.contact, view.fusion)
        for curve in times.curves
        for day, share, low, high in zip(curve.days, curve.waiting, curve.low, curve.high, strict=True)
    ]


def times_table(view: TimesView) -> Table:
    """One row a pair and event."""
    header = ("event", "site", "pair", "group", "after_days", "until_days")
    return header, [
        (times.event.value, one.pad, one.pair, one.group, one.lower_days, _finite(one.upper_days))
        for times in (view.contact, view.fusion)
        for one in times.times
    ]


def comparison_table(view: TimesView) -> Table:
    """One row a group and event, with the test of all its groups."""
    header = (
        *("event", "by", "group", "pads", "pairs", "events", "median_days", "median_low_days", "median_high_days"),
        *("test", "statistic", "p", "why_no_test"),
    )
    return header, [
        (
            *(times.event.value, times.grouping.value, curve.group, curve.pads, curve.pairs, curve.events),
            *(_finite(one) for one in (curve.median_days, curve.median_low_days, curve.median_high_days)),
            *(times.comparison.method, _known(times.comparison.statistic), _known(times.comparison.p_value)),
            times.comparison.why_not,
        )
        for times in (view.contact, view.fusion)
        for curve in times.curves
    ]


def shown_times(view: TimesView) -> Table:
    """Groups for a terminal."""
    header = ("event", "group", "pads", "pairs", "came", "half by, days", "95 %")
    return header, [
        (
            *(times.event.value, curve.group, curve.pads, curve.pairs, curve.events),
            *("–" if math.isinf(curve.median_days) else f"{curve.median_days:.0f}", _interval(curve)),
        )
        for times in (view.contact, view.fusion)
        for curve in times.curves
    ]


def _interval(curve: EventCurve) -> str:
    if math.isnan(curve.median_low_days):
        return f"needs {LEAST_PADS} pads"
    if math.isinf(curve.median_low_days):
        return "–"
    high = "open" if math.isinf(curve.median_high_days) else f"{curve.median_high_days:.0f}"
    return f"{curve.median_low_days:.0f} to {high}"


def times_lines(view: TimesView) -> list[str]:
    """What the times say, in sentences."""
    return [clean_text(line) for times in (view.contact, view.fusion) for line in _times_lines(times)]


def _times_lines(times: EventTimes) -> list[str]:
    what = f"Time to {times.event.value} by {times.grouping.value}"
    if not times.curves:
        return [f"{what}: no pair has a time yet.", *_left_out(times)]
    lines = []
    for curve in times.curves:
        if math.isinf(curve.median_days):
            told = "fewer than half have come yet, so no median"
        else:
            told = f"half by day {curve.median_days:.0f}"
            if not math.isnan(curve.median_low_days):
                told += f" (95 %: {_interval(curve)})"
        lines.append(
            f"{what}, {curve.group}: {curve.events} of {curve.pairs} pairs on {curve.pads} "
            f"{'pad' if curve.pads == 1 else 'pads'}; {told}."
        )
    test = times.comparison
    if test.why_not:
        lines.append(f"{what}: not compared: {test.why_not}.")
    else:
        verdict = "differ" if test.p_value < 0.05 else "no difference is shown"
        shown = "p < 0.001" if test.p_value < 0.001 else f"p = {test.p_value:.3f}"
        lines.append(f"{what}: {verdict} ({', '.join(test.groups)}; {test.method}, {shown}).")
    return lines + _left_out(times)


def _left_out(times: EventTimes) -> list[str]:
    if not times.left_out:
        return []
    reasons = "; ".join(f"{number} {why}" for why, number in sorted(times.left_out.items()))
    return [f"Pairs without a time to {times.event.value}: {reasons}."]


def forecast_tables(view: ClosingView) -> Mapping[str, Table]:
    """The sheets of a workbook, and by their names the files of CSV."""
    return {
        "Forecast": pad_forecast_table(view),
        "Forecast pairs": pair_forecast_table(view),
        "Past forecasts": past_table(view),
    }


def times_tables(view: TimesView) -> Mapping[str, Table]:
    """The sheets of a workbook, and by their names the files of CSV."""
    return {"Comparison": comparison_table(view), "Curves": curve_table(view), "Times": times_table(view)}


def _at_most(lines: Sequence[str], what: str) -> list[str]:
    if len(lines) <= _MOST_LINES:
        return list(lines)
    return [*lines[:_MOST_LINES], f"... and {len(lines) - _MOST_LINES} more {what}; --to FILE.xlsx writes all."]


def _known(value: float) -> float | None:
    return None if math.isnan(value) else value


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
