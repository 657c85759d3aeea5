"""The manager's section, from an invented tray of discs to the page."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from fragarea.logbook import open_logbook
from fragarea.nursery import load_nursery, load_tables
from fragarea.weekly import make_weekly, render_weekly, week_of
from tests.outplant.nurseries import ON, TOML, make_discs
from tests.report.test_html import Reader

BY = ON + timedelta(days=400)
GOALS = f"""
[[outplanting.goals]]
name = "reef B"
by = {BY}
wanted = {{ G1 = 30, G2 = 10 }}
[[outplanting.goals]]
by = {ON - timedelta(days=200)}
number = 5
[[outplanting.goals]]
by = {BY}
wanted = {{ G9 = 3 }}
"""


@pytest.fixture(scope="module")
def discs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_discs(tmp_path_factory.mktemp("nurseries") / "weekly", scale=1.6)


def section(folder: Path, text: str = TOML + GOALS):
    (folder / "nursery.toml").write_text(text, encoding="utf-8")
    settings = load_nursery(folder)
    with open_logbook(folder / "logbook.sqlite") as logbook:
        week = week_of(logbook, settings, load_tables(settings), today=ON, until=ON)
        page = make_weekly(logbook, week, made_at=datetime(2026, 7, 10, tzinfo=UTC))
    return page, next((one.content for one in page.sections if one.key == "to-outplant"), None)


def test_what_is_ready_is_listed_by_place_and_the_rest_by_day(discs: Path) -> None:
    page, found = section(discs)
    (tray,) = found.sites
    assert [line.place for line in tray.lines] == sorted(line.place for line in tray.lines)
    assert {line.genotype for line in tray.lines} >= {"G2"}
    assert f"by {BY}" in found.days
    assert [name for name, _ in found.stock] == ["all", "G1", "G2"]
    seen = Reader(render_weekly(page)).seen
    assert "Permits, health certificates and local rules decide" in seen
    assert "of dates fell inside the 80 % range" in seen


def test_each_goal_says_what_to_cut_or_why_not(discs: Path) -> None:
    _, found = section(discs)
    past, reef, unknown = found.goals  # in order of their days
    assert past.title == f"Goal: 5 living outplants by {ON - timedelta(days=200)}"
    assert past.sentences[0].startswith("That day has passed.")
    assert reef.title == f"reef B: 40 living outplants by {BY}"
    assert [row[0] for row in reef.rows] == ["G1", "G2"]
    assert "genotype 'G9' does not stand in the nursery" in unknown.sentences[0]


def test_a_nursery_without_rules_has_no_such_section(discs: Path) -> None:
    text = TOML[: TOML.index("[[outplanting.rules]]")]
    _, found = section(discs, text)
    assert found is None
