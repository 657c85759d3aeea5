"""Histories of drawn pads: discs whose gaps, and days of meeting, follow from plane geometry."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from fragarea.fusion import Figure, FusionRules, PadFragment, PadHistory, PadVisit, PairState, PairVisit, Progress
from fragarea.fusion.neighbours import layouts_of
from fragarea.measurement import FragmentStatus

START = datetime(2030, 1, 5, 10, 0)
ROWS = ((0.5, 3), (0.0, 4), (0.5, 3))  # by how many spacings each row of plugs is shifted, and how many it has
NONE = Figure(0.0, 0.0, 0.0, 0.0)
NO_PROGRESS = Progress(0, NONE, NONE, 0, NONE, NONE, 0.0, NONE, NONE, NONE, NONE)


def pad_at(
    radii_mm: float | Sequence[float],
    months: float,
    *,
    spacing_mm: float = 30.0,
    genotypes: Sequence[str] = ("G",) * 10,
    site: str = "PAD",
    gap_u_mm: float = 0.05,
    off_mm: Sequence[float] = (0.0,) * 10,
    names: Sequence[str] | None = None,
) -> PadVisit:
    """Ten discs in a hexagonal layout: gaps and necks by plane geometry; areas are measured off by `off_mm`."""
    rules = FusionRules()
    step = spacing_mm * math.sqrt(3) / 2
    centres = [
        ((x + shift) * spacing_mm, row * step) for row, (shift, count) in enumerate(ROWS) for x in range(count)
    ]
    called = names or [f"{site}-{number:02d}" for number in range(1, 11)]
    radii = [radii_mm] * 10 if isinstance(radii_mm, int | float) else list(radii_mm)
    (layout,) = layouts_of([dict(zip(called, centres, strict=True))], rules.reach)
    taken = START + timedelta(days=30.4375 * months)
    place = {name: number for number, name in enumerate(called)}
    pairs = []
    for first, second in layout.pairs:
        a, b = sorted((layout.names[first], layout.names[second]))
        i, j = place[a], place[b]
        distance = math.dist(centres[i], centres[j])
        seen = [radii[i] + off_mm[i], radii[j] + off_mm[j]]
        gap = max(0.0, distance - sum(seen))
        x = (distance**2 + seen[0] ** 2 - seen[1] ** 2) / (2 * distance)
        neck = 2 * math.sqrt(max(0.0, seen[0] ** 2 - x**2)) if gap == 0 else 0.0
        alike = genotypes[i] == genotypes[j]
        state = PairState.APART if gap > rules.contact_mm else PairState.CONTACT if alike else PairState.BORDER
        if alike and neck >= rules.neck_mm:
            state = PairState.FUSED
        shares = (0.0, 0.0, 0.0, 0.0)
        u = gap_u_mm if gap else 0.0
        pairs.append(
            PairVisit(site, taken, a, b, genotypes[i], genotypes[j], distance, gap, u, neck, 0.0, state, *shares)
        )
    fragments = tuple(
        PadFragment(
            *(name, genotypes[n], centres[n], FragmentStatus.LIVE, math.pi * (radii[n] + off_mm[n]) ** 2),
            *(2 * math.pi * radii[n] * 0.05, 0.0, n + 1, False, 0.05),
        )
        for n, name in enumerate(called)
    )
    pairs.sort(key=lambda pair: pair.names)
    return PadVisit(
        site, taken, "IMG.jpg", "", 0, spacing_mm, fragments, (), tuple(pairs), replace(NO_PROGRESS, pairs=len(pairs))
    )


def history(visits: Iterable[PadVisit]) -> PadHistory:
    """A pad's visits as its history."""
    whole = tuple(visits)
    return PadHistory(whole[0].site, whole)
