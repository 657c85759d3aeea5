"""One photo as a machine-readable object: a line of JSON, described by ``measure-1.schema.json``."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from datetime import datetime
from importlib.resources import files
from typing import Any

import numpy as np
import shapely
from shapely import MultiPolygon

from fragarea.doubts import Doubt
from fragarea.measurement import FragmentMeasurement, PhotoMeasurement

SCHEMA = "fragarea-measure-1"
GRID_MM = 0.001  # outlines lie on this grid, so that they are valid as written

Object = dict[str, Any]


def measurement_to_json(measurement: PhotoMeasurement, *, budget: bool = False) -> Object:
    """One measured photo as an object of the schema ``fragarea-measure-1``.

    Parameters
    ----------
    measurement : PhotoMeasurement
    budget : bool
        Whether each fragment carries its uncertainty budget.

    Returns
    -------
    dict
        Only JSON types; numbers that are not finite are None.
    """
    return {
        "schema": SCHEMA,
        "photo": measurement.photo,
        "taken_at": _moment(measurement.taken_at),
        "reference": measurement.reference or None,
        "mm_per_px": _number(measurement.mm_per_px, 7),
        "camera_height_mm": _number(measurement.camera_height_mm, 2),
        "tilt_deg": _number(measurement.tilt_deg, 3),
        "refused": None,
        "doubts": _doubts(measurement.doubts),
        "fragments": [_fragment(fragment, budget=budget) for fragment in measurement.fragments],
    }


def refusal_to_json(photo: str, reason: str, *, taken_at: datetime | None = None, reference: str = "") -> Object:
    """One refused photo as an object with the same keys.

    Parameters
    ----------
    photo : str
        File name.
    reason : str
        What was seen and what to do, a sentence or two.
    taken_at : datetime or None
    reference : str
        The one that was looked for; empty for none.
    """
    return {
        "schema": SCHEMA,
        "photo": photo,
        "taken_at": _moment(taken_at),
        "reference": reference or None,
        "mm_per_px": None,
        "camera_height_mm": None,
        "tilt_deg": None,
        "refused": reason,
        "doubts": [],
        "fragments": [],
    }


def json_line(item: Object) -> str:
    """An object as one line of JSON without a line end; raises ValueError on a number that is not finite."""
    # ASCII only: a line must not break at U+2028, nor a terminal's encoding matter
    return json.dumps(item, ensure_ascii=True, allow_nan=False, separators=(", ", ": "))


def schema_text() -> str:
    """The JSON Schema (draft 2020-12) of the objects, as text."""
    return (files("fragarea.report") / "measure-1.schema.json").read_text(encoding="utf-8")


def outline_wkt(outline: MultiPolygon) -> str:
    """An outline as WKT MULTIPOLYGON with three decimals, in mm, valid as written.

    Parameters
    ----------
    outline : MultiPolygon
        In mm.

    Returns
    -------
    str
        ``"MULTIPOLYGON EMPTY"`` for no tissue. Rounding each coordinate alone could make a ring touch or cross
        itself, so the whole outline is moved to the grid with its topology kept; slivers that vanish are left out.
    """
    # GEOS divides by the distance of two points that may be all but equal, and copes with the result
    with np.errstate(divide="ignore", invalid="ignore", over="ignore", under="ignore"):
        snapped = shapely.set_precision(outline, GRID_MM)
    parts = [p for p in shapely.get_parts(snapped) if p.geom_type == "Polygon" and not p.is_empty]
    # back to free coordinates: the writer would else print as many digits as the grid's own rounding leaves
    plain = shapely.set_precision(MultiPolygon(parts), 0.0)
    return shapely.to_wkt(plain, rounding_precision=3, trim=True)


def _fragment(fragment: FragmentMeasurement, *, budget: bool) -> Object:
    item: Object = {
        "position": list(fragment.position) if fragment.position is not None else None,
        "label": fragment.label or None,
        "centre_mm": [_number(value, 4) for value in fragment.centre_mm],
        "status": fragment.status.value,
        "area_mm2": _number(fragment.live.area_mm2, 4),
        "expanded_uncertainty_mm2": _number(fragment.live.expanded_mm2, 4),
        "bleached_mm2": _number(fragment.bleached_mm2, 4),
        "dead_mm2": _number(fragment.dead_mm2, 4),
        "outline": outline_wkt(fragment.outline_live),
        "doubts": _doubts(fragment.doubts),
    }
    if budget:
        item["budget"] = [
            {"name": term.name, "u_mm2": _number(term.u_mm2, 5), "shared": term.shared}
            for term in fragment.live.terms
        ]
    return item


def _doubts(doubts: Iterable[Doubt]) -> list[Object]:
    return [{"key": doubt.key, "title": doubt.kind.title, "detail": doubt.detail} for doubt in doubts]


def _number(value: float | None, decimals: int) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), decimals)


def _moment(moment: datetime | None) -> str | None:
    return moment.isoformat() if moment is not None else None
