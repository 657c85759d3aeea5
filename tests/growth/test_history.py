"""From recorded photos to histories."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path

import pytest
from shapely import MultiPolygon, Point

from fragarea.area.records import AreaEstimate, BudgetTerm
from fragarea.growth import mixups_of, read_record
from fragarea.growth.history import rim_shares_of
from fragarea.logbook import OutlineRow, open_logbook, record
from fragarea.measurement import FragmentStatus, MeasureSettings
from fragarea.nursery import Fragment, Placement, Tables
from fragarea.sites.records import SiteKind
from tests.logbook.samples import TAKEN, TRAY, fragment, measured

TERMS = ("scale", "print", "lens", "height", "edge height", "outline")
WIDE = MultiPolygon([Point(27.1, 27.2).buffer(12.5)])
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


def read_back(folder: Path, *photos, tables=TABLES):
    """Histories of some photos, recorded and read."""
    with open_logbook(folder / "logbook.sqlite") as logbook:
        for number, photo in enumerate(photos):
            record(logbook, photo, path=f"{number}.jpg", names=NAMES)
        return read_record(logbook, tables).histories()


def sources(point):
    return dict(zip(TERMS, (part.source for part in point.parts), strict=True))


def common(one, other):
    return {name for name in TERMS if sources(one)[name] and sources(one)[name] == sources(other)[name]}


@pytest.mark.parametrize(
    ("changes", "shared"),
    [
        ({}, {"print", "height", "edge height"}),
        ({"plug_top_source": "rims"}, {"print", "edge height"}),
        (
            {"settings": MeasureSettings(lens_profile="a", lens_hash="a1")},
            {"print", "lens", "height", "edge height"},
        ),
    ],
)
def test_two_visits_share_what_is_wrong_at_both(tmp_path: Path, changes, shared) -> None:
    photos = [
        measured(str(week), taken_at=TAKEN + timedelta(weeks=week), fragments=(full(),), **changes)
        for week in range(2)
    ]
    (history,) = read_back(tmp_path, *photos)
    assert common(*history.points) == shared
    assert sources(history.points[0])["outline"] == ""


def test_two_fragments_of_a_photo_share_all_but_edge_and_outline(tmp_path: Path) -> None:
    first, second = read_back(tmp_path, measured(fragments=(full(), replace(full(), position=(1, 2)))))
    assert common(first.points[0], second.points[0]) == {*TERMS} - {"edge height", "outline"}


def test_share_of_the_edge_at_the_rim_is_measured() -> None:
    # exact: a disc inside touches nothing; the plug's own disc lies at the rim all round; a disc of 8 mm, 8 mm off
    # the middle, leaves the circle of 12 mm on the arc of 2 (180 deg - acos((8^2 + 8^2 - 12^2) / (2 8 8)))
    def share(radius: float, shift: float = 0.0, **changes) -> float | None:
        one = full(outline_live=MultiPolygon([Point(27.1 + shift, 27.2).buffer(radius, quad_segs=64)]), **changes)
        (row,) = [OutlineRow(1, one.outline_live, one.centre_mm, one.plug_radius_mm, 1.0)]
        return rim_shares_of([row])[0]

    assert share(8.0) == 0.0
    assert share(12.5) == pytest.approx(1.0)
    assert share(8.0, 8.0) == pytest.approx(1 - math.acos((64 + 64 - 144) / 128) / math.pi, abs=0.005)
    assert share(8.0, plug_radius_mm=None) is None
    assert rim_shares_of([OutlineRow(1, MultiPolygon(), (0.0, 0.0), 12.5, 1.0)]) == [None]


def test_on_a_pad_there_is_no_rim(tmp_path: Path) -> None:
    pad = replace(TRAY, kind=SiteKind.PAD)
    (history,) = read_back(tmp_path, measured(site=pad, fragments=(full(outline_live=WIDE),)))
    assert history.points[0].rim_share == 0.0


def test_shares_at_the_rim_are_remembered(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (history,) = read_back(tmp_path, measured(fragments=(full(outline_live=WIDE),)))
    assert history.points[0].rim_share == pytest.approx(1.0)
    monkeypatch.setattr("fragarea.growth.history.rim_shares_of", lambda rows: pytest.fail("outlines are read twice"))
    assert read_back(tmp_path) == (history,)


def test_histories_hold_tables_and_photos_together(tmp_path: Path) -> None:
    weeks = [measured(str(week), taken_at=TAKEN + timedelta(weeks=week)) for week in (1, 0)]
    first, second = read_back(tmp_path, *weeks, measured("undated", taken_at=None))
    assert (first.fragment, first.genotype, first.site, first.cut_on) == ("P01", "G1", "TRAY-1", date(2026, 3, 1))
    assert [point.taken_at for point in first.points] == [TAKEN, TAKEN + timedelta(weeks=1)]
    assert (first.left_on, second.left_on) == (None, date(2026, 4, 1))
    assert first.undated == 1
    assert first.points[0].area_u_mm2 == pytest.approx(1.0)
    assert second.points[0].doubts == {"outline_unsure", "rim_unsure"}
    assert first.points[0].fragment_id > 0


def test_a_choice_of_days_or_site_leaves_out_the_others_and_undated_photos(tmp_path: Path) -> None:
    weeks = [measured(str(week), taken_at=TAKEN + timedelta(weeks=week)) for week in range(3)]
    read_back(tmp_path, *weeks, measured("undated", taken_at=None))
    with open_logbook(tmp_path / "logbook.sqlite") as logbook:
        whole = read_record(logbook, TABLES)
    day = (TAKEN + timedelta(weeks=1)).date()
    first, _ = whole.limited(since=day, until=day).histories()
    assert [point.taken_at.date() for point in first.points] == [day]
    assert first.undated == 0
    assert whole.limited(site="TRAY-1").histories() == whole.histories()
    assert whole.limited(site="TRAY-9").histories() == ()


def test_visits_of_a_tray_are_compared_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
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
        (found,) = mixups_of(logbook, read_record(logbook, Tables((), ())))
        with monkeypatch.context() as patched:
            patched.setattr("fragarea.growth.history.find_mixups", lambda *a, **k: pytest.fail("compared twice"))
            assert mixups_of(logbook, read_record(logbook, Tables((), ()))) == (found,)
        # with other genotypes growth is judged anew
        other = Tables((Fragment("P00", "invented", "G7"),), ())
        monkeypatch.setattr("fragarea.growth.history.find_mixups", lambda *a, **k: ())
        assert mixups_of(logbook, read_record(logbook, other)) == ()
    assert set(found.fragments) == {"P00", "P11"}
    assert found.taken_at == TAKEN + timedelta(weeks=1)
    assert found.site == "TRAY-1"
