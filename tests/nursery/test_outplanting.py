"""The [outplanting] part of nursery.toml, and rules of a nursery's own."""

from __future__ import annotations

import tomllib
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fragarea.errors import SettingsProblem
from fragarea.nursery import MEASURES, ExpressionFault, Outplanting, parse_expression
from fragarea.nursery.outplanting import EXAMPLE
from fragarea.nursery.settings import parse_nursery
from fragarea.sites.records import SiteKind

FULL = """
[sites.TRAY-1]
kind = "tray"
[sites."Línea é"]
kind = "single"

[outplanting]
oldest_photo_days = 30
loss_after_outplanting = 0.25
assurance = 0.95
piece_cm2 = 1.5
piece_spread = 0.3
broodstock_share = 0.05
largest_genotype_share = 0.4

[[outplanting.rules]]
min_area_cm2 = 4
max_bleached = 0.1
[[outplanting.rules]]
genotype = "G2"
min_area_cm2 = 3
[[outplanting.rules]]
site_kind = "pad"
min_fused = 0.8
also = "area_cm2 >= 30 and bleached < 0.05"

[[outplanting.closed]]
name = "storm season"
from = "11-15"
to = "02-28"
[[outplanting.closed]]
name = "outside the permit"
from = 2027-05-01
to = 2027-05-31

[[outplanting.substrates]]
name = "cotton line"
sites = ["Línea é"]
holds_months = [6, 8]

[[outplanting.goals]]
name = "reef B"
by = 2028-05-01
wanted = { G1 = 20, "G 2" = 40 }
[[outplanting.goals]]
by = "2027-05-01"
number = 60

[[outplanting.broodstock]]
colony = "B-G1"
live_cm2 = 300
[[outplanting.broodstock]]
colony = "B-G2"
live_cm2 = 300
max_share = 0.2
"""


def read(text: str) -> Outplanting:
    return parse_nursery(tomllib.loads(text), folder=Path("n")).outplanting


def test_every_setting_is_read_with_its_unit() -> None:
    found = read(FULL)
    assert (found.oldest_photo_days, found.loss_after_outplanting, found.assurance) == (30, 0.25, 0.95)
    assert (found.piece_mm2, found.piece_spread, found.largest_genotype_share) == (150, 0.3, 0.4)
    assert found.rules[0].min_area_mm2 == 400
    assert found.rules[2].site_kind is SiteKind.PAD
    assert found.substrates[0].sites == ("Línea é",)
    first, second = found.goals  # by day
    assert (first.by, first.number, first.wanted) == (date(2027, 5, 1), 60, ())
    assert (second.name, second.wanted) == ("reef B", (("G1", 20), ("G 2", 40)))
    assert [(one.live_mm2, one.max_share) for one in found.colonies] == [(30_000, 0.05), (30_000, 0.2)]


def test_without_the_part_nothing_is_asked_for_and_common_practice_holds() -> None:
    found = read("")
    assert found.rules == ()
    assert (found.loss_after_outplanting, found.assurance) == (0.2, 0.9)  # common practice, no source
    assert found.rule_for("any", "G1", SiteKind.TRAY) is None


def test_a_later_rule_overrides_an_earlier_one_limit_by_limit() -> None:
    found = read(FULL)
    plain, other = found.rule_for("s", "G1", SiteKind.TRAY), found.rule_for("s", "G2", SiteKind.PAD)
    assert plain is not None
    assert (plain.min_area_mm2, plain.max_bleached, plain.min_fused) == (400, 0.1, None)
    assert other is not None
    assert (other.min_area_mm2, other.max_bleached, other.min_fused) == (300, 0.1, 0.8)


