"""Units of discs with known histories."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Any

from fragarea.growth import AreaPoint, ErrorPart
from fragarea.outplant import Unit
from fragarea.sites.records import SiteKind

START = datetime(2032, 3, 6, 10, 0)
TODAY = date(2032, 6, 6)


def area(day: float, area_mm2: float, u_mm2: float = 1.0, **changes: Any) -> AreaPoint:
    """An area with an error of its own, some days after the first visit."""
    return AreaPoint(START + timedelta(days=day), area_mm2, (ErrorPart(u_mm2),), **changes)


def unit(points: Sequence[AreaPoint], name: str = "F1", **changes: Any) -> Unit:
    """A fragment on a plug of 25 mm on a tray, cut a month before the first visit."""
    given: dict[str, Any] = {
        "genotype": "G1",
        "species": "Genus alba",
        "site": "TRAY-1",
        "kind": SiteKind.TRAY,
        "place": "R1 C1",
        "row": 1,
        "column": 1,
        "fragments": (name,),
        "colonies": ("B-G1",),
        "cut_on": START.date() - timedelta(days=30),
        "since": START.date(),
        "plug_mm2": math.pi * 12.5**2,
        "points": tuple(points),
    }
    return Unit(name, **(given | changes))
