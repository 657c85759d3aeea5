"""From verdicts and areas over time to the rows that a forecast draws from."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache

import numpy as np
from shapely import MultiPoint

from fragarea.growth import DAYS_PER_MONTH, KEPT, REASONS, LeftOut
from fragarea.growth.columns import AreaColumns, Bools, columns_of, day_of
from fragarea.growth.curve import Codes
from fragarea.growth.records import FragmentHistory
from fragarea.measurement import FragmentStatus
from fragarea.nursery import Outplanting
from fragarea.outplant.edge import USUAL_OFFSET, free_radius, offset_at, rim_share
from fragarea.outplant.forecast import Stand
from fragarea.outplant.knowledge import Knowledge
from fragarea.outplant.lines import LEAST_VARIANCE, Array, Ints, Radii, lines_through, radii_of
from fragarea.outplant.needs import Needs, needs_of
from fragarea.outplant.readiness import State, Verdict
from fragarea.outplant.units import Unit
from fragarea.sites.records import SiteKind

_AT_RIM = REASONS.index(LeftOut.AT_RIM)
_ALMOST_ALL, _LEAST_FREE = 0.999, 0.05  # of the plug, and of the outline
_LEAST_SHARE = 0.005  # of the outline at the rim: less tells nothing of where the tissue's middle is


@dataclass(frozen=True, eq=False)
class Standing:
    """What a forecast is made for.

    Attributes
    ----------
    verdicts : tuple of Verdict
        One a row of `stand`.
    stand : Stand
    aside : tuple of (Verdict, str)
        What no forecast is made for, and why.
    """

    verdicts: tuple[Verdict, ...]
    stand: Stand
    aside: tuple[tuple[Verdict, str], ...]


def standing(
    verdicts: Sequence[Verdict],
    settings: Outplanting,
    columns: AreaColumns,
    reasons: Codes,
    knowledge: Knowledge,
    *,
    on: date,
    genotype: Mapping[tuple[str, str], int],
    site: Mapping[str, int],
) -> Standing:
    """Rows of what is ready and of what may become ready.

    Parameters
    ----------
    verdicts : sequence of Verdict
        Of today.
    settings : Outplanting
    columns : AreaColumns
        All areas up to today.
    reasons : ndarray of int8
        Which rows of `columns` count as growth.
    knowledge : Knowledge
        Learned from them.
    on : date
        Today.
    genotype, site : mapping
        Numbers of genotypes with their species, and of sites, in the knowledge.
    """
    fragments: list[tuple[Verdict, Needs]] = []
    pads: list[tuple[Verdict, Needs]] = []
    aside: list[tuple[Verdict, str]] = []
    for verdict in verdicts:
        unit = verdict.unit
        rule = settings.rule_for(unit.species, unit.genotype, unit.kind)
        number = genotype.get((unit.genotype, unit.species))
        if verdict.state in (State.EXCLUDED, State.UNKNOWN) or rule is None or verdict.last is None:
            aside.append((verdict, "; ".join(verdict.why)))
            continue
        needs = needs_of(verdict, rule)
        if verdict.state is not State.READY and (why := _cannot_be_told(unit, needs, number, knowledge)):
            aside.append((verdict, why))
        elif number is None:
            aside.append((verdict, "nothing is known of its genotype"))
        else:
            (pads if unit.kind is SiteKind.PAD else fragments).append((verdict, needs))
    chosen = [*fragments, *pads]
    lines = _merged(
        _of_fragments(fragments, columns, reasons, knowledge, genotype),
        [_of_pad(verdict, needs, genotype, knowledge) for verdict, needs in pads],
    )
    cut = [one.unit.cut_on for one, _ in chosen]
    stand = Stand(
        genotype=np.array([genotype[one.unit.genotype, one.unit.species] for one, _ in chosen], dtype=np.int64),
        site=np.array([site[one.unit.site] for one, _ in chosen], dtype=np.int64),
        months=lines[:, 0],
        level_mm=lines[:, 1],
        level_variance=lines[:, 2],
        slope=lines[:, 3],
        slope_variance=lines[:, 4],
        target_mm=lines[:, 5],
        target_noise_mm=lines[:, 6],
        bound_days=np.array([needs.wait_days for _, needs in chosen], dtype=float),
        cut_months=np.array([-math.inf if day is None else day_of(day) / DAYS_PER_MONTH for day in cut], dtype=float),
        ready=np.array([one.state is State.READY for one, _ in chosen], dtype=bool),
        pieces=np.array([len(one.unit.fragments) if one.unit.kind is SiteKind.PAD else 1 for one, _ in chosen]),
    )
    return Standing(tuple(one for one, _ in chosen), stand, tuple(aside))


def _merged(fragments: Array, pads: Sequence[Array]) -> Array:
    return np.vstack([fragments, *pads]) if pads else fragments


def _cannot_be_told(unit: Unit, needs: Needs, number: int | None, knowledge: Knowledge) -> str:
    if needs.unknown:
        return needs.unknown
    if number is None or not knowledge.speeds.genotypes[number].known:
        return f"no growth is known of {unit.species or unit.genotype or 'it'} yet: two visits are needed"
    return ""


def _last_rows(columns: AreaColumns) -> Ints:
    """Last row of each fragment that counts and is not cut off; -1 for none."""
    found = np.full(len(columns.heads), -1)
    rows = np.flatnonzero(~columns.marked_wrong & ~columns.cut_off)
    found[columns.fragment[rows]] = rows
    return found


def _of_fragments(
    chosen: Sequence[tuple[Verdict, Needs]],
    columns: AreaColumns,
    reasons: Codes,
    knowledge: Knowledge,
    genotype: Mapping[tuple[str, str], int],
) -> Array:
    """Months, level and its variance, slope and its variance, target and its noise of fragments; shape (n, 7)."""
    place = {head.fragment: number for number, head in enumerate(columns.heads)}
    fragment = np.array([place[one.unit.name] for one, _ in chosen], dtype=np.int64)
    last = _last_rows(columns)[fragment]
    plug_mm2 = np.array([one.unit.plug_mm2 for one, _ in chosen], dtype=float)
    plug_mm = np.sqrt(plug_mm2 / math.pi)
    area, rim = columns.area_mm2[last], np.nan_to_num(columns.rim_share[last])
    offset = np.full(len(chosen), USUAL_OFFSET)
    touching = rim > _LEAST_SHARE
    offset[touching] = offset_at(area[touching] / plug_mm2[touching], rim[touching])
    lines = knowledge.speeds.lines
    own = np.minimum(np.searchsorted(lines.fragment, fragment), max(0, len(lines.fragment) - 1))
    there = lines.fragment[own] == fragment if len(lines.fragment) else np.zeros(len(chosen), dtype=bool)
    grows, at_rim = there & (reasons[last] == KEPT), there & (reasons[last] == _AT_RIM)
    # where the last measurement is no growth it tells the size alone, and the genotype how fast it goes on
    now = radii_of(columns.rows(last))
    number = np.array([genotype[one.unit.genotype, one.unit.species] for one, _ in chosen], dtype=np.int64)
    cover = np.minimum(area / plug_mm2, _ALMOST_ALL)
    ratio = free_radius(cover, offset)
    # the less edge is free, the more a small error of the area means
    stretch = np.sqrt(cover) / (ratio * np.maximum(_LEAST_FREE, 1 - rim_share(ratio, offset)))
    variance = (now.own_variance + knowledge.speeds.residual_variance[number]) * stretch**2
    target, noise = targets(np.array([needs.area_mm2 for _, needs in chosen], dtype=float), plug_mm2, offset)

    def of_line(values: Array, else_: Array | float, where: Bools) -> Array:
        return np.where(where, values[own], else_) if len(values) else np.broadcast_to(else_, where.shape)

    return np.column_stack(
        [
            of_line(lines.months, knowledge.pace.even_months(now.months), grows),
            of_line(lines.level_mm, ratio * plug_mm, grows),
            of_line(lines.level_variance, np.maximum(variance, LEAST_VARIANCE), grows),
            of_line(lines.slope, 0.0, grows | at_rim),
            of_line(lines.slope_variance, np.inf, grows | at_rim),
            target,
            noise,
        ]
    )


def targets(area_mm2: Array, plug_mm2: Array, offset: Array | float) -> tuple[Array, Array]:
    """Free radius at which a plug holds so much tissue, and what a relative error of 1 of the area moves it by.

    Parameters
    ----------
    area_mm2, plug_mm2 : ndarray of float64, shape (n,)
    offset : ndarray of float64 or float
        As for :func:`fragarea.outplant.edge.covered`.
    """
    ratio = free_radius(area_mm2 / plug_mm2, offset)
    reachable = np.isfinite(ratio) & (area_mm2 > 0)
    safe = np.where(reachable, ratio, 1.0)
    radius = safe * np.sqrt(plug_mm2 / math.pi)
    free = np.maximum(_LEAST_FREE, 1 - rim_share(safe, offset))
    noise = np.where(reachable, area_mm2 / (2 * math.pi * radius * free), 0.0)
    return np.where(reachable, radius, np.where(area_mm2 > 0, np.inf, 0.0)), noise


def _of_pad(verdict: Verdict, needs: Needs, genotype: Mapping[tuple[str, str], int], knowledge: Knowledge) -> Array:
    """As :func:`_of_fragments`: so many equal discs about the middles of the plugs cover what was measured."""
    unit, pieces = verdict.unit, len(verdict.unit.fragments)
    points = [p for p in unit.points if not p.marked_wrong and "cut_off" not in p.doubts and p.area_mm2 > 0]
    sums = columns_of([FragmentHistory(unit.name, unit.genotype, tuple(points))])
    plain = radii_of(sums)
    radius, per_area = _discs(sums.area_mm2, unit.centres_mm, pieces)
    stretch = per_area / (0.5 / np.sqrt(math.pi * sums.area_mm2))
    months = knowledge.pace.even_months(plain.months)
    free = Radii(plain.fragment, months, radius, plain.own_variance * stretch**2, plain.photo_variance)
    sound = np.array([p.status is not FragmentStatus.MISSING for p in points], dtype=bool)
    number = genotype[unit.genotype, unit.species]
    residual = float(knowledge.speeds.residual_variance[number]) / pieces
    line = lines_through(free.rows(sound), residual)
    target, target_per_area = _discs(np.array([needs.area_mm2]), unit.centres_mm, pieces)
    noise = float(target_per_area[0]) * needs.area_mm2 if needs.area_mm2 > 0 else 0.0
    of_line = (line.months, line.level_mm, line.level_variance, line.slope, line.slope_variance)
    return np.array([*(float(one[0]) for one in of_line), float(target[0]) if needs.area_mm2 > 0 else 0.0, noise])


def _discs(area_mm2: Array, centres_mm: tuple[tuple[float, float], ...], pieces: int) -> tuple[Array, Array]:
    """Radius of equal discs that cover such areas together, and its derivative by the area.

    Without known middles the discs are taken to lie apart.
    """
    if not centres_mm:
        radius = np.sqrt(area_mm2 / (pieces * math.pi))
        return radius, 1 / np.maximum(1e-9, 2 * math.pi * pieces * radius)
    radii, areas = _unions(centres_mm)
    radius = np.interp(area_mm2, areas, radii, right=math.inf)
    return radius, np.interp(area_mm2, areas, np.gradient(radii, areas))


@lru_cache(maxsize=512)
def _unions(centres_mm: tuple[tuple[float, float], ...]) -> tuple[Array, Array]:
    """Radii and the areas that discs of such radii about these middles cover together (plain geometry)."""
    middles = MultiPoint(centres_mm)
    low_x, low_y, high_x, high_y = middles.bounds
    radii = np.linspace(0.0, 20.0 + math.hypot(high_x - low_x, high_y - low_y), 240)
    return radii, np.array([middles.buffer(radius, quad_segs=24).area for radius in radii])
