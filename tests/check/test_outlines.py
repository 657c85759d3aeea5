"""Known-area shapes found in drawn photos whose truth is exact, and in the rendered scenes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from benchmarks.shapes import photo_errors
from benchmarks.truth import ABSENT, true_photos
from fragarea.check import ShapeOutline, load_sheet, measure_shapes, nominal_mm2, polygon_mm
from fragarea.reference.layout import load_reference
from tests.check.scenes import LAYOUT, PHONE, PLAIN, SHEET, STRIPED, Camera, Scene, draw, placed, tilted_pose

POSE = tilted_pose()


def _found(camera: Camera, scene: Scene = Scene()) -> tuple[ShapeOutline, ...]:
    return measure_shapes(draw(camera, scene), POSE, LAYOUT, SHEET)


def _errors_mm2(found: tuple[ShapeOutline, ...]) -> np.ndarray:
    nominal = {shape.shape_id: nominal_mm2(shape) for shape in SHEET.shapes}
    return np.array([outline.area_mm2 - nominal[outline.shape_id] for outline in found])


NOMINAL = np.array([nominal_mm2(shape) for shape in SHEET.shapes])


@pytest.mark.parametrize("blur_px", [0.6, 0.9, 1.5])
def test_blur_does_not_change_areas(blur_px: float) -> None:
    # Exact geometry, drawn. 0.1 %: a disc of 20 mm2 at 5.3 px/mm covers 560 pixels, and 8-bit tones hold about
    # a thousandth of that along its edge.
    found = _found(replace(PLAIN, blur_px=blur_px))
    assert [outline.shape_id for outline in found] == [shape.shape_id for shape in SHEET.shapes]
    errors = _errors_mm2(found) / NOMINAL
    assert abs(errors.mean()) < 0.001
    # Corners of the star and the square lose more than curvature alone says when the blur is wide.
    assert np.abs(errors).max() < 0.003


@pytest.mark.parametrize(
    "camera", [PHONE, STRIPED, replace(PHONE, contrast=0.6)], ids=["even", "stripes", "contrast"]
)
def test_phone_photos_meet_the_bar(camera: Camera) -> None:
    # Exact geometry, drawn; the bar of the known-area check: 0.5 % or 0.3 mm2, mean within 0.2 %.
    found = _found(camera)
    assert len(found) == len(SHEET.shapes)
    errors = _errors_mm2(found)
    assert ((np.abs(errors) < 0.3) | (np.abs(errors / NOMINAL) < 0.005)).all()
    assert abs((errors / NOMINAL).mean()) < 0.002


def test_tags_take_out_most_of_what_sharpening_moves() -> None:
    # Drawn with and without tags: half light alone makes sharpened dark shapes too small.
    with_tags = _errors_mm2(_found(PHONE)) / NOMINAL
    without = _errors_mm2(_found(PHONE, Scene(tags=False))) / NOMINAL
    assert without.mean() < -0.002
    assert abs(with_tags.mean()) < 0.5 * abs(without.mean())


@pytest.mark.parametrize("camera", [PLAIN, PHONE, STRIPED], ids=["plain", "phone", "stripes"])
def test_edges_lie_within_their_uncertainty(camera: Camera) -> None:
    # The error that a whole edge shares is the area's error over its perimeter; 2 of 3 within u, all within 3 u.
    found = _found(camera)
    perimeters = np.array([polygon_mm(shape).length for shape in SHEET.shapes])
    shares = np.abs(_errors_mm2(found)) / perimeters / np.array([outline.edge_u_mm for outline in found])
    assert (shares < 1).mean() >= 2 / 3
    assert shares.max() < 3


def test_outline_lies_on_the_shape_and_holds_the_area() -> None:
    for outline, shape in zip(_found(PHONE), SHEET.shapes, strict=True):
        truth = polygon_mm(shape)
        assert outline.outline.is_valid
        assert outline.outline.area == pytest.approx(outline.area_mm2, rel=1e-9)
        # Exact geometry: a tenth of a pixel of noise along the edge is 0.019 mm.
        assert outline.outline.symmetric_difference(truth).area < 0.025 * truth.length
        assert outline.centre_mm == pytest.approx(truth.centroid.coords[0], abs=0.02)


def test_hole_of_the_annulus_is_no_ink() -> None:
    annulus = next(outline for outline in _found(PLAIN) if outline.shape_id == "annulus120")
    (part,) = annulus.outline.geoms
    # Exact geometry: hole of radius 3.5 mm.
    assert len(part.interiors) == 1
    assert shapely.Polygon(part.interiors[0]).area == pytest.approx(np.pi * 3.5**2, rel=0.003)


@pytest.mark.parametrize(
    "scene", [Scene(turn_deg=180.0), Scene(shift_mm=(2.0, -1.5)), Scene(turn_deg=177.0, shift_mm=(1.0, 2.0))]
)
def test_sheet_is_recognised_however_it_lies(scene: Scene) -> None:
    found = _found(PLAIN, scene)
    assert len(found) == len(SHEET.shapes)
    for outline, shape in zip(found, SHEET.shapes, strict=True):
        assert outline.shape_id == shape.shape_id
        assert outline.centre_mm == pytest.approx(placed(polygon_mm(shape), scene).centroid.coords[0], abs=0.02)
    assert np.abs(_errors_mm2(found) / NOMINAL).max() < 0.003


def test_covered_shapes_are_left_out() -> None:
    found = _found(PLAIN, Scene(without=("star80", "disc250")))
    assert [outline.shape_id for outline in found] == ["disc20", "square100", "annulus120", "kidney70"]


def test_shape_cut_off_by_the_edge_of_the_photo_is_left_out() -> None:
    pixels = draw(PLAIN)
    # The big disc stands at the bottom right; the photo ends in its middle.
    _, row = POSE.project([(59, 57)], 0.0)[0]
    found = measure_shapes(pixels[: int(row)], POSE, LAYOUT, SHEET)
    assert "disc250" not in [outline.shape_id for outline in found]
    assert "disc20" in [outline.shape_id for outline in found]


@pytest.mark.parametrize("level", [0, 40, 255])
def test_photo_without_shapes_gives_none(level: int) -> None:
    assert measure_shapes(np.full((660, 760, 3), level, np.uint8), POSE, LAYOUT, SHEET) == ()


def test_two_dark_patches_are_no_sheet() -> None:
    assert _found(PLAIN, Scene(without=("disc20", "square100", "star80", "annulus120"))) == ()


def test_clutter_of_fitting_sizes_is_no_sheet() -> None:
    # Discs of 20 mm2 on a lattice: many pairs fit, no whole sheet does.
    pixels = np.full((660, 760, 3), 220, np.uint8)
    y, x = np.mgrid[:660, :760]
    pixels[np.hypot((x % 40) - 20, (y % 40) - 20) < 13.4] = 40
    assert measure_shapes(pixels, POSE, LAYOUT, load_sheet()) == ()


def test_noise_gives_no_shapes() -> None:
    pixels = np.random.default_rng(2).integers(0, 256, (660, 760, 3), dtype=np.uint8)
    assert measure_shapes(pixels, POSE, LAYOUT, SHEET) == ()


def test_dirt_beside_a_shape_does_not_count() -> None:
    pixels = draw(PLAIN).copy()
    # Specks of 3 px, 8 px off the edge of the disc of 250 mm2.
    edge_x, edge_y = POSE.project([(59 - 8.92, 57)], 0.0)[0].astype(int)
    for step in (-12, 0, 12):
        pixels[edge_y + step : edge_y + step + 3, edge_x - 11 : edge_x - 8] = 60
    found = measure_shapes(pixels, POSE, LAYOUT, SHEET)
    assert np.abs(_errors_mm2(found) / NOMINAL).max() < 0.003


def test_rendered_scenes_meet_the_bar_with_the_true_camera() -> None:
    photos = [photo for photo in true_photos("dev") if photo.series == "shapes"]
    if not photos:
        pytest.skip(ABSENT)
    sheet = load_sheet()
    for photo in photos:
        errors = photo_errors(photo, photo.pose, load_reference(photo.reference), sheet)
        assert len(errors) == len(sheet.shapes)
        assert all(error.within for error in errors)
        assert abs(np.mean([error.error_rel for error in errors])) < 0.002
