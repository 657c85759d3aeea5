import json
import math
import re
from dataclasses import replace
from datetime import datetime, timedelta, timezone

import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import MultiPolygon, Polygon, box

from fragarea.doubts import Doubt
from fragarea.report.json_lines import (
    GRID_MM,
    json_line,
    measurement_to_json,
    outline_wkt,
    refusal_to_json,
    schema_text,
)
from tests.report.scene import blob, estimate, fragment, measured, missing

KEYS = {
    "schema",
    "photo",
    "taken_at",
    "reference",
    "mm_per_px",
    "camera_height_mm",
    "tilt_deg",
    "refused",
    "doubts",
    "fragments",
}
FRAGMENT_KEYS = {
    "position",
    "label",
    "centre_mm",
    "status",
    "area_mm2",
    "expanded_uncertainty_mm2",
    "bleached_mm2",
    "dead_mm2",
    "outline",
    "doubts",
}
SCHEMA = json.loads(schema_text())
TYPES = {
    "object": dict,
    "array": list,
    "string": str,
    "boolean": bool,
    "null": type(None),
    "integer": int,
    "number": (int, float),
}


def check(value, rule, where="$"):
    """The part of JSON Schema (draft 2020-12, Validation, section 6) that the schema uses."""
    unknown = set(rule) - {
        "$schema", "$id", "$defs", "$ref", "title", "description", "type", "required", "properties", "items", "const",
        "enum", "pattern", "minimum", "exclusiveMinimum", "minItems", "maxItems",
    }  # fmt: skip
    assert not unknown, f"{where}: this check does not know {unknown}"
    if "$ref" in rule:
        rule = SCHEMA["$defs"][rule["$ref"].removeprefix("#/$defs/")]
    if "type" in rule:
        names = [rule["type"]] if isinstance(rule["type"], str) else rule["type"]
        assert any(isinstance(value, TYPES[n]) and (n == "boolean" or not isinstance(value, bool)) for n in names), (
            where
        )
    assert value == rule.get("const", value), where
    assert value in rule.get("enum", [value]), where
    if isinstance(value, str):
        assert re.search(rule.get("pattern", ""), value), where
    if isinstance(value, (int, float)):
        assert value >= rule.get("minimum", value), where
        assert value > rule.get("exclusiveMinimum", value - 1), where
    if isinstance(value, list):
        assert rule.get("minItems", 0) <= len(value) <= rule.get("maxItems", len(value)), where
        for i, item in enumerate(value):
            check(item, rule.get("items", {}), f"{where}[{i}]")
    if isinstance(value, dict):
        assert set(rule.get("required", ())) <= set(value), where
        assert set(value) <= set(rule["properties"]), f"{where}: undocumented {set(value) - set(rule['properties'])}"
        for key, item in value.items():
            check(item, rule["properties"][key], f"{where}.{key}")


def objects():
    odd = fragment((3, 3), live=estimate(math.nan), bleached_mm2=math.inf, centre_mm=(math.nan, 2.0))
    return [
        measurement_to_json(measured()),
        measurement_to_json(measured(), budget=True),
        measurement_to_json(measured((odd, missing((1, 1)), fragment(None, "disc100"), fragment(None)))),
        measurement_to_json(
            measured((), taken_at=None, reference="", mm_per_px=math.nan, camera_height_mm=None, tilt_deg=None)
        ),
        measurement_to_json(measured(taken_at=datetime(2026, 3, 7, 1, 2, 3, 456, timezone(timedelta(hours=5.75))))),
        refusal_to_json("a.jpg", "found 1 of the 12 tags. Retake the photo.", taken_at=datetime(2026, 3, 7)),
    ]


@pytest.mark.parametrize("item", objects())
def test_object_follows_the_schema(item):
    check(item, SCHEMA)


@pytest.mark.parametrize("item", objects())
def test_object_follows_the_schema_by_an_independent_validator(item):
    jsonschema = pytest.importorskip("jsonschema", reason="jsonschema is not installed")
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    jsonschema.Draft202012Validator(SCHEMA).validate(item)


@pytest.mark.parametrize(
    ("key", "wrong"),
    [("schema", "other"), ("mm_per_px", 0), ("taken_at", "7 March"), ("fragments", None), ("doubts", [{}])],
)
def test_wrong_object_does_not_follow_the_schema(key, wrong):
    with pytest.raises(AssertionError):
        check(measurement_to_json(measured()) | {key: wrong}, SCHEMA)


def test_keys_are_those_documented():
    for item in objects():
        assert set(item) == KEYS
        assert all(set(f) - {"budget"} == FRAGMENT_KEYS for f in item["fragments"])


