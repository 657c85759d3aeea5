"""Error of tissue outlines alone: ``python -m benchmarks.tissue [dev|val] [--overlays N] [--no-light]``.

Windows are cut with the scenes' exact camera, plug middles and edge heights, so that scale and plugs add nothing.
Prints the bars, a table by scene and by light, and the worst ten fragments, whose overlays go to ``benchmarks/out/``.
``dev`` may be tuned on, ``val`` is only reported.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import shapely
from shapely import MultiPolygon

from benchmarks.truth import ABSENT, SHARED_PHOTOS, TrueFragment, TruePhoto, as_multi, overlap, true_photos
from fragarea.reference import Light, light_from_patches
from fragarea.reference.layout import load_reference
from fragarea.reference.plane import PhotoScale
from fragarea.sites.records import PlugRim, Window
from fragarea.tissue import TissueOutlines, segment_windows

OUT = Path(__file__).resolve().parent / "out"
MM_PER_PX = 0.25
MARGIN_MM = 4.0
REMNANT_MM2 = 2.0  # less live or dead surface than this is none
RIGHT_IOU = 0.97
TOUCH_MM = 1.5  # how far a patch that touches another may reach beyond its true outline and still be scored
PART_MM2 = 5.0  # bleached and dead parts smaller than this are not scored


@dataclass(frozen=True, eq=False)
class Score:
    """One fragment or patch against its truth; ``error`` is relative, nan without live tissue."""

    scene: TruePhoto
    true: TrueFragment
    window: Window
    outlines: TissueOutlines
    live: MultiPolygon
    error: float
    iou: float
    bleached_iou: float
    dead_iou: float
    status: str
    expanded_mm2: float

    @property
    def wanted(self) -> str:
        """The word that the scene's truth asks for."""
        return _status(self.true.live_mm2, self.true.dead_mm2)


def patch_light(scene: TruePhoto, image: npt.NDArray[np.uint8]) -> Light:
    """The light by the reference's grey patches, found with the exact camera."""
    scale = PhotoScale(scene.pose, "tags", scene.reference, float("nan"), 0.0, 0.0, 0.0, 0.0)
    return light_from_patches(image, scale, load_reference(scene.reference))


def true_windows(scene: TruePhoto, image: npt.NDArray[np.uint8]) -> list[tuple[Window, list[TrueFragment]]]:
    """Windows of a scene and the fragments that each is to show: one a plug, or the whole inside of the frame."""
    if scene.kind != "pad":
        return [(_plug_window(scene, image, fragment), [fragment]) for fragment in scene.fragments]
    corners = np.array(load_reference(scene.reference).window_mm, dtype=float)
    window = _cut(scene, image, corners.min(axis=0), corners.max(axis=0), scene.fragments[0].edge_height_mm, None)
    return [(window, list(scene.fragments))]


def _plug_window(scene: TruePhoto, image: npt.NDArray[np.uint8], fragment: TrueFragment) -> Window:
    assert fragment.plug_centre_mm is not None
    assert fragment.plug_mm is not None
    height = fragment.edge_height_mm if np.isfinite(fragment.edge_height_mm) else scene.reference_offset_mm
    middle, half = np.array(fragment.plug_centre_mm), fragment.plug_mm / 2 + MARGIN_MM
    rim = PlugRim(fragment.plug_centre_mm, fragment.plug_mm / 2)
    return _cut(scene, image, middle - half, middle + half, height, rim)


