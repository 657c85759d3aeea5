"""Time and memory of growth over a large logbook: ``python -m benchmarks.growth_size``.

10,000 invented fragments on trays of 50, photographed 100 times, a week apart. What ``fragarea measure`` does for
growth after its photos is timed for the last week's photos, and once for all photos before them, as with a logbook
that an older version made. Then growth is asked for, and the history of one fragment. Each is a process of its own,
so that its memory is the command's.
"""

from __future__ import annotations

import argparse
import math
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime, timedelta
from pathlib import Path

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # matrices are tiny: more threads only wait for each other

import numpy as np
import shapely
import sqlalchemy as sa

from benchmarks.logbook_rows import measured_photo
from fragarea.growth import DAYS_PER_MONTH, doubt_exchanges
from fragarea.growth_view import view_growth
from fragarea.logbook import Logbook, history_of, open_logbook
from fragarea.logbook.tables import fragment_measurements, measurements, outlines, photos
from fragarea.nursery import Fragment, Tables
from fragarea.sites.records import SiteDescription, SiteKind

ROWS, COLUMNS = 5, 10
GENOTYPES = 20
START = datetime(2030, 1, 5, 10, 0)
CORNERS = np.linspace(0, 2 * math.pi, 24, endpoint=False)


def name_of(tray: int, row: int, column: int) -> str:
    """A fragment's name."""
    return f"T{tray:03d}-{row}{column:02d}"


def tables_of(trays: int) -> Tables:
    """The fragments table of the nursery."""
    places = [(t, r, c) for t in range(trays) for r in range(1, ROWS + 1) for c in range(1, COLUMNS + 1)]
    fragments = [
        Fragment(name_of(*place), "invented", f"G{number % GENOTYPES + 1:02d}", cut_on=date(2030, 1, 1))
        for number, place in enumerate(places)
    ]
    return Tables(tuple(fragments), ())


def build(logbook: Logbook, trays: int, visits: range) -> None:
    """Add the rows that measuring the photos of some visits would have written."""
    rng = np.random.default_rng(5)
    start = rng.uniform(4.0, 6.0, (trays, ROWS * COLUMNS))
    number = np.arange(trays * ROWS * COLUMNS).reshape(trays, -1)
    speed = rng.normal(0.15 + 0.005 * (number % GENOTYPES), 0.02)
    waves = 0.06 * start[..., None] * rng.normal(size=(*start.shape, 5)) / math.sqrt(5)
    turns = np.cos(np.outer(np.arange(2, 7), CORNERS))
    for visit in visits:
        noise = np.random.default_rng([5, visit]).normal(size=(2, *start.shape))
        radius = start + speed * visit * 7 / DAYS_PER_MONTH
        radius = (radius + 0.03 * noise[0]) * (1 + 0.01 * noise[1])
        rows: tuple[list[dict[str, object]], ...] = ([], [], [], [])
        for tray in range(trays):
            name = f"TRAY-{tray:03d}"
            site = SiteDescription(kind=SiteKind.TRAY, name=name, rows=ROWS, columns=COLUMNS, pitch_mm=27.0)
            taken_at = START + timedelta(days=7 * visit)
            _photo(rows, visit * trays + tray, site, taken_at, radius[tray], waves[tray] @ turns)
        with logbook.writing() as connection:
            for table, made in zip((photos, measurements, fragment_measurements, outlines), rows, strict=True):
                connection.execute(sa.insert(table), made)


def visits_in(file: Path, trays: int) -> int:
    """How many visits a logbook holds that was built before."""
    if not file.exists():
        return 0
    with open_logbook(file, create=False) as logbook, logbook.reading() as connection:
        count = connection.scalar(sa.select(sa.func.count()).select_from(measurements)) or 0
    return int(count) // trays


