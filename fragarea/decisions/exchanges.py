"""Fragments that changed places: accepted, set aside, or taken back. Nothing is ever renamed without a person."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from typing import Any

from fragarea.batch import compare_histories
from fragarea.decisions.names import Renaming, recorded_names, renaming
from fragarea.decisions.table import (
    TableFile,
    change_record,
    changes_in,
    former_content,
    keep_former,
    placements_file,
    placements_in,
    replace_table,
)
from fragarea.errors import LogbookProblem, SettingsProblem, TableProblem
from fragarea.growth import MixUp, doubt_exchanges
from fragarea.logbook import (
    ExchangeDecision,
    Logbook,
    StoredMeasurement,
    Verdict,
    current_measurements,
    exchange_decisions_of,
    keep_exchange_decision,
)
from fragarea.nursery import Nursery, Tables, load_tables
from fragarea.nursery.exchanging import (
    PlacementChange,
    changed_table,
    exchange_changes,
    other_columns,
    restored_table,
    with_changes,
)
from fragarea.nursery.placements import numbered_placements
from fragarea.nursery.words import did_you_mean, tidy
from fragarea.sites.records import SiteKind


@dataclass(frozen=True)
class Exchanges:
    """What is known about fragments that changed places.

    Attributes
    ----------
    open : tuple of MixUp
        Nobody decided about them.
    decided : tuple of ExchangeDecision
        Those that hold, oldest first.
    """

    open: tuple[MixUp, ...]
    decided: tuple[ExchangeDecision, ...]


@dataclass(frozen=True)
class ExchangePlan:
    """What a decision changes, before it is carried out.

    Attributes
    ----------
    decision : ExchangeDecision
    table : TableFile
        The placements as they are.
    content : bytes
        The placements as they are to be.
    changes : tuple of PlacementChange
        Between the two; those that are taken back where a decision is.
    renaming : Renaming
        What it means for photos measured before.
    left_blank : tuple of str
        Columns of the table that mean nothing here, blank in new lines.
    takes_back : int or None
        Number of the decision that is taken back.
    """

    decision: ExchangeDecision
    table: TableFile
    content: bytes
    changes: tuple[PlacementChange, ...]
    renaming: Renaming
    left_blank: tuple[str, ...] = ()
    takes_back: int | None = None


def list_exchanges(logbook: Logbook, nursery: Nursery) -> Exchanges:
    """Exchanges that nobody decided about, and those decided; doubts in the logbook are brought up to date."""
    found = doubt_exchanges(logbook, load_tables(nursery))
    return Exchanges(found, tuple(exchange_decisions_of(logbook)))


def plan_exchange(
    logbook: Logbook, nursery: Nursery, fragments: Sequence[str], on: date, *, by: str, because: str
) -> ExchangePlan:
    """What accepting an exchange would change.

    Parameters
    ----------
    logbook : Logbook
    nursery : Nursery
    fragments : sequence of str
        Each stands where the record has the next one, and the last where it has the first.
    on : date
        The first visit on which they stood so.
    by, because : str

    Raises
    ------
    SettingsProblem
        If a fragment is not known, if they did not stand on one tray that day, if there was no visit, or if that was
        decided already.
    TableProblem
    LogbookProblem
    """
    tables = load_tables(nursery)
    decision = _decision(logbook, nursery, tables, fragments, on, by=by, because=because, verdict=Verdict.ACCEPTED)
    table = placements_file(nursery)
    numbered = numbered_placements(table.path, tables.fragments, nursery)
    changes = exchange_changes(numbered, decision.fragments, on)
    content = changed_table(table.path, changes, by=by, because=because)
    after = placements_in(content, table, tables.fragments, nursery)
    if sorted(after, key=repr) != sorted(with_changes(tables.placements, changes), key=repr):
        raise TableProblem(table.path.name, ["this table could not be changed safely; save it as a plain CSV file"])
    new = any(change.before is None for change in changes)
    return ExchangePlan(
        decision=decision,
        table=table,
        content=content,
        changes=changes,
        renaming=renaming(logbook, nursery, tables, replace(tables, placements=after), since=on),
        left_blank=other_columns(table.path) if new else (),
    )


def plan_undo(
    logbook: Logbook, nursery: Nursery, fragments: Sequence[str], on: date, *, by: str, because: str
) -> ExchangePlan:
    """What taking back a decision would change; the table is as it was where it holds nothing newer.

    Raises
    ------
    SettingsProblem
        If there is no such decision, or the lines that it wrote have been changed since.
    TableProblem
    LogbookProblem
    """
    tables, table = load_tables(nursery), placements_file(nursery)
    names = [tidy(name) for name in fragments]
    decided = next((one for one in exchange_decisions_of(logbook) if _same(one, names, on)), None)
    if decided is None:
        raise SettingsProblem(
            f"{_and(names)}, {on}: nothing was decided about them. fragarea exchange lists what was."
        )
    back = replace(decided, verdict=Verdict.TAKEN_BACK, decided_by=by, reason=because, table_change={})
    plan = ExchangePlan(back, table, table.content, (), Renaming(), takes_back=decided.number)
    if decided.verdict is Verdict.AS_RECORDED:
        return plan
    changes = changes_in(decided.table_change)
    content = former_content(nursery, table, decided.table_change)
    if content is None:
        numbered = numbered_placements(table.path, tables.fragments, nursery)
        content = restored_table(table.path, changes, numbered)
    if content is None:
        raise SettingsProblem(
            f"{table.path.name}: lines that this exchange wrote have been changed since, perhaps by a later exchange."
            " Take the later one back first, or mend the table by hand;"
            f" {decided.table_change['former']} has it as it was before."
        )
    after = placements_in(content, table, tables.fragments, nursery)
    return replace(
        plan,
        content=content,
        changes=changes,
        renaming=renaming(logbook, nursery, tables, replace(tables, placements=after), since=on),
    )


def accept_exchange(logbook: Logbook, nursery: Nursery, plan: ExchangePlan) -> str:
    """Carry out a plan: the table, the names of measurements, the decision, all of it or nothing.

    Returns
    -------
    str
        Where the former table is kept, relative to the nursery folder.

    Raises
    ------
    FragareaError
    """
    if logbook.read_only:
        raise LogbookProblem(
            f"{logbook.name}: it may not be written. Ask for permission to write to the nursery folder."
        )
    former = keep_former(plan.table, nursery, datetime.now(UTC))
    change = change_record(plan.table, plan.content, plan.changes, former=former)
    _keep(logbook, nursery, plan, table_change=change)
    return former


def set_aside(
    logbook: Logbook, nursery: Nursery, fragments: Sequence[str], on: date, *, by: str, because: str
) -> ExchangeDecision:
    """Keep a person's word that fragments stand as recorded; the doubt goes.

    Raises
    ------
    SettingsProblem
        As :func:`plan_exchange`.
    LogbookProblem
    """
    tables = load_tables(nursery)
    decision = _decision(logbook, nursery, tables, fragments, on, by=by, because=because, verdict=Verdict.AS_RECORDED)
    keep_exchange_decision(logbook, decision)
    doubt_exchanges(logbook, tables)
    return decision


def take_back(logbook: Logbook, nursery: Nursery, plan: ExchangePlan) -> str:
    """Carry out a plan of :func:`plan_undo`.

    Returns
    -------
    str
        Where the table as it was until now is kept; empty where it does not change.

    Raises
    ------
    FragareaError
    """
    if plan.content == plan.table.content:
        _keep(logbook, nursery, plan, table_change={})
        return ""
    return accept_exchange(logbook, nursery, plan)


def _keep(logbook: Logbook, nursery: Nursery, plan: ExchangePlan, *, table_change: Mapping[str, Any]) -> None:
    changed = replace(plan.table, content=plan.content)
    try:
        keep_exchange_decision(
            logbook,
            replace(plan.decision, table_change=table_change),
            takes_back=plan.takes_back,
            attributions=plan.renaming.attributions,
            before_commit=lambda: replace_table(plan.table, changed.content),
        )
    except BaseException:
        if changed != plan.table and changed.path.read_bytes() == changed.content:
            # the logbook could not keep it, so the table must not either
            replace_table(changed, plan.table.content)
        raise
    compare_histories(logbook)
    doubt_exchanges(logbook, load_tables(nursery))


# what a decision is about


def _decision(
    logbook: Logbook,
    nursery: Nursery,
    tables: Tables,
    fragments: Sequence[str],
    on: date,
    *,
    by: str,
    because: str,
    verdict: Verdict,
) -> ExchangeDecision:
    names = [tidy(name) for name in fragments]
    known = sorted(fragment.fragment for fragment in tables.fragments)
    for name in names:
        if name not in known:
            raise SettingsProblem(f"fragment {name!r} is not in the fragments table. {did_you_mean(name, known)}")
    if len(set(names)) < max(2, len(names)):
        raise SettingsProblem(f"{_and(names)}: name two or more different fragments.")
    for one in exchange_decisions_of(logbook):
        if _same(one, names, on):
            raise SettingsProblem(
                f"{_and(names)}, {on}: {one.verdict} already, by {one.decided_by} ({one.reason})."
                " --undo takes it back."
            )
    site = _common_tray(nursery, tables, names, on)
    photos = _photos_of_visit(logbook, site, on)
    _check_names(photos, tables, names, on)
    odds = next((one.odds for one in doubt_exchanges(logbook, tables) if _is_about(one, site, names, on)), None)
    return ExchangeDecision(site, on, tuple(names), verdict, by, because, odds)


def _same(decision: ExchangeDecision, names: Sequence[str], on: date) -> bool:
    return decision.on == on and set(decision.fragments) == set(names)


def _is_about(mixup: MixUp, site: str, names: Sequence[str], on: date) -> bool:
    return (mixup.site, mixup.taken_at.date(), set(mixup.fragments)) == (site, on, set(names))


def _common_tray(nursery: Nursery, tables: Tables, names: Sequence[str], on: date) -> str:
    standing = {one.fragment: one.site for one in tables.placements if one.holds_on(on)}
    for name in names:
        if name not in standing:
            raise SettingsProblem(f"{name} stands nowhere on {on} by the placements table. Mend the table first.")
    if len({standing[name] for name in names}) > 1:
        where = ", ".join(f"{name} at {standing[name]}" for name in names)
        raise SettingsProblem(
            f"{_and(names)} do not stand on one tray on {on} ({where}). Only fragments of one tray can be"
            " exchanged here; write other moves into the placements table."
        )
    site = nursery.site(standing[names[0]])
    assert site is not None, "placements were checked against the sites"
    if site.kind is not SiteKind.TRAY:
        raise SettingsProblem(
            f"{site.name} is a {site.kind}, not a tray. Write the right names into the placements table, and run"
            " fragarea measure."
        )
    return site.name


def _photos_of_visit(logbook: Logbook, site: str, on: date) -> list[StoredMeasurement]:
    photos = current_measurements(logbook, site=site, since=on, until=on, with_outlines=False)
    if photos:
        return photos
    days = sorted(
        {
            one.measurement.taken_at.date()
            for one in current_measurements(logbook, site=site, with_outlines=False)
            if one.measurement.taken_at
        },
        key=lambda day: abs(day - on),
    )
    near = ", ".join(str(day) for day in sorted(days[:3])) or "none yet"
    raise SettingsProblem(f"{site} was not measured on {on}. Name a visit; the nearest: {near}.")


def _check_names(photos: Sequence[StoredMeasurement], tables: Tables, names: Sequence[str], on: date) -> None:
    """The table and the logbook must agree on who stands where, or an exchange would be made twice."""
    for one in photos:
        recorded = recorded_names(tables, one)
        if any(name in names and one.names.get(place, name) != name for place, name in recorded.items()):
            raise SettingsProblem(
                f"{one.path}: it was measured with other placements than the table has now."
                " Run fragarea measure first."
            )


def _and(names: Sequence[str]) -> str:
    return " and ".join(names)
