"""Numbers kept packed are those that were recorded, and what changes the record later is seen."""

from __future__ import annotations

import math
import multiprocessing
import sqlite3
from concurrent.futures import ProcessPoolExecutor
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
import sqlalchemy as sa

from fragarea.area.records import AreaEstimate, BudgetTerm
from fragarea.doubts import Doubt
from fragarea.errors import LogbookProblem
from fragarea.growth import read_record
from fragarea.logbook import Logbook, areas, history_of, keep_comparison, mark_wrong, open_logbook, opening, record
from fragarea.measurement import FragmentStatus
from fragarea.nursery import Tables
from tests.logbook.samples import TAKEN, fragment, measured

NONE = Tables((), ())
NAMES = {(1, 1): "P01", (1, 2): "P02"}


def keep(logbook: Logbook, week: int, first_mm2: float, **changes) -> None:
    """Record a photo of two fragments, of which the first covers that much."""
    shown = (fragment((1, 1), first_mm2), fragment((1, 2), 80.0))
    made = measured(str(week), taken_at=TAKEN + timedelta(weeks=week), **{"fragments": shown, **changes})
    record(logbook, made, path=f"{week}.jpg", names=NAMES, again=True)


def numbers(logbook: Logbook) -> list[tuple]:
    """Name, week, area, uncertainty and doubts of every point."""
    return [
        (one.fragment, (p.taken_at - TAKEN).days // 7, p.area_mm2, p.area_u_mm2, p.status, p.bleached_mm2, p.doubts)
        for one in read_record(logbook, NONE).histories()
        for p in one.points
    ]


def photos_kept(file: Path) -> int:
    connection = sqlite3.connect(file)
    try:
        return connection.execute("SELECT count(*) FROM packed_areas").fetchone()[0]
    finally:
        connection.close()


@pytest.fixture
def logbook(tmp_path: Path):
    with open_logbook(tmp_path / "logbook.sqlite") as opened:
        yield opened


def test_packed_numbers_are_those_recorded_to_the_last_digit(logbook):
    terms = tuple(BudgetTerm(name, u, False) for name, u in (("outline", 0.1 + 0.2), ("scale", 1 / 3)))
    odd = fragment((1, 1), 77.7, live=AreaEstimate(77.7, 0.4, 0.8, terms), bleached_mm2=math.pi)
    gone = fragment((1, 2), 0.0, status=FragmentStatus.MISSING)
    keep(logbook, 0, 100.0)
    keep(logbook, 1, 0.0, fragments=(odd, gone))
    keep(logbook, 2, 0.0, fragments=())
    for _ in ("read and packed", "unpacked"):
        # photos have other budget terms each, and one has no fragments
        found = numbers(logbook)
        assert [(name, week) for name, week, *_ in found] == [("P01", 0), ("P01", 1), ("P02", 0), ("P02", 1)]
        assert found[0][2:6] == (100.0, 1.0, FragmentStatus.LIVE, 25.0)
        assert found[1][2:6] == (77.7, math.hypot(0.1 + 0.2, 1 / 3), FragmentStatus.LIVE, math.pi)
        assert (found[3][2], found[3][4]) == (0.0, FragmentStatus.MISSING)
    assert [visit.area_mm2 for visit in history_of(logbook, "P01")] == [100.0, 77.7]


def test_what_is_remembered_is_read_no_more(logbook, monkeypatch):
    keep(logbook, 0, 100.0)
    before = numbers(logbook)
    with monkeypatch.context() as patched:
        patched.setattr(areas, "_read", lambda *_: pytest.fail("a photo is read twice"))
        assert numbers(logbook) == before
    keep(logbook, 1, 110.0)
    read = []
    whole = areas._read
    monkeypatch.setattr(areas, "_read", lambda connection, ids: read.append(len(ids)) or whole(connection, ids))
    assert len(numbers(logbook)) == 4
    assert read == [1]


def test_a_superseded_photo_vanishes(logbook):
    keep(logbook, 0, 100.0)
    keep(logbook, 1, 110.0)
    assert len(numbers(logbook)) == 4
    keep(logbook, 1, 120.0)
    assert [row[2] for row in numbers(logbook) if row[0] == "P01"] == [100.0, 120.0]
    assert photos_kept(logbook.path) == 3  # the old one stays where it is, and is asked for no more


def test_a_doubt_that_comes_later_is_seen_and_one_that_goes_is_not(logbook):
    keep(logbook, 0, 100.0)
    assert numbers(logbook)[0][-1] == frozenset()
    number = read_record(logbook, NONE).histories()[0].points[0].fragment_id
    keep_comparison(logbook, {number: Doubt("area_jump", "+1.00 cm²")}, [])
    assert numbers(logbook)[0][-1] == {"area_jump"}
    keep_comparison(logbook, {number: None}, [])
    assert numbers(logbook)[0][-1] == frozenset()


def test_what_a_person_marks_wrong_later_is_seen(logbook):
    keep(logbook, 0, 100.0)
    (point,) = read_record(logbook, NONE).histories()[0].points
    assert not point.marked_wrong
    mark_wrong(logbook, [point.fragment_id], marked_by="someone", reason="glue taken for tissue")
    record_now = read_record(logbook, NONE)
    assert record_now.histories()[0].points[0].marked_wrong
    assert record_now.columns.marked_wrong.tolist() == [True, False]
    mark_wrong(logbook, [point.fragment_id], marked_by="someone", reason="none after all", wrong=False)
    assert not read_record(logbook, NONE).columns.marked_wrong.any()


def test_a_logbook_that_may_not_be_written_gives_the_same_numbers(tmp_path, monkeypatch):
    file = tmp_path / "logbook.sqlite"
    with open_logbook(file) as logbook:
        keep(logbook, 0, 100.0)
        numbers(logbook)
        keep(logbook, 1, 110.0)
    monkeypatch.setattr(opening.os, "access", lambda *_: False)  # permissions would not stop a privileged user
    with open_logbook(file, create=False) as logbook:
        assert logbook.read_only
        found = numbers(logbook)
    assert photos_kept(file) == 1
    monkeypatch.undo()
    with open_logbook(file) as logbook:
        assert numbers(logbook) == found
    assert photos_kept(file) == 2


def _numbers_of(file: Path) -> list[tuple]:
    with open_logbook(file, create=False) as logbook:
        return numbers(logbook)


def test_two_programs_at_once_read_the_same_and_keep_it_once(tmp_path):
    file = tmp_path / "logbook.sqlite"
    with open_logbook(file) as logbook:
        for week in range(110):  # more than are kept in one transaction
            keep(logbook, week, 100.0 + week)
    with ProcessPoolExecutor(2, mp_context=multiprocessing.get_context("spawn")) as pool:
        one, other = pool.map(_numbers_of, [file, file])
    assert one == other
    assert len(one) == 220
    assert photos_kept(file) == 110


def test_a_program_that_packed_between_reading_and_keeping_is_no_harm(logbook):
    # both found the photo new, and the second one keeps what is there already
    keep(logbook, 0, 100.0)
    (first,), (second,) = areas.new_areas(logbook), areas.new_areas(logbook)
    areas.keep_areas(logbook, first)
    areas.keep_areas(logbook, second)
    assert photos_kept(logbook.path) == 1
    assert numbers(logbook)[0][2] == 100.0


def test_a_photo_that_another_program_keeps_meanwhile_counts_once(logbook):
    keep(logbook, 0, 100.0)
    (unkept,) = areas.new_areas(logbook)
    areas.keep_areas(logbook, unkept)
    assert areas.area_rows(logbook, also=unkept).area_mm2.tolist() == [100.0, 80.0]
    keep(logbook, 0, 110.0)  # and one that was superseded meanwhile does not count
    assert areas.area_rows(logbook, also=unkept).area_mm2.tolist() == []


def test_rows_of_an_older_form_are_read_anew(logbook, monkeypatch):
    keep(logbook, 0, 100.0)
    before = numbers(logbook)
    with logbook.writing() as connection:
        connection.exec_driver_sql("UPDATE packed_areas SET form = 0, packed = x'00'")
    assert numbers(logbook) == before
    monkeypatch.setattr(areas, "_read", lambda *_: pytest.fail("a photo is read twice"))
    assert numbers(logbook) == before


def test_a_damaged_row_is_told(logbook):
    keep(logbook, 0, 100.0)
    numbers(logbook)
    with logbook.writing() as connection:
        connection.exec_driver_sql("UPDATE packed_areas SET packed = substr(packed, 1, length(packed) - 3)")
    with pytest.raises(LogbookProblem, match=r"logbook\.sqlite: it holds something"):
        numbers(logbook)


def test_numbers_are_put_in_place_of_older_ones_on_postgresql_too():
    said = []
    engine = sa.create_mock_engine(
        "postgresql+psycopg://", lambda statement, *_: said.append(str(statement.compile(dialect=engine.dialect)))
    )
    areas._put(engine, areas.packed_areas, [{"measurement_id": 1, "form": 1, "packed": b""}])
    assert "ON CONFLICT (measurement_id) DO UPDATE SET form = excluded.form, packed = excluded.packed" in said[0]


def test_a_photo_is_packed_in_a_line_of_words_and_little_endian_doubles():
    # so that a logbook can be carried to a machine of another byte order
    one = areas.PhotoAreas(7, ("Ü\n",), ("scale",), np.array([[1.0, 0, 2.5, 0, 0, math.nan, 0.125]]))
    packed = areas._packed(one)
    head, _, body = packed.partition(b"\n")
    assert head == b'[["\\u00dc\\n"], ["scale"]]'
    assert body[16:24] == bytes.fromhex("0000000000000440")  # 2.5 by IEEE 754
    again = areas._unpacked(7, packed)
    assert (again.measurement_id, again.names, again.terms) == (7, one.names, one.terms)
    assert np.array_equal(again.numbers, one.numbers, equal_nan=True)
