"""What commands show of a nursery: each measurement beside the known-area check that held when it was made."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path

import pytest

from fragarea.check import KnownMeasurement, judge
from fragarea.logbook import CheckRecord, Logbook, Refusal, add_check, open_logbook, record, record_refusal
from fragarea.nursery import Nursery, Tables
from fragarea.nursery_view import view_nursery
from tests.logbook.samples import measured

NO_TABLES = Tables((), ())
NURSERY = Nursery(Path(), "Invented", None, 0.5, 0.3, ())


@pytest.fixture
def logbook(tmp_path: Path) -> Iterator[Logbook]:
    with open_logbook(tmp_path / "logbook.sqlite") as opened:
        yield opened


def keep_check(logbook: Logbook, day: date, bias_percent: float, reference: str = "frame-280x220") -> None:
    values = [
        KnownMeasurement(photo, "one day", shape, nominal * (1 + bias_percent / 100), nominal, 0.01)
        for photo in ("a", "b")
        for shape, nominal in (("disc-1", 100.0), ("disc-2", 400.0))
    ]
    result = judge(values, tolerance_rel=0.02)
    add_check(logbook, CheckRecord(day, reference, "", str(result.verdict), bias_percent, 0.0, result.to_dict()))


def shown(logbook: Logbook) -> dict[str, set[str]]:
    """The check beside the rows of each photo."""
    checks: dict[str, set[str]] = {}
    for row in view_nursery(logbook, NURSERY, NO_TABLES).rows:
        checks.setdefault(row.photo, set()).add(row.last_check)
    return checks


def test_each_measurement_stands_beside_the_last_check_up_to_its_day(logbook: Logbook) -> None:
    keep_check(logbook, date(2026, 3, 1), 0.3)
    keep_check(logbook, date(2026, 4, 1), 0.7)
    for number, day in enumerate(["2026-02-28", "2026-03-01", "2026-03-31", "2026-04-01"]):
        record(logbook, measured(day, photo=day, taken_at=datetime.fromisoformat(f"{day}T12:00")), path=str(number))
    assert shown(logbook) == {
        "2026-02-28": {""},
        "2026-03-01": {"last check: 2026-03-01, bias +0.3 %"},
        "2026-03-31": {"last check: 2026-03-01, bias +0.3 %"},
        "2026-04-01": {"last check: 2026-04-01, bias +0.7 %"},
    }
    assert view_nursery(logbook, NURSERY, NO_TABLES).last_check == "last check: 2026-04-01, bias +0.7 %"


def test_a_check_of_another_reference_says_nothing(logbook: Logbook) -> None:
    keep_check(logbook, date(2026, 3, 1), 0.3, reference="card-80x50")
    record(logbook, measured("a", photo="frame"), path="a")
    record(logbook, measured("b", photo="card", reference="card-80x50"), path="b")
    record(logbook, measured("c", photo="rims", reference="", method="rim"), path="c")
    assert shown(logbook) == {"frame": {""}, "card": {"last check: 2026-03-01, bias +0.3 %"}, "rims": {""}}


def test_a_photo_without_a_date_may_be_older_than_any_check(logbook: Logbook) -> None:
    keep_check(logbook, date(2026, 3, 1), 0.3)
    record(logbook, measured("a", photo="a", taken_at=None, taken_at_source="unknown"), path="a")
    assert shown(logbook) == {"a": {""}}


def test_refused_photos_are_chosen_by_site_and_day_and_gone_when_deleted(logbook: Logbook, tmp_path: Path) -> None:
    nursery = replace(NURSERY, folder=tmp_path)
    for name, site, day in (("a", "TRAY-1", 1), ("b", "TRAY-2", 9), ("c", "TRAY-1", None), ("deleted", "TRAY-1", 1)):
        taken = datetime(2026, 3, day, 12) if day else None
        refusal = Refusal(name, "the photo is blurred", "Retake it", "ViewUnusable", taken_at=taken)
        record_refusal(logbook, refusal, path=name, sha256=name * 64, site=site)
        if name != "deleted":
            (tmp_path / name).touch()

    def refused(**choice: object) -> list[str]:
        return [one.photo for one in view_nursery(logbook, nursery, NO_TABLES, **choice).refused]

    assert refused() == ["a", "b", "c"]
    assert refused(site="TRAY-1") == ["a", "c"]
    assert refused(since=date(2026, 3, 2)) == ["b", "c"]  # nothing tells when c was taken: it is not hidden
    assert refused(until=date(2026, 3, 1)) == ["a", "c"]
    assert refused(touched_by={"b"}) == ["b"]