def _cut(
    scene: TruePhoto,
    image: npt.NDArray[np.uint8],
    low: npt.NDArray[np.float64],
    high: npt.NDArray[np.float64],
    height_mm: float,
    rim: PlugRim | None,
) -> Window:
    columns, rows = (int(n) for n in np.floor((high - low) / MM_PER_PX) + 1)
    x, y = np.meshgrid(low[0] + MM_PER_PX * np.arange(columns), low[1] + MM_PER_PX * np.arange(rows))
    px = scene.pose.project(np.column_stack([x.ravel(), y.ravel()]), height_mm)
    px = px.astype(np.float32).reshape(rows, columns, 2)
    pixels = cv2.remap(image, px[..., 0], px[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return Window(np.asarray(pixels, np.uint8), MM_PER_PX, (float(low[0]), float(low[1])), height_mm, rim)


def score_scene(scene: TruePhoto, *, with_light: bool) -> list[Score]:
    """Scores of every fragment or patch of a scene."""
    image = np.asarray(cv2.imread(str(scene.path), cv2.IMREAD_COLOR_RGB), np.uint8)
    pairs = true_windows(scene, image)
    windows = [window for window, _ in pairs]
    found = segment_windows(windows, patch_light(scene, image) if with_light else None)
    scores = []
    for (window, fragments), outlines in zip(pairs, found, strict=True):
        scores += [_score(scene, fragment, window, outlines) for fragment in fragments]
    return scores


def _score(scene: TruePhoto, true: TrueFragment, window: Window, outlines: TissueOutlines) -> Score:
    live = _patch(scene, true, outlines.live) if scene.kind == "pad" else outlines.live
    alive = true.live_mm2 >= REMNANT_MM2
    return Score(
        scene=scene,
        true=true,
        window=window,
        outlines=outlines,
        live=live,
        error=live.area / true.live_mm2 - 1 if alive else float("nan"),
        iou=overlap(live, true.live) if alive else float("nan"),
        bleached_iou=overlap(outlines.bleached, true.bleached) if true.bleached_mm2 > PART_MM2 else float("nan"),
        dead_iou=overlap(outlines.dead, true.dead) if true.dead_mm2 > PART_MM2 else float("nan"),
        status=_status(live.area, outlines.dead.area),
        expanded_mm2=1.96 * outlines.edge_u_mm * live.length,
    )


def _patch(scene: TruePhoto, true: TrueFragment, live: MultiPolygon) -> MultiPolygon:
    """The part of a pad's tissue that belongs to one true patch.

    A piece that covers several true patches (they touch) is cut along them: genotypes are not told apart here.
    """
    mine = []
    for piece in live.geoms:
        others = [f.live for f in scene.fragments if f is not true and f.live.intersection(piece).area > 1.0]
        if piece.intersection(true.live).area <= 1.0:
            continue
        if others:
            piece = piece.intersection(true.live.buffer(TOUCH_MM)).difference(shapely.union_all(others))
        mine.append(piece)
    return as_multi(shapely.union_all(mine))


def _status(live_mm2: float, dead_mm2: float) -> str:
    if live_mm2 >= REMNANT_MM2:
        return "live"
    return "dead" if dead_mm2 >= REMNANT_MM2 else "missing"


def print_figures(scores: list[Score]) -> None:
    """The bars and the tables."""
    plain = [s for s in scores if s.scene.series != "hard"]
    _print_bars("trays, pads, singles", plain)
    _print_bars("all, hard scenes too", scores)
    _print_table("scene", scores, lambda s: f"{s.scene.series}/{s.scene.path.stem}")
    _print_table("light", scores, lambda s: s.scene.light)
    _print_table("state", scores, lambda s: s.true.state or "patch")
    print("\nworst ten: scene, fragment, state; status wanted and found; true and found mm2; IoU")
    for s in worst(scores):
        print(
            f"  {s.scene.series}/{s.scene.path.stem} {s.true.label} {s.true.state}: {s.wanted}, {s.status}; "
            f"{s.true.live_mm2:.1f}, {s.live.area:.1f}; {s.iou:.3f}"
        )


def _print_bars(title: str, scores: list[Score]) -> None:
    error = np.array([s.error for s in scores if np.isfinite(s.error)])
    if not len(error):
        return
    size = np.abs(error)
    gone = [s for s in scores if s.wanted != "live"]
    print(
        f"{title}: n {len(error)}, |area error| median {100 * np.median(size):.2f} % (bar 3), "
        f"90th percentile {100 * np.percentile(size, 90):.2f} % (bar 10), mean signed {100 * error.mean():+.2f} %\n"
        f"  median IoU live {_median(scores, 'iou'):.4f} (bar 0.93), bleached {_median(scores, 'bleached_iou'):.3f}, "
        f"dead {_median(scores, 'dead_iou'):.3f}\n"
        f"  missing or dead recognised {sum(s.status == s.wanted for s in gone)} of {len(gone)}, "
        f"live called otherwise {sum(s.status != 'live' for s in scores if s.wanted == 'live')}"
    )
    bone = [s for s in scores if s.true.dead_mm2 > PART_MM2]
    if bone:
        called_live = sum(s.outlines.live.intersection(s.true.dead).area for s in bone)
        share = called_live / sum(s.true.dead.area for s in bone)
        print(
            f"  dead skeleton, bare or overgrown, called live: {100 * share:.1f} % of its area (bar 2), n {len(bone)}"
        )
    for name, chosen in (
        (f"IoU > {RIGHT_IOU}", [s for s in scores if s.iou > RIGHT_IOU]),
        ("all", [s for s in scores if np.isfinite(s.iou)]),
    ):
        if chosen:
            held = [abs(s.live.area - s.true.live_mm2) <= s.expanded_mm2 for s in chosen]
            print(f"  outline's 95 % interval holds the truth, {name}: {100 * np.mean(held):.1f} % of {len(held)}")


def _median(scores: list[Score], name: str) -> float:
    values = [getattr(s, name) for s in scores if np.isfinite(getattr(s, name))]
    return float(np.median(values)) if values else float("nan")


def _print_table(title: str, scores: list[Score], key: Callable[[Score], str]) -> None:
    print(f"\n{title:<24} {'n':>4} {'median %':>9} {'p90 %':>7} {'signed %':>9} {'IoU':>6} {'status right':>13}")
    for name in sorted({key(s) for s in scores}):
        group = [s for s in scores if key(s) == name]
        right = f"{sum(s.status == s.wanted for s in group)}/{len(group)}"
        error = 100 * np.array([s.error for s in group if np.isfinite(s.error)])
        if not len(error):
            print(f"{name:<24} {len(group):>4} {'':>9} {'':>7} {'':>9} {'':>6} {right:>13}")
            continue
        size = np.abs(error)
        print(
            f"{name:<24} {len(group):>4} {np.median(size):>9.2f} {np.percentile(size, 90):>7.2f} "
            f"{error.mean():>+9.2f} {_median(group, 'iou'):>6.3f} {right:>13}"
        )


def worst(scores: list[Score]) -> list[Score]:
    """Ten fragments, wrong status first, then the least overlap."""
    return sorted(scores, key=lambda s: (s.status == s.wanted, s.iou if np.isfinite(s.iou) else 1.0))[:10]


def draw(score: Score, scale: int = 4) -> npt.NDArray[np.uint8]:
    """The window twice, side by side: plain, and with the true outline in white under ours in red, blue, yellow."""
    pixels = cv2.resize(score.window.pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC)
    plain = pixels.copy()
    for shape, colour in (
        (score.true.live, (255, 255, 255)),
        (score.true.dead, (160, 160, 160)),
        (score.outlines.live, (255, 0, 0)),
        (score.outlines.bleached, (0, 120, 255)),
        (score.outlines.dead, (255, 220, 0)),
    ):
        for polygon in shape.geoms:
            for ring in (polygon.exterior, *polygon.interiors):
                points = (score.window.to_px(np.array(ring.coords)[:, :2]) + 0.5) * scale - 0.5
                cv2.polylines(pixels, [np.round(points * 16).astype(np.int32)], True, colour, 1, cv2.LINE_AA, 4)
    return np.hstack([plain, pixels])


def write_overlays(scores: list[Score], count: int) -> None:
    """Overlays of the worst as PNG."""
    OUT.mkdir(exist_ok=True)
    for score in worst(scores)[:count]:
        name = f"tissue_{score.scene.split}_{score.scene.path.stem}_{score.true.label}.png"
        scale = 4 if score.window.rim is not None else 1
        cv2.imwrite(str(OUT / name), cv2.cvtColor(draw(score, scale), cv2.COLOR_RGB2BGR))
        print(f"overlay: benchmarks/out/{name}")


def main() -> None:
    """Print the figures of one split or both."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("split", nargs="?", choices=("dev", "val"))
    parser.add_argument("--overlays", type=int, default=10, metavar="N", help="of the worst N; default 10")
    parser.add_argument("--no-light", action="store_true", help="as if no grey patches were in view")
    options = parser.parse_args()
    if not SHARED_PHOTOS.is_dir():
        print(f"skipped: {ABSENT}")
        return
    for split in [options.split] if options.split else ["dev", "val"]:
        scenes = [scene for scene in true_photos(split) if scene.kind != "shapes"]
        scores = [s for scene in scenes for s in score_scene(scene, with_light=not options.no_light)]
        print(f"\n== {split}: tissue outlines with the exact camera, {len(scenes)} photos ==")
        print_figures(scores)
        write_overlays(scores, options.overlays)


if __name__ == "__main__":
    main()
