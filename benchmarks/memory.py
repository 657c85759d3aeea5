"""Would the last visit's outline help to find this one's? ``python -m benchmarks.memory``, on ``dev``'s tray alone.

The outline found at the last visit, laid on the plug's middle, is added to what the surface network says: so many
log-odds for live surface inside it, so many against further out than tissue grows between visits. The table says
what each strength does to healthy fragments, and to those that die back, bleach or were lost, whose loss it must
not hide. The program uses no such memory; this is why.
"""

from __future__ import annotations

from dataclasses import dataclass
from unittest.mock import patch

import cv2
import numpy as np
import numpy.typing as npt
import shapely
from shapely import MultiPolygon

from benchmarks.tissue import patch_light, true_windows
from benchmarks.truth import ABSENT, SHARED_PHOTOS, TruePhoto, overlap, true_photos
from fragarea.sites.records import Window
from fragarea.tissue import segment, segment_windows
from fragarea.tissue.records import Surface
from fragarea.tissue.surface import SHARE_PX
from fragarea.tissue.surface import surface_shares as shares_without
from fragarea.tissue.tiles import Stack, Tile

STRENGTHS = (0.0, 0.5, 1.0, 2.0, 4.0)
INSIDE_MM, BEYOND_MM = 0.5, 4.0  # clear of the old edge; further out than a month of growth
Position = tuple[int, int] | None
Last = dict[Position, MultiPolygon]


@dataclass(frozen=True)
class Outcome:
    """One fragment of one visit."""

    steady: bool
    true_mm2: float
    found_mm2: float
    iou: float


def visit(scene: TruePhoto, last: Last, strength: float) -> tuple[list[Outcome], Last]:
    """Outcomes of one visit, and the outlines that the next one remembers, about their plugs' middles."""
    image = np.asarray(cv2.imread(str(scene.path), cv2.IMREAD_COLOR_RGB), np.uint8)
    pairs = true_windows(scene, image)
    windows = [window for window, _ in pairs]
    remembered = [last.get(fragments[0].position) for _, fragments in pairs]

    def with_memory(stack: Stack, calibration: object) -> npt.NDArray[np.float32]:
        shares = shares_without(stack)
        for share, tile in zip(shares, stack.tiles, strict=True):
            outline = remembered[tile.index]
            if outline is not None and strength > 0:
                _add(share, strength * _field(outline, tile, windows[tile.index], share.shape[:2]))
        return shares

    with patch.object(segment, "surface_shares", with_memory):
        found = segment_windows(windows, patch_light(scene, image))
    outcomes, kept = [], {}
    for (window, (true,)), outlines in zip(pairs, found, strict=True):
        assert window.rim is not None
        x, y = window.rim.centre_mm
        kept[true.position] = shapely.transform(outlines.live, lambda points, x=x, y=y: points - (x, y))
        iou = overlap(outlines.live, true.live) if true.live_mm2 > 2 else float("nan")
        steady = true.state == "healthy" and true.live_mm2 > 2
        outcomes.append(Outcome(steady, true.live_mm2, outlines.live.area, iou))
    return outcomes, kept


def _field(outline: MultiPolygon, tile: Tile, window: Window, shape: tuple[int, ...]) -> npt.NDArray[np.float32]:
    """1 inside the remembered outline, -1 well beyond it, 0 between."""
    assert window.rim is not None
    rows, columns = shape
    down, right = np.mgrid[:rows, :columns]
    pixels = np.column_stack([right.ravel(), down.ravel()]) * SHARE_PX + (SHARE_PX - 1) / 2
    places = window.to_mm(tile.to_window(pixels)) - window.rim.centre_mm
    points = shapely.points(places)
    inside = shapely.contains(outline.buffer(-INSIDE_MM), points)
    beyond = ~shapely.contains(outline.buffer(BEYOND_MM), points)
    return (inside.astype(np.float32) - beyond.astype(np.float32)).reshape(rows, columns)


def _add(share: npt.NDArray[np.float32], log_odds: npt.NDArray[np.float32]) -> None:
    share[..., Surface.LIVE] *= np.exp(log_odds)
    share /= share.sum(axis=-1, keepdims=True)


def main() -> None:
    """Print the table."""
    if not SHARED_PHOTOS.exists():
        print(ABSENT)
        return
    scenes = [scene for scene in true_photos("dev") if scene.series == "tray_a"]
    print("           healthy                                     dying, bleaching, lost")
    print("strength         n   error median %   90th %       IoU        n  found - true mm2     worst       IoU")
    for strength in STRENGTHS:
        last: Last = {}
        seen: list[Outcome] = []
        for scene in scenes:
            outcomes, last = visit(scene, last, strength)
            seen += outcomes
        steady = [one for one in seen if one.steady]
        losing = [one for one in seen if not one.steady]
        error = np.array([abs(one.found_mm2 / one.true_mm2 - 1) for one in steady])
        over = np.array([one.found_mm2 - one.true_mm2 for one in losing])
        print(
            f"{strength:8.1f} {len(steady):9d} {100 * np.median(error):15.2f} {100 * np.percentile(error, 90):9.2f}"
            f" {np.median([one.iou for one in steady]):9.4f} {len(losing):8d} {over.mean():17.1f} {over.max():9.1f}"
            f" {np.nanmedian([one.iou for one in losing]):9.3f}"
        )


if __name__ == "__main__":
    main()
