"""Fusion of the rendered pads from their photos alone: ``python -m benchmarks.fusion``.

A nursery folder is made of each series, with the plugs' places as described at the start, and measured and judged as
the commands do it. Two truths stand beside it: the pairs that the scene lists as fused, and what the exact outlines
say by the same definition as the program's (one patch, a neck of 1 mm). They differ where a scene joined outlines
that its list still has apart. Figures of ``val`` are reported; nothing is tuned on them.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
import shapely
from shapely import MultiPolygon

from benchmarks.truth import ABSENT, SHARED_PHOTOS, TruePhoto, as_multi, true_photos
from fragarea.area import split_among_plugs
from fragarea.fusion import FusionRules, PadPhoto, PadVisit, PairState, PhotoFragment, layouts_of, visit_of
from fragarea.fusion_view import FusionView, view_fusion
from fragarea.logbook import open_logbook
from fragarea.measurement import FragmentStatus
from fragarea.nursery import load_nursery, load_tables
from fragarea.nursery_view import logbook_path

SERIES = (("dev", "pad_a"), ("val", "pad_b"))
CLOSE_MM = 0.5  # pairs whose true neck or gap is smaller are not judged
TOML = """name = "Rendered pad (invented)"
time_zone = "UTC"
reference = "frame-280x220"
plug_mm = 25.0

[sites.PAD]
kind = "pad"
"""


@dataclass(frozen=True)
class Judged:
    """One pair on one photo: what is true of it and what was said."""

    names: tuple[str, str]
    one_genotype: bool
    listed_fused: bool
    listed_border: bool
    true: PairState
    true_gap_mm: float
    true_neck_mm: float
    said: PairState
    gap_mm: float
    gap_u_mm: float

    @property
    def close(self) -> bool:
        """Whether the true neck, or gap, is too small to judge the pair by."""
        return (self.true_neck_mm if self.true_gap_mm == 0 else self.true_gap_mm) < CLOSE_MM


def name_of(plug: int) -> str:
    """How the nursery calls the fragment on a plug of the scene."""
    return f"F{plug:02d}"


def nursery_of(scenes: list[TruePhoto], folder: Path) -> None:
    """Make a nursery folder of a series: who stands where, of which genotype, and the photos."""
    (folder / "nursery.toml").write_text(TOML, encoding="utf-8")
    plugs = scenes[0].plugs
    day = str(scenes[0].raw["datetime"])[:10].replace(":", "-")
    fragments = ["fragment,species,genotype", *(f"{name_of(p['plug'])},invented,{p['genotype']}" for p in plugs)]
    placements = ["fragment,site,x_mm,y_mm,from"]
    for plug in plugs:
        x_mm, y_mm = plug["plug_centre_mm"]
        placements.append(f"{name_of(plug['plug'])},PAD,{x_mm},{y_mm},{day}")
    (folder / "fragments.csv").write_text("\n".join(fragments) + "\n", encoding="utf-8")
    (folder / "placements.csv").write_text("\n".join(placements) + "\n", encoding="utf-8")
    photos = folder / "photos" / "PAD"
    photos.mkdir(parents=True)
    for scene in scenes:
        shutil.copy(scene.path, photos)


def judged_view(scenes: list[TruePhoto]) -> FusionView:
    """What the photos of a series tell, by the commands' own way."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        nursery_of(scenes, folder)
        command = [sys.executable, "-c", "from fragarea.cli import run; run()", "measure", str(folder), "--no-report"]
        subprocess.run(command, check=True, capture_output=True)
        nursery = load_nursery(folder)
        with open_logbook(logbook_path(nursery)) as logbook:
            return view_fusion(logbook, load_tables(nursery), with_outlines=True)


def true_visit(scene: TruePhoto) -> PadVisit:
    """The exact outlines of a scene by the program's definitions."""
    fragments = []
    for genotype in sorted({str(plug["genotype"]) for plug in scene.plugs}):
        plugs = [plug for plug in scene.plugs if plug["genotype"] == genotype]
        live = as_multi(shapely.union_all([f.live for f in scene.fragments if f.genotype == genotype]))
        centres = [tuple(plug["plug_centre_mm"]) for plug in plugs]
        shares, _ = split_among_plugs(live, MultiPolygon(), MultiPolygon(), centres, plugs[0]["plug_diameter_mm"] / 2)
        for plug, share in zip(plugs, shares, strict=True):
            area = share.live.area
            one = PhotoFragment(
                *(name_of(plug["plug"]), genotype, tuple(plug["plug_centre_mm"]), FragmentStatus.LIVE),
                *(area, 0.0, 0.0, 0.0, share.live),
            )
            fragments.append(one)
    photo = PadPhoto(
        *("PAD", datetime.strptime(scene.raw["datetime"], "%Y:%m:%d %H:%M:%S"), scene.path.name, scene.path.name),
        *(0, 0.2, 0.0, float(scene.plugs[0]["plug_diameter_mm"]), tuple(fragments)),
    )
    rules = FusionRules()
    (layout,) = layouts_of([{one.fragment: one.centre_mm for one in fragments}], rules.reach)
    return visit_of(photo, layout, rules)


