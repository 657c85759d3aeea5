"""The documented format of references: files here follow it, and the example in the manual prints."""

from __future__ import annotations

import copy
import json
import re
from pathlib import Path
from typing import Any

import pytest

from fragarea.errors import SettingsProblem
from fragarea.reference.layout import calibration_folder, known_references, parse_reference
from fragarea.sheets.pages import reference_pages
from fragarea.sheets.paper import PAPERS
from fragarea.sheets.pdf import pdf_bytes
from tests.sheets.prints import MADE_ON

FOLDER = calibration_folder()
SCHEMA = json.loads((FOLDER / "reference.schema.json").read_text(encoding="utf-8"))
MANUAL = (FOLDER / "README.md").read_text(encoding="utf-8")
EXAMPLE = json.loads(re.search(r"```json\n(.*?)```", MANUAL, re.DOTALL).group(1))  # type: ignore[union-attr]
TYPES = {"object": dict, "array": list, "string": str, "integer": int, "number": (int, float)}


def _faults(value: Any, schema: dict[str, Any], where: str = "") -> list[str]:
    """The part of JSON Schema (draft 2020-12, Validation, section 6) that the schema uses."""
    if "$ref" in schema:
        return _faults(value, SCHEMA["$defs"][schema["$ref"].rsplit("/", 1)[1]], where)
    if "const" in schema:
        return [] if value == schema["const"] else [f"{where} is not {schema['const']}"]
    if not isinstance(value, TYPES[schema["type"]]):
        return [f"{where} is not of type {schema['type']}"]
    faults = [f"{where}.{key} is missing" for key in schema.get("required", ()) if key not in value]
    for key, part in schema.get("properties", {}).items():
        faults += _faults(value[key], part, f"{where}.{key}") if key in value else []
    if isinstance(value, list):
        if not schema.get("minItems", 0) <= len(value) <= schema.get("maxItems", len(value)):
            faults.append(f"{where} has {len(value)} items")
        faults += [fault for item in value for fault in _faults(item, schema["items"], f"{where}[]")]
    if isinstance(value, int | float):
        if value < schema.get("minimum", value) or value > schema.get("maximum", value):
            faults.append(f"{where} is out of range")
        if "exclusiveMinimum" in schema and value <= schema["exclusiveMinimum"]:
            faults.append(f"{where} is not above {schema['exclusiveMinimum']}")
    return faults


@pytest.mark.parametrize("name", known_references())
def test_references_that_come_along_follow_the_schema(name: str) -> None:
    assert _faults(json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8")), SCHEMA) == []


def test_tag_ids_of_references_that_come_along_differ() -> None:
    ids = [
        tag["id"] for name in known_references() for tag in json.loads((FOLDER / f"{name}.json").read_text())["tags"]
    ]
    assert len(ids) == len(set(ids)) == 12 + 14 + 4


def test_example_in_the_manual_follows_the_schema_and_prints() -> None:
    assert _faults(EXAMPLE, SCHEMA) == []
    layout = parse_reference(EXAMPLE, source="our-card.json")
    pages = reference_pages(layout, PAPERS["a4"], MADE_ON)
    assert pdf_bytes(pages, "our-card").startswith(b"%PDF")


def _without(*keys: str) -> dict[str, Any]:
    changed = copy.deepcopy(EXAMPLE)
    part: Any = changed
    for key in keys[:-1]:
        part = part[int(key)] if isinstance(part, list) else part[key]
    del part[keys[-1]]
    return changed


@pytest.mark.parametrize(
    "keys",
    [
        ("name",),
        ("family",),
        ("outline_mm",),
        ("tags",),
        ("print_check_mm",),
        ("tags", "0", "id"),
        ("tags", "0", "side_mm"),
        ("tags", "0", "centre_mm"),
        ("grey_patches", "0", "reflectance"),
        ("print_check_mm", "length"),
    ],
    ids=".".join,
)
def test_field_that_the_schema_requires_is_required_by_the_program_too(keys: tuple[str, ...]) -> None:
    broken = _without(*keys)
    assert _faults(broken, SCHEMA)
    with pytest.raises(SettingsProblem, match=f"missing or wrong field \\('{keys[-1]}'\\)"):
        parse_reference(broken, source="our-card.json")


@pytest.mark.parametrize("keys", [("schema",), ("units",), ("axes",), ("grey_patches",)], ids=".".join)
def test_field_that_the_schema_leaves_free_may_be_absent(keys: tuple[str, ...]) -> None:
    assert _faults(_without(*keys), SCHEMA) == []
    assert parse_reference(_without(*keys), source="our-card.json").name == "our-card"


def test_manual_names_every_file_beside_it() -> None:
    for file in Path(FOLDER).glob("*.json"):
        assert f"`{file.name}`" in MANUAL
