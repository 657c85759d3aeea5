"""Known-area checks, print checks and people's corrections are added and never changed."""

from __future__ import annotations

import math
from datetime import date
from pathlib import Path

import pytest
from shapely import box

from fragarea.errors import LogbookProblem
from fragarea.logbook import (
    CheckRecord,
    PrintCheck,
    add_check,
    add_edit,
    add_print_check,
    current_measurements,
    edits_of,
    last_check,
    open_logbook,
    print_checks_of,
    print_correction,
    record,
    withdraw_check,
    withdraw_print_check,
)
from fragarea.measurement import MeasureSettings
from tests.logbook.samples import content_of, measured


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "logbook.sqlite"


@pytest.fixture
def logbook(file: Path):
    with open_logbook(file) as opened:
        yield opened


def check(day: int, **changes) -> CheckRecord:
    values = {"reference": "frame-280x220", "site": "", "verdict": "passes", "bias_percent": 0.3}
    return CheckRecord(date(2026, 3, day), **(values | changes))


def print_check(day: int, factor: float) -> PrintCheck:
    return PrintCheck("frame-280x220", 250.0, (250.4, 250.6), factor, 4e-4, date(2026, 3, day), "someone")


def test_without_a_check_there_is_no_last_one(logbook):
    assert last_check(logbook) is None


def test_the_last_check_is_the_one_taken_last_not_the_one_entered_last(logbook):
    result = {"shapes": [{"id": "disc-1", "bias_percent": 0.2}], "open": math.nan}
    add_check(logbook, check(9, result=result, bias_u_percent=0.1))
    add_check(logbook, check(2))
    last = last_check(logbook)
    assert last.taken_on == date(2026, 3, 9)
    assert last.result == {"shapes": [{"id": "disc-1", "bias_percent": 0.2}], "open": None}
    assert (last.bias_percent, last.bias_u_percent) == (0.3, 0.1)


def test_checks_are_told_apart_by_reference_site_and_day(logbook):
    add_check(logbook, check(1, site="TRAY-1"))
    add_check(logbook, check(2, reference="card-80x50"))
    add_check(logbook, check(3, bias_percent=math.nan))
    assert last_check(logbook, site="TRAY-1").taken_on == date(2026, 3, 1)
    assert last_check(logbook, reference="card-80x50").taken_on == date(2026, 3, 2)
    assert last_check(logbook, until=date(2026, 3, 2)).taken_on == date(2026, 3, 2)
    assert last_check(logbook, until=date(2026, 2, 28)) is None
    assert math.isnan(last_check(logbook).bias_percent)


def test_a_print_that_nobody_measured_has_the_usual_uncertainty(logbook):
    usual = MeasureSettings()
    assert print_correction(logbook, "frame-280x220") == (usual.print_factor, usual.print_u_rel, False)


def test_the_latest_print_check_goes_with_its_reference_only(logbook):
    add_print_check(logbook, print_check(9, 1.002))
    add_print_check(logbook, print_check(2, 0.999))
    correction = print_correction(logbook, "frame-280x220")
    assert (correction.factor, correction.u_rel, correction.checked) == (1.002, 4e-4, True)
    assert not print_correction(logbook, "card-80x50").checked
    assert print_checks_of(logbook, "frame-280x220") == [print_check(2, 0.999), print_check(9, 1.002)]


def test_a_check_taken_back_counts_no_more_and_stays_in_the_file(logbook, file):
    add_check(logbook, check(9, verdict="fails"))
    add_check(logbook, check(2))
    add_check(logbook, check(5, reference="card-80x50"))
    before = content_of(file)
    assert withdraw_check(logbook, "frame-280x220").taken_on == date(2026, 3, 2)  # entered last
    assert last_check(logbook).verdict == "fails"
    assert withdraw_check(logbook, "frame-280x220").taken_on == date(2026, 3, 9)
    assert withdraw_check(logbook, "frame-280x220") is None
    assert last_check(logbook).reference == "card-80x50"
    after = content_of(file)
    assert after["checks"] == before["checks"]
    assert len(after["withdrawals"]) == 2


def test_a_print_check_taken_back_gives_way_to_the_one_before(logbook, file):
    add_print_check(logbook, print_check(2, 1.002))
    add_print_check(logbook, print_check(9, 1.2))
    add_check(logbook, check(1))  # has the same row number as a print check
    before = content_of(file)
    assert withdraw_print_check(logbook, "card-80x50") is None
    assert withdraw_print_check(logbook, "frame-280x220").factor == 1.2
    assert print_correction(logbook, "frame-280x220").factor == 1.002
    assert withdraw_print_check(logbook, "frame-280x220").factor == 1.002
    assert not print_correction(logbook, "frame-280x220").checked
    assert last_check(logbook) is not None
    assert content_of(file)["print_checks"] == before["print_checks"]


@pytest.mark.parametrize("factor", [0.0, -1.0, math.nan, math.inf])
def test_a_factor_that_cannot_be_is_a_mistake_of_the_program(logbook, factor):
    with pytest.raises(ValueError, match="factor must be a positive number"):
        add_print_check(logbook, print_check(1, factor))


def test_an_edit_leaves_the_measurement_and_says_who_when_why(logbook, file):
    record(logbook, measured(), names={(1, 1): "F1"})
    (stored,) = current_measurements(logbook)
    before = content_of(file)
    outline = measured().fragments[1].outline_live
    number = stored.fragment_ids[0]
    add_edit(logbook, number, edited_by="someone", reason="glue taken for tissue", new_outline=outline)
    add_edit(logbook, number, edited_by="someone", reason="changed places", new_fragment="F2")
    first, second = edits_of(logbook, number)
    assert (first.edited_by, first.reason, first.new_fragment) == ("someone", "glue taken for tissue", None)
    assert first.new_outline.equals_exact(outline, 0.0)
    assert (first.old_row["fragment"], first.old_row["area_mm2"]) == ("F1", 100.0)
    assert (second.new_fragment, second.new_outline) == ("F2", None)
    after = content_of(file)
    assert {name: rows for name, rows in after.items() if name != "edits"} == {
        name: rows for name, rows in before.items() if name != "edits"
    }


def test_an_edit_of_nothing_is_a_mistake_of_the_program(logbook):
    with pytest.raises(ValueError, match="no fragment measurement 7"):
        add_edit(logbook, 7, edited_by="someone", reason="none")


def test_an_outline_that_is_none_is_told(logbook):
    record(logbook, measured())
    with logbook.writing() as connection:
        connection.exec_driver_sql("UPDATE outlines SET live_mm_wkb = ?", (box(0, 0, 1, 1).wkb,))
    with pytest.raises(LogbookProblem, match="must be a MultiPolygon"):
        current_measurements(logbook)
