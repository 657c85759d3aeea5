"""An area that neither growth nor uncertainty explains is doubted; a single wrong outline is doubted once."""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from fragarea.batch.history import USUAL, Plausible, area_jumps, compare_histories
from fragarea.doubts import Doubt
from fragarea.logbook import FragmentVisit, current_measurements, history_of, open_logbook, record, uncompared
from fragarea.measurement import FragmentStatus, MeasureSettings
from fragarea.sites.records import SiteKind
from tests.logbook.samples import TAKEN, TRAY, fragment, measured

MONTH_DAYS = 30.4375
TRUE_AREAS = Path(__file__).parents[2] / "sample_images" / "true_areas.csv"


def visit(days: float | None, area_mm2: float, u_mm2: float = 0.0, **changes) -> FragmentVisit:
    made = FragmentVisit(
        fragment_id=1,
        measurement_id=1,
        fragment="F1",
        site="TRAY-1",
        position=(1, 1),
        label="",
        taken_at=None if days is None else TAKEN + timedelta(days=days),
        photo="a.jpg",
        sha256="",
        status=FragmentStatus.LIVE,
        area_mm2=area_mm2,
        area_u_mm2=u_mm2,
        expanded_mm2=1.96 * u_mm2,
        bleached_mm2=0.0,
        dead_mm2=0.0,
    )
    return replace(made, **changes)


def area_jump(history: list[FragmentVisit], new: FragmentVisit, plausible: Plausible = USUAL) -> Doubt | None:
    """The doubt about the last of a fragment's visits."""
    return area_jumps([*history, new], plausible)[-1]


def test_growth_is_bounded_by_the_radius_not_by_the_share():
    # exact geometry: a disc of 5 mm whose edge moves 2 mm in a month becomes a disc of 7 mm
    before, grown = visit(0, math.pi * 5**2), math.pi * 7**2
    assert area_jump([before], visit(MONTH_DAYS, grown * (1 - 1e-9))) is None
    assert area_jump([before], visit(MONTH_DAYS, grown * (1 + 1e-9))).key == "area_jump"


def test_what_a_person_marked_wrong_is_neither_doubted_nor_explains_anything():
    wrong = visit(7, 20.0, doubts=(Doubt("marked_wrong", "Ana: hand in the way"),))
    assert area_jumps([visit(0, 100.0), wrong, visit(14, 101.0)]) == [None, None, None]
    assert area_jumps([visit(0, 100.0), visit(7, 20.0)])[1] is not None


def test_loss_up_to_a_tenth_is_let_pass():
    assert area_jump([visit(0, 100.0)], visit(7, 90.0)) is None
    assert area_jump([visit(0, 100.0)], visit(7, 89.9)) is not None
    assert area_jump([visit(0, 100.0)], visit(7, 89.9), Plausible(loss_share=0.2)) is None


def test_uncertainties_of_both_visits_widen_what_is_allowed():
    # JCGM 100:2008, 5.1.2: independent uncertainties add as squares; 3, 4 -> 5, times 1.96 = 9.8
    at_once = [visit(0, 100.0, 3.0)]
    assert area_jump(at_once, visit(0, 109.79, 4.0)) is None
    assert area_jump(at_once, visit(0, 109.81, 4.0)) is not None


def test_a_doubt_tells_the_change_and_the_time():
    doubt = area_jump([visit(0, 100.0)], visit(7, 350.0))
    assert doubt.detail == "+2.50 cm² in 7 days, from 1.00 cm²"


def test_the_visit_after_a_wrong_outline_is_explained_by_the_one_before():
    wrong = [visit(0, 100.0), visit(7, 300.0)]
    assert area_jump(wrong[:1], wrong[1]) is not None
    assert area_jump(wrong, visit(14, 103.0)) is None


def test_a_loss_that_lasts_is_doubted_once():
    visits = [visit(7 * number, 100.0 if number < 3 else 50.0) for number in range(8)]
    doubted = [area_jump(visits[:index], one) is not None for index, one in enumerate(visits)]
    assert doubted == [False, False, False, True, False, False, False, False]


