"""From recorded photos to histories."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path

import pytest
from shapely import MultiPolygon, Point

from fragarea.area.records import AreaEstimate, BudgetTerm
from fragarea.growth import histories_of_record, mixups_of_record
from fragarea.growth.history import area_point
from fragarea.logbook import current_measurements, open_logbook, record
from fragarea.measurement import FragmentStatus, MeasureSettings
from fragarea.nursery import Fragment, Placement, Tables
from fragarea.sites.records import SiteKind
from tests.logbook.samples import TAKEN, TRAY, fragment, measured

TERMS = ("scale", "print", "lens", "height", "edge height", "outline")
NAMES = {(1, 1): "P01", (1, 2): "P02"}
TABLES = Tables(
    (Fragment("P01", "invented", "G1", cut_on=date(2026, 3, 1)), Fragment("P02", "invented", "G2")),
    (
        Placement("P01", "TRAY-1", date(2026, 3, 1), row=1, column=1),
        Placement("P02", "TRAY-1", date(2026, 3, 1), until=date(2026, 4, 1), row=1, column=2),
    ),
)


def full(area_mm2: float = 100.0, **changes):
    live = AreaEstimate(area_mm2, 1.0, 1.96, tuple(BudgetTerm(name, 0.5, name != "outline") for name in TERMS))
    return fragment((1, 1), area_mm2, live=live, **changes)


def sources(photo, name="P01"):
    point = area_point(photo, photo.fragments[0], name, TAKEN)
    return dict(zip(TERMS, (part.source for part in point.parts), strict=True))


def test_two_visits_share_the_print_the_given_height_and_the_fragment_its_edge() -> None:
    one, two = (measured(content, fragments=(full(),)) for content in ("one", "two"))
    same = {name for name in TERMS if sources(one)[name] and sources(one)[name] == sources(two)[name]}
    assert same == {"print", "height", "edge height"}
    assert sources(one)["outline"] == ""
    rims = [replace(photo, plug_top_source="rims") for photo in (one, two)]
    assert sources(rims[0])["height"] != sources(rims[1])["height"]
    lens = [replace(photo, settings=MeasureSettings(lens_profile="a", lens_hash="a1")) for photo in (one, two)]
    assert sources(lens[0])["lens"] == sources(lens[1])["lens"] != ""


def test_two_fragments_of_a_photo_share_all_but_edge_and_outline() -> None:
    photo = measured(fragments=(full(),))
    first, second = sources(photo, "P01"), sources(photo, "P02")
    assert {name for name in TERMS if first[name] and first[name] == second[name]} == {*TERMS} - {
        "edge height",
        "outline",
    }


def test_share_of_the_edge_at_the_rim_is_measured() -> None:
    # exact: a disc inside touches nothing; the plug's own disc lies at the rim all round; on a pad there is no rim
    def share(radius: float, photo=None) -> float | None:
        one = full(outline_live=MultiPolygon([Point(27.1, 27.2).buffer(radius)]))
        made = measured(fragments=(one,)) if photo is None else replace(photo, fragments=(one,))
        return area_point(made, one, "P01", TAKEN).rim_share

    assert share(8.0) == 0.0
    assert share(12.5) == pytest.approx(1.0)
    pad = measured(site=replace(TRAY, kind=SiteKind.PAD))
    assert share(12.5, pad) == 0.0
    bare = full(plug_radius_mm=None)
    assert area_point(measured(), bare, "P01", TAKEN).rim_share is None


def test_histories_hold_tables_and_photos_together(tmp_path: Path) -> None:
    with open_logbook(tmp_path / "logbook.sqlite") as logbook:
        for week in (1, 0):
            photo = measured(str(week), taken_at=TAKEN + timedelta(weeks=week))
            record(logbook, photo, path=f"{week}.jpg", names=NAMES)
        record(logbook, measured("undated", taken_at=None), path="u.jpg", names=NAMES)
        first, second = histories_of_record(current_measurements(logbook), TABLES)
    assert (first.fragment, first.genotype, first.site, first.cut_on) == ("P01", "G1", "TRAY-1", date(2026, 3, 1))
    assert [point.taken_at for point in first.points] == [TAKEN, TAKEN + timedelta(weeks=1)]
    assert (first.left_on, second.left_on) == (None, date(2026, 4, 1))
    assert first.undated == 1
    assert first.points[0].area_u_mm2 == pytest.approx(1.0)
    assert second.points[0].doubts == {"outline_unsure", "rim_unsure"}
    assert first.points[0].fragment_id > 0


def test_visits_of_a_tray_are_compared(tmp_path: Path) -> None:
    # twelve discs of clearly different size; the first and the last are exchanged at the second visit
    areas = [60.0 + 20 * i for i in range(12)]
    names = {(1 + i // 8, 1 + i % 8): f"P{i:02d}" for i in range(12)}
    with open_logbook(tmp_path / "logbook.sqlite") as logbook:
        for week in range(3):
            shown = areas if week == 0 else [areas[11], *areas[1:11], areas[0]]
            photo = measured(
                str(week),
                taken_at=TAKEN + timedelta(weeks=week),
                fragments=tuple(fragment(place, area) for place, area in zip(names, shown, strict=True)),
            )
            record(logbook, photo, path=f"{week}.jpg", names=names)
        gone = measured(
            "later",
            taken_at=datetime(2026, 4, 10, 10),
            fragments=tuple(fragment(place, 0.0, status=FragmentStatus.MISSING) for place in names),
        )
        record(logbook, gone, path="later.jpg", names=names)
        (found,) = mixups_of_record(current_measurements(logbook), Tables((), ()))
    assert set(found.fragments) == {"P00", "P11"}
    assert found.taken_at == TAKEN + timedelta(weeks=1)
    assert found.site == "TRAY-1"
