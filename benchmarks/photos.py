"""Accuracy of the whole path on the rendered scenes: ``python -m benchmarks.photos [dev|val] [--overlays N]``.

Prints the bars, a table by scene, a table by condition, and the worst fragments first; ``dev`` may be tuned on,
``val`` is only reported. Overlays of the worst go to ``benchmarks/out/``.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import shapely
from shapely import MultiPolygon

from benchmarks.truth import ABSENT, SHARED_PHOTOS, TrueFragment, TruePhoto, as_multi, overlap, true_photos
from fragarea.errors import PhotoProblem
from fragarea.measure import measure_photo
from fragarea.measurement import FragmentMeasurement, MeasureSettings, PhotoMeasurement
from fragarea.photo import read_photo
from fragarea.reference.layout import load_reference
from fragarea.report import draw_overlay
from fragarea.sites.records import SiteDescription, SiteKind

OUT = Path(__file__).resolve().parent / "out"
CM2 = 100.0


@dataclass(frozen=True, eq=False)
class Score:
    """One fragment or patch, measured against its truth."""

    scene: str
    file: str
    light: str
    what: str
    state: str
    true: TrueFragment
    area_mm2: float
    expanded_mm2: float
    error: float  # (measured - true) / true of live area; nan where the truth is zero
    iou: float
    bleached_iou: float
    dead_iou: float
    status: str
    status_right: bool
    position_right: bool


def measure_scene(scene: TruePhoto) -> PhotoMeasurement:
    """The scene as `fragarea measure --json` would see it: kind, reference and plug size, nothing else."""
    site = SiteDescription(kind=SiteKind(scene.kind), reference=scene.reference)
    return measure_photo(
        read_photo(scene.path), site, MeasureSettings(print_u_rel=0.0), layout=load_reference(scene.reference)
    )


def true_status(fragment: TrueFragment) -> str:
    """The word our program should say."""
    if fragment.live_mm2 < 1.0:
        return "dead" if fragment.dead_mm2 > 1.0 else "missing"
    share = fragment.dead_mm2 / (fragment.dead_mm2 + fragment.live_mm2)
    return "partly dead" if share > 0.05 else "live"


def score_scene(scene: TruePhoto, measured: PhotoMeasurement) -> list[Score]:
    """Scores of one scene: by plug on trays and singles, by patch on pads."""
    if scene.kind == "pad":
        return _score_patches(scene, measured)
    return [_score(scene, true, _partner(true, measured)) for true in scene.fragments]


def _partner(true: TrueFragment, measured: PhotoMeasurement) -> FragmentMeasurement | None:
    if not measured.fragments or true.plug_centre_mm is None:
        return None
    gap = [float(np.hypot(*np.subtract(f.centre_mm, true.plug_centre_mm))) for f in measured.fragments]
    nearest = int(np.argmin(gap))
    return measured.fragments[nearest] if gap[nearest] < 10.0 else None


def _score(scene: TruePhoto, true: TrueFragment, found: FragmentMeasurement | None) -> Score:
    live = found.outline_live if found else MultiPolygon()
    area = found.live.area_mm2 if found else 0.0
    status = str(found.status) if found else "missing"
    wanted = true_status(true)
    alive = {"live", "partly dead"}
    return Score(
        scene=scene.series,
        file=scene.path.name,
        light=scene.light,
        what=true.label,
        state=wanted,
        true=true,
        area_mm2=area,
        expanded_mm2=found.live.expanded_mm2 if found else float("nan"),
        error=(area - true.live_mm2) / true.live_mm2 if true.live_mm2 > 1.0 else float("nan"),
        iou=overlap(live, true.live) if true.live_mm2 > 1.0 else float("nan"),
        bleached_iou=_iou_if(true.bleached, found.outline_bleached if found else None),
        dead_iou=_iou_if(true.dead, found.outline_dead if found else None),
        status=status,
        status_right=status == wanted or (status in alive and wanted in alive),
        position_right=true.position is None or (found is not None and found.position == true.position),
    )


def _iou_if(true: MultiPolygon, found: MultiPolygon | None) -> float:
    return overlap(true, found if found is not None else MultiPolygon()) if true.area > 5.0 else float("nan")


def _score_patches(scene: TruePhoto, measured: PhotoMeasurement) -> list[Score]:
    """Scores of true patches; patches that one measured piece joins are scored together."""
    whole = shapely.union_all([f.outline_live.buffer(1e-4) for f in measured.fragments])
    parts = [p for p in shapely.get_parts(whole) if p.area > 1.0]
    groups: list[tuple[list[TrueFragment], list[shapely.Geometry]]] = [([true], []) for true in scene.fragments]
    for part in parts:
        joined = [g for g in groups if any(_belongs(part, true.live) for true in g[0])]
        if not joined:
            continue
        groups = [g for g in groups if not any(g is j for j in joined)]
        groups.append(([true for g in joined for true in g[0]], [p for g in joined for p in g[1]] + [part]))
    return [_score_patch(scene, trues, mine, measured) for trues, mine in groups]


def _belongs(part: shapely.Geometry, true: MultiPolygon) -> bool:
    return bool(part.intersection(true).area > 0.25 * min(part.area, true.area))


def _score_patch(
    scene: TruePhoto, trues: list[TrueFragment], parts: list[shapely.Geometry], measured: PhotoMeasurement
) -> Score:
    live = as_multi(shapely.union_all(parts)) if parts else MultiPolygon()
    truth = as_multi(shapely.union_all([true.live for true in trues]))
    area = sum(true.live_mm2 for true in trues)
    whole_u = [f.live.expanded_mm2 for f in measured.fragments if f.outline_live.intersects(truth)]
    status = "live" if live.area > 1.0 else "missing"
    return Score(
        scene=scene.series,
        file=scene.path.name,
        light=scene.light,
        what="patch " + "+".join(sorted(true.label for true in trues)),
        state="live",
        true=replace(trues[0], live=truth, live_mm2=area),
        area_mm2=float(live.area),
        expanded_mm2=float(sum(whole_u)) if whole_u else float("nan"),
        error=(live.area - area) / area,
        iou=overlap(live, truth),
        bleached_iou=float("nan"),
        dead_iou=float("nan"),
        status=status,
        status_right=status == "live",
        position_right=True,
    )


def run(split: str, overlays: int) -> list[Score]:
    """Measure every scene of `split` and print the figures."""
    scores: list[Score] = []
    pictures: dict[str, tuple[TruePhoto, PhotoMeasurement]] = {}
    refused: list[str] = []
    for scene in true_photos(split):
        if scene.kind == "shapes":
            continue
        try:
            measured = measure_scene(scene)
        except PhotoProblem as problem:
            refused.append(f"{scene.series}/{problem}")
            continue
        pictures[f"{scene.series}/{scene.path.name}"] = (scene, measured)
        scores += score_scene(scene, measured)
    print(f"\n== {split}: whole path, {len(pictures)} photos, {len(scores)} fragments and patches ==")
    for line in refused:
        print(f"refused: {line}")
    plain = [s for s in scores if s.scene != "hard"]
    _print_bars("trays, pads, singles", plain)
    _print_bars("hard scenes", [s for s in scores if s.scene == "hard"])
    _print_groups("scene", scores, lambda s: f"{s.scene}/{s.file}")
    _print_groups("light", plain, lambda s: s.light)
    _print_groups("state", plain, lambda s: s.state)
    _print_worst(scores)
    _write_overlays(scores, pictures, overlays)
    return scores


def _print_bars(title: str, scores: list[Score]) -> None:
    error = np.array([abs(s.error) for s in scores if np.isfinite(s.error)])
    if not len(error):
        return
    iou = np.array([s.iou for s in scores if np.isfinite(s.iou)])
    signed = np.array([s.error for s in scores if np.isfinite(s.error)])
    print(
        f"{title}: n {len(error)}, median |area error| {100 * np.median(error):.2f} %, "
        f"90th percentile {100 * np.percentile(error, 90):.2f} %, mean signed {100 * signed.mean():+.2f} %, "
        f"median IoU {np.median(iou):.4f}"
    )
    for name in ("bleached_iou", "dead_iou"):
        values = np.array([getattr(s, name) for s in scores if np.isfinite(getattr(s, name))])
        if len(values):
            print(f"  {name.replace('_', ' ')}: n {len(values)}, median {np.median(values):.3f}")
    gone = [s for s in scores if s.state in ("dead", "missing")]
    print(f"  missing or dead recognised: {sum(s.status == s.state for s in gone)} of {len(gone)}")
    alive = [s for s in scores if s.state not in ("dead", "missing")]
    print(f"  alive called dead or missing: {sum(not s.status_right for s in alive)} of {len(alive)}")
    print(f"  positions wrong: {sum(not s.position_right for s in scores)}")
    for label, chosen in (
        ("outline right (IoU > 0.97)", [s for s in scores if s.iou > 0.97]),
        ("all fragments", [s for s in scores if np.isfinite(s.iou)]),
    ):
        inside = [abs(s.area_mm2 - s.true.live_mm2) <= s.expanded_mm2 for s in chosen]
        if inside:
            print(f"  95 % interval holds the truth, {label}: {100 * np.mean(inside):.1f} % of {len(inside)}")


def _print_groups(title: str, scores: list[Score], key: Callable[[Score], str]) -> None:
    print(f"\n{title:<28} {'n':>4} {'median %':>9} {'p90 %':>7} {'signed %':>9} {'IoU':>7} {'status ok':>10}")
    for name in sorted({key(s) for s in scores}):
        group = [s for s in scores if key(s) == name]
        error = np.array([s.error for s in group if np.isfinite(s.error)])
        right = f"{sum(s.status_right for s in group)}/{len(group)}"
        if not len(error):
            print(f"{name:<28} {len(group):>4} {'':>9} {'':>7} {'':>9} {'':>7} {right:>10}")
            continue
        size = np.abs(error)
        iou = np.median([s.iou for s in group if np.isfinite(s.iou)])
        print(
            f"{name:<28} {len(group):>4} {100 * np.median(size):>9.2f} {100 * np.percentile(size, 90):>7.2f} "
            f"{100 * error.mean():>+9.2f} {iou:>7.3f} {right:>10}"
        )


def _worst(scores: Iterable[Score]) -> list[Score]:
    return sorted(scores, key=lambda s: (s.status_right, s.iou if np.isfinite(s.iou) else 1.0))[:10]


def _print_worst(scores: list[Score]) -> None:
    print("\nworst ten: scene, fragment, true state, said, true cm2, measured cm2, IoU")
    for s in _worst(scores):
        print(
            f"  {s.scene}/{s.file} {s.what}: {s.state}, {s.status}, {s.true.live_mm2 / CM2:.3f}, "
            f"{s.area_mm2 / CM2:.3f}, {s.iou:.3f}"
        )


def _write_overlays(scores: list[Score], pictures: dict[str, tuple[TruePhoto, PhotoMeasurement]], count: int) -> None:
    import cv2

    OUT.mkdir(exist_ok=True)
    for key in dict.fromkeys(f"{s.scene}/{s.file}" for s in _worst(scores)[:count]):
        scene, measured = pictures[key]
        image = draw_overlay(read_photo(scene.path).pixels, measured)
        target = OUT / f"{scene.split}_{scene.series}_{scene.path.stem}.jpg"
        cv2.imwrite(str(target), cv2.cvtColor(image, cv2.COLOR_RGB2BGR))
        print(f"overlay: benchmarks/out/{target.name}")


def main() -> None:
    """Print the figures of one split or both."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("split", nargs="?", choices=("dev", "val"))
    parser.add_argument("--overlays", type=int, default=10, help="write overlays of the worst N fragments' photos")
    options = parser.parse_args()
    if not SHARED_PHOTOS.is_dir():
        print(f"skipped: {ABSENT}")
        return
    for split in [options.split] if options.split else ["dev", "val"]:
        run(split, options.overlays)


if __name__ == "__main__":
    main()