def test_nothing_is_said_without_a_date():
    assert area_jump([], visit(0, 100.0)) is None
    assert area_jump([visit(0, 100.0)], visit(None, 900.0)) is None
    assert area_jump([visit(None, 100.0)], visit(7, 900.0)) is None
    assert area_jump([visit(None, 900.0), visit(0, 100.0)], visit(7, 100.0)) is None


def test_a_fragment_that_goes_missing_is_doubted_once_and_again_when_it_is_back_for_good():
    # specks too small to count as tissue may be left on an empty plug
    states = [(100.0, "live"), (0.0, "missing"), (0.4, "missing"), (0.0, "missing"), (0.3, "missing"), (90.0, "live")]
    visits = [visit(7 * week, area, status=FragmentStatus(state)) for week, (area, state) in enumerate(states)]
    doubted = [area_jump(visits[:index], one) is not None for index, one in enumerate(visits)]
    assert doubted == [False, True, False, False, False, True]


def test_a_fragment_overlooked_at_one_visit_is_doubted_only_there():
    visits = [visit(0, 100.0), visit(7, 0.0, status=FragmentStatus.MISSING), visit(14, 103.0)]
    assert area_jump(visits[:1], visits[1]).detail == "-1.00 cm² in 7 days, from 1.00 cm²"
    assert area_jump(visits[:2], visits[2]) is None


def test_death_is_a_jump_and_so_is_life_after_it():
    dead = visit(7, 0.0, status=FragmentStatus.DEAD)
    assert area_jump([visit(0, 100.0)], dead) is not None
    assert area_jump([dead], visit(14, 100.0)) is not None


def test_dates_with_and_without_offset_are_compared_by_the_clock():
    aware = visit(7, 100.0, taken_at=(TAKEN + timedelta(days=7)).replace(tzinfo=UTC))
    assert area_jump([visit(0, 100.0)], aware) is None
    assert area_jump([aware], visit(8, 100.0)) is None


def true_areas(row: int, column: int) -> list[FragmentVisit]:
    """What stood at a place of the sample tray, by its true areas."""
    with TRUE_AREAS.open(encoding="utf-8", newline="") as file:
        lines = [line for line in csv.DictReader(file) if (line["row"], line["column"]) == (str(row), str(column))]
    days = [datetime.fromisoformat(line["photo"][:10]) for line in lines]
    assert days == sorted(days)
    areas = [float(line["live_mm2"]) for line in lines]
    return [visit(None, area, 0.01 * area, taken_at=day) for day, area in zip(days, areas, strict=True)]


@pytest.mark.parametrize("place", [(5, 3), (5, 6)])
def test_two_fragments_that_changed_places_unrecorded_are_doubted_when_it_happened(place):
    # sample_images/README.md: P35 and P38 stand in each other's place from 2025-06-05 on; true areas of the scenes
    visits = true_areas(*place)
    jumps = [str(one.taken_at.date()) for one, doubt in zip(visits, area_jumps(visits), strict=True) if doubt]
    assert jumps == ["2025-06-05"]


def test_no_other_place_of_the_sample_tray_is_doubted_but_for_what_happened_there():
    with TRUE_AREAS.open(encoding="utf-8", newline="") as file:
        lines = [line for line in csv.DictReader(file) if line["site"] == "TRAY-1"]
    states = {(int(line["row"]), int(line["column"])): set() for line in lines}
    for line in lines:
        states[int(line["row"]), int(line["column"])].add(line["state"])
    healthy = [place for place, seen in states.items() if seen == {"healthy"}]
    assert len(healthy) > 25
    assert {place for place in healthy if any(area_jumps(true_areas(*place)))} == {(5, 3), (5, 6)}


# the logbook's own histories


@pytest.fixture
def logbook(tmp_path: Path):
    with open_logbook(tmp_path / "logbook.sqlite") as opened:
        yield opened


def add(logbook, day: int, area_mm2: float, name: str | None = "F1", **changes) -> None:
    made = measured(
        f"{day}", taken_at=datetime(2026, 3, day), fragments=(fragment((1, 1), area_mm2),), doubts=(), **changes
    )
    record(logbook, made, path=f"{day:02d}.jpg", names={(1, 1): name} if name else {})


