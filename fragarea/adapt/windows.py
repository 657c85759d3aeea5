"""The data set of corrected windows: a picture, a label picture and a small JSON file for each."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from fragarea.errors import SettingsProblem
from fragarea.reference.light import Light
from fragarea.sites.records import PlugRim, Window
from fragarea.tissue.records import Surface

SCHEMA = "fragarea-tissue-window-1"
LABELS_ENDING = ".labels.png"


@dataclass(frozen=True, eq=False)
class Correction:
    """One window whose surfaces a person has put right.

    Attributes
    ----------
    name : str
    window : Window
        Its origin is (0, 0).
    labels : ndarray of uint8, shape (rows, columns)
        Values of :class:`fragarea.tissue.records.Surface`.
    photo : str
        What tells windows of one photo from those of others: its hash or name.
    light : Light or None
        White balance that the photo's grey patches gave.
    """

    name: str
    window: Window
    labels: npt.NDArray[np.uint8]
    photo: str
    light: Light | None = None


def write_correction(folder: Path, correction: Correction) -> Path:
    """Write one window.

    Parameters
    ----------
    folder : Path
        Made where it is missing.
    correction : Correction
        Files of the same name are overwritten.

    Returns
    -------
    Path
        The JSON file; beside it lie ``NAME.png`` (sRGB) and ``NAME.labels.png`` (8-bit grey: 0 other, 1 live,
        2 bleached, 3 dead).
    """
    folder.mkdir(parents=True, exist_ok=True)
    window, light = correction.window, correction.light
    rim = None
    if window.rim is not None:
        middle = window.to_px([window.rim.centre_mm])[0]
        rim = [float(middle[0]), float(middle[1]), window.rim.radius_mm / window.mm_per_px]
    described = {
        "schema": SCHEMA,
        "mm_per_px": window.mm_per_px,
        "rim_px": rim,
        "photo": correction.photo,
        "light": {"gains": list(light.gains), "exposure": light.exposure} if light and light.valid else None,
    }
    for path, pixels in (
        (folder / f"{correction.name}.png", cv2.cvtColor(window.pixels, cv2.COLOR_RGB2BGR)),
        (folder / f"{correction.name}{LABELS_ENDING}", correction.labels),
    ):
        _, data = cv2.imencode(".png", pixels)
        path.write_bytes(data.tobytes())
    target = folder / f"{correction.name}.json"
    target.write_text(json.dumps(described, indent=1) + "\n", encoding="utf-8")
    return target


def read_corrections(folder: Path) -> tuple[Correction, ...]:
    """All windows of a folder, in order of name.

    Raises
    ------
    SettingsProblem
        If there are none, or a file is missing, cut off or not what the format says; it names the file.
    """
    files = sorted(folder.glob("*.json"))
    if not files:
        raise SettingsProblem(
            f"{folder}: there are no corrected windows here (NAME.json, NAME.png, NAME.labels.png)."
        )
    return tuple(_read(path) for path in files)


def _read(path: Path) -> Correction:
    described = _described(path)
    pixels = _picture(path.with_suffix(".png"), cv2.IMREAD_COLOR_RGB)
    labels = _picture(path.with_name(path.stem + LABELS_ENDING), cv2.IMREAD_UNCHANGED)
    if labels.dtype != np.uint8 or labels.ndim != 2 or labels.shape != pixels.shape[:2]:
        raise _wrong(path, "its label picture must be 8-bit grey and as large as its picture")
    if labels.max() > max(Surface):
        raise _wrong(path, f"its label picture holds {labels.max()}; labels are 0 to {int(max(Surface))}")
    mm_per_px = _number(path, described, "mm_per_px")
    rim = None
    if described.get("rim_px") is not None:
        x, y, radius = _numbers(path, described["rim_px"], 3, "rim_px")
        rim = PlugRim((x * mm_per_px, y * mm_per_px), radius * mm_per_px)
    light = None
    if described.get("light") is not None:
        gains = _numbers(path, described["light"].get("gains"), 3, "light.gains")
        light = Light((gains[0], gains[1], gains[2]), _number(path, described["light"], "exposure"), valid=True)
    window = Window(np.asarray(pixels, np.uint8), mm_per_px, (0.0, 0.0), 0.0, rim)
    return Correction(path.stem, window, labels, str(described.get("photo") or path.stem), light)


def _described(path: Path) -> dict[str, Any]:
    try:
        described = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise _wrong(path, f"it cannot be read ({error})") from error
    if not isinstance(described, dict) or described.get("schema") != SCHEMA:
        raise _wrong(path, f'it does not say "schema": "{SCHEMA}"')
    return described


def _picture(path: Path, flags: int) -> npt.NDArray[Any]:
    try:
        data = np.frombuffer(path.read_bytes(), np.uint8)
    except OSError as error:
        raise _wrong(path, "the file is missing") from error
    picture = cv2.imdecode(data, flags) if len(data) else None
    if picture is None:
        raise _wrong(path, "it is no picture, or cut off")
    return np.asarray(picture)


def _number(path: Path, described: dict[str, Any], name: str) -> float:
    (value,) = _numbers(path, [described.get(name)], 1, name)
    if value <= 0:
        raise _wrong(path, f"{name} must be positive")
    return value


def _numbers(path: Path, values: Any, count: int, name: str) -> list[float]:
    if not isinstance(values, list) or len(values) != count:
        raise _wrong(path, f"{name} must hold {count} numbers")
    if not all(isinstance(value, int | float) and math.isfinite(value) for value in values):
        raise _wrong(path, f"{name} must be a number")
    return [float(value) for value in values]


def _wrong(path: Path, why: str) -> SettingsProblem:
    return SettingsProblem(f"{path}: {why}. Export the corrections again, or take this file out.")
