"""Windows to learn from: image, labels and millimetres per pixel.

A data set is a folder with, for each window NAME:

``NAME.png``         RGB window image
``NAME.label.png``   labels, one byte a pixel: 0 other, 1 live, 2 bleached, 3 dead, 255 not to be learned from
``NAME.json``        ``{"mm_per_px": 0.2, "rim": [x_px, y_px, radius_px] or null, "series": "...", "source": "..."}``

:mod:`training.scenes` writes such a folder from rendered scenes; people's corrected outlines come in the same format.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from PIL import Image

IGNORE = 255


@dataclass(frozen=True, eq=False)
class LearningWindow:
    """One window with its labels; see the module's text for the fields."""

    name: str
    pixels: npt.NDArray[np.uint8]
    labels: npt.NDArray[np.uint8]
    mm_per_px: float
    rim: tuple[float, float, float] | None
    series: str
    source: str


def write_window(folder: Path, window: LearningWindow) -> None:
    """Write one window in the format above."""
    Image.fromarray(window.pixels).save(folder / f"{window.name}.png")
    Image.fromarray(window.labels).save(folder / f"{window.name}.label.png")
    facts = {"mm_per_px": window.mm_per_px, "rim": window.rim, "series": window.series, "source": window.source}
    (folder / f"{window.name}.json").write_text(json.dumps(facts) + "\n", encoding="utf-8")


def read_windows(folder: Path) -> list[LearningWindow]:
    """Read a data set folder in order of names.

    Raises
    ------
    ValueError
        If an image is missing or its labels have another size; names the window.
    """
    return [_read(path) for path in sorted(folder.glob("*.json"))]


def _read(path: Path) -> LearningWindow:
    facts = json.loads(path.read_text(encoding="utf-8"))
    try:
        pixels = np.array(Image.open(path.with_suffix(".png")).convert("RGB"))
        labels = np.array(Image.open(path.with_suffix(".label.png")))
    except OSError as error:
        raise ValueError(f"{path.stem}: window image or label image cannot be read ({error})") from error
    if pixels.shape[:2] != labels.shape:
        raise ValueError(f"{path.stem}: window image is {pixels.shape[:2]}, label image {labels.shape}")
    rim = tuple(facts["rim"]) if facts.get("rim") else None
    return LearningWindow(
        path.stem, pixels, labels, float(facts["mm_per_px"]), rim, facts.get("series", ""), facts.get("source", "")
    )