def test_line_is_strict_json_on_one_line():
    def refuse(constant):
        raise AssertionError(constant)

    for item in objects():
        item["photo"] = "a\u2028b\n\ud800.jpg"
        line = json_line(item)
        assert "\n" not in line
        assert line.isascii()
        assert json.loads(line, parse_constant=refuse) == item


def test_number_that_is_not_finite_never_reaches_a_line():
    item = objects()[2]["fragments"][0]
    assert item["area_mm2"] is None
    assert item["bleached_mm2"] is None
    assert item["centre_mm"] == [None, 2.0]
    with pytest.raises(ValueError, match="not JSON compliant"):
        json_line({"area_mm2": math.nan})


def test_capture_time_has_its_offset_when_known():
    assert objects()[0]["taken_at"] == "2026-03-07T10:15:30"
    assert objects()[4]["taken_at"] == "2026-03-07T01:02:03.000456+05:45"


def test_refusal_says_why_and_has_no_fragments():
    item = objects()[-1]
    assert item["refused"] == "found 1 of the 12 tags. Retake the photo."
    assert item["fragments"] == []
    assert objects()[0]["refused"] is None


def test_budget_comes_when_asked_for():
    assert "budget" not in objects()[0]["fragments"][0]
    assert objects()[1]["fragments"][0]["budget"] == [
        {"name": "scale", "u_mm2": 0.6, "shared": True},
        {"name": "outline", "u_mm2": 2.0, "shared": False},
    ]


def test_doubts_carry_key_title_and_figures():
    item = measurement_to_json(measured((fragment(doubts=(Doubt("glare", "12 %"),)),)))
    assert item["fragments"][0]["doubts"] == [{"key": "glare", "title": "glare on the tissue", "detail": "12 %"}]
    assert item["doubts"] == [{"key": "print_unchecked", "title": "print not checked", "detail": ""}]


def test_outline_reads_back_as_it_was():
    # outside check: Shapely's own reader; a grid of 0.001 mm moves an area by at most half of it times the perimeter
    for one in measured().fragments:
        read = shapely.from_wkt(outline_wkt(one.outline_live))
        assert read.geom_type == "MultiPolygon"
        assert read.is_valid
        assert read.area == pytest.approx(one.outline_live.area, abs=0.5 * GRID_MM * one.outline_live.length + 1e-9)
        assert read.hausdorff_distance(one.outline_live) <= GRID_MM or one.outline_live.is_empty


def test_no_tissue_is_an_empty_multipolygon():
    assert outline_wkt(MultiPolygon()) == "MULTIPOLYGON EMPTY"


def test_outline_stays_valid_where_rounding_would_make_it_cross_itself():
    # a notch and a hole closer to the edge than the grid, and a sliver thinner than it
    notched = Polygon([(0, 0), (10, 0), (10, 10), (5.0004, 10), (5.0002, 0.0003), (5.0, 10), (0, 10)])
    holed = Polygon([(20, 0), (30, 0), (30, 10), (20, 10)], [[(20.0003, 3), (25, 4), (20.0003, 5)]])
    sliver = Polygon([(40, 0), (50, 0.0004), (50, 0)])
    outline = MultiPolygon([notched, holed, sliver])
    assert outline.is_valid
    read = shapely.from_wkt(outline_wkt(outline))
    assert read.is_valid
    assert read.area == pytest.approx(outline.area, abs=0.03)


def test_coordinates_have_three_decimals():
    text = outline_wkt(MultiPolygon([blob((123.456789, 98.7654321), 7.0)]))
    assert all(len(number.split(".")[-1]) <= 3 for number in re.findall(r"\d+\.\d+", text))


TENTHS_OF_THE_GRID = st.integers(0, 30_000).map(lambda n: n * GRID_MM / 10)


@given(st.lists(st.tuples(TENTHS_OF_THE_GRID, TENTHS_OF_THE_GRID, TENTHS_OF_THE_GRID), min_size=1, max_size=5))
def test_any_union_of_boxes_is_written_valid(places):
    joined = shapely.union_all([box(x, y, x + side, y + side) for x, y, side in places if side])
    outline = MultiPolygon([part for part in shapely.get_parts(joined) if part.geom_type == "Polygon"])
    read = shapely.from_wkt(outline_wkt(outline))
    assert read.is_valid
    assert read.area == pytest.approx(outline.area, abs=GRID_MM * outline.length + 5 * GRID_MM**2)


def test_measurement_is_not_changed():
    photo = measured()
    measurement_to_json(photo, budget=True)
    assert photo == replace(measured(), plane=photo.plane)
