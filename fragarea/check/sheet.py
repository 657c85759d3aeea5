"""The known-area sheet: shapes whose areas follow from their geometry.

Each shape is given by its own parameters in mm; outline and nominal area are both computed from them, so that no
area is ever typed. Lengths are mm in the reference's axes (x right, y down).

========  =====================================================================  ==============================
kind      parameters                                                             area
========  =====================================================================  ==============================
disc      ``radius_mm``                                                          pi r^2
square    ``side_mm``, ``turn_deg``                                              s^2
star      ``points``, ``outer_mm``, ``inner_mm``, ``turn_deg``                   n R r sin(pi / n)
annulus   ``outer_mm``, ``inner_mm``                                             pi (R^2 - r^2)
kidney    ``half_length_mm`` a, ``half_width_mm`` b, ``bend_mm`` c, ``turn_deg``  pi a b
          x = a cos t, y = b sin t + c (cos 2t + 1/2)
blob      ``base_mm`` m, ``waves_mm`` (p1, q1), (p2, q2), ...                    pi m^2 + pi/2 sum(p^2 + q^2)
          r(t) = m + sum(pk cos kt + qk sin kt)
========  =====================================================================  ==============================
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from shapely import Polygon
from shapely.affinity import rotate, translate

from fragarea.errors import SettingsProblem
from fragarea.reference.layout import calibration_folder

SCHEMA = "fragarea-known-areas-1"

# An n-gon inscribed in a smooth curve misses about (2 pi^2 / 3) / n^2 of the area: 4e-7 here.
CURVE_POINTS = 4096

_LENGTHS = {
    "disc": ("radius_mm",),
    "square": ("side_mm",),
    "star": ("outer_mm", "inner_mm"),
    "annulus": ("outer_mm", "inner_mm"),
    "kidney": ("half_length_mm", "half_width_mm"),
    "blob": ("base_mm",),
}


@dataclass(frozen=True)
class KnownShape:
    """One printed shape.

    Attributes
    ----------
    shape_id : str
    kind : str
        ``"disc"``, ``"square"``, ``"star"``, ``"annulus"``, ``"kidney"`` or ``"blob"``.
    centre_mm : (float, float)
        Its middle in reference axes: the centroid, for a blob the pole of its radius.
    sizes : dict of str to float
        Parameters by name, see the module's table; lengths in mm, ``turn_deg`` clockwise as seen, in degrees.
    waves_mm : tuple of (cosine, sine)
        Waves of a blob's radius from the first order on; empty for other kinds.
    """

    shape_id: str
    kind: str
    centre_mm: tuple[float, float]
    sizes: dict[str, float]
    waves_mm: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class KnownAreaSheet:
    """A sheet of known-area shapes.

    Attributes
    ----------
    name : str
    reference : str
        Name of the printed reference whose axes the centres use.
    shapes : tuple of KnownShape
    """

    name: str
    reference: str
    shapes: tuple[KnownShape, ...]

    def shape(self, shape_id: str) -> KnownShape | None:
        """The shape with this id, or None."""
        return next((shape for shape in self.shapes if shape.shape_id == shape_id), None)


def nominal_mm2(shape: KnownShape) -> float:
    """Area of a shape from its parameters, in mm2, in closed form."""
    size = shape.sizes
    match shape.kind:
        case "disc":
            return math.pi * size["radius_mm"] ** 2
        case "square":
            return size["side_mm"] ** 2
        case "star":
            return size["points"] * size["outer_mm"] * size["inner_mm"] * math.sin(math.pi / size["points"])
        case "annulus":
            return math.pi * (size["outer_mm"] ** 2 - size["inner_mm"] ** 2)
        case "kidney":
            return math.pi * size["half_length_mm"] * size["half_width_mm"]
        case "blob":
            waves = math.fsum(p * p + q * q for p, q in shape.waves_mm)
            return math.pi * (size["base_mm"] ** 2 + waves / 2)
    raise ValueError(f"unknown kind of shape {shape.kind!r}")


def polygon_mm(shape: KnownShape) -> Polygon:
    """Outline of a shape in reference axes, mm; its area is within 1e-6 (relative) of the nominal area.

    Parameters
    ----------
    shape : KnownShape

    Returns
    -------
    shapely.Polygon
        Squares and stars by their corners, curves by ``CURVE_POINTS`` points; an annulus has a hole.
    """
    polygon = rotate(_unplaced(shape), shape.sizes.get("turn_deg", 0.0), origin=(0.0, 0.0))
    return translate(polygon, *shape.centre_mm)


def _unplaced(shape: KnownShape) -> Polygon:
    size = shape.sizes
    match shape.kind:
        case "disc":
            return Polygon(_circle(size["radius_mm"]))
        case "square":
            half = size["side_mm"] / 2
            return Polygon([(-half, -half), (half, -half), (half, half), (-half, half)])
        case "star":
            return Polygon(_star(int(size["points"]), size["outer_mm"], size["inner_mm"]))
        case "annulus":
            return Polygon(_circle(size["outer_mm"]), [_circle(size["inner_mm"])])
        case "kidney":
            return Polygon(_kidney(size["half_length_mm"], size["half_width_mm"], size["bend_mm"]))
        case "blob":
            return Polygon(_blob(size["base_mm"], shape.waves_mm))
    raise ValueError(f"unknown kind of shape {shape.kind!r}")


def _angles() -> npt.NDArray[np.float64]:
    return np.linspace(0.0, 2 * np.pi, CURVE_POINTS, endpoint=False)


def _circle(radius_mm: float) -> npt.NDArray[np.float64]:
    t = _angles()
    return radius_mm * np.column_stack([np.cos(t), np.sin(t)])


def _star(points: int, outer_mm: float, inner_mm: float) -> npt.NDArray[np.float64]:
    t = np.arange(2 * points) * (np.pi / points)
    radius = np.where(np.arange(2 * points) % 2 == 0, outer_mm, inner_mm)
    return np.column_stack([radius * np.cos(t), radius * np.sin(t)])


def _kidney(half_length_mm: float, half_width_mm: float, bend_mm: float) -> npt.NDArray[np.float64]:
    t = _angles()
    # The constant bend_mm / 2 puts the centroid on the origin (Green's theorem on the curve itself).
    y = half_width_mm * np.sin(t) + bend_mm * (np.cos(2 * t) + 0.5)
    return np.column_stack([half_length_mm * np.cos(t), y])


def _blob(base_mm: float, waves_mm: tuple[tuple[float, float], ...]) -> npt.NDArray[np.float64]:
    t = _angles()
    radius = np.full_like(t, base_mm)
    for order, (cosine, sine) in enumerate(waves_mm, start=1):
        radius += cosine * np.cos(order * t) + sine * np.sin(order * t)
    return np.column_stack([radius * np.cos(t), radius * np.sin(t)])


def load_sheet(name_or_file: str | Path = "known-areas") -> KnownAreaSheet:
    """Load a known-area sheet by its name or from a JSON file.

    Parameters
    ----------
    name_or_file : str or Path
        ``"known-areas"``, the sheet that comes with the project, or the path of a JSON file in the same format.

    Returns
    -------
    KnownAreaSheet

    Raises
    ------
    SettingsProblem
        If the file is absent or does not follow the format; the text names the field.
    """
    path = Path(name_or_file)
    if path.suffix.lower() != ".json":
        path = calibration_folder() / f"{name_or_file}.json"
    if not path.is_file():
        known = ", ".join(known_sheets())
        raise SettingsProblem(
            f"known-area sheet {str(name_or_file)!r} is not known. Use one of {known}, or a JSON file."
        )
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except (ValueError, UnicodeDecodeError) as error:
        raise SettingsProblem(f"{path.name}: not valid JSON ({error}).") from error
    return parse_sheet(data, source=path.name)


def known_sheets() -> tuple[str, ...]:
    """Names of the known-area sheets that come with the project."""
    return tuple(name for name, _ in _sheets_and_references())


def sheet_for(reference: str) -> KnownAreaSheet:
    """The sheet that comes with the project for a reference, by the reference's name.

    A reference that no sheet was made for gets the usual one, whose shapes may lie in any window large enough.
    """
    found = next((name for name, made_for in _sheets_and_references() if made_for == reference), "known-areas")
    return load_sheet(found)


def _sheets_and_references() -> list[tuple[str, str]]:
    files = [
        (file.stem, json.loads(file.read_text(encoding="utf-8"))) for file in calibration_folder().glob("*.json")
    ]
    return sorted((name, str(data["reference"])) for name, data in files if data.get("schema") == SCHEMA)


def parse_sheet(data: Any, *, source: str) -> KnownAreaSheet:
    """Check a sheet's description and make it a record; `source` names it in errors.

    Raises
    ------
    SettingsProblem
        If a field is missing, of the wrong type or impossible.
    """
    if not isinstance(data, dict) or data.get("schema") != SCHEMA:
        raise SettingsProblem(f"{source}: not a known-area sheet; its schema must be {SCHEMA!r}.")
    try:
        shapes = tuple(_parse_shape(item) for item in data["shapes"])
        sheet = KnownAreaSheet(str(data["name"]), str(data["reference"]), shapes)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise SettingsProblem(f"{source}: missing or wrong field ({error}).") from error
    _check(sheet, source)
    return sheet


def _parse_shape(item: dict[str, Any]) -> KnownShape:
    x, y = item["centre_mm"]
    waves = tuple((float(p), float(q)) for p, q in item.get("waves_mm", []))
    sizes = {
        name: float(value)
        for name, value in item.items()
        if name not in ("id", "kind", "centre_mm", "waves_mm") and not name.startswith("_")
    }
    return KnownShape(str(item["id"]), str(item["kind"]), (float(x), float(y)), sizes, waves)


def _check(sheet: KnownAreaSheet, source: str) -> None:
    ids = [shape.shape_id for shape in sheet.shapes]
    if not ids or len(set(ids)) != len(ids):
        raise SettingsProblem(f"{source}: shapes need ids, each used once; got {ids}.")
    for shape in sheet.shapes:
        _check_shape(shape, source)
    outlines = [polygon_mm(shape) for shape in sheet.shapes]
    for i, outline in enumerate(outlines):
        touching = [ids[j] for j in range(i) if outline.intersects(outlines[j])]
        if touching:
            raise SettingsProblem(f"{source}: shapes {ids[i]} and {touching[0]} overlap. Move one of them.")


def _check_shape(shape: KnownShape, source: str) -> None:
    wanted = _LENGTHS.get(shape.kind)
    where = f"{source}: shape {shape.shape_id!r}"
    if wanted is None:
        raise SettingsProblem(f"{where}: kind {shape.kind!r} is not known. Use one of {', '.join(_LENGTHS)}.")
    needed = (*wanted, *{"star": ("points",), "kidney": ("bend_mm",)}.get(shape.kind, ()))
    missing = [name for name in needed if name not in shape.sizes]
    if missing:
        raise SettingsProblem(f"{where}: {', '.join(missing)} is missing.")
    numbers = [*shape.centre_mm, *shape.sizes.values(), *(value for wave in shape.waves_mm for value in wave)]
    if not all(math.isfinite(value) for value in numbers) or not all(shape.sizes[name] > 0 for name in wanted):
        raise SettingsProblem(f"{where}: lengths must be finite, {' and '.join(wanted)} positive.")
    if shape.kind == "star" and (shape.sizes["points"] < 2 or shape.sizes["points"] % 1):
        raise SettingsProblem(f"{where}: points must be a whole number of at least 2.")
    if "inner_mm" in wanted and shape.sizes["inner_mm"] >= shape.sizes["outer_mm"]:
        raise SettingsProblem(f"{where}: inner_mm must be smaller than outer_mm.")
    outline = polygon_mm(shape)
    # A curve may cross itself, or a radius turn negative; then the closed form is not the area of what is printed.
    if not outline.is_valid or abs(outline.area - nominal_mm2(shape)) > 1e-5 * nominal_mm2(shape):
        raise SettingsProblem(f"{where}: its outline crosses itself. Use smaller bends or waves.")
