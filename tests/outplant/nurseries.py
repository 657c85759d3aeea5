"""A nursery folder with an invented tray of discs whose growth is known."""

from __future__ import annotations

import math
from datetime import timedelta
from pathlib import Path

from fragarea.logbook import open_logbook, record
from fragarea.measurement import FragmentStatus
from tests.logbook.samples import TAKEN, fragment, measured

TOML = """name = "Discs (invented)"
time_zone = "UTC"
reference = "frame-280x220"
plug_mm = 40.0

[sites.TRAY-1]
kind = "tray"
rows = 5
columns = 8
pitch_mm = 47.0

[[outplanting.rules]]
min_area_cm2 = 4.0

[[outplanting.closed]]
name = "hot season"
from = "08-01"
to = "10-15"

[[outplanting.broodstock]]
colony = "B-G1"
live_cm2 = 100
max_share = 0.2
"""
SPEEDS = {"G1": 0.4, "G2": 0.9}
ON = TAKEN.date() + timedelta(days=123)
BY = ON + timedelta(days=120)


def make_discs(folder: Path, *, visits: int = 5, speed: float = 1.0, dead: bool = False, scale: float = 1.0) -> Path:
    """Two genotypes of eight discs at monthly visits; `speed` and `scale` multiply growth and size."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "nursery.toml").write_text(TOML, encoding="utf-8")
    places = {(row, column): f"F{row}{column}" for row in (1, 2) for column in range(1, 9)}
    lines = [f"{name},invented,G{row},B-G{row},2026-03-01" for (row, _), name in places.items()]
    header = "fragment,species,genotype,broodstock,cut_on"
    (folder / "fragments.csv").write_text("\n".join([header, *lines]) + "\n", encoding="utf-8")
    lines = [f"{name},TRAY-1,{row},{column},2026-03-01" for (row, column), name in places.items()]
    (folder / "placements.csv").write_text("\n".join(["fragment,site,row,column,from", *lines]) + "\n")
    with open_logbook(folder / "logbook.sqlite") as logbook:
        for visit in range(visits):
            shown = []
            for row, column in places:
                own = speed * SPEEDS[f"G{row}"] * (0.9 + 0.025 * column)
                area = math.pi * (scale * (5 + 0.2 * column) + own * visit) ** 2
                gone = dead and visit == visits - 1
                status = FragmentStatus.DEAD if gone else FragmentStatus.LIVE
                shown.append(
                    fragment(
                        (row, column),
                        0.0 if gone else area,
                        bleached_mm2=0.0,
                        dead_mm2=0.0,
                        status=status,
                        plug_radius_mm=20.0,
                    )
                )
            photo = measured(str(visit), taken_at=TAKEN + visit * timedelta(days=30.4375), fragments=tuple(shown))
            record(logbook, photo, path=f"photos/TRAY-1/{visit}.jpg", names=places)
    return folder
