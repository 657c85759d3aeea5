"""Growth of the rendered trays from their photos alone: ``python -m benchmarks.trays``.

A nursery folder is made of each series, with placements as recorded at the first visit, and measured and judged as
the commands do it. Figures of ``val`` are reported; nothing is tuned on them.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from benchmarks.truth import ABSENT, SHARED_PHOTOS
from fragarea.growth_view import GrowthView, view_growth
from fragarea.logbook import open_logbook
from fragarea.nursery import load_nursery, load_tables
from fragarea.nursery_view import logbook_path

SERIES = ("dev/tray_a", "val/tray_b")
TOML = """name = "Rendered tray (invented)"
time_zone = "UTC"
reference = "frame-280x220"
plug_mm = 25.0

[sites.TRAY]
kind = "tray"
rows = {rows}
columns = {columns}
"""


def nursery_of(truth: dict[str, Any], source: Path, folder: Path) -> None:
    """Make a nursery folder of a series: the record knows only who stood where on the first day."""
    first = truth["photos"][0]
    rows, columns = (max(one[key] for one in first["fragments"]) for key in ("row", "col"))
    (folder / "nursery.toml").write_text(TOML.format(rows=rows, columns=columns), encoding="utf-8")
    day = first["datetime"][:10].replace(":", "-")
    fragments = ["fragment,species,genotype"]
    fragments += [f"{one['plug']},invented,{one['genotype']}" for one in first["fragments"]]
    placements = ["fragment,site,row,column,from"]
    placements += [f"{one['plug']},TRAY,{one['row']},{one['col']},{day}" for one in first["fragments"]]
    (folder / "fragments.csv").write_text("\n".join(fragments) + "\n", encoding="utf-8")
    (folder / "placements.csv").write_text("\n".join(placements) + "\n", encoding="utf-8")
    photos = folder / "photos" / "TRAY"
    photos.mkdir(parents=True)
    for photo in truth["photos"]:
        shutil.copy(source / photo["file"], photos)


def judged(series: str) -> tuple[dict[str, Any], GrowthView]:
    """Truth of a series, and what its photos tell."""
    source = SHARED_PHOTOS / series
    truth: dict[str, Any] = json.loads((source / "truth.json").read_text(encoding="utf-8"))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        nursery_of(truth, source, folder)
        command = [sys.executable, "-c", "from fragarea.cli import run; run()", "measure", str(folder)]
        subprocess.run(command, check=False, capture_output=True)
        nursery = load_nursery(folder)
        with open_logbook(logbook_path(nursery), create=False) as logbook:
            return truth, view_growth(logbook, load_tables(nursery))


def main() -> int:
    """Print extension of every genotype against its truth, events found, and doubts."""
    argparse.ArgumentParser(description=__doc__).parse_args()
    if not SHARED_PHOTOS.is_dir():
        print(ABSENT)
        return 0
    for series in SERIES:
        truth, view = judged(series)
        print(f"{series}{' (report only)' if series.startswith('val') else ''}")
        own: dict[str, list[float]] = {}
        for one in truth["photos"][0]["fragments"]:
            own.setdefault(one["genotype"], []).append(one["radial_extension_mm_per_month"])
        for growth in view.genotypes.genotypes:
            nominal = truth["genotypes"][growth.genotype]["mean_radial_extension_mm_per_month"]
            mean = sum(own[growth.genotype]) / len(own[growth.genotype])
            estimate = growth.extension_mm_per_month
            interval = f"{growth.low_mm_per_month:.3f} to {growth.high_mm_per_month:.3f}"
            print(
                f"  {growth.genotype}: {estimate:.3f} ({interval})"
                f" mm/month; genotype {nominal:.2f} ({100 * (estimate / nominal - 1):+.1f} %),"
                f" mean of its fragments {mean:.3f} ({100 * (estimate / mean - 1):+.1f} %)"
            )
        events = truth["events"]
        troubled = {*events["lost"], *events["dying_back_from_week_8"], *events["bleaching_from_week_8"]}
        listed = {one.fragment for one in view.concerns}
        print(f"  on the list: {len(troubled & listed)} of {len(troubled)} troubled, {len(listed - troubled)} others")
        named = [" and ".join(one.fragments) + f" ({one.taken_at:%m-%d})" for one in view.mixups]
        swapped = " and ".join(sorted(events["swapped_from_week_12"]))
        print(f"  exchanged {swapped}; doubted: {', '.join(named) or 'none'}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
