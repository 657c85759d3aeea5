"""Growth as tables and sentences. Units stand in the headers."""

from __future__ import annotations

from pathlib import Path

from fragarea.growth import ADVICE, GrowthRates, contrast_sentence, genotype_sentence, rates_between_visits
from fragarea.growth_view import GrowthView
from fragarea.report.plain_tables import Table, Value
from fragarea.report.spreadsheet import clean_text

NOTES = (
    "Radial extension is that of the equivalent radius sqrt(area / pi); a month is 30.4375 days.",
    "Percent per month is compound: 100 (exp(30.4375 mu) - 1), with mu the specific growth rate per day.",
    "Every _u_ is a standard uncertainty; low and high bound the 95 % interval.",
    "p_holm is corrected for the number of pairs by Holm's procedure; below 0.05 a difference counts as shown.",
    ADVICE,
)


RATE_COLUMNS = (
    "since",
    "until",
    "measurements",
    "extension_mm_per_month",
    "extension_u_mm_per_month",
    "growth_cm2_per_month",
    "growth_u_cm2_per_month",
    "percent_per_month",
    "percent_u_per_month",
    "specific_growth_per_day",
    "specific_growth_u_per_day",
    "doubling_days",
    "doubling_u_days",
)
MOST_SENTENCES = 12  # comparisons told on the terminal


def fragment_table(view: GrowthView) -> Table:
    """One row a fragment: rates over its measurements that count as growth, and what was left out."""
    header = ("fragment", "genotype", "site", *RATE_COLUMNS, "left_out", "left_out_why")
    rows: list[tuple[Value, ...]] = []
    for curve, rates in view.fragments:
        why = "; ".join(dict.fromkeys(reason.value for _, reason in curve.left_out))
        numbers = (None, None, len(curve.points), *[None] * 10) if rates is None else _rate_values(rates)
        ends = (len(curve.left_out) + curve.undated, why)
        rows.append((curve.fragment, curve.genotype, curve.site, *numbers, *ends))
    return header, rows


def visit_table(view: GrowthView) -> Table:
    """One row for each fragment and pair of visits in turn that count as growth: rates between them."""
    header = ("fragment", "genotype", "site", *RATE_COLUMNS)
    return header, [
        (curve.fragment, curve.genotype, curve.site, *_rate_values(rates))
        for curve, _ in view.fragments
        for rates in rates_between_visits(curve.points)
    ]


def _rate_values(rates: GrowthRates) -> tuple[Value, ...]:
    return (
        rates.since.date(),
        rates.until.date(),
        rates.points,
        rates.extension_mm_per_month,
        rates.extension_u_mm_per_month,
        rates.growth_cm2_per_month,
        rates.growth_u_cm2_per_month,
        rates.percent_per_month,
        rates.percent_u_per_month,
        rates.specific_per_day,
        rates.specific_u_per_day,
        rates.doubling_days,
        rates.doubling_u_days,
    )


def genotype_table(view: GrowthView) -> Table:
    """One row a genotype."""
    header = (
        "genotype",
        "fragments",
        "measurements",
        "extension_mm_per_month",
        "extension_u_mm_per_month",
        "low_mm_per_month",
        "high_mm_per_month",
        "spread_between_fragments_mm_per_month",
        "method",
        "in_words",
    )
    rows: list[tuple[Value, ...]] = []
    for one in view.genotypes.genotypes:
        numbers = (
            one.extension_mm_per_month,
            one.extension_u_mm_per_month,
            one.low_mm_per_month,
            one.high_mm_per_month,
            one.spread_mm_per_month,
        )
        known = [None if number != number else number for number in numbers]
        rows.append((one.genotype, one.fragments, one.points, *known, one.method.value, genotype_sentence(one)))
    return header, rows


def contrast_table(view: GrowthView) -> Table:
    """One row a pair of genotypes."""
    header = (
        "faster",
        "slower",
        "difference_mm_per_month",
        "difference_u_mm_per_month",
        "low_mm_per_month",
        "high_mm_per_month",
        "p",
        "p_holm",
        "in_words",
    )
    return header, [
        (
            one.faster,
            one.slower,
            one.difference_mm_per_month,
            one.difference_u_mm_per_month,
            one.low_mm_per_month,
            one.high_mm_per_month,
            one.p_value,
            one.p_holm,
            contrast_sentence(one),
        )
        for one in view.contrasts
    ]


def look_table(view: GrowthView) -> Table:
    """One row a fragment to look at, gravest first."""
    header = ("fragment", "genotype", "site", "photo", "taken_on", "seen")
    return header, [
        (
            one.fragment,
            one.genotype,
            one.site,
            one.now.photo,
            one.now.taken_at.date(),
            "; ".join(finding.words for finding in one.findings),
        )
        for one in view.concerns
    ]


def mixup_table(view: GrowthView) -> Table:
    """One row a group of fragments that may have changed places."""
    header = ("site", "visit", "fragments", "odds")
    return header, [
        (one.site, one.taken_at.date(), " and ".join(one.fragments), one.odds_words) for one in view.mixups
    ]


def left_out_table(view: GrowthView) -> Table:
    """One row a reason for which measurements do not count as growth."""
    return ("measurements", "why"), [(count, reason.value) for reason, count in view.left_out.items()]


def growth_tables(view: GrowthView, *, each_visit: bool = False) -> dict[str, Table]:
    """All tables by title; with `each_visit` rates from each visit to the next too."""
    tables = {
        "Genotypes": genotype_table(view),
        "Comparisons": contrast_table(view),
        "Fragments": fragment_table(view),
        "Look first": look_table(view),
        "Changed places": mixup_table(view),
        "Left out": left_out_table(view),
    }
    if each_visit:
        tables["Between visits"] = visit_table(view)
    return tables


def csv_name(path: Path, title: str) -> Path:
    """The file of a table: fragments have `path` itself, others their title at its end."""
    return (
        path
        if title == "Fragments"
        else path.with_name(f"{path.stem}-{title.lower().replace(' ', '-')}{path.suffix}")
    )


def summary_lines(view: GrowthView) -> list[str]:
    """The answers in sentences: genotypes, comparisons, what was left out, what to look at, doubts."""
    lines = [genotype_sentence(one) for one in view.genotypes.genotypes]
    lines += [contrast_sentence(one) for one in view.contrasts[:MOST_SENTENCES]]
    if len(view.contrasts) > MOST_SENTENCES:
        lines.append(f"{len(view.contrasts) - MOST_SENTENCES} more comparisons of genotypes: write them with --to.")
    for name, lag in sorted(view.lags.items()):
        lines.append(
            f"{name or 'Fragments without a genotype'}: healing lag {lag.lag_days:.0f} days after cutting"
            f" (95 % {lag.low_days:.0f} to {lag.high_days:.0f}, {lag.fragments} fragments)."
        )
    if view.left_out:
        reasons = "; ".join(f"{number} {reason.value}" for reason, number in view.left_out.items())
        lines.append(f"Measurements that do not count as growth: {reasons}.")
    if view.concerns:
        lines.append("Look at these first:")
        lines += [f"  {one.fragment}: {'; '.join(f.words for f in one.findings)}" for one in view.concerns]
        lines.append(ADVICE)
    for mixup in view.mixups:
        lines.append(
            f"{mixup.site}, {mixup.taken_at:%Y-%m-%d}: {' and '.join(mixup.fragments)} may have changed places"
            f" (odds {mixup.odds_words}). {mixup.doubt.kind.do.capitalize()}."
        )
    return [clean_text(line) for line in lines]
