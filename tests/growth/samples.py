"""Histories with known truth."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from fragarea.growth import AreaPoint, ErrorPart, FragmentHistory
from fragarea.measurement import FragmentStatus

START = datetime(2032, 3, 6, 10, 0)
SHARED = Path(__file__).parents[3] / "shared"


def point(day: float, area_mm2: float, u_mm2: float = 0.0, **changes: Any) -> AreaPoint:
    """An area with one error of its own."""
    parts = changes.pop("parts", (ErrorPart(u_mm2),))
    return AreaPoint(START + timedelta(days=day), area_mm2, parts, **changes)


def disc(day: float, radius_mm: float, u_mm2: float = 0.0, **changes: Any) -> AreaPoint:
    return point(day, math.pi * radius_mm**2, u_mm2, **changes)


def history(
    points: Sequence[AreaPoint], fragment: str = "F1", genotype: str = "G1", **changes: Any
) -> FragmentHistory:
    return FragmentHistory(fragment, genotype, tuple(points), **changes)


def true_series(series: str) -> dict[str, Any]:
    """truth.json of a rendered tray; the test is skipped where the shared photos are not there."""
    file = SHARED / "photos" / series / "truth.json"
    if not file.exists():
        pytest.skip(f"{file} is not there")
    truth: dict[str, Any] = json.loads(file.read_text(encoding="utf-8"))
    return truth


def true_histories(truth: dict[str, Any], u_rel: float = 0.01) -> list[FragmentHistory]:
    """Histories by true identity from the true areas of a rendered tray."""
    points: dict[str, list[AreaPoint]] = {}
    genotypes: dict[str, str] = {}
    for photo in truth["photos"]:
        taken = datetime.strptime(photo["datetime"], "%Y:%m:%d %H:%M:%S")
        for one in photo["fragments"]:
            genotypes[one["plug"]] = one["genotype"]
            points.setdefault(one["plug"], []).append(
                AreaPoint(
                    taken,
                    one["live_mm2"],
                    (ErrorPart(u_rel * one["live_mm2"]),),
                    status=FragmentStatus.MISSING if one["state"] == "missing" else FragmentStatus.LIVE,
                    bleached_mm2=one["bleached_mm2"],
                    dead_mm2=one["dead_mm2"],
                )
            )
    return [FragmentHistory(plug, genotypes[plug], tuple(series)) for plug, series in points.items()]
