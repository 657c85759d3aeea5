"""Ready, not yet, excluded or unknown: one fact a test. Limits and dates are plain arithmetic."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date, timedelta

import pytest

from fragarea.growth import ErrorPart, FragmentHistory
from fragarea.measurement import FragmentStatus
from fragarea.nursery import (
    MEASURES,
    Fragment,
    Nursery,
    Outplanting,
    Placement,
    ReadinessRule,
    Site,
    Tables,
    parse_expression,
)
from fragarea.outplant import State, Verdict, judge, units_on
from fragarea.sites.records import SiteKind
from tests.outplant.samples import TODAY, area, unit

GROWN = (area(0, 200), area(60, 300), area(90, 400))


def verdict(points=GROWN, on: date = TODAY, *, unit_changes=None, **limits) -> Verdict:
    rule = ReadinessRule(**limits)
    return judge(unit(points, **(unit_changes or {})), Outplanting(rules=(rule,)), on)


def test_a_fragment_that_reaches_every_limit_is_ready() -> None:
    found = verdict(min_area_mm2=400, min_cover=0.8, min_age_days=122, no_loss_days=30, max_bleached=0)
    assert (found.state, found.why) == (State.READY, ())
    # exact geometry: 400 mm2 over the area of a disc of 25 mm
    assert found.measures["cover"] == pytest.approx(400 / (math.pi * 12.5**2))
    assert found.measures["age_days"] == 122


@pytest.mark.parametrize(
    ("limits", "words"),
    [
        ({"min_area_mm2": 400.4}, "live area 4.00 of 4.00 cm²"),
        ({"min_area_mm2": 500}, "live area 4.00 of 5.00 cm²"),
        ({"min_cover": 0.82}, "covers 81 % of the plug, 82 % needed"),
        ({"min_age_days": 123}, "122 of 123 days since cutting"),
        ({"also": parse_expression("cover > 0.9 or age_days > 200", MEASURES)}, "(age_days 122, cover 0.815)"),
    ],
)
def test_what_is_not_reached_is_told_with_how_far(limits, words: str) -> None:
    found = verdict(**limits)
    assert found.state is State.NOT_YET
    assert words in "; ".join(found.why)


def test_all_that_is_lacking_is_told_at_once() -> None:
    assert len(verdict(min_area_mm2=500, min_cover=0.9, min_age_days=200).why) == 3


@pytest.mark.parametrize(
    ("points", "words"),
    [
        ((*GROWN, area(91, 0, status=FragmentStatus.MISSING)), "missing, last seen 2032-06-04"),
        ((area(91, 0, status=FragmentStatus.MISSING),), "missing"),
        ((*GROWN, area(91, 0, status=FragmentStatus.DEAD)), "no live tissue"),
        ((*GROWN, area(91, 300)), "lost 1.00 cm² (25 %) by 2032-06-05; look again on 2032-07-05"),
        ((*GROWN, area(91, 400, dead_mm2=100)), "20 % of the skeleton bare on 2032-06-05; look again on 2032-07-05"),
        ((*GROWN, area(91, 400, bleached_mm2=41)), "11 % of the live tissue is bleached, 10 % allowed"),
    ],
)
def test_what_must_not_go_out_is_excluded_with_the_reason(points, words: str) -> None:
    found = verdict(points, no_loss_days=30, max_bleached=0.1, min_area_mm2=100)
    assert (found.state, found.why) == (State.EXCLUDED, (words,))


def test_a_loss_excludes_until_the_days_have_passed() -> None:
    points = (area(0, 400), area(10, 300), area(90, 350))
    seen = date(2032, 3, 16)
    for days, state in ((29, State.EXCLUDED), (30, State.READY)):
        found = verdict(points[:2], seen + timedelta(days=days), no_loss_days=30)
        assert found.state is state
    assert verdict(points, no_loss_days=30).state is State.READY
    assert verdict(points, no_loss_days=90).state is State.EXCLUDED


def test_a_share_in_common_tissue_that_falls_is_no_loss() -> None:
    shared = frozenset({"touches_neighbour"})
    points = (*GROWN, area(91, 300, doubts=shared))
    assert verdict(points, no_loss_days=30).state is State.READY


def test_a_photo_that_is_too_old_leaves_it_unknown() -> None:
    assert verdict(on=TODAY + timedelta(days=43), min_cover=0.1).state is State.READY
    found = verdict(on=TODAY + timedelta(days=44), min_cover=0.1)
    assert found.state is State.UNKNOWN
    assert found.why == ("last photo 2032-06-04 too old (46 days old, 45 allowed)",)


def test_what_cannot_be_judged_is_unknown_and_says_why() -> None:
    assert verdict((), min_cover=0.1).why == ("never measured",)
    assert verdict(unit_changes={"cut_on": None}, min_age_days=1).why == (
        "age not known: fragments.csv has no cut_on",
    )
    assert verdict(min_fused=0.8).why == ("fusion not known",)
    also = parse_expression("fused > 0.5", MEASURES)
    assert verdict(also=also).why == ("fused not known for the rule 'fused > 0.5'",)
    assert judge(unit(GROWN), Outplanting(), TODAY).why == ("no rule in nursery.toml fits it",)


def test_what_is_lacking_for_sure_outweighs_what_is_not_known() -> None:
    found = verdict(min_area_mm2=500, min_fused=0.8)
    assert (found.state, len(found.why)) == (State.NOT_YET, 2)


def test_a_measurement_marked_wrong_or_cut_off_does_not_count() -> None:
    wrong = (area(91, 100, marked_wrong=True), area(92, 100, doubts=frozenset({"cut_off"})))
    assert verdict((*GROWN, *wrong), min_area_mm2=400, no_loss_days=30).state is State.READY


PAD = Site("PAD-1", SiteKind.PAD, "", 25.0, 0.1)
TRAY = Site("TRAY-1", SiteKind.TRAY, "", 25.0, 0.1, rows=2, columns=2)


def nursery(tables: Tables, *histories: FragmentHistory, **changes):
    settings = Nursery(folder=None, name="n", zone=None, edge_height_mm=0, edge_height_u_mm=0, sites=(PAD, TRAY))
    site_of = {"pad": "PAD-1", "tray": "TRAY-1"}
    return units_on(histories, tables, settings, TODAY, site_of=site_of, **changes)


def test_a_pad_goes_out_as_one_with_the_errors_that_its_pieces_share() -> None:
    """JCGM 100:2008, F.1.2.3: what two areas share adds up, what is their own adds by squares."""
    pieces = ("A1", "A2")
    entries = tuple(Fragment(n, "s", "G1", cut_on=TODAY - timedelta(days=9 + i)) for i, n in enumerate(pieces))
    places = tuple(Placement(n, "PAD-1", TODAY - timedelta(days=5), x_mm=1.0, y_mm=2.0) for n in pieces)
    one = replace(area(0, 100, sha256="pad"), parts=(ErrorPart(3.0), ErrorPart(2.0, "print")))
    histories = [FragmentHistory(n, "G1", (replace(area(-9, 50), sha256="tray"), one)) for n in pieces]
    (pad,) = nursery(Tables(entries, places), *histories, fused={"PAD-1": 0.75})
    assert (pad.name, pad.fragments, pad.fused) == ("PAD-1", pieces, 0.75)
    assert pad.cut_on == TODAY - timedelta(days=9)
    (point,) = pad.points  # what was seen on the tray before tells nothing of the pad
    assert point.area_mm2 == 200
    assert point.area_u_mm2 == pytest.approx(math.sqrt(2 * 3.0**2 + (2 * 2.0) ** 2))
    assert pad.plug_mm2 == pytest.approx(2 * math.pi * 12.5**2)
    ready = Outplanting(rules=(ReadinessRule(min_fused=0.7),))
    assert judge(pad, ready, TODAY).state is State.UNKNOWN  # photographed three months ago
    assert judge(pad, replace(ready, oldest_photo_days=100), TODAY).state is State.READY


def test_what_left_or_was_never_placed_does_not_stand_in_the_nursery() -> None:
    since = TODAY - timedelta(days=50)
    places = (
        Placement("F1", "TRAY-1", since, row=1, column=2),
        Placement("F2", "TRAY-1", since, until=TODAY, row=1, column=1),
        Placement("F3", "TRAY-1", TODAY + timedelta(days=1), row=2, column=1),
    )
    (found,) = nursery(Tables((), places), FragmentHistory("F4", "G1", GROWN))
    assert (found.name, found.place, found.points, found.genotype) == ("F1", "R1 C2", (), "")
