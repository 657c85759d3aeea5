"""Time and memory of fusion over a large logbook: ``python -m benchmarks.fusion_size``.

1,000 invented pads of ten plugs, photographed thirty times, a month apart, from ten pieces to one. The first run
derives every visit from its outlines and remembers it, as a nursery does week by week; then a week in which every pad
was photographed once more; and the table with nothing new. Each is taken in a process of its own, so that its memory
is the command's.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from datetime import datetime, timedelta
from pathlib import Path

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # matrices are tiny: more threads only wait for each other

import numpy as np
import shapely
import sqlalchemy as sa

from benchmarks.logbook_rows import measured_photo
from fragarea.area import split_among_plugs
from fragarea.fusion_tables import pad_table, pair_table, shown_pads, summary_lines
from fragarea.fusion_view import view_fusion
from fragarea.logbook import Logbook, open_logbook
from fragarea.logbook.tables import fragment_measurements, measurements, outlines, photos
from fragarea.nursery import Fragment, Tables
from fragarea.report.plain_tables import table_csv
from fragarea.sites.records import SiteDescription, SiteKind

START = datetime(2030, 1, 5, 10, 0)
SPACING_MM = 30.0
CORNERS = np.linspace(0, 2 * np.pi, 150, endpoint=False)  # as many as a measured outline has
DIFFERENT = 20  # pads that differ in shape; the others repeat them
NONE = shapely.MultiPolygon()

Rows = tuple[list[dict[str, object]], ...]


def centres() -> list[tuple[float, float]]:
    """Ten plugs in rows of three, four and three."""
    step = SPACING_MM * 3**0.5 / 2
    rows = ((0.5, 3, 0), (0.0, 4, 1), (0.5, 3, 2))
    return [((x + shift) * SPACING_MM, 60 + row * step) for shift, count, row in rows for x in range(count)]


def name_of(pad: int, plug: int) -> str:
    """A fragment's name."""
    return f"P{pad:04d}-{plug:02d}"


def tables_of(pads: int) -> Tables:
    """The fragments table of the nursery: one genotype a pad, two on every fifth."""
    fragments = [
        Fragment(name_of(pad, plug), "invented", f"G{pad % 30:02d}{'b' if pad % 5 == 0 and plug > 5 else ''}")
        for pad in range(pads)
        for plug in range(1, 11)
    ]
    return Tables(tuple(fragments), ())


def shapes_of(visits: int) -> list[list[list[shapely.MultiPolygon]]]:
    """Tissue of each plug, by visit and shape: pieces of 6 mm that grow to 18 mm and into each other."""
    rng = np.random.default_rng(5)
    found = []
    for _ in range(DIFFERENT):
        start, speed = rng.uniform(5.5, 6.5, 10), rng.normal(12.0 / visits, 0.5 / visits, 10)
        waves = rng.normal(0, 0.4, (10, 5)) @ np.cos(np.outer(np.arange(2, 7), CORNERS))
        pad = []
        for visit in range(visits):
            edge = (start + speed * visit)[:, None] + waves + rng.normal(0, 0.05, (10, len(CORNERS)))
            ring = np.stack([edge * np.cos(CORNERS), edge * np.sin(CORNERS)], axis=-1) + np.array(centres())[:, None]
            whole = shapely.union_all(shapely.make_valid(shapely.polygons(ring)))
            live = shapely.MultiPolygon([part for part in shapely.get_parts(whole) if part.geom_type == "Polygon"])
            pad.append([share.live for share in split_among_plugs(live, NONE, NONE, centres(), 12.5)[0]])
        found.append(pad)
    return found


def build(logbook: Logbook, pads: int, visits: int, *, since: int = 0) -> None:
    """Fill a logbook with the rows that measuring would have written."""
    shapes = shapes_of(visits)
    for pad in range(pads):
        rows: Rows = ([], [], [], [])
        for visit in range(since, visits):
            _photo(rows, pad, visit, shapes[pad % DIFFERENT][visit])
        with logbook.writing() as connection:
            for table, made in zip((photos, measurements, fragment_measurements, outlines), rows, strict=True):
                connection.execute(sa.insert(table), made)


