"""The manager's section of the weekly report: what is ready, what will be, what to cut."""

from __future__ import annotations

from datetime import date
from itertools import groupby
from typing import TYPE_CHECKING

from fragarea.cutting_tables import cut_lines, shown_cuts
from fragarea.cutting_view import even_mix, view_cuts
from fragarea.errors import SettingsProblem
from fragarea.forecast_tables import forecast_lines, shown_stock, usual_days
from fragarea.nursery import Goal, Nursery, Tables
from fragarea.outplant import State, Verdict
from fragarea.outplant_tables import ADVICE
from fragarea.outplant_view import ForecastView
from fragarea.report import format_area
from fragarea.report.rows import COVERAGE_FACTOR
from fragarea.weekly.records import CutGoal, PullLine, PullSite, Section, ToOutplant

if TYPE_CHECKING:
    from fragarea.weekly.album import Album
    from fragarea.weekly.sections import Week

MOST_LINES = 200
"""What is ready is listed up to so many; fragarea ready lists all."""


def days_of_interest(nursery: Nursery, today: date) -> list[date]:
    """Days for which the section tells numbers: in 1, 3 and 6 months, and those of the goals to come."""
    goals = {goal.by for goal in nursery.outplanting.goals if goal.by >= today}
    return sorted({*usual_days(today), *goals})


def to_outplant(week: Week, album: Album) -> Section | None:
    """Ready now, ready by date, what to cut; no section for a nursery without rules."""
    view = week.outplanting
    if view is None:
        return None
    ready = view.readiness.of(State.READY)
    listed = ready[:MOST_LINES]
    sites = tuple(
        PullSite(site, tuple(_line(one) for one in some)) for site, some in groupby(listed, key=lambda v: v.unit.site)
    )
    days = days_of_interest(week.nursery, view.on)
    header, rows = shown_stock(view, days) if view.standing.verdicts else (("",), [])
    content = ToOutplant(
        sites=sites,
        more=len(ready) - len(listed),
        days=tuple(header[1:]),
        stock=tuple((str(row[0]), tuple(str(cell) for cell in row[1:])) for row in rows),
        sentences=tuple(forecast_lines(view, days)),
        goals=tuple(_goal(goal, week.nursery, week.tables, view) for goal in week.nursery.outplanting.goals),
        advice=ADVICE,
    )
    return Section("to-outplant", "To outplant", content)


def _line(verdict: Verdict) -> PullLine:
    unit, last = verdict.unit, verdict.last
    assert last is not None, "what is ready was measured"
    area = format_area(last.area_mm2, COVERAGE_FACTOR * last.area_u_mm2)
    return PullLine(unit.place or "whole pad", unit.name, unit.genotype, area, unit.note)


def _goal(goal: Goal, nursery: Nursery, tables: Tables, view: ForecastView) -> CutGoal:
    number = goal.number if goal.number is not None else sum(count for _, count in goal.wanted)
    title = f"{goal.name or 'Goal'}: {number} living outplants by {goal.by}"
    if goal.by < view.on:
        return CutGoal(
            title, (), (), ("That day has passed. Take the goal out of nursery.toml, or give it another day.",)
        )
    wanted = dict(goal.wanted) if goal.number is None else even_mix(view, goal.number)
    if not wanted:
        return CutGoal(title, (), (), ("Growth is not known yet: planning cuts needs two visits.",))
    try:
        cuts = view_cuts(view, nursery, tables, wanted, by=goal.by)
    except SettingsProblem as problem:
        return CutGoal(title, (), (), (str(problem),))
    header, rows = shown_cuts(cuts)
    shown = tuple(tuple("" if cell is None else str(cell) for cell in row) for row in rows)
    words = tuple(name.replace("_", " ") for name in header)
    return CutGoal(title, words, shown, tuple(cut_lines(cuts, nursery.outplanting)))