def _photo(
    rows: tuple[list[dict[str, object]], ...],
    number: int,
    site: SiteDescription,
    taken_at: datetime,
    radius: np.ndarray,
    wave: np.ndarray,
) -> None:
    photo, measurement = measured_photo(number, number + 1, site, taken_at)
    rows[0].append(photo)
    rows[1].append(measurement)
    places = [(r, c) for r in range(1, ROWS + 1) for c in range(1, COLUMNS + 1)]
    edge = radius[:, None] + wave
    corners = np.stack([edge * np.cos(CORNERS), edge * np.sin(CORNERS)], axis=-1)
    corners += 27.0 * np.array(places)[:, None, ::-1]
    shapes = shapely.multipolygons(shapely.polygons(corners), indices=np.arange(len(places)))
    empty = shapely.to_wkb(shapely.MultiPolygon())
    for index, ((row, column), area, outline) in enumerate(
        zip(places, (math.pi * radius**2).tolist(), shapely.to_wkb(shapes), strict=True)
    ):
        key = number * len(places) + index + 1
        parts = (("scale", 0.003), ("print", 0.004), ("lens", 0.001), ("height", 0.002), ("edge height", 0.003))
        budget = [{"name": name, "u_mm2": u * area, "shared": name != "edge height"} for name, u in parts]
        budget.append({"name": "outline", "u_mm2": 0.02 * area, "shared": False})
        rows[2].append(
            {
                "id": key,
                "measurement_id": number + 1,
                "number": index,
                "fragment": name_of(int(site.name[-3:]), row, column),
                "row_number": row,
                "column_number": column,
                "label": "",
                "centre_x_mm": 27.0 * column,
                "centre_y_mm": 27.0 * row,
                "plug_radius_mm": 12.5,
                "status": "live",
                "area_mm2": area,
                "area_u_mm2": 0.021 * area,
                "expanded_mm2": 0.042 * area,
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
                "live_mm_wkb": outline,
                "bleached_mm_wkb": empty,
                "dead_mm_wkb": empty,
            }
        )


@contextmanager
def measured() -> Iterator[None]:
    """Print time and peak memory of this process for what is done inside."""
    began, worked = time.perf_counter(), time.process_time()
    yield
    elapsed, worked = time.perf_counter() - began, time.process_time() - worked
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(f"{elapsed:.1f} s, of which processor {worked:.1f} s; {memory:.2f} GB")


def prepare(file: Path, trays: int) -> None:
    """Print time and memory of what measuring does for growth after its photos."""
    tables = tables_of(trays)
    with open_logbook(file, create=False) as logbook, measured():
        doubt_exchanges(logbook, tables)


def growth(file: Path, trays: int) -> None:
    """Print time and memory of the growth of every genotype."""
    tables = tables_of(trays)
    with open_logbook(file, create=False) as logbook, measured():
        view = view_growth(logbook, tables)
    known = sum(one.known for one in view.genotypes.genotypes)
    error = max(
        abs(one.extension_mm_per_month / (0.15 + 0.005 * i) - 1) for i, one in enumerate(view.genotypes.genotypes)
    )
    print(
        f"    {len(view.record.columns):,} areas, {known} genotypes, {len(view.mixups)} exchanges doubted;"
        f" largest error of an extension {100 * error:.1f} %"
    )


def history(file: Path) -> None:
    """Print the time of one fragment's history."""
    times = []
    with open_logbook(file, create=False) as logbook:
        for column in range(1, 11):
            began = time.perf_counter()
            visits = history_of(logbook, name_of(0, 1, column))
            times.append(time.perf_counter() - began)
    first, rest = times[0], float(np.median(times[1:]))
    print(f"{1e3 * rest:.1f} ms in the median, {1e3 * first:.1f} ms the first ({len(visits)} visits)")


def main() -> int:
    """Build a logbook and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fragments", type=int, default=10_000)
    parser.add_argument("--visits", type=int, default=100)
    parser.add_argument("--file", type=Path, help="logbook to keep, or one built before")
    parser.add_argument("--part", choices=("prepare", "growth", "history"), help=argparse.SUPPRESS)
    given = parser.parse_args()
    trays = given.fragments // (ROWS * COLUMNS)
    match given.part:
        case "prepare":
            prepare(given.file, trays)
        case "growth":
            growth(given.file, trays)
        case "history":
            history(given.file)
        case _:
            with tempfile.TemporaryDirectory() as folder:
                whole(given.file or Path(folder) / "logbook.sqlite", trays, given.visits)
    return 0


def whole(file: Path, trays: int, visits: int) -> None:
    """Print every figure."""

    def part(name: str, title: str) -> None:
        print(f"  {title}: ", end="", flush=True)
        command = [sys.executable, "-m", "benchmarks.growth_size", "--part", name]
        subprocess.run([*command, "--fragments", str(trays * ROWS * COLUMNS), "--file", str(file)], check=True)

    def add(upto: int) -> None:
        with open_logbook(file) as logbook:
            build(logbook, trays, range(visits_in(file, trays), upto))

    print(f"Growth of {trays * ROWS * COLUMNS:,} fragments x {visits} visits", flush=True)
    add(visits - 1)
    part("prepare", f"all {trays * (visits - 1):,} photos before the last week, of a logbook that nothing prepared")
    add(visits)
    part("prepare", f"after measuring the {trays} photos of the last week")
    print(f"  logbook of {file.stat().st_size / 1e9:.2f} GB")
    part("growth", "growth of every genotype, asked for the first time")
    part("growth", "asked for again")
    part("history", "history of one fragment")


if __name__ == "__main__":
    sys.exit(main())
