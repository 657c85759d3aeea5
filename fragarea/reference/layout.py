"""The printed reference as its JSON file describes it."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fragarea.errors import SettingsProblem

SCHEMA = "fragarea-reference-1"


@dataclass(frozen=True)
class TagLayout:
    """One square tag: black border included in ``side_mm``."""

    tag_id: int
    side_mm: float
    centre_mm: tuple[float, float]

    def corners_mm(self) -> npt.NDArray[np.float64]:
        """Corners ``(4, 2)`` in mm: top left, top right, bottom right, bottom left of the upright tag."""
        half = self.side_mm / 2
        offsets = np.array([(-half, -half), (half, -half), (half, half), (-half, half)])
        return offsets + np.asarray(self.centre_mm, dtype=float)


@dataclass(frozen=True)
class GreyPatch:
    """A square patch of known reflectance (0 to 1, linear light)."""

    centre_mm: tuple[float, float]
    side_mm: float
    reflectance: float


@dataclass(frozen=True)
class ReferenceLayout:
    """A printed object of known size.

    Attributes
    ----------
    name : str
    family : str
        Tag family, ``"apriltag-36h11"``.
    tags : tuple of TagLayout
    outline_mm : tuple of (x_mm, y_mm)
        Outer edge of the printed object.
    window_mm : tuple of (x_mm, y_mm) or None
        Opening in which trays, pads or shapes lie; None for a card that lies beside a plug.
    grey_patches : tuple of GreyPatch
    print_check_tags : (int, int)
        The two tags between whose centres the user measures.
    print_check_mm : float
        Nominal length between them.
    """

    name: str
    family: str
    tags: tuple[TagLayout, ...]
    outline_mm: tuple[tuple[float, float], ...]
    window_mm: tuple[tuple[float, float], ...] | None
    grey_patches: tuple[GreyPatch, ...]
    print_check_tags: tuple[int, int]
    print_check_mm: float

    def tag(self, tag_id: int) -> TagLayout | None:
        """The tag with this id, or None."""
        return next((tag for tag in self.tags if tag.tag_id == tag_id), None)

    def printed(self, factor: float) -> ReferenceLayout:
        """Where everything truly lies on a print whose lengths are `factor` times the nominal ones."""

        def at(place: tuple[float, float]) -> tuple[float, float]:
            return (factor * place[0], factor * place[1])

        tags = tuple(replace(tag, side_mm=factor * tag.side_mm, centre_mm=at(tag.centre_mm)) for tag in self.tags)
        patches = (replace(p, side_mm=factor * p.side_mm, centre_mm=at(p.centre_mm)) for p in self.grey_patches)
        return replace(
            self,
            tags=tags,
            outline_mm=tuple(at(corner) for corner in self.outline_mm),
            window_mm=tuple(at(corner) for corner in self.window_mm) if self.window_mm else None,
            grey_patches=tuple(patches),
            print_check_mm=factor * self.print_check_mm,
        )

    @property
    def centre_mm(self) -> tuple[float, float]:
        """Middle of the tags' bounding box."""
        xy = np.array([tag.centre_mm for tag in self.tags])
        low, high = xy.min(axis=0), xy.max(axis=0)
        return (float(low[0] + high[0]) / 2, float(low[1] + high[1]) / 2)


def calibration_folder() -> Path:
    """Folder of the references that come with the project."""
    package = Path(__file__).resolve().parent.parent
    installed = package / "calibration_data"
    return installed if installed.is_dir() else package.parent / "calibration"


def known_references() -> tuple[str, ...]:
    """Names of the references that come with the project; other files of the folder describe other things."""
    files = sorted(calibration_folder().glob("*.json"))
    return tuple(file.stem for file in files if json.loads(file.read_text(encoding="utf-8")).get("schema") == SCHEMA)


def load_reference(name_or_file: str | Path) -> ReferenceLayout:
    """Load a reference by its name or from a JSON file.

    Parameters
    ----------
    name_or_file : str or Path
        ``"frame-280x220"``, or the path of a JSON file in the same format.

    Returns
    -------
    ReferenceLayout

    Raises
    ------
    SettingsProblem
        If the file is absent or does not follow the format; the text names the field.
    """
    path = Path(name_or_file)
    if path.suffix.lower() != ".json":
        path = calibration_folder() / f"{name_or_file}.json"
    if not path.is_file():
        known = ", ".join(known_references())
        raise SettingsProblem(f"reference {str(name_or_file)!r} is not known. Use one of {known}, or a JSON file.")
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise SettingsProblem(f"{path.name}: cannot be read ({error.strerror}).") from error
    except (ValueError, RecursionError) as error:
        raise SettingsProblem(f"{path.name}: not valid JSON ({error}).") from error
    return parse_reference(data, source=path.name)


def parse_reference(data: dict[str, Any], *, source: str) -> ReferenceLayout:
    """Check a reference description and make it a record; `source` names it in errors."""
    if isinstance(data, dict) and data.get("schema", SCHEMA) != SCHEMA:
        raise SettingsProblem(f"{source}: not a reference; its schema is {data['schema']!r}, not {SCHEMA!r}.")
    try:
        tags = tuple(
            TagLayout(int(tag["id"]), float(tag["side_mm"]), _point(tag["centre_mm"])) for tag in data["tags"]
        )
        patches = tuple(
            GreyPatch(_point(patch["centre_mm"]), float(patch["side_mm"]), float(patch["reflectance"]))
            for patch in data.get("grey_patches", [])
        )
        window = data.get("window_mm")
        check = data["print_check_mm"]
        first, second = check["between_tag_centres"]
        layout = ReferenceLayout(
            name=str(data["name"]),
            family=str(data["family"]),
            tags=tags,
            outline_mm=tuple(_point(p) for p in data["outline_mm"]),
            window_mm=tuple(_point(p) for p in window) if window else None,
            grey_patches=patches,
            print_check_tags=(int(first), int(second)),
            print_check_mm=float(check["length"]),
        )
    except (KeyError, TypeError, ValueError) as error:
        raise SettingsProblem(f"{source}: missing or wrong field ({error}).") from error
    _check(layout, source)
    return layout


def _point(value: Any) -> tuple[float, float]:
    x, y = (float(number) for number in value)
    if not (math.isfinite(x) and math.isfinite(y)):
        raise ValueError(f"a point must be finite; got {value}")
    return (x, y)


def _check(layout: ReferenceLayout, source: str) -> None:
    if layout.family != "apriltag-36h11":
        raise SettingsProblem(f"{source}: family {layout.family!r} is not known. Use 'apriltag-36h11'.")
    ids = [tag.tag_id for tag in layout.tags]
    if len(ids) < 2 or len(set(ids)) != len(ids):
        raise SettingsProblem(f"{source}: at least two tags with different ids are needed; got {ids}.")
    if not all(0 <= tag_id < 100 for tag_id in ids):
        raise SettingsProblem(f"{source}: tag ids must be 0 to 99; 100 and above name trays and pads.")
    if not all(tag.side_mm > 0 for tag in layout.tags):
        raise SettingsProblem(f"{source}: side_mm of a tag must be positive.")
    first, second = (layout.tag(tag_id) for tag_id in layout.print_check_tags)
    if first is None or second is None:
        raise SettingsProblem(f"{source}: print_check_mm names tags that are not in the list.")
    distance = float(np.hypot(*np.subtract(first.centre_mm, second.centre_mm)))
    if abs(distance - layout.print_check_mm) > 0.01:
        raise SettingsProblem(
            f"{source}: print_check_mm says {layout.print_check_mm} mm, the tag centres are {distance:.3f} mm apart."
        )