@pytest.mark.parametrize(
    ("day", "name"),
    [
        (date(2027, 11, 14), ""),
        (date(2027, 11, 15), "storm season"),
        (date(2028, 1, 1), "storm season"),
        (date(2028, 2, 28), "storm season"),
        (date(2028, 2, 29), ""),
        (date(2027, 5, 31), "outside the permit"),
        (date(2028, 5, 31), ""),
    ],
)
def test_closed_times_may_pass_the_turn_of_the_year_or_hold_once(day: date, name: str) -> None:
    assert read(FULL).closed_on(day) == name


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[[outplanting.rules]]\ngenotype = 'G1'", "asks for nothing"),
        ("[[outplanting.rules]]\nmin_area_cm = 4", "Did you mean 'min_area_cm2'?"),
        ("[[outplanting.rules]]\nmin_cover = 80", "outplanting.rules[1].min_cover must be at least 0"),
        ("[[outplanting.rules]]\nsite_kind = 'table'\nmin_cover = 1", "'tray', 'pad' or 'single'"),
        ("[[outplanting.rules]]\nalso = 'area >= 4'", "names 'area', which is no measure"),
        ("[[outplanting.rules]]\nalso = 4", "text in quotes"),
        ("[[outplanting.closed]]\nname = 'a'\nfrom = '02-30'\nto = '03-01'", "a day such as"),
        ("[[outplanting.closed]]\nname = 'a'\nfrom = '13-01'\nto = '03-01'", "a day such as"),
        ("[[outplanting.closed]]\nname = 'a'\nfrom = '01-01'\nto = 2027-01-01", "a day of the same kind"),
        ("[[outplanting.closed]]\nname = 'a'\nfrom = 2027-02-01\nto = 2027-01-01", "no day before from"),
        ("[[outplanting.closed]]\nname = 'a'\nfrom = '01-01'", "outplanting.closed[1].to is missing"),
        ("[[outplanting.substrates]]\nname = 'a'\nsites = ['T']\nholds_months = [6, 8]", "described in this file"),
        (
            "[sites.T]\nkind = 'tray'\n[[outplanting.substrates]]\nname = 'a'\nsites = ['T']\nholds_months = [8, 6]",
            "two",
        ),
        ("[[outplanting.broodstock]]\ncolony = 'B'", "live_cm2 is missing"),
        ("[[outplanting.goals]]\nby = '05-01'\nnumber = 3", "a day with its year"),
        ("[[outplanting.goals]]\nby = 2027-05-01", "needs either number or wanted"),
        ("[[outplanting.goals]]\nby = 2027-05-01\nnumber = 3\nwanted = {G1 = 3}", "needs either number or wanted"),
        ("[[outplanting.goals]]\nby = 2027-05-01\nwanted = {G1 = 0}", "numbers by genotype"),
        ("[outplanting]\nassurance = 90", "at least 0.5 and at most 0.999"),
        ("outplanting = 3", "must be a table of its own"),
    ],
)
def test_a_wrong_setting_is_told_with_its_key(text: str, words: str) -> None:
    with pytest.raises(SettingsProblem) as found:
        read(text)
    assert words in str(found.value)


def test_the_example_of_messages_can_be_pasted() -> None:
    (rule,) = read(EXAMPLE).rules
    assert (rule.min_area_mm2, rule.min_age_days) == (400, 120)


MEASURED = {"area_cm2": 3.0, "bleached": 0.1, "age_days": 200.0, "cover": 0.0}


@pytest.mark.parametrize(
    ("text", "true"),
    [
        ("area_cm2 >= 3", True),
        ("area_cm2 > 3 or age_days == 200", True),
        ("area_cm2 >= 3 and bleached < 0.05", False),
        ("not bleached > 0.05", False),
        ("100 < age_days <= 200", True),
        ("max(area_cm2, 5) - 1 == 4 and abs(-area_cm2) == min(3, 9)", True),
        ("area_cm2 / cover > 1", False),
    ],
)
def test_an_expression_says_what_it_says(text: str, true: bool) -> None:
    assert parse_expression(text, MEASURES).holds(MEASURED) is true


@pytest.mark.parametrize(
    "text",
    [
        "",
        "area_cm2",
        "3",
        "area_cm2 >= ",
        "area_cm2 ** 9 > 1",
        "__import__('os').system('x') > 0",
        "area_cm2.real > 1",
        "(lambda: 1)() > 0",
        "[area_cm2][0] > 1",
        "area_cm2 >= '3'",
        "True > 0",
        "(area_cm2 > 1) + 1 > 1",
        "min(*area_cm2) > 1",
        "min() > 1",
        "abs(1, 2) > 1",
        "min(1, key=2) > 1",
        "area_cm2 in (1, 2)",
        "area_cm2 > 1e999",
        "(" * 200 + "area_cm2" + ")" * 200 + " > 1",
        "not " * 60 + "area_cm2 > 1",
        "area_cm2 >= 3 and 2",
        "area_cm2 := 3",
        "area_cm2 > 1\x00",
        "area_cm2 > 1j",
        f"area_cm2 > {'9' * 400}",
    ],
)
def test_nothing_but_comparisons_of_measures_is_taken(text: str) -> None:
    with pytest.raises(ExpressionFault):
        parse_expression(text, MEASURES)


@given(st.text(max_size=80) | st.from_regex(r"[a-z_0-9 <>=+*/().,'-]{0,60}", fullmatch=True))
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        found = parse_expression(text, MEASURES)
    except ExpressionFault:
        return
    assert found.holds(dict.fromkeys(MEASURES, 1.0)) in (True, False)
