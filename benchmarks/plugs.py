"""Plugs found, placed and measured, against the exact geometry of the scenes: ``python -m benchmarks.plugs``.

One line a scene: plugs found of those there, false ones, positions right of all, error of the plug middles (median
and 95th percentile), mean error of the rims' radius, height of the plug tops (true, measured, its uncertainty), and
the time of finding and of cutting windows over the time of ``cv2.imdecode`` for the same file. The exact camera
poses of the scenes are used, or with ``--perturbed`` poses with a little error. ``val`` is for reporting only.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np

from benchmarks.truth import ABSENT, SHARED_PHOTOS, TruePhoto, true_photos
from fragarea.reference.layout import load_reference
from fragarea.reference.plane import CameraPose
from fragarea.sites import SiteDescription, SiteKind, SiteView, cut_windows, find_plugs

# Nearer than this a plug counts as found: half the gap to its neighbour.
FOUND_MM = 6.0


@dataclass(frozen=True, eq=False)
class Result:
    """How one scene came out."""

    photo: TruePhoto
    view: SiteView
    true_mm: np.ndarray
    find_ratio: float
    cut_ratio: float

    @property
    def found_mm(self) -> np.ndarray:
        """Middles of the plugs that are said to be present."""
        return np.array([plug.centre_mm for plug in self.view.plugs if plug.present]).reshape(-1, 2)

    @property
    def gaps_mm(self) -> np.ndarray:
        """Distance of every true plug to every plug found."""
        return np.linalg.norm(self.true_mm[:, None] - self.found_mm[None], axis=2)

    @property
    def errors_mm(self) -> np.ndarray:
        """Distance to the nearest plug found, of the true plugs that were found."""
        if self.gaps_mm.size == 0:
            return np.zeros(0)
        nearest = self.gaps_mm.min(axis=1)
        return nearest[nearest < FOUND_MM]

    @property
    def false_plugs(self) -> int:
        """Plugs found where none stands."""
        return int((self.gaps_mm.min(axis=0) >= FOUND_MM).sum()) if self.gaps_mm.size else 0

    @property
    def positions_right(self) -> int:
        """Tray positions whose plug is the one that truly stands there."""
        true = {f.position: f.plug_centre_mm for f in self.photo.fragments}
        pairs = [(plug.centre_mm, true.get(plug.position)) for plug in self.view.plugs]
        return sum(t is not None and np.hypot(*np.subtract(c, t)) < FOUND_MM for c, t in pairs)


def description(photo: TruePhoto) -> SiteDescription:
    """What a user who says no more than the kind of site would give."""
    return SiteDescription(SiteKind(photo.kind), reference=photo.reference)


def perturbed(pose: CameraPose, rng: np.random.Generator) -> CameraPose:
    """The pose as a fit to tag corners might give it: 0.05 degrees, 0.2 % in focal length and distance."""
    turn, _ = cv2.Rodrigues(np.radians(rng.normal(0, 0.05, 3)))
    matrix = pose.camera_matrix.copy()
    shift = rng.normal(0, 0.002)
    matrix[[0, 1], [0, 1]] *= 1 + shift
    middle = pose.rotation @ np.array([125.0, 95.0, 0.0]) + pose.translation_mm
    moved = middle * (1 + shift + rng.normal(0, 0.0005))
    rotation = turn @ pose.rotation
    return replace(
        pose, camera_matrix=matrix, rotation=rotation, translation_mm=moved - rotation @ np.array([125.0, 95.0, 0.0])
    )


def quickest(work: Callable[[], Any], tries: int = 5) -> tuple[Any, float]:
    """What the work returns and the shortest of several times, s."""
    best, result = float("inf"), None
    for _ in range(tries):
        start = time.perf_counter()
        result = work()
        best = min(best, time.perf_counter() - start)
    return result, best


def run(photo: TruePhoto, plane: CameraPose) -> Result:
    """Find the plugs of one scene and time it."""
    data = np.fromfile(photo.path, np.uint8)
    bgr, decode_s = quickest(lambda: cv2.imdecode(data, cv2.IMREAD_COLOR))
    pixels = cv2.cvtColor(bgr, cv2.COLOR_BGR2RGB)
    site, layout = description(photo), load_reference(photo.reference)
    view, find_s = quickest(lambda: find_plugs(pixels, plane, layout, site))
    _, cut_s = quickest(lambda: cut_windows(pixels, plane, view, site))
    plugs = [f.plug_centre_mm for f in photo.fragments] if photo.kind != "pad" else []
    plugs = plugs or [plug["plug_centre_mm"] for plug in photo.plugs]
    return Result(photo, view, np.array(plugs, dtype=float), find_s / decode_s, cut_s / decode_s)


def line(result: Result) -> str:
    """One line of the table."""
    view, errors = result.view, result.errors_mm
    middle, far = np.percentile(errors, [50, 95]) if len(errors) else (np.nan, np.nan)
    radii = [plug.rim.radius_mm - description(result.photo).plug_mm / 2 for plug in view.plugs if plug.rim]
    placed = f"{result.positions_right}/{len(view.plugs)}" if result.photo.kind == "tray" else "-"
    names = sorted({d.key for d in view.doubts} | {d.key for plug in view.plugs for d in plug.doubts})
    return (
        f"{result.photo.split:4}{result.photo.path.stem:18}{len(errors):3}/{len(result.true_mm):2}"
        f"{result.false_plugs:6} {placed:>7}{middle:8.2f}{far:6.2f}{np.mean(radii) if radii else np.nan:+8.3f}"
        f"{result.photo.reference_offset_mm:7.1f}{view.plug_top_mm:6.1f} ±{view.plug_top_u_mm:4.1f} "
        f"{view.plug_top_source:8}{result.find_ratio:6.2f}{result.cut_ratio:6.2f}  {' '.join(names)}"
    )


def main() -> None:
    """Print the table for both splits."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--perturbed", action="store_true", help="use poses with a little error (seeded)")
    parser.add_argument("--split", choices=["dev", "val"], action="append", help="default: both")
    options = parser.parse_args()
    if not SHARED_PHOTOS.is_dir():
        raise SystemExit(ABSENT)
    cv2.setNumThreads(1)
    print("    scene             found  false  placed middle mm p95  radius  top mm true, said          time/decode")
    for split in options.split or ["dev", "val"]:
        rng = np.random.default_rng(1)
        scenes = [photo for photo in true_photos(split) if photo.kind != "shapes"]
        results = [run(p, perturbed(p.pose, rng) if options.perturbed else p.pose) for p in scenes]
        for result in results:
            print(line(result))
        trays = [r for r in results if r.photo.kind == "tray"]
        right = sum(r.positions_right == len(r.view.plugs) == len(r.true_mm) for r in trays)
        find, cut = (np.median([getattr(r, name) for r in trays]) for name in ("find_ratio", "cut_ratio"))
        print(
            f"{split}: positions right in {right} of {len(trays)} trays; trays take {find:.2f} + {cut:.2f} decodes\n"
        )


if __name__ == "__main__":
    main()
