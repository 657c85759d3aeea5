"""SVG drawings: sizes in mm, tags bit by bit, areas by Shapely."""

from __future__ import annotations

import re

import cv2
import numpy as np
import pytest
from defusedxml import ElementTree
from shapely import MultiPolygon, Point, Polygon

from fragarea.check.sheet import load_sheet, nominal_mm2
from fragarea.reference.layout import load_reference
from fragarea.sheets.objects import (
    PrintedObject,
    printed_grey,
    reference_object,
    shapes_alone,
    shapes_in_reference,
)
from fragarea.sheets.svg import svg_text
from fragarea.sheets.tags import tag_cells

SVG = "{http://www.w3.org/2000/svg}"


def _sheet_object(name: str, alone: bool) -> PrintedObject:
    sheet = load_sheet(name)
    return (shapes_alone if alone else shapes_in_reference)(sheet, load_reference(sheet.reference))


OBJECTS = {
    "frame-280x220": (lambda: reference_object(load_reference("frame-280x220")), 280, 220),
    "frame-180x250": (lambda: reference_object(load_reference("frame-180x250")), 180, 250),
    "card-80x50": (lambda: reference_object(load_reference("card-80x50")), 80, 50),
    "known-areas": (lambda: _sheet_object("known-areas", alone=False), 280, 220),
    "known-areas-small": (lambda: _sheet_object("known-areas-small", alone=False), 180, 250),
}


def _area(path: str) -> Polygon | MultiPolygon:
    """Area of an SVG path by the even-odd rule."""
    area = Polygon()
    for ring in re.findall(r"M([^MZ]*)Z", path):
        points = [tuple(map(float, point.split())) for point in ring.split("L")]
        area = area.symmetric_difference(Polygon(points))
    return area


@pytest.mark.parametrize("name", OBJECTS)
def test_svg_is_as_large_as_its_name_says_with_one_unit_a_millimetre(name: str) -> None:
    make, width, height = OBJECTS[name]
    root = ElementTree.fromstring(svg_text(make(), "test"))
    assert (root.get("width"), root.get("height")) == (f"{width}mm", f"{height}mm")
    assert [float(number) for number in root.get("viewBox").split()[2:]] == [width, height]


@pytest.mark.parametrize("name", ["frame-280x220", "frame-180x250", "card-80x50"])
def test_svg_tags_are_the_bits_of_the_family_at_the_places_of_the_json_file(name: str) -> None:
    layout = load_reference(name)
    root = ElementTree.fromstring(svg_text(reference_object(layout), "test"))
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    for tag in layout.tags:
        (path,) = (p for p in root.iter(f"{SVG}path") if p.get("id") == f"tag-{tag.tag_id}")
        area = _area(path.get("d"))
        x, y = tag.centre_mm
        half = tag.side_mm / 2
        assert area.bounds == pytest.approx((x - half, y - half, x + half, y + half), abs=1e-4)
        # 20 pixels a cell from OpenCV's own drawing, sampled in the middle of each cell.
        picture = cv2.aruco.generateImageMarker(family, tag.tag_id, 160, borderBits=1)
        for row in range(8):
            for column in range(8):
                middle = Point(x - half + (column + 0.5) * half / 4, y - half + (row + 0.5) * half / 4)
                assert area.contains(middle) == (picture[20 * row + 10, 20 * column + 10] == 0)


@pytest.mark.parametrize("alone", [False, True], ids=["with reference", "alone"])
@pytest.mark.parametrize("name", ["known-areas", "known-areas-small"])
def test_svg_paths_of_shapes_have_their_nominal_areas(name: str, alone: bool) -> None:
    root = ElementTree.fromstring(svg_text(_sheet_object(name, alone), "test"))
    paths = {path.get("id"): _area(path.get("d")) for path in root.iter(f"{SVG}path")}
    for shape in load_sheet(name).shapes:
        area = paths[shape.shape_id]
        # Corners are dropped where the edge moves by less than 0.0001 mm and rounded to 0.0001 mm.
        assert area.area == pytest.approx(nominal_mm2(shape), abs=1.5e-4 * area.length)


@pytest.mark.parametrize("name", OBJECTS)
def test_marks_a_and_b_are_the_print_check_length_apart(name: str) -> None:
    thing = OBJECTS[name][0]()
    root = ElementTree.fromstring(svg_text(thing, "test"))
    guides = [line for line in root.iter(f"{SVG}polyline") if line.get("stroke") == "#0d4c8c"]
    ends = [np.array(line.get("points").split()[0].split(","), dtype=float) for line in guides]
    assert len(ends) == 2
    assert thing.layout is not None
    assert np.hypot(*(ends[1] - ends[0])) == pytest.approx(thing.layout.print_check_mm, abs=1e-3)


def test_words_on_a_print_touch_neither_tags_nor_shapes() -> None:
    thing = OBJECTS["known-areas"][0]()
    assert thing.layout is not None
    words = [item for item in thing.items if hasattr(item, "words")]
    # 12 tag numbers, A and B, one label
    assert len(words) == 15
    for word in words:
        for tag in thing.layout.tags:
            reach = tag.side_mm * (0.5 + 1 / 8)
            assert max(abs(word.at_mm[0] - tag.centre_mm[0]), abs(word.at_mm[1] - tag.centre_mm[1])) > reach


def test_shape_is_drawn_as_one_path_and_the_annulus_keeps_its_hole() -> None:
    root = ElementTree.fromstring(svg_text(_sheet_object("known-areas", alone=True), "test"))
    ids = [path.get("id") for path in root.iter(f"{SVG}path")]
    assert ids == [shape.shape_id for shape in load_sheet().shapes]
    (ring,) = (path for path in root.iter(f"{SVG}path") if path.get("id") == "annulus250")
    assert ring.get("fill-rule") == "evenodd"
    assert ring.get("d").count("Z") == 2


def test_grey_of_a_patch_follows_the_srgb_curve() -> None:
    # IEC 61966-2-1: value 0.5 is light 0.2140; light 0.0031308 lies on both branches, 12.92 * 0.0031308 = 0.04045.
    assert printed_grey(0.21404) == pytest.approx((0.5, 0.5, 0.5), abs=1e-4)
    assert printed_grey(0.0031308)[0] == pytest.approx(0.04045, abs=1e-5)
    assert printed_grey(1.0)[0] == pytest.approx(1.0)


def test_family_has_no_tag_587() -> None:
    # AprilTag 36h11 has 587 tags, 0 to 586 (OpenCV, DICT_APRILTAG_36h11).
    assert tag_cells(586).shape == (8, 8)
    with pytest.raises(ValueError, match="0 to 586"):
        tag_cells(587)


def test_control_characters_in_a_name_do_not_break_the_svg() -> None:
    thing = reference_object(load_reference("card-80x50"))
    text = svg_text(thing, "a\x00b <c> & d")
    assert "ab <c> & d" in ElementTree.fromstring(text).find(f"{SVG}desc").text
