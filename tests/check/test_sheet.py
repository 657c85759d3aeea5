"""The known-area sheet: its nominal areas are those of the outlines that are printed and rendered."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from benchmarks.truth import ABSENT, true_photos
from fragarea.check.sheet import (
    SCHEMA,
    KnownShape,
    known_sheets,
    load_sheet,
    nominal_mm2,
    parse_sheet,
    polygon_mm,
    sheet_for,
)
from fragarea.errors import SettingsProblem

SHEET = load_sheet()


def _sheet(*shapes: dict[str, Any]) -> dict[str, Any]:
    return {"schema": SCHEMA, "name": "one", "reference": "frame-280x220", "shapes": list(shapes)}


@pytest.mark.parametrize("shape", SHEET.shapes, ids=lambda shape: shape.shape_id)
def test_closed_form_area_is_the_area_of_the_outline(shape: KnownShape) -> None:
    # Exact geometry: an inscribed n-gon misses (2 pi^2 / 3) / n^2 of a circle, 4e-7 at 4096 points.
    outline = polygon_mm(shape)
    assert outline.is_valid
    assert outline.area == pytest.approx(nominal_mm2(shape), rel=1e-6)


@pytest.mark.parametrize(
    ("kind", "sizes", "waves", "expected"),
    [
        ("disc", {"radius_mm": 2.0}, (), math.pi * 4),
        ("square", {"side_mm": 3.0, "turn_deg": 17.0}, (), 9.0),
        # Exact geometry: the hexagram with circumradius 1 and inner radius 1/sqrt(3) is 12 triangles, area sqrt(3).
        ("star", {"points": 6.0, "outer_mm": 1.0, "inner_mm": 1 / math.sqrt(3)}, (), math.sqrt(3)),
        # Published vector (facts: ring with radii 10 and 4).
        ("annulus", {"outer_mm": 10.0, "inner_mm": 4.0}, (), 263.893783),
        ("kidney", {"half_length_mm": 5.0, "half_width_mm": 2.0, "bend_mm": 1.0}, (), math.pi * 10),
        # Exact geometry: half the integral of (2 + cos t)^2 is 4 pi + pi / 2.
        ("blob", {"base_mm": 2.0}, ((1.0, 0.0),), 4.5 * math.pi),
    ],
)
def test_area_follows_from_the_parameters(
    kind: str, sizes: dict[str, float], waves: tuple[tuple[float, float], ...], expected: float
) -> None:
    assert nominal_mm2(KnownShape("one", kind, (0.0, 0.0), sizes, waves)) == pytest.approx(expected, rel=1e-8)


@pytest.mark.parametrize("shape", [s for s in SHEET.shapes if s.kind != "blob"], ids=lambda shape: shape.shape_id)
def test_centre_is_the_centroid(shape: KnownShape) -> None:
    # Exact geometry: every kind but the blob is centred on its centroid; cutting a curve into
    # 4096 sides moves it by about 4e-7 of its size, here up to 20 mm.
    centroid = polygon_mm(shape).centroid
    assert (centroid.x, centroid.y) == pytest.approx(shape.centre_mm, abs=1e-5)


def test_areas_span_20_to_600_mm2_and_file_holds_no_areas() -> None:
    areas = [nominal_mm2(shape) for shape in SHEET.shapes]
    assert min(areas) == pytest.approx(20.0, rel=1e-6)
    assert max(areas) == pytest.approx(600.0, rel=1e-6)
    assert not any("area" in name for shape in SHEET.shapes for name in shape.sizes)


def test_sheet_matches_the_rendered_scenes() -> None:
    photo = next((photo for photo in true_photos("dev") if photo.series == "shapes"), None)
    if photo is None:
        pytest.skip(ABSENT)
    for fragment in photo.fragments:
        shape = SHEET.shape(fragment.label)
        assert shape is not None, fragment.label
        # The scenes' outlines are rounded to 0.0001 mm and cut into 360 to 1400 sides: up to 0.6 um between them.
        assert polygon_mm(shape).hausdorff_distance(fragment.live) < 0.001
        assert nominal_mm2(shape) == pytest.approx(fragment.live_mm2, rel=1e-6)
    assert len(photo.fragments) == len(SHEET.shapes)


@pytest.mark.parametrize(
    ("shape", "words"),
    [
        ({"id": "a", "kind": "cube", "centre_mm": [0, 0]}, "kind 'cube' is not known"),
        ({"id": "a", "kind": "disc", "centre_mm": [0, 0]}, "radius_mm is missing"),
        ({"id": "a", "kind": "disc", "centre_mm": [0, 0], "radius_mm": -1}, "positive"),
        ({"id": "a", "kind": "disc", "centre_mm": [0, 0], "radius_mm": float("nan")}, "finite"),
        ({"id": "a", "kind": "disc", "centre_mm": [0], "radius_mm": 1}, "missing or wrong field"),
        ({"id": "a", "kind": "annulus", "centre_mm": [0, 0], "outer_mm": 1, "inner_mm": 2}, "smaller than outer_mm"),
        (
            {"id": "a", "kind": "star", "centre_mm": [0, 0], "points": 2.5, "outer_mm": 2, "inner_mm": 1},
            "whole number",
        ),
        ({"id": "a", "kind": "blob", "centre_mm": [0, 0], "base_mm": 1, "waves_mm": [[3, 0]]}, "crosses itself"),
    ],
)
def test_wrong_shape_is_refused_by_name(shape: dict[str, Any], words: str) -> None:
    with pytest.raises(SettingsProblem, match=words):
        parse_sheet(_sheet(shape), source="mine.json")


def test_overlapping_shapes_are_refused() -> None:
    disc = {"kind": "disc", "centre_mm": [0, 0], "radius_mm": 1}
    with pytest.raises(SettingsProblem, match="b and a overlap"):
        parse_sheet(_sheet({"id": "a", **disc}, {"id": "b", **disc}), source="mine.json")


@pytest.mark.parametrize("content", ["", "[]", "{", '{"schema": "other"}', '{"schema": "fragarea-known-areas-1"}'])
def test_damaged_file_is_refused(tmp_path: Path, content: str) -> None:
    path = tmp_path / "mine.json"
    path.write_text(content)
    with pytest.raises(SettingsProblem, match=r"mine\.json"):
        load_sheet(path)


def test_unknown_sheet_is_refused() -> None:
    with pytest.raises(SettingsProblem, match="not known"):
        load_sheet("no-such-sheet")


def test_own_sheet_can_be_loaded_from_a_file(tmp_path: Path) -> None:
    path = tmp_path / "own.json"
    path.write_text(json.dumps(_sheet({"id": "d", "kind": "disc", "centre_mm": [5, 6], "radius_mm": 2})))
    assert load_sheet(path).shapes[0].centre_mm == (5.0, 6.0)


def test_sheet_of_a_photo_follows_from_the_reference_around_it() -> None:
    assert known_sheets() == ("known-areas", "known-areas-small")
    assert sheet_for("frame-180x250").name == "known-areas-small"
    assert sheet_for("frame-280x220").name == "known-areas"
    assert sheet_for("a frame of our own").name == "known-areas"


def test_small_sheet_has_the_shapes_of_the_large_one_at_other_places() -> None:
    small = load_sheet("known-areas-small")
    assert [(s.shape_id, s.kind, s.sizes, s.waves_mm) for s in small.shapes] == [
        (s.shape_id, s.kind, s.sizes, s.waves_mm) for s in SHEET.shapes
    ]
    assert small.shapes != SHEET.shapes
