"""Pads drawn with exact shapes, as measuring would hand them over."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

import numpy as np
import shapely
from shapely import MultiPolygon, Point

from fragarea.area import split_among_plugs
from fragarea.fusion import FusionRules, PadPhoto, PadVisit, PhotoFragment, layouts_of, visit_of
from fragarea.measurement import FragmentStatus

START = datetime(2030, 1, 5, 10, 0)
SEGMENTS = 256  # of a quarter circle: a disc is drawn to 6 parts in a million
NONE = MultiPolygon()
Centres = Sequence[tuple[float, float]]


def disc(centre: tuple[float, float], radius_mm: float) -> shapely.Geometry:
    return Point(centre).buffer(radius_mm, quad_segs=SEGMENTS)


def hexagonal(spacing_mm: float) -> list[tuple[float, float]]:
    """Ten plugs in rows of three, four and three."""
    rows = ((0.5, 3, 0), (0.0, 4, 1), (0.5, 3, 2))
    step = spacing_mm * 3**0.5 / 2
    return [((x + shift) * spacing_mm, row * step) for shift, count, row in rows for x in range(count)]


def split(
    live: shapely.Geometry, centres: Sequence[tuple[float, float]], reach_mm: float = 12.5
) -> list[MultiPolygon]:
    """Tissue cut among plugs as measuring does it."""
    parts = MultiPolygon([part for part in shapely.get_parts(live) if part.geom_type == "Polygon"])
    return [share.live for share in split_among_plugs(parts, NONE, NONE, centres, reach_mm)[0]]


def photo_of(
    shares: Sequence[MultiPolygon],
    centres: Centres,
    *,
    genotypes: Sequence[str] | None = None,
    names: Sequence[str] | None = None,
    months: float = 0.0,
    edge_u_mm: float = 0.03,
    plug_mm: float = 25.0,
    sha256: str = "one",
) -> PadPhoto:
    count = len(centres)
    fragments = [
        PhotoFragment(
            fragment=name,
            genotype=genotype,
            centre_mm=(float(centre[0]), float(centre[1])),
            status=FragmentStatus.LIVE if share.area > 2 else FragmentStatus.MISSING,
            live_mm2=share.area,
            live_u_mm2=share.length * edge_u_mm,
            dead_mm2=0.0,
            edge_u_mm=edge_u_mm,
            outline=share,
        )
        for name, genotype, centre, share in zip(
            names or [f"F{number:02d}" for number in range(1, count + 1)],
            genotypes or ["G"] * count,
            centres,
            shares,
            strict=True,
        )
    ]
    taken = START + timedelta(days=30.4375 * months)
    return PadPhoto("PAD", taken, "IMG.jpg", sha256, 0, 0.2, 0.0, plug_mm, tuple(fragments))


def visit(photo: PadPhoto, rules: FusionRules | None = None, *, with_outlines: bool = False) -> PadVisit:
    rules = rules or FusionRules()
    centres = {one.fragment: one.centre_mm for one in photo.fragments}
    (layout,) = layouts_of([centres], rules.reach)
    return visit_of(photo, layout, rules, with_outlines=with_outlines)


def wavy_disc(
    centre: tuple[float, float], radius_mm: float, shared_mm: float, wander_mm: float, rng: np.random.Generator
) -> MultiPolygon:
    """A disc whose edge is off by an error that it shares and one that wanders, correlated as exp(-d / 2.7 mm)."""
    angle = np.linspace(0, 2 * np.pi, 180, endpoint=False)
    edge = np.column_stack([np.cos(angle), np.sin(angle)])
    apart = radius_mm * np.linalg.norm(edge[:, None] - edge[None], axis=2)
    root = np.linalg.cholesky(np.exp(-apart / 2.7) + 1e-9 * np.eye(len(angle)))
    off = shared_mm + wander_mm * (root @ rng.normal(size=len(angle)))
    return MultiPolygon([shapely.Polygon(np.asarray(centre) + edge * (radius_mm + off)[:, None])])
