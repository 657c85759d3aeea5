"""What goes into the logbook comes out of it."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path

import cv2
import numpy as np
import pytest
from shapely import MultiPolygon

from fragarea import __version__
from fragarea.area.records import AreaEstimate
from fragarea.errors import LogbookProblem
from fragarea.logbook import (
    Refusal,
    current_measurements,
    current_refusals,
    history_of,
    known_photos,
    open_logbook,
    record,
    record_refusal,
)
from fragarea.measurement import FragmentStatus, MeasureSettings
from fragarea.photo.records import CameraInfo
from fragarea.reference.byhand import AffinePlane
from fragarea.reference.plane import CameraPose
from fragarea.sites.records import SiteDescription, SiteKind
from tests.logbook.samples import TAKEN, TRAY, fragment, measured

LOST = Refusal("blurred.jpg", "no tag seen", "Retake it", "ReferenceNotFound")


@pytest.fixture
def logbook(tmp_path: Path):
    with open_logbook(tmp_path / "logbook.sqlite") as opened:
        yield opened


def test_a_measurement_comes_back_as_it_went_in(logbook):
    made = measured()
    number = record(logbook, made, path="photos/TRAY-1/IMG_0412.jpg", names={(1, 1): "F1"})
    (stored,) = current_measurements(logbook)
    # the plane holds arrays, which have no single equality
    assert replace(stored.measurement, plane=None) == replace(made, plane=None)
    assert np.array_equal(stored.measurement.plane.translation_mm, made.plane.translation_mm)
    assert stored.measurement_id == number
    assert stored.path == "photos/TRAY-1/IMG_0412.jpg"
    assert stored.fragment_names == ("F1", None)
    assert stored.names == {(1, 1): "F1"}
    assert stored.software_version == __version__
    assert stored.is_current
    assert stored.supersedes is None
    assert abs(datetime.now(UTC) - stored.recorded_at) < timedelta(minutes=5)


def test_numbers_come_back_to_the_last_digit(logbook):
    third, tiny = 100.0 / 3.0, 5e-324
    area = AreaEstimate(third, tiny, 1.96 * third, ())
    record(logbook, measured(mm_per_px=third, fragments=(replace(fragment(), live=area),)))
    (stored,) = current_measurements(logbook)
    assert stored.measurement.mm_per_px == third
    assert stored.measurement.fragments[0].live == area


def test_outlines_come_back_point_by_point_with_their_holes(logbook):
    made = measured()
    record(logbook, made)
    (stored,) = current_measurements(logbook)
    for before, after in zip(made.fragments, stored.measurement.fragments, strict=True):
        assert after.outline_live.wkb == before.outline_live.wkb
        assert len(after.outline_live.geoms[0].interiors) == 1


CAMERA = CameraPose(
    np.array([[3011.7, 0.0, 2001.3], [0.0, 3012.9, 1499.9], [0.0, 0.0, 1.0]]),
    np.array([-0.11, 0.03, 1e-4, -2e-4, 0.007]),
    cv2.Rodrigues(np.array([0.07, -0.11, 0.6]))[0],
    np.array([-120.3, 80.7, 611.1]) / 3.0,
)
BY_HAND = AffinePlane(np.array([[11.0, 0.7], [-0.7, 11.1]]) / 3.0, np.array([801.3, 599.9]), 402.7, None)


@pytest.mark.parametrize("plane", [CAMERA, BY_HAND], ids=["camera", "by hand"])
def test_a_plane_read_back_projects_to_the_same_digits(logbook, plane):
    record(logbook, measured(plane=plane))
    back = current_measurements(logbook)[0].measurement.plane
    points = np.random.default_rng(1).uniform(-140.0, 140.0, (50, 2))
    for height_mm in (0.0, 4.5):
        pixels = plane.project(points, height_mm)
        assert np.array_equal(back.project(points, height_mm), pixels)
        assert np.array_equal(back.to_plane(pixels, height_mm), plane.to_plane(pixels, height_mm))
    assert (back.camera_height_mm, back.tilt_deg) == (plane.camera_height_mm, plane.tilt_deg)


def test_what_is_not_known_stays_not_known(logbook):
    made = measured(
        taken_at=None,
        taken_at_source="unknown",
        camera=CameraInfo(),
        camera_height_mm=None,
        tilt_deg=None,
        rms_px=math.nan,
        plane=None,
        fragments=(replace(fragment(None), label="3", plug_radius_mm=None, confidence=math.nan),),
        doubts=(),
    )
    record(logbook, made)
    (stored,) = current_measurements(logbook)
    back = stored.measurement
    assert back.taken_at is None
    assert back.camera == CameraInfo()
    assert back.camera_height_mm is None
    assert back.tilt_deg is None
    assert back.plane is None
    assert math.isnan(back.rms_px)
    assert back.fragments[0].position is None
    assert back.fragments[0].label == "3"
    assert math.isnan(back.fragments[0].confidence)


@pytest.mark.parametrize(
    "moment",
    [
        TAKEN,
        TAKEN.replace(microsecond=120000),
        TAKEN.replace(tzinfo=UTC),
        TAKEN.replace(tzinfo=timezone(timedelta(hours=-4))),
        TAKEN.replace(tzinfo=timezone(timedelta(hours=5, minutes=45))),
    ],
)
def test_capture_dates_keep_their_clock_and_offset(logbook, moment):
    record(logbook, measured(taken_at=moment))
    back = current_measurements(logbook)[0].measurement.taken_at
    assert back == moment
    assert back.utcoffset() == moment.utcoffset()
    assert back.replace(tzinfo=None) == moment.replace(tzinfo=None)


def test_site_and_settings_come_back_with_their_types(logbook):
    site = SiteDescription(kind=SiteKind.PAD, name="PAD-1", places_mm=(("A", 1.5, 2.5), ("B", 3.0, 4.0)))
    settings = MeasureSettings(two_points_px=(1.0, 2.0, 3.0, 4.0), two_points_mm=50.0, print_factor=1.003)
    record(logbook, measured(site=site, settings=settings))
    back = current_measurements(logbook)[0].measurement
    assert back.site == site
    assert back.site.kind is SiteKind.PAD
    assert back.settings == settings


def test_settings_that_do_not_belong_to_the_hash_are_a_mistake_of_the_program(logbook):
    with pytest.raises(ValueError, match=r"settings and site give the hash .* the measurement says wrong"):
        record(logbook, measured(settings_hash="wrong"))
    assert current_measurements(logbook) == []


def test_a_fragment_without_tissue_and_a_photo_without_fragments_are_kept(logbook):
    missing = fragment((2, 2), 0.0, status=FragmentStatus.MISSING, outline_live=MultiPolygon())
    record(logbook, measured("a", fragments=(missing,)))
    record(logbook, measured("b", fragments=()))
    areas = [[part.live.area_mm2 for part in one.measurement.fragments] for one in current_measurements(logbook)]
    assert sorted(areas) == [[], [0.0]]


def test_measurements_are_chosen_by_site_and_by_days_both_included(logbook):
    for number, (site, day) in enumerate([("TRAY-1", 6), ("TRAY-1", 7), ("TRAY-2", 7), ("TRAY-1", 8)]):
        taken = datetime(2026, 3, day, 23, 59, 59)
        record(logbook, measured(str(number), site=replace(TRAY, name=site), taken_at=taken), path=f"{number}.jpg")
    record(logbook, measured("undated", taken_at=None), path="undated.jpg")
    seventh = date(2026, 3, 7)

    def paths(**choice):
        return [one.path for one in current_measurements(logbook, **choice)]

    assert paths() == ["0.jpg", "1.jpg", "2.jpg", "3.jpg", "undated.jpg"]
    assert paths(site="TRAY-1") == ["0.jpg", "1.jpg", "3.jpg", "undated.jpg"]
    assert paths(since=seventh) == ["1.jpg", "2.jpg", "3.jpg"]
    assert paths(until=seventh) == ["0.jpg", "1.jpg", "2.jpg"]
    assert paths(site="TRAY-1", since=seventh, until=seventh) == ["1.jpg"]
    assert paths(site="elsewhere") == []


def test_without_outlines_the_numbers_are_the_same(logbook):
    record(logbook, measured())
    (whole,) = current_measurements(logbook)
    (bare,) = current_measurements(logbook, with_outlines=False)
    assert [part.live for part in bare.measurement.fragments] == [part.live for part in whole.measurement.fragments]
    assert all(part.outline_live.is_empty for part in bare.measurement.fragments)


def test_the_history_of_a_fragment_follows_it_from_tray_to_tray(logbook):
    later = measured("b", taken_at=TAKEN + timedelta(days=14), site=replace(TRAY, name="TRAY-2"))
    record(logbook, later, names={(1, 2): "F1"})
    record(logbook, measured("a"), names={(1, 1): "F1", (1, 2): "F2"})
    visits = history_of(logbook, "F1")
    assert [(visit.site, visit.position, visit.area_mm2) for visit in visits] == [
        ("TRAY-1", (1, 1), 100.0),
        ("TRAY-2", (1, 2), 80.0),
    ]
    assert [doubt.key for doubt in visits[1].doubts] == ["outline_unsure", "rim_unsure"]
    assert history_of(logbook, "nobody") == []


def test_a_refusal_comes_back_with_its_reason(logbook):
    record_refusal(logbook, LOST, path="photos/blurred.jpg", sha256="c" * 64, settings_hash="h")
    (stored,) = current_refusals(logbook)
    assert stored.refusal == LOST
    assert (stored.path, stored.sha256, stored.settings_hash) == ("photos/blurred.jpg", "c" * 64, "h")
    assert current_measurements(logbook) == []
    assert known_photos(logbook)["c" * 64].refusal == LOST


def test_a_refused_file_that_could_not_be_read_needs_no_hash(logbook):
    record_refusal(logbook, LOST, path="photos/locked.jpg")
    (stored,) = current_refusals(logbook)
    assert stored.sha256 == ""
    assert known_photos(logbook) == {}


HOSTILE = [
    "Robert'); DROP TABLE measurements;--.jpg",
    "two\nlines\tand a tab.jpg",
    "Überblick é 珊瑚 🪸.jpg",
    "[red]markup[/red] <b>&amp;</b>.jpg",
    "%s %(name)s {0} :bind ?.jpg",
    "",
    "a" * 5000,
]


@pytest.mark.parametrize("text", HOSTILE)
def test_any_text_is_kept_as_it_is(logbook, text):
    camera = CameraInfo(text, text)
    site = replace(TRAY, name=text)
    record(logbook, measured(photo=text, camera=camera, site=site), path=text or "x", names={(1, 1): text or "F"})
    record_refusal(logbook, Refusal(text, text, text, "PhotoProblem"), path="other", sha256="d" * 64)
    (stored,) = current_measurements(logbook, site=text)
    assert (stored.measurement.photo, stored.measurement.camera, stored.measurement.site) == (text, camera, site)
    assert current_refusals(logbook)[0].refusal.cause == text
    assert len(history_of(logbook, text or "F")) == 1


def test_text_that_no_database_takes_is_kept_with_marks_in_its_place(logbook):
    record(logbook, measured(photo="lone \udcff and \0 nul.jpg"), path="p")
    assert current_measurements(logbook)[0].measurement.photo == "lone ? and \ufffd nul.jpg"


def test_text_with_marks_in_its_place_is_the_same_text_the_next_time(logbook):
    bad = "lone \udcff and \0 nul.jpg"
    site = replace(TRAY, name=bad)
    refusal = Refusal(bad, bad, bad, "ViewUnusable")
    first = record(logbook, measured(site=site), path=bad, also_at=["copy " + bad])
    assert record(logbook, measured(site=site), path=bad, also_at=["copy " + bad]) == first
    refused = record_refusal(logbook, refusal, path=bad, sha256="d" * 64)
    assert record_refusal(logbook, refusal, path=bad, sha256="d" * 64) == refused
    assert known_photos(logbook)[measured().sha256].paths == {
        "lone ? and \ufffd nul.jpg",
        "copy lone ? and \ufffd nul.jpg",
    }


def test_a_doubt_of_a_newer_program_is_told_not_dropped(logbook):
    record(logbook, measured())
    with logbook.writing() as connection:
        connection.exec_driver_sql("UPDATE doubts SET key = 'from_the_future' WHERE key = 'print_unchecked'")
    with pytest.raises(LogbookProblem, match=r"(?s)from_the_future.*Update the program"):
        current_measurements(logbook)
