"""Outplanting as tables: for the terminal, as CSV and as a workbook. Units stand in the headers."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import date

from fragarea.measurement import FragmentStatus
from fragarea.nursery import Fragment, Outplanting
from fragarea.nursery.outplanting import EXAMPLE
from fragarea.nursery.words import did_you_mean
from fragarea.outplant import State, Verdict, next_open
from fragarea.outplant_view import ReadinessView
from fragarea.report import format_area
from fragarea.report.plain_tables import Table, Value
from fragarea.report.spreadsheet import clean_text

ADVICE = (
    "This is advice from photos and the rules in nursery.toml. Permits, health certificates and local rules decide"
    " what may be cut, moved or planted; signs of disease or bleaching belong to a veterinarian or the permit holder."
)
"""Stands under every output."""

NO_RULES = f"""\
nursery.toml: it says nothing of when a fragment is ready. Add the rules of your permit and practice, such as:

{EXAMPLE}
"""


def readiness_table(view: ReadinessView) -> Table:
    """One row a fragment or pad."""
    header = (
        "name",
        "site",
        "place",
        "species",
        "genotype",
        "state",
        "why",
        "area_cm2",
        "area_u_cm2",
        "cover_percent",
        "bleached_percent",
        "age_days",
        "fused_percent",
        "last_photo",
        "note",
    )
    return header, [_row(one) for one in view.verdicts]


def ready_table(view: ReadinessView) -> Table:
    """The pull list: what is ready, by site and place, with a column to tick."""
    header, rows = readiness_table(view)
    kept = [place for place, name in enumerate(header) if name not in ("state", "why")]
    ready = [row for row, one in zip(rows, view.verdicts, strict=True) if one.state is State.READY]
    return ("pulled", *(header[i] for i in kept)), [(None, *(row[i] for i in kept)) for row in ready]


def shown_readiness(view: ReadinessView, *, every: bool) -> Table:
    """What is ready, or everything with the reasons, as a terminal shows it."""
    chosen = view.verdicts if every else view.of(State.READY)
    rows: list[tuple[Value, ...]] = []
    for one in chosen:
        unit, last = one.unit, one.last
        measured = last is not None and last.status is not FragmentStatus.MISSING
        area = format_area(last.area_mm2, 1.96 * last.area_u_mm2) if last and measured else ""
        head = (unit.site, unit.place, unit.name, unit.genotype, area)
        # what excludes it is mostly what the note says too
        told = "; ".join([*one.why, *([unit.note] if unit.note and one.state is not State.EXCLUDED else [])])
        rows.append((*head, one.state.value, told) if every else (*head, unit.note))
    return ("site", "place", "name", "genotype", "live_area", *(("state", "why") if every else ("note",))), rows


def _row(verdict: Verdict) -> tuple[Value, ...]:
    unit, last, measures = verdict.unit, verdict.last, verdict.measures

    def percent(name: str) -> float | None:
        return 100 * measures[name] if name in measures else None

    age = measures.get("age_days")
    return (
        unit.name,
        unit.site,
        unit.place,
        unit.species,
        unit.genotype,
        verdict.state.value,
        "; ".join(verdict.why),
        last.area_mm2 / 100 if last else None,
        last.area_u_mm2 / 100 if last else None,
        percent("cover"),
        percent("bleached"),
        None if age is None else int(age),
        percent("fused"),
        last.taken_at.date() if last else None,
        unit.note,
    )


def readiness_by_genotype(view: ReadinessView) -> Table:
    """How many of each genotype stand where."""
    counts = Counter((one.unit.species, one.unit.genotype, one.state) for one in view.verdicts)
    rows: list[tuple[Value, ...]] = [
        (genotype, species, *(counts[species, genotype, state] for state in State))
        for genotype, species in sorted({(one.unit.genotype, one.unit.species) for one in view.verdicts})
    ]
    return ("genotype", "species", *(state.value.replace(" ", "_") for state in State)), rows


def closed_lines(settings: Outplanting, days: Iterable[date]) -> list[str]:
    """Of which of some days the nursery says that outplanting is not wanted, and when it is again."""
    lines = []
    for day in days:
        if name := settings.closed_on(day):
            opens = next_open(day, settings)
            after = f"It is wanted again from {opens}." if opens else "No open day is set within four years."
            lines.append(clean_text(f"On {day} outplanting is not wanted ({name}). {after}"))
    return lines


def idle_lines(settings: Outplanting, fragments: Sequence[Fragment]) -> list[str]:
    """Names in rules and under broodstock that no fragment has: mostly slips of the pen, and then no limit holds."""
    named = [
        *((f"rules[{i}]", "genotype", rule.genotype) for i, rule in enumerate(settings.rules, 1)),
        *((f"rules[{i}]", "species", rule.species) for i, rule in enumerate(settings.rules, 1)),
        *((f"broodstock[{i}]", "colony", colony.name) for i, colony in enumerate(settings.colonies, 1)),
    ]
    known = {
        "genotype": {one.genotype for one in fragments} - {""},
        "species": {one.species for one in fragments} - {""},
        "colony": {one.broodstock for one in fragments} - {""},
    }
    # species alone may be written in capitals or not
    same = {what: {name.casefold() if what == "species" else name for name in names} for what, names in known.items()}
    return [
        clean_text(
            f"nursery.toml: outplanting.{where} is for {what} {name!r}, which no fragment of fragments.csv has."
            f" {did_you_mean(name, sorted(known[what]))}"
        )
        for where, what, name in named
        if name and (name.casefold() if what == "species" else name) not in same[what]
    ]


def readiness_lines(view: ReadinessView) -> list[str]:
    """The answer in sentences."""
    if not view.verdicts:
        return [
            f"Nothing stands in the nursery on {view.on}. Say in placements.csv where each fragment stands, and from"
            " which day on."
        ]
    counts = Counter(one.state for one in view.verdicts)
    lines = [f"On {view.on}: " + ", ".join(f"{counts[state]} {state.value}" for state in State) + "."]
    unknown = view.of(State.UNKNOWN)
    if len(unknown) == len(view.verdicts) and all(one.last is not None for one in unknown):
        newest = max(one.last.taken_at.date() for one in unknown if one.last is not None)
        if any("too old" in reason for one in unknown for reason in one.why):
            lines.append(f"The newest photo is of {newest}. Photograph the trays again, or give --on {newest}.")
    return [clean_text(line) for line in lines]
