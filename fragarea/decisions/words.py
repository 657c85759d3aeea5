"""Decisions in sentences, for the terminal."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from itertools import pairwise

from fragarea.decisions.exchanges import ExchangePlan, Exchanges
from fragarea.growth import MixUp
from fragarea.logbook import ExchangeDecision, Mark
from fragarea.nursery import Placement
from fragarea.nursery.exchanging import PlacementChange
from fragarea.report.spreadsheet import clean_text
from fragarea.report.words import place_words

_SHOWN = 5


def exchange_lines(exchanges: Exchanges, folder: str) -> list[str]:
    """Open exchanges with the command that decides them, then what was decided.

    Parameters
    ----------
    exchanges : Exchanges
    folder : str
        The nursery folder as the user gave it.
    """
    lines = [line for mixup in exchanges.open for line in _open_lines(mixup, folder)]
    if not exchanges.open:
        lines.append("No fragments seem to have changed places but for what was decided.")
    if exchanges.decided:
        lines += ["", "Decided (the same command with --undo takes it back):"]
        lines += [f"  {_decided(one)}" for one in exchanges.decided]
    return [clean_text(line) for line in lines]


def _open_lines(mixup: MixUp, folder: str) -> list[str]:
    names = " and ".join(mixup.fragments)
    words = ["fragarea", "exchange", folder, *mixup.fragments, "--on", f"{mixup.taken_at:%Y-%m-%d}"]
    command = f"{shlex.join(words)} --by NAME --because WHY"
    return [
        f"{mixup.site}, {mixup.taken_at:%Y-%m-%d}: {names} may have changed places (odds {mixup.odds_words}).",
        "  Look at them. If they did:",
        f"    {command}",
        "  If they stand as recorded:",
        f"    {command} --as-recorded",
    ]


def _decided(one: ExchangeDecision) -> str:
    when = f" on {one.decided_at:%Y-%m-%d}" if one.decided_at else ""
    what = "changed places" if one.verdict == "accepted" else one.verdict
    return f"{one.site}, {one.on}: {' and '.join(one.fragments)}: {what}, said {one.decided_by}{when} ({one.reason})"


def plan_lines(plan: ExchangePlan) -> list[str]:
    """What a plan changes, in the table and among the measurements."""
    one = plan.decision
    lines = []
    if plan.takes_back is None:
        fragments = [*one.fragments, one.fragments[0]]
        lines.append(f"{one.site}, from {one.on} on:")
        lines += [f"  {name} stands where {other} was recorded" for name, other in pairwise(fragments)]
        if one.odds is None:
            lines.append("  (the outlines alone gave no reason to doubt the record; your word counts)")
    if plan.content != plan.table.content:
        lines.append(f"{plan.table.path.name}:")
        lines += [f"  {_change(change, back=plan.takes_back is not None)}" for change in plan.changes]
    if plan.left_blank:
        lines.append(f"  columns left blank in new lines: {', '.join(plan.left_blank)}")
    if plan.renaming.renamed:
        lines.append(f"{_photos(plan.renaming.renamed)}: areas go to the other name; nothing is measured again")
    if plan.renaming.to_measure:
        lines.append(f"{_photos(plan.renaming.to_measure)}: to be measured again, with fragarea measure")
    return [clean_text(line) for line in lines]


def _change(change: PlacementChange, *, back: bool) -> str:
    if change.before is None:
        return f"{'line taken out' if back else 'new line'}: {_row(change.after)}"
    old, new = (change.after, change.before) if back else (change.before, change.after)
    line = f"line {change.line}: " if change.line else ""
    if old.fragment != new.fragment:
        return f"{line}{_row(old)}: now {new.fragment}"
    return f"{line}{_row(old)}: {f'ends on {new.until}' if new.until else 'ends no more'}"


def _row(placement: Placement) -> str:
    place = (
        f"row {placement.row} column {placement.column}"
        if placement.row is not None
        else placement.place or f"x {placement.x_mm} y {placement.y_mm} mm"
    )
    until = f" to {placement.until}" if placement.until else ""
    return f"{placement.fragment}, {placement.site} {place}, from {placement.since}{until}"


def _photos(paths: Sequence[str]) -> str:
    shown = ", ".join(paths[:_SHOWN]) + (", ..." if len(paths) > _SHOWN else "")
    return f"{len(paths)} photo{'s' if len(paths) > 1 else ''} ({shown})"


def mark_lines(marks: Sequence[Mark]) -> list[str]:
    """Every mark with who made it and why."""
    if not marks:
        return ["No measurement is marked wrong."]
    return [
        clean_text(
            f"{mark.fragment or place_words(mark.place)}, {mark.site},"
            f" {f'{mark.taken_at:%Y-%m-%d}' if mark.taken_at else 'date unknown'} ({mark.photo}): {mark.said}"
        )
        for mark in marks
    ]
