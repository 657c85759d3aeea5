"""Neighbour pairs on one photo: gaps and necks as measured, and as redrawn edges would have them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from shapely import MultiPolygon

from fragarea.fusion.edges import Bools, EdgeErrors, Edges, Floats, Ints
from fragarea.fusion.necks import Neck, find_necks
from fragarea.fusion.neighbours import Layout
from fragarea.fusion.records import FusionRules, PairState
from fragarea.fusion.tissue import TOUCHING_MM, PhotoFragment, Tissue

_PROFILE_MM = 1.5  # pairs nearer than this may come into contact at another place than the nearest
_PROFILE_STEP_MM = 0.2
_CORNER_MM = (0.3, 2.0)  # the edge so far from the end of a neck tells the angle of bare ground there
_SHARPEST = 0.02
_FRONT_MM = 8.0  # so far to both sides of the nearest place a front is looked at


APART, CONTACT, FUSED = range(3)
"""Codes of how two fragments stand to each other, whatever their genotypes."""

_STATES = (PairState.APART, PairState.CONTACT, PairState.FUSED)


@dataclass(frozen=True, eq=False)
class Pairs:
    """All neighbours on a photo, as columns.

    Attributes
    ----------
    index : ndarray of int, shape (n, 2)
        Places among the fragments.
    distance_mm : ndarray of float64, shape (n,)
        Between the plug centres.
    one_genotype : ndarray of bool, shape (n,)
    gap_mm, neck_mm : ndarray of float64, shape (n,)
        As measured; the gap is nan where one of the two has no tissue.
    gaps_mm, necks_mm : ndarray of float64, shape (n, draws)
        By redrawn edges.
    rules : FusionRules
    """

    index: Ints
    distance_mm: Floats
    one_genotype: Bools
    gap_mm: Floats
    neck_mm: Floats
    gaps_mm: Floats
    necks_mm: Floats
    rules: FusionRules

    def _codes(self, gaps: Floats, necks: Floats) -> Ints:
        touching = gaps <= self.rules.contact_mm
        return np.where(touching & (necks >= self.rules.neck_mm), FUSED, touching.astype(int))

    @cached_property
    def codes(self) -> Ints:
        """Of the outlines as measured, shape (n,)."""
        return self._codes(self.gap_mm, self.neck_mm)

    @cached_property
    def drawn(self) -> Ints:
        """Of each draw, shape (n, draws)."""
        return self._codes(self.gaps_mm, self.necks_mm)

    @cached_property
    def states(self) -> list[PairState]:
        """Of the outlines as measured; contact between genotypes is a border."""
        return [
            _STATES[code] if same or code == APART else PairState.BORDER
            for code, same in zip(self.codes.tolist(), self.one_genotype.tolist(), strict=True)
        ]


def pairs_of(
    fragments: Sequence[PhotoFragment], layout: Layout, tissue: Tissue, errors: EdgeErrors, rules: FusionRules
) -> Pairs:
    """Gap and neck of each pair of neighbours.

    Notes
    -----
    Edges moved outwards narrow a gap by what they are moved. Where a pair is nearly in contact, the whole front is
    redrawn, because contact may come anywhere along it.

    A neck between two round lobes is another matter than one between straight walls: a tenth of a millimetre of edge
    makes a neck of millimetres out of a gap. With s the sine of half the angle of bare ground at the ends of a neck
    of width c, the lobes overlap by d = c s / 2: c / 2 between straight walls; c^2 / 4r for two discs of radius r,
    where s = c / 2r. Edges moved by e in all make it d + e, and the neck c sqrt(1 + e / d); where d + e is below 0
    the two are apart by as much.
    """
    index = np.array(layout.pairs, dtype=np.intp).reshape(-1, 2)
    lines = _shortest(tissue, index)
    gaps = np.asarray(shapely.length(lines))  # nan where a fragment has no tissue
    genotype = np.array([one.genotype for one in fragments], dtype=object)
    same = np.array(genotype[index[:, 0]] == genotype[index[:, 1]], dtype=bool)
    touching = gaps < TOUCHING_MM
    joined = [(int(a), int(b)) for a, b in index[touching & same]]
    found = _necks(fragments, tissue, joined)
    necks = np.array([found[a, b].width_mm if (a, b) in found else 0.0 for a, b in index.tolist()])
    ends = _ends(index, lines, gaps, found)
    sharp = np.array([_sharpness(tissue, found[a, b]) if (a, b) in found else 1.0 for a, b in index.tolist()])
    overlap = np.where(touching, necks * sharp / 2, -gaps)[:, None]
    widths = overlap + _moves(tissue, errors, ends)
    gaps_mm = np.maximum(-widths, 0.0)
    necks_mm = necks[:, None] * np.sqrt(np.maximum(widths, 0.0) / np.where(overlap > 0, overlap, 1.0))
    for number in np.flatnonzero(~touching & (gaps < _PROFILE_MM)):
        a, b = (int(k) for k in index[number])
        front = ends[0][number, 0]
        gaps_mm[number], necks_mm[number] = _closing(tissue, errors, a, b, front, -widths[number])
    return Pairs(
        index=index,
        distance_mm=np.array(layout.distances_mm),
        one_genotype=same,
        gap_mm=np.where(touching, 0.0, gaps),
        neck_mm=necks,
        gaps_mm=gaps_mm,
        necks_mm=necks_mm,
        rules=rules,
    )


def _shortest(tissue: Tissue, index: Ints) -> Floats:
    """The shortest line between the tissue of each pair; None where one has none."""
    shapes = np.array(
        [None if home < 0 else tissue.home_shape(k, k) for k, home in enumerate(tissue.home.tolist())], dtype=object
    )
    lines = np.asarray(shapely.shortest_line(shapes[index[:, 0]], shapes[index[:, 1]]))
    lives_with = {(int(k), int(patch)) for k, patch in zip(tissue.fragment, tissue.patch, strict=True)}
    home = tissue.home.tolist()
    for number, (a, b) in enumerate(index.tolist()):
        strays = home[a] != home[b] and ((a, home[b]) in lives_with or (b, home[a]) in lives_with)
        if strays and home[a] >= 0 and home[b] >= 0:
            lines[number] = shapely.shortest_line(tissue.home_shape(a, b), tissue.home_shape(b, a))
    return lines


def _necks(
    fragments: Sequence[PhotoFragment], tissue: Tissue, joined: list[tuple[int, int]]
) -> dict[tuple[int, int], Neck]:
    if not joined:
        return {}
    members = np.unique(joined)
    owner = tissue.fragment[tissue.edges.owner]
    some = np.isin(owner, members)
    edges = Edges(tissue.edges.start[some], tissue.edges.end[some], owner[some], tissue.edges.cut[some])
    outlines = [shape if k in members else MultiPolygon() for k, shape in enumerate(tissue.of_fragments)]
    return find_necks(outlines, edges, [one.centre_mm for one in fragments], joined)


def _sharpness(tissue: Tissue, neck: Neck) -> float:
    """Sine of half the angle of bare ground at the ends of a neck, in the mean: 1 between straight walls."""
    edge = tissue.edges.start[~tissue.edges.cut]
    ends = np.array(neck.ends_mm)
    sines = []
    for end, other in (ends, ends[::-1]):
        away = edge - end
        far = np.hypot(*away.T)
        near = (far > _CORNER_MM[0]) & (far < _CORNER_MM[1])
        directions = away[near] / far[near, None]
        across = other - end
        side = across[0] * directions[:, 1] - across[1] * directions[:, 0]
        if not ((side > 0).any() and (side < 0).any()):
            sines.append(1.0)
            continue
        one, two = (_unit(directions[chosen].mean(axis=0)) for chosen in (side > 0, side < 0))
        sines.append(float(np.sqrt((1 - np.clip(one @ two, -1, 1)) / 2)))
    return max(_SHARPEST, float(np.mean(sines)))


def _unit(vector: Floats) -> Floats:
    return np.asarray(vector / max(float(np.hypot(*vector)), 1e-9))


Ends = tuple[Floats, Ints]


def _ends(index: Ints, lines: Floats, gaps: Floats, necks: dict[tuple[int, int], Neck]) -> Ends:
    """The two points of each pair that face each other across gap or neck, and whose edge each lies on."""
    points = np.zeros((len(index), 2, 2))
    owners = np.full((len(index), 2), -1, dtype=np.intp)
    apart = np.flatnonzero(gaps >= TOUCHING_MM)
    if len(apart):
        points[apart] = shapely.get_coordinates(lines[apart]).reshape(-1, 2, 2)
        owners[apart] = index[apart]
    for number, pair in enumerate(map(tuple, index.tolist())):
        neck = necks.get(pair)
        if neck is not None:
            points[number], owners[number] = neck.ends_mm, neck.owners
    return points, owners


def _moves(tissue: Tissue, errors: EdgeErrors, ends: Ends) -> Floats:
    """By how much the two edges of each pair move towards each other across a gap, in mm, shape (pairs, draws)."""
    points, owners = ends
    # errors belong to parts; all parts of a fragment share theirs
    first_part = np.full(len(tissue.home) + 1, -1, dtype=np.intp)
    first_part[tissue.fragment[::-1]] = np.arange(len(tissue.fragment))[::-1]
    at = errors.at(points.reshape(-1, 2), first_part[owners.ravel()])
    return np.asarray(at.reshape(len(points), 2, at.shape[1]).sum(axis=1))


def _closing(
    tissue: Tissue, errors: EdgeErrors, a: int, b: int, front: Floats, nearest: Floats
) -> tuple[Floats, Floats]:
    """Gap and neck of a pair that is nearly in contact, as drawn: contact may come at any place of the front.

    Where edges overlap in a draw, the longest stretch of the front along which they do is the neck.
    """
    one, other = tissue.home_shape(a, b), tissue.home_shape(b, a)
    edge = shapely.get_coordinates(shapely.segmentize(one.boundary, _PROFILE_STEP_MM))
    near = np.flatnonzero(np.hypot(*(edge - front).T) < _FRONT_MM)
    lines = shapely.shortest_line(shapely.points(edge[near]), other)
    gaps = shapely.length(lines)
    facing = gaps < _PROFILE_MM + gaps.min()
    near, across = near[facing], shapely.get_coordinates(lines[facing]).reshape(-1, 2, 2)
    parts = [int(np.flatnonzero(tissue.fragment == k)[0]) for k in (a, b)]
    drawn = gaps[facing, None]
    for side, part in enumerate(parts):
        drawn = drawn - errors.at(across[:, side], np.full(len(near), part))
    lowest = np.minimum(drawn.min(axis=0), nearest)
    necks = np.zeros(len(lowest))
    for draw in np.flatnonzero(lowest < 0):
        necks[draw] = _longest_stretch(across[:, 0], near, drawn[:, draw] < 0)
    return np.maximum(lowest, 0.0), necks


def _longest_stretch(points: Floats, number: Ints, over: Bools) -> float:
    """How far apart the ends of the longest unbroken stretch of an edge lie; `number` counts points along it."""
    where = np.flatnonzero(over)
    if len(where) == 0:
        return 0.0
    breaks = np.flatnonzero(np.diff(number[where]) > 1)
    first, last = where[np.r_[0, breaks + 1]], where[np.r_[breaks, len(where) - 1]]
    return float(np.hypot(*(points[last] - points[first]).T).max())