def doubted(logbook) -> list[str]:
    compare_histories(logbook)
    return [
        one.path
        for one in current_measurements(logbook)
        if any(doubt.key == "area_jump" for part in one.measurement.fragments for doubt in part.doubts)
    ]


@pytest.mark.parametrize("name", ["F1", None])
@pytest.mark.parametrize("order", [(1, 8, 15), (15, 8, 1), (8, 15, 1)])
def test_doubts_do_not_depend_on_the_order_of_recording(logbook, name, order):
    for day in order:
        add(logbook, day, 300.0 if day == 8 else 100.0, name)
        compare_histories(logbook)
    assert doubted(logbook) == ["08.jpg"]


def test_a_fragment_gone_missing_is_doubted_in_the_logbook_once(logbook):
    for day, area in ((1, 100.0), (8, 0.0), (15, 0.0), (22, 0.0)):
        status = FragmentStatus.LIVE if area else FragmentStatus.MISSING
        part = fragment((1, 1), area, status=status)
        made = measured(f"{day}", taken_at=datetime(2026, 3, day), fragments=(part,), doubts=())
        record(logbook, made, path=f"{day:02d}.jpg", names={(1, 1): "F1"})
        compare_histories(logbook)
    assert doubted(logbook) == ["08.jpg"]


def test_a_measurement_made_better_takes_the_doubt_away(logbook):
    for day in (1, 8, 15):
        add(logbook, day, 300.0 if day == 8 else 100.0)
    assert doubted(logbook) == ["08.jpg"]
    add(logbook, 8, 101.0, settings=MeasureSettings(print_factor=1.01))
    assert doubted(logbook) == []
    assert uncompared(logbook).measurement_ids == ()


def test_a_fragment_is_followed_by_name_and_a_place_without_name_by_place(logbook):
    add(logbook, 1, 100.0, "F1")
    add(logbook, 8, 300.0, "F2")
    add(logbook, 15, 900.0, None)
    assert doubted(logbook) == []
    add(logbook, 22, 100.0, None)
    assert doubted(logbook) == ["22.jpg"]


@pytest.mark.parametrize("at_once", [1, 2, 500])
def test_each_of_many_histories_is_compared_with_itself_alone(logbook, monkeypatch, at_once):
    monkeypatch.setattr("fragarea.logbook.histories._NAMES_AT_ONCE", at_once)
    jumps = [("TRAY-1", 1), ("TRAY-1", 3), ("TRAY-2", 2), ("TRAY-2", 4)]
    for day in (1, 8):
        for site in ("TRAY-1", "TRAY-2"):
            # columns 1 and 2 have recorded fragments, 3 and 4 are followed by their places
            areas = {n: 300.0 if day == 8 and (site, n) in jumps else 100.0 + n for n in (1, 2, 3, 4)}
            made = measured(
                f"{site} {day}",
                taken_at=datetime(2026, 3, day),
                site=replace(TRAY, name=site),
                fragments=tuple(fragment((1, n), area) for n, area in areas.items()),
                doubts=(),
            )
            record(logbook, made, path=f"{site}/{day}", names={(1, n): f"{site} F{n}" for n in (1, 2)})
    compare_histories(logbook)
    found = [
        (one.measurement.site.name, part.position[1])
        for one in current_measurements(logbook)
        for part in one.measurement.fragments
        if part.doubts
    ]
    assert found == jumps


def test_places_that_a_pad_numbers_anew_are_no_history(logbook):
    pad = replace(TRAY, kind=SiteKind.PAD, name="PAD-1")
    for day, area in ((1, 100.0), (8, 300.0)):
        part = replace(fragment(None, area), label="1")
        record(logbook, measured(str(day), taken_at=datetime(2026, 3, day), site=pad, fragments=(part,)))
    assert doubted(logbook) == []


def test_comparing_twice_keeps_one_doubt_beside_those_of_the_photo(logbook):
    add(logbook, 1, 100.0)
    add(logbook, 8, 300.0)
    assert doubted(logbook) == doubted(logbook) == ["08.jpg"]
    add(logbook, 9, 300.0)  # a new visit: the whole history is compared again
    assert doubted(logbook) == ["08.jpg"]
    assert [len(one.doubts) for one in history_of(logbook, "F1")] == [0, 1, 0]
