"""Simulated nurseries: trays of fragments with known growth, measured with known errors."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from shapely import MultiPolygon, Polygon

from fragarea.growth import DAYS_PER_MONTH, AreaPoint, ErrorPart, FragmentHistory, Seen, Shape, shape_of
from fragarea.measurement import FragmentStatus

START = datetime(2030, 1, 5, 10, 0)


@dataclass(frozen=True)
class Plan:
    """How a nursery is simulated.

    Attributes
    ----------
    extensions_mm_per_month : tuple of float
        Mean of each genotype.
    fragments : tuple of int
        How many of each genotype.
    visit_days : tuple of float
    spread_rel : float
        Standard deviation of true extension between fragments of a genotype, over its mean.
    wander_mm : float
        Standard deviation of the true radius about its line, from visit to visit.
    missed : float
        Chance that a fragment is not measured at a visit.
    outline_rel, scale_rel, print_rel, height_rel : float
        Relative standard uncertainty of areas: of each outline, of each photo's scale, of the print, and of each
        fragment's assumed edge height.
    """

    extensions_mm_per_month: tuple[float, ...] = (0.25, 0.45, 0.65, 0.95)
    fragments: tuple[int, ...] = (10, 10, 10, 10)
    visit_days: tuple[float, ...] = (0.0, 35.0, 70.0, 91.0, 126.0)
    spread_rel: float = 0.15
    wander_mm: float = 0.03
    missed: float = 0.05
    outline_rel: float = 0.02
    scale_rel: float = 0.003
    print_rel: float = 0.004
    height_rel: float = 0.003


def simulate(plan: Plan, rng: np.random.Generator) -> list[FragmentHistory]:
    """Histories of one simulated nursery; the errors are drawn as their uncertainties state."""
    photo_errors = rng.normal(size=len(plan.visit_days))
    print_error = rng.normal()
    histories = []
    for number, (mean, count) in enumerate(zip(plan.extensions_mm_per_month, plan.fragments, strict=True), start=1):
        for index in range(count):
            name = f"G{number}-{index + 1:02d}"
            start_mm = rng.uniform(4.0, 7.0)
            speed = rng.normal(mean, plan.spread_rel * mean)
            height_error = rng.normal()
            points = []
            for visit, day in enumerate(plan.visit_days):
                radius = start_mm + speed * day / DAYS_PER_MONTH + plan.wander_mm * rng.normal()
                factor = (
                    1
                    + plan.outline_rel * rng.normal()
                    + plan.scale_rel * photo_errors[visit]
                    + plan.print_rel * print_error
                    + plan.height_rel * height_error
                )
                area = math.pi * radius**2 * factor
                parts = (
                    ErrorPart(plan.outline_rel * area),
                    ErrorPart(plan.scale_rel * area, f"photo {visit}"),
                    ErrorPart(plan.print_rel * area, "print"),
                    ErrorPart(plan.height_rel * area, f"height {name}"),
                )
                taken = START + timedelta(days=day)
                if rng.uniform() >= plan.missed:
                    points.append(AreaPoint(taken, area, parts, FragmentStatus.LIVE))
            histories.append(FragmentHistory(name, f"G{number}", tuple(points), site="TRAY"))
    return histories


@dataclass(frozen=True, eq=False)
class Piece:
    """A simulated fragment: its outline at every age and turn.

    Attributes
    ----------
    genotype : str
    radius_mm, speed_mm_per_month : float
    waves : ndarray of complex, shape (5,)
        Second to sixth Fourier terms of the edge's distance from the middle, in mm.
    offset_mm : float
        Of its middle from the plug's.
    """

    genotype: str
    radius_mm: float
    speed_mm_per_month: float
    waves: np.ndarray
    offset_mm: float

    def outline(self, months: float, plan: Plan, rng: np.random.Generator) -> MultiPolygon:
        """Its outline as measured, on a plug that stands turned anyhow, with the plug's middle at the origin."""
        angle = np.linspace(0, 2 * math.pi, 180, endpoint=False)
        noise = plan.outline_rel / 2 * self.radius_mm
        waves = self.waves + noise / 2 * (rng.normal(size=5) + 1j * rng.normal(size=5)) / math.sqrt(5)
        terms = np.exp(1j * np.outer(angle, np.arange(2, 7)))
        radius = self.radius_mm + self.speed_mm_per_month * months + plan.wander_mm * rng.normal()
        radius *= 1 + plan.outline_rel / 2 * rng.normal()
        edge = np.maximum(0.3, radius + (terms @ waves).real)
        turn = rng.uniform(0, 2 * math.pi)
        shift = self.offset_mm + 0.2 * rng.normal()
        points = np.exp(1j * turn) * (shift + edge * np.exp(1j * angle))
        return MultiPolygon([Polygon(np.column_stack([points.real, points.imag]))])


def pieces(plan: Plan, rng: np.random.Generator, form_rel: float = 0.06) -> list[Piece]:
    """Fragments of a tray; their edges wave by `form_rel` of the radius (standard deviation)."""
    made = []
    for number, (mean, count) in enumerate(zip(plan.extensions_mm_per_month, plan.fragments, strict=True), start=1):
        for _ in range(count):
            radius = rng.uniform(4.0, 7.0)
            waves = form_rel * radius / math.sqrt(5) * (rng.normal(size=5) + 1j * rng.normal(size=5))
            speed = rng.normal(mean, plan.spread_rel * mean)
            made.append(Piece(f"G{number}", radius, speed, waves, abs(rng.normal(0, 0.7))))
    return made


def seen_between(
    tray: Sequence[Piece], plan: Plan, rng: np.random.Generator, *, months: float, exchanged: tuple[int, int] | None
) -> list[Seen]:
    """A tray at two visits, with two fragments exchanged in between or none."""
    places = list(range(len(tray)))
    if exchanged:
        places[exchanged[0]], places[exchanged[1]] = exchanged[1], exchanged[0]

    def shape(piece: Piece, age: float) -> Shape:
        outline = piece.outline(age, plan, rng)
        made = shape_of(outline, plan.outline_rel * outline.area, (0.0, 0.0))
        assert made is not None
        return made

    return [
        Seen(f"F{index:02d}", tray[index].genotype, shape(tray[index], 1.0), shape(tray[place], 1.0 + months))
        for index, place in enumerate(places)
    ]