def judge(scene: TruePhoto, true: PadVisit, said: PadVisit) -> list[Judged]:
    """Every pair of neighbours of a photo."""
    fused = {tuple(sorted(map(name_of, pair))) for pair in scene.raw["fused_pairs"]}
    borders = {tuple(sorted(map(name_of, pair))) for pair in scene.raw["border_pairs"]}
    told = {pair.names: pair for pair in said.pairs}
    found = []
    for pair in true.pairs:
        one = told.get(pair.names)
        found.append(
            Judged(
                names=pair.names,
                one_genotype=pair.one_genotype,
                listed_fused=pair.names in fused,
                listed_border=pair.names in borders,
                true=pair.state,
                true_gap_mm=pair.gap_mm,
                true_neck_mm=pair.neck_mm,
                said=one.state if one else PairState.APART,
                gap_mm=one.gap_mm if one else float("nan"),
                gap_u_mm=one.gap_u_mm if one else float("nan"),
            )
        )
    return found


def bare_mm2(scene: TruePhoto, said: PadVisit) -> float:
    """True bare ground inside the hull of the plugs."""
    centres = np.array([plug["plug_centre_mm"] for plug in scene.plugs])
    hull = shapely.convex_hull(shapely.union_all(shapely.buffer(shapely.points(centres), 12.5, quad_segs=32)))
    return float(shapely.difference(hull, shapely.union_all([one.live for one in scene.fragments])).area)


def report(split: str, series: str) -> None:
    """Print the figures of one series."""
    scenes = [scene for scene in true_photos(split) if scene.series == series]
    view = judged_view(scenes)
    visits = {visit.photo: visit for pad in view.pads for visit in pad.visits}
    print(f"\n== {split}/{series}: {len(visits)} of {len(scenes)} photos measured ==")
    print(
        f"{'photo':<16} {'fused':>6} {'listed':>7} {'outline':>8} {'border':>7} {'listed':>7} {'largest %':>10} "
        f"{'true %':>7} {'bare mm2':>14} {'true':>7} {'error %':>8}"
    )
    pairs: list[Judged] = []
    shares, bares = [], []
    for scene in scenes:
        visit = visits.get(scene.path.name)
        if visit is None:
            continue
        true = true_visit(scene)
        mine = judge(scene, true, visit)
        pairs += mine
        far = visit.progress
        areas = np.array([one.live_mm2 for one in scene.fragments])
        largest, bare = float(areas.max() / areas.sum()), bare_mm2(scene, visit)
        shares.append(100 * (far.largest_share.value - largest))
        bares.append(100 * (far.bare_mm2.value / bare - 1))
        print(
            f"{scene.path.name:<16} {far.fused_pairs.value:>6.0f} {sum(p.listed_fused for p in mine):>7} "
            f"{sum(p.true is PairState.FUSED for p in mine):>8} {far.border_pairs:>7} "
            f"{sum(p.listed_border for p in mine):>7} {100 * far.largest_share.value:>10.2f} {100 * largest:>7.2f} "
            f"{far.bare_mm2.value:>8.0f} ± {1.96 * far.bare_mm2.u:>3.0f} {bare:>7.0f} {bares[-1]:>+8.1f}"
        )
    fair = [pair for pair in pairs if not pair.close]
    by_outline = [(pair.said is PairState.FUSED) == (pair.true is PairState.FUSED) for pair in fair]
    by_list = [(pair.said is PairState.FUSED) == pair.listed_fused for pair in fair]
    mixed = [pair for pair in pairs if not pair.one_genotype]
    apart = [pair for pair in fair if pair.true_gap_mm > 0 and pair.gap_mm > 0]
    errors = np.array([pair.gap_mm - pair.true_gap_mm for pair in apart])
    inside = [abs(pair.gap_mm - pair.true_gap_mm) <= 1.96 * pair.gap_u_mm for pair in apart]
    print(f"pair-visits: {len(pairs)}; not judged, true neck or gap under {CLOSE_MM} mm: {len(pairs) - len(fair)}")
    print(f"fused pairs right, by the exact outlines: {100 * np.mean(by_outline):.1f} % (bar 95)")
    print(f"fused pairs right, by the scene's list: {100 * np.mean(by_list):.1f} % (bar 95)")
    for pair in fair:
        if (pair.said is PairState.FUSED) != (pair.true is PairState.FUSED):
            print(f"  wrong by outlines: {pair}")
    print(f"largest patch's share: worst {max(map(abs, shares)):.2f} points (bar 3)")
    print(f"bare gap: worst {max(map(abs, bares)):.1f} %, median {np.median(np.abs(bares)):.1f} % (bar 8)")
    print(
        f"pairs of two genotypes: {len(mixed)}, called fused: {sum(p.said is PairState.FUSED for p in mixed)} (bar 0)"
    )
    listed = [pair for pair in mixed if pair.listed_border]
    if listed:
        print(f"listed borders called border: {sum(p.said is PairState.BORDER for p in listed)} of {len(listed)}")
    if len(errors):
        print(
            f"gaps: n {len(errors)}, error {errors.mean():+.3f} ± {errors.std():.3f} mm, "
            f"95 % interval holds the truth: {100 * np.mean(inside):.0f} %"
        )


def main() -> None:
    """Print the figures of one series or both."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("split", nargs="?", choices=("dev", "val"))
    options = parser.parse_args()
    if not SHARED_PHOTOS.is_dir():
        print(f"skipped: {ABSENT}")
        return
    for split, series in SERIES:
        if options.split in (None, split):
            report(split, series)


if __name__ == "__main__":
    main()
