"""The rendered scenes with exact truth, where a copy lies beside the project in ``../shared/photos``."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely import MultiPolygon, Polygon

from fragarea.reference.plane import CameraPose

ROOT = Path(__file__).resolve().parent.parent
SHARED_PHOTOS = ROOT.parent / "shared" / "photos"
ABSENT = "the folder ../shared/photos is not here; this check needs its scenes"


@dataclass(frozen=True, eq=False)
class TrueFragment:
    """One fragment, patch or known-area shape of a scene; areas in mm2, polygons in reference axes.

    ``position`` is (row, column) on trays, else None. ``state`` is the scene's own word (healthy, missing, ...).
    """

    label: str
    position: tuple[int, int] | None
    state: str
    genotype: str
    plug_centre_mm: tuple[float, float] | None
    plug_mm: float | None
    live_mm2: float
    bleached_mm2: float
    dead_mm2: float
    live: MultiPolygon
    bleached: MultiPolygon
    dead: MultiPolygon
    edge_height_mm: float
    in_view: float
    members: tuple[int, ...] = ()


@dataclass(frozen=True, eq=False)
class TruePhoto:
    """One scene: its file, exact camera and fragments."""

    path: Path
    mask_path: Path
    split: str
    series: str
    kind: str
    light: str
    reference: str
    reference_offset_mm: float
    pose: CameraPose
    fragments: tuple[TrueFragment, ...]
    plugs: tuple[dict[str, Any], ...]
    raw: dict[str, Any]


def true_photos(split: str) -> Iterator[TruePhoto]:
    """Every scene of ``dev`` or ``val`` in order of series and file; nothing when the folder is absent."""
    for path in sorted((SHARED_PHOTOS / split).glob("*/truth.json")):
        series = json.loads(path.read_text(encoding="utf-8"))
        for photo in series["photos"]:
            yield _photo(path.parent, split, series, photo)


def _photo(folder: Path, split: str, series: dict[str, Any], photo: dict[str, Any]) -> TruePhoto:
    camera = photo["camera"]
    pose = CameraPose(
        np.array(camera["K"], dtype=float),
        np.array([camera["k1"], camera["k2"], 0.0, 0.0, 0.0]),
        np.array(camera["R"], dtype=float),
        np.array(camera["t"], dtype=float),
    )
    name = series["series"]
    kind = photo.get("kind") or name.split("_")[0]
    return TruePhoto(
        path=folder / photo["file"],
        mask_path=folder / photo["mask"],
        split=split,
        series=name,
        kind=kind,
        light=photo["light"],
        reference=photo.get("reference", series["reference"]),
        reference_offset_mm=float(photo["reference_offset_mm"]),
        pose=pose,
        fragments=tuple(_fragment(f) for f in photo.get("fragments", photo.get("patches", []))),
        plugs=tuple(photo.get("plugs", [])),
        raw=photo,
    )


def _fragment(data: dict[str, Any]) -> TrueFragment:
    centre = data.get("plug_centre_mm")
    bleached = _polygons(data.get("outline_bleached"))
    live = _polygons(data.get("outline_live_normal", data.get("outline")))
    joined = shapely.union_all([live, bleached]) if not bleached.is_empty else live
    edge = data.get("edge_height_above_reference_mm")
    return TrueFragment(
        label=str(data.get("id") or data.get("plug") or data.get("patch") or ""),
        position=(data["row"], data["col"]) if "row" in data else None,
        state=str(data.get("state") or ""),
        genotype=str(data.get("genotype") or data.get("species") or ""),
        plug_centre_mm=(float(centre[0]), float(centre[1])) if centre else None,
        plug_mm=data.get("plug_diameter_mm"),
        live_mm2=float(data.get("live_mm2", data.get("area_mm2", 0.0))),
        bleached_mm2=float(data.get("bleached_mm2", 0.0)),
        dead_mm2=float(data.get("dead_mm2", 0.0)),
        live=as_multi(joined),
        bleached=bleached,
        dead=_polygons(data.get("outline_dead")),
        edge_height_mm=float(edge) if edge is not None else float("nan"),
        in_view=float(1.0 if data.get("in_view") is None else data["in_view"]),
        members=tuple(data.get("members", ())),
    )


def _polygons(rings: list[dict[str, Any]] | None) -> MultiPolygon:
    parts = [
        Polygon(np.array(ring["exterior"])[:, :2], [np.array(hole)[:, :2] for hole in ring.get("holes", [])])
        for ring in rings or []
        if len(ring["exterior"]) >= 3
    ]
    return as_multi(shapely.union_all([shapely.make_valid(part) for part in parts])) if parts else MultiPolygon()


def as_multi(shape: shapely.Geometry) -> MultiPolygon:
    """The polygonal part of a geometry as a MultiPolygon."""
    parts = [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon" and p.area > 0]
    return MultiPolygon(parts)


def overlap(one: shapely.Geometry, other: shapely.Geometry) -> float:
    """Intersection over union of two areas; 1 when both are empty."""
    union = shapely.union(one, other).area
    return float(shapely.intersection(one, other).area / union) if union > 0 else 1.0
