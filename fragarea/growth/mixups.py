"""Whether fragments of a tray changed places between two visits: outlines against outlines, by least cost."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from scipy.optimize import linear_sum_assignment
from shapely import MultiPolygon

from fragarea.doubts import Doubt
from fragarea.growth.shared import Array

ANGLES = 90
LEAST_GAIN = math.log(1000.0)
"""The record must explain the visit a thousand times worse before it is doubted: handling seldom mixes fragments up,
and over many visits chance would find many a better-looking exchange (threshold set by simulation)."""
LARGEST_ODDS = 1_000_000
"""Odds beyond this say more about the model than about the fragments."""

_TAILS = 4.0  # degrees of freedom of Student's t: a single odd outline must not decide
_SHAPE_MODES = 3.0  # independent ways in which outlines of fragments differ, half counted since they are related
_PEERS = 4  # fragments of a genotype whose median tells the growth of all


@dataclass(frozen=True, eq=False)
class Shape:
    """An outline as it is compared: size, form and where on its plug it sits.

    Attributes
    ----------
    radius_mm, radius_u_mm : float
        Equivalent radius.
    profile_mm : ndarray, shape (ANGLES,)
        Distance of the edge from the outline's centroid by direction.
    offset_mm : float or None
        Distance of the centroid from the middle of the plug, which no turning changes; None without a plug.
    holes : float
        Area of holes over the area inside the outer edge.
    """

    radius_mm: float
    radius_u_mm: float
    profile_mm: Array
    offset_mm: float | None
    holes: float


@dataclass(frozen=True, eq=False)
class Seen:
    """A fragment, by the record, at two visits.

    Attributes
    ----------
    fragment, genotype : str
        By the record of the later visit.
    before, now : Shape
        At the two visits.
    """

    fragment: str
    genotype: str
    before: Shape
    now: Shape


@dataclass(frozen=True)
class MixUp:
    """Fragments that seem to have changed places.

    Attributes
    ----------
    site : str
    taken_at : datetime
        Of the visit that does not fit the record.
    moves : tuple of (fragment, fragment)
        The first seems to stand where the record has the second.
    odds : float
        How many times better the exchange explains their outlines than the record; at most `LARGEST_ODDS`.
    """

    site: str
    taken_at: datetime
    moves: tuple[tuple[str, str], ...]
    odds: float

    @property
    def fragments(self) -> tuple[str, ...]:
        """All that take part."""
        return tuple(first for first, _ in self.moves)

    @property
    def doubt(self) -> Doubt:
        """The doubt to put beside their measurements."""
        return Doubt("changed_places", f"{' and '.join(self.fragments)}, odds {self.odds_words}")

    @property
    def odds_words(self) -> str:
        """For example ``"12 000 to 1"``."""
        if self.odds >= LARGEST_ODDS:
            return f"over {LARGEST_ODDS:,} to 1".replace(",", " ")
        digits = max(0, math.floor(math.log10(self.odds)) - 1)
        return f"{round(self.odds, -digits):,.0f} to 1".replace(",", " ")


def shape_of(outline: MultiPolygon, area_u_mm2: float, centre_mm: tuple[float, float] | None = None) -> Shape | None:
    """Describe an outline for comparison.

    Parameters
    ----------
    outline : MultiPolygon
        Live tissue in mm; the largest piece counts.
    area_u_mm2 : float
        Standard uncertainty of its area.
    centre_mm : (float, float), optional
        Middle of the plug.

    Returns
    -------
    Shape or None
        None where there is no tissue.
    """
    return shapes_of([outline], [area_u_mm2], [centre_mm])[0]


def shapes_of(
    outlines: Sequence[MultiPolygon],
    area_u_mm2: Sequence[float],
    centres_mm: Sequence[tuple[float, float] | None],
) -> list[Shape | None]:
    """:func:`shape_of` of many outlines, several times quicker than one by one."""
    shapes: list[Shape | None] = [None] * len(outlines)
    areas = shapely.area(outlines)
    sound = np.flatnonzero(areas > 0)
    if not len(sound):
        return shapes
    pieces, owner = shapely.get_parts([outlines[i] for i in sound.tolist()], return_index=True)
    order = np.lexsort([shapely.area(pieces), owner])
    largest = pieces[order[np.r_[np.flatnonzero(np.diff(owner[order])), len(order) - 1]]]
    middles = shapely.get_coordinates(shapely.centroid(largest))
    rings = shapely.get_exterior_ring(largest)
    holes = 1 - shapely.area(largest) / shapely.area(shapely.polygons(rings))
    radii = np.sqrt(areas[sound] / math.pi)
    for i, radius, profile, middle, hole in zip(
        sound.tolist(), radii.tolist(), _profiles_mm(rings, middles), middles.tolist(), holes.tolist(), strict=True
    ):
        centre = centres_mm[i]
        offset = None if centre is None else math.dist(centre, middle)
        shapes[i] = Shape(radius, area_u_mm2[i] / (2 * math.pi * radius), profile, offset, hole)
    return shapes


def _profiles_mm(rings: Any, middles: Array) -> Array:
    """Distance of each ring from its middle by direction, shape (rings, ANGLES)."""
    points, owner = shapely.get_coordinates(shapely.segmentize(rings, 0.25), return_index=True)
    open_end = np.r_[owner[1:] == owner[:-1], False]  # a ring ends where it began
    points, owner = points[open_end], owner[open_end]
    x, y = (points - middles[owner]).T
    angle, distance = np.arctan2(y, x), np.hypot(x, y)
    apart = 8.0  # more than a turn: the keys of one ring all lie before those of the next
    order = np.argsort(angle + apart * owner)
    angle, distance = angle[order], distance[order]
    directions = np.linspace(-math.pi, math.pi, ANGLES, endpoint=False)
    begin = np.searchsorted(owner, np.arange(len(rings)))[:, None]
    end = np.searchsorted(owner, np.arange(len(rings)), side="right")[:, None]
    after = np.searchsorted(angle + apart * owner, directions + apart * np.arange(len(rings))[:, None])
    # between the last point and the first the edge goes on across the cut at half a turn
    first, last = after == begin, after == end
    before, after = np.where(first, end, after) - 1, np.where(last, begin, after)
    since = angle[before] - 2 * math.pi * first
    span = angle[after] + 2 * math.pi * last - since
    part = np.divide(directions - since, span, out=np.zeros_like(span), where=span > 0)
    return np.asarray(distance[before] + part * (distance[after] - distance[before]))


def form_distance_mm(before: Shape, now: Shape) -> float:
    """Root mean square distance of two outlines after growth and the best turn.

    Parameters
    ----------
    before, now : Shape

    Returns
    -------
    float
        In mm; 0 for an outline that only turned, or whose edge advanced the same way all round.
    """
    return float(_form_distances_mm([before], [now])[0, 0])


def _form_distances_mm(before: Sequence[Shape], now: Sequence[Shape]) -> Array:
    """:func:`form_distance_mm` from each shape to each other, shape (before, now)."""
    a, b = _Forms.of(before), _Forms.of(now)
    turned = np.conj(a.waves)[:, None, :] * b.waves[None, :, :]
    return _distance_mm(a.squares[:, None], b.squares[None, :], np.fft.irfft(turned, ANGLES).max(axis=2))


def _least_form_distances_mm(before: Sequence[Shape], now: Sequence[Shape]) -> Array:
    """As :func:`_form_distances_mm` on the diagonal, and elsewhere no more than that.

    However one of two outlines is turned, the waves that make them up match best where each is in step with its like;
    no single turn need do that for all. It takes a fiftieth of the time.
    """
    a, b = _Forms.of(before), _Forms.of(now)
    twice = np.full(a.waves.shape[1], 2.0)
    twice[[0, -1]] = 1.0  # the two waves of an even number of directions that have no mirror image
    best = (np.abs(a.waves) * twice) @ np.abs(b.waves).T / ANGLES
    itself = np.arange(len(before))
    best[itself, itself] = np.fft.irfft(np.conj(a.waves) * b.waves, ANGLES).max(axis=1)
    return _distance_mm(a.squares[:, None], b.squares[None, :], best)


@dataclass(frozen=True, eq=False)
class _Forms:
    """Profiles without their means, as waves around the outline, and the sum of their squares."""

    waves: npt.NDArray[np.complex128]
    squares: Array

    @classmethod
    def of(cls, shapes: Sequence[Shape]) -> _Forms:
        profiles = np.array([one.profile_mm for one in shapes])
        profiles = profiles - profiles.mean(axis=1, keepdims=True)
        return cls(np.fft.rfft(profiles), (profiles**2).sum(axis=1))


def _distance_mm(one: Array, other: Array, match: Array) -> Array:
    return np.asarray(np.sqrt(np.maximum(0.0, one + other - 2 * match) / ANGLES))


def find_mixups(seen: Sequence[Seen], *, site: str, taken_at: datetime) -> tuple[MixUp, ...]:
    """Doubt the record where an exchange of places explains a visit much better.

    Parameters
    ----------
    seen : sequence of Seen
        All fragments of a tray with an outline at both visits.
    site : str
    taken_at : datetime
        Of the later visit.

    Returns
    -------
    tuple of MixUp
        Best supported first. Fragments of one cycle of the exchange are named together.

    Notes
    -----
    The cost that fragment i is what stands at place j is minus the logarithm of a likelihood with three parts: growth
    of the equivalent radius, less the median of the genotype (or tray), as Student's t with four degrees of freedom
    and the peers' own spread and measurement uncertainty as its scale; the form distance over that of the tray's
    median; and the offset from the plug's middle and the share of holes, likewise t. Scales come from the tray
    itself, where most fragments stand where the record says. The assignment of least total cost is found by
    ``scipy.optimize.linear_sum_assignment``; each of its cycles is doubted on its own where the record costs more
    than `LEAST_GAIN` in addition.
    """
    if len(seen) < 2:
        return ()
    before, now = [one.before for one in seen], [one.now for one in seen]
    least = _costs(seen, _least_form_distances_mm(before, now))
    if np.trace(least) - least[linear_sum_assignment(least)].sum() <= LEAST_GAIN:
        return ()  # not even at its best does any exchange gain so much
    cost = _costs(seen, _form_distances_mm(before, now))
    rows, columns = linear_sum_assignment(cost)
    goes = dict(zip(rows.tolist(), columns.tolist(), strict=True))
    found = []
    for cycle in _cycles(goes):
        gain = sum(cost[i, i] - cost[i, goes[i]] for i in cycle)
        if gain > LEAST_GAIN:
            moves = tuple((seen[i].fragment, seen[goes[i]].fragment) for i in cycle)
            found.append(
                MixUp(
                    site, taken_at, moves, float(LARGEST_ODDS) if gain >= math.log(LARGEST_ODDS) else math.exp(gain)
                )
            )
    return tuple(sorted(found, key=lambda one: (-one.odds, one.fragments)))


def _costs(seen: Sequence[Seen], form: Array) -> Array:
    """Cost that the first of two fragments is what stands at the place of the second, shape (seen, seen)."""
    before, now = [one.before for one in seen], [one.now for one in seen]
    old, new = np.array([s.radius_mm for s in before]), np.array([s.radius_mm for s in now])
    grown, spread = _usual_growth(seen, new - old)
    u2 = (
        np.array([s.radius_u_mm for s in before])[:, None] ** 2 + np.array([s.radius_u_mm for s in now])[None, :] ** 2
    )
    cost = _t_cost(new[None, :] - (old + grown)[:, None], np.sqrt(spread[:, None] ** 2 + u2))
    cost += _SHAPE_MODES * np.log1p((form / max(float(np.median(np.diag(form))), 0.1)) ** 2)
    holes = np.array([s.holes for s in now])[None, :] - np.array([s.holes for s in before])[:, None]
    cost += _t_cost(holes, np.full_like(holes, max(_robust_sd(np.diag(holes)), 0.02)))
    if all(s.offset_mm is not None for s in (*before, *now)):
        offset = np.array([s.offset_mm or 0.0 for s in now])[None, :]
        offset = offset - np.array([s.offset_mm or 0.0 for s in before])[:, None]
        cost += _t_cost(offset, np.full_like(offset, max(_robust_sd(np.diag(offset)), 0.3)))
    return np.asarray(cost)


def _usual_growth(seen: Sequence[Seen], grown: Array) -> tuple[Array, Array]:
    """Median growth and its spread among the peers of each fragment."""
    members: dict[str, list[int]] = defaultdict(list)
    for index, one in enumerate(seen):
        members[one.genotype].append(index)
    # a tenth of a millimetre: few peers that happen to agree do not make growth that sure
    medians = np.full(len(seen), np.median(grown))
    spreads = np.full(len(seen), max(_robust_sd(grown), 0.1))
    for peers in members.values():
        if len(peers) >= _PEERS:
            medians[peers], spreads[peers] = np.median(grown[peers]), max(_robust_sd(grown[peers]), 0.1)
    return medians, spreads


def _robust_sd(values: Array) -> float:
    """Standard deviation by the median absolute deviation, which a few exchanged fragments do not move."""
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


def _t_cost(difference: Array, scale: Array) -> Array:
    """Minus the logarithm of Student's density, without its constant."""
    return np.asarray((_TAILS + 1) / 2 * np.log1p((difference / scale) ** 2 / _TAILS) + np.log(scale))


def _cycles(goes: dict[int, int]) -> list[list[int]]:
    """Cycles of a permutation that move anything."""
    found, done = [], set()
    for start in goes:
        cycle = []
        while start not in done:
            done.add(start)
            cycle.append(start)
            start = goes[start]
        if len(cycle) > 1:
            found.append(cycle)
    return found