def _photo(rows: Rows, pad: int, visit: int, shapes: list[shapely.MultiPolygon]) -> None:
    site_name = f"PAD-{pad:04d}"
    places = tuple((name_of(pad, plug), *centre) for plug, centre in enumerate(centres(), start=1))
    site = SiteDescription(kind=SiteKind.PAD, name=site_name, places_mm=places)
    number = visit * 100_000 + pad + 1
    taken_at = START + timedelta(days=30 * visit)
    photo, measurement = measured_photo(number, number, site, taken_at, mm_per_px=0.2)
    rows[0].append(photo)
    rows[1].append(measurement)
    empty = shapely.to_wkb(NONE)
    for plug, (shape, (x_mm, y_mm)) in enumerate(zip(shapes, centres(), strict=True), start=1):
        area, key = float(shape.area), number * 10 + plug
        parts = (("scale", 0.003), ("print", 0.004), ("lens", 0.001), ("height", 0.002), ("edge height", 0.003))
        budget = [{"name": name, "u_mm2": u * area, "shared": name != "edge height"} for name, u in parts]
        budget.append({"name": "outline", "u_mm2": 0.04 * shape.length, "shared": False})
        rows[2].append(
            {
                "id": key,
                "measurement_id": number,
                "number": plug - 1,
                "fragment": name_of(pad, plug),
                "row_number": None,
                "column_number": None,
                "label": name_of(pad, plug),
                "centre_x_mm": x_mm,
                "centre_y_mm": y_mm,
                "plug_radius_mm": 12.5,
                "status": "live",
                "area_mm2": area,
                "area_u_mm2": 0.01 * area,
                "expanded_mm2": 0.02 * area,
                "budget": budget,
                "bleached_mm2": 0.0,
                "dead_mm2": 0.0,
                "edge_height_mm": 1.0,
                "confidence": 0.9,
            }
        )
        rows[3].append(
            {
                "fragment_measurement_id": key,
                "live_mm_wkb": shapely.to_wkb(shape),
                "bleached_mm_wkb": empty,
                "dead_mm_wkb": empty,
            }
        )


def fusion(file: Path, pads: int, workers: int) -> None:
    """Print time and memory of what the command does: all pads, the table of the last visits, and both CSV tables."""
    tables = tables_of(pads)
    began, worked = time.perf_counter(), time.process_time()
    with open_logbook(file, create=False) as logbook:
        view = view_fusion(logbook, tables, workers=workers)
    read = time.perf_counter() - began
    told = len(shown_pads(view, every=False)[1]) + len(summary_lines(view))
    written = len(table_csv(pad_table(view))) + len(table_csv(pair_table(view)))
    elapsed, worked = time.perf_counter() - began, time.process_time() - worked
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    visits = sum(len(pad.visits) for pad in view.pads)
    pairs = sum(len(visit.pairs) for pad in view.pads for visit in pad.visits)
    fused = sum(pad.visits[-1].progress.fused_share.value for pad in view.pads) / len(view.pads)
    print(
        f"  {visits:,} visits of {len(view.pads):,} pads, {pairs:,} pairs ({100 * fused:.0f} % fused at the end):"
        f" view {read:.1f} s, with {told:,} lines to show and {written / 1e6:.0f} MB of CSV {elapsed:.1f} s, of which"
        f" processor {worked:.1f} s; {memory:.2f} GB"
    )


def main() -> int:
    """Build a logbook and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pads", type=int, default=1_000)
    parser.add_argument("--visits", type=int, default=30)
    parser.add_argument("--workers", type=int, default=len(os.sched_getaffinity(0)))
    parser.add_argument("--file", type=Path, help="logbook to keep, or one built before")
    parser.add_argument("--part", action="store_true", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.part:
        fusion(given.file, given.pads, given.workers)
        return 0
    with tempfile.TemporaryDirectory() as folder:
        file = given.file or Path(folder) / "logbook.sqlite"
        built_before = file.exists()
        with open_logbook(file) as logbook:
            if not built_before:
                build(logbook, given.pads, given.visits - 1)
        command = [sys.executable, "-m", "benchmarks.fusion_size", "--part", "--file", str(file)]
        command += ["--pads", str(given.pads), "--workers", str(given.workers)]
        print(
            f"Fusion of {given.pads:,} pads x {given.visits} visits (logbook of {file.stat().st_size / 1e9:.1f} GB), "
            f"{given.workers} processes"
        )
        print("  first run, all but the last visit:", flush=True)
        subprocess.run(command, check=True)
        if not built_before:
            with open_logbook(file) as logbook:
                build(logbook, given.pads, given.visits, since=given.visits - 1)
            print("  one more visit of each pad:", flush=True)
            subprocess.run(command, check=True)
        print("  nothing new:", flush=True)
        subprocess.run(command, check=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
