"""Neighbour pairs on one photo: gaps and necks as measured, and as redrawn edges would have them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import shapely
from shapely import MultiPolygon

from fragarea.fusion.edges import EdgeErrors, Edges, Floats, Ints
from fragarea.fusion.necks import Neck, find_necks
from fragarea.fusion.neighbours import Layout
from fragarea.fusion.records import FusionRules, PairState
from fragarea.fusion.tissue import TOUCHING_MM, PhotoFragment, Tissue

_PROFILE_MM = 1.5  # pairs nearer than this may come into contact at another place than the nearest
_PROFILE_STEP_MM = 0.2


@dataclass(frozen=True, eq=False)
class Pair:
    """Two neighbours on a photo.

    Attributes
    ----------
    a, b : int
        Places among the fragments.
    distance_mm : float
        Between the plug centres.
    one_genotype : bool
    gap_mm, neck_mm : float
        As measured; the gap is nan where one of the two has no tissue.
    gaps_mm, necks_mm : ndarray of float64, shape (draws,)
        By redrawn edges.
    rules : FusionRules
    """

    a: int
    b: int
    distance_mm: float
    one_genotype: bool
    gap_mm: float
    neck_mm: float
    gaps_mm: Floats
    necks_mm: Floats
    rules: FusionRules

    def _codes(self, gaps: Floats, necks: Floats) -> Ints:
        """0 apart, 1 contact, 2 fused."""
        touching = gaps <= self.rules.contact_mm
        return np.where(touching & (necks >= self.rules.neck_mm), 2, touching.astype(int))

    @property
    def state(self) -> PairState:
        """Of the outlines as measured."""
        code = int(self._codes(np.array([self.gap_mm]), np.array([self.neck_mm]))[0])
        if code and not self.one_genotype:
            return PairState.BORDER
        return (PairState.APART, PairState.CONTACT, PairState.FUSED)[code]

    @cached_property
    def drawn(self) -> Ints:
        """State of each draw, in codes."""
        return self._codes(self.gaps_mm, self.necks_mm)

    @property
    def fused(self) -> Floats:
        """1 for each draw in which the two are fused."""
        return np.asarray((self.drawn == 2) & self.one_genotype, dtype=float)


def pairs_of(
    fragments: Sequence[PhotoFragment], layout: Layout, tissue: Tissue, errors: EdgeErrors, rules: FusionRules
) -> list[Pair]:
    """Gap and neck of each pair of neighbours.

    Notes
    -----
    An edge moved outwards by e narrows a gap by e, and widens a neck by e. Where a pair is nearly in contact, the
    whole front is redrawn, because contact may come anywhere along it.
    """
    index = np.array(layout.pairs, dtype=np.intp).reshape(-1, 2)
    lines = _shortest(tissue, index)
    gaps = shapely.length(lines)  # nan where a fragment has no tissue
    same = [fragments[a].genotype == fragments[b].genotype for a, b in index.tolist()]
    joined = [(int(a), int(b)) for a, b in index[(gaps < TOUCHING_MM) & np.array(same, dtype=bool)]]
    necks = _necks(fragments, tissue, joined)
    moves = _moves(tissue, errors, _ends(index, lines, gaps, necks))
    found = []
    for number, (a, b) in enumerate(index.tolist()):
        gap = float(gaps[number])
        touching = gap < TOUCHING_MM
        neck_mm = necks[a, b].width_mm if (a, b) in necks else 0.0
        if not touching and gap < _PROFILE_MM:
            gaps_mm, necks_mm = _closing(tissue, errors, a, b, gap - moves[number])
        else:
            width = (neck_mm if touching else -gap) + moves[number]
            gaps_mm, necks_mm = np.maximum(-width, 0.0), np.maximum(width, 0.0) if touching else np.zeros(rules.draws)
        found.append(
            Pair(
                a=a,
                b=b,
                distance_mm=layout.distances_mm[number],
                one_genotype=same[number],
                gap_mm=0.0 if touching else gap,
                neck_mm=neck_mm,
                gaps_mm=gaps_mm,
                necks_mm=necks_mm,
                rules=rules,
            )
        )
    return found


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
    return np.asarray(at.reshape(len(points), 2, -1).sum(axis=1))


def _closing(tissue: Tissue, errors: EdgeErrors, a: int, b: int, nearest: Floats) -> tuple[Floats, Floats]:
    """Gap and neck of a pair that is nearly in contact, as drawn: contact may come at any place of the front.

    Where edges overlap in a draw, the longest stretch of the front along which they do is the neck.
    """
    one, other = tissue.home_shape(a, b), tissue.home_shape(b, a)
    edge = shapely.segmentize(one.boundary, _PROFILE_STEP_MM)
    points = shapely.points(shapely.get_coordinates(edge))
    gaps = shapely.distance(points, other)
    near = np.flatnonzero(gaps < _PROFILE_MM + gaps.min())
    across = shapely.get_coordinates(shapely.shortest_line(points[near], other)).reshape(-1, 2, 2)
    parts = [int(np.flatnonzero(tissue.fragment == k)[0]) for k in (a, b)]
    drawn = gaps[near, None]
    for side, part in enumerate(parts):
        drawn = drawn - errors.at(across[:, side], np.full(len(near), part))
    lowest = np.minimum(drawn.min(axis=0), nearest)
    necks = np.zeros(len(lowest))
    for draw in np.flatnonzero(lowest < 0):
        necks[draw] = _longest_stretch(across[:, 0], near, drawn[:, draw] < 0)
    return np.maximum(lowest, 0.0), necks


def _longest_stretch(points: Floats, number: Ints, over: npt.NDArray[np.bool_]) -> float:
    """How far apart the ends of the longest unbroken stretch of an edge lie; `number` counts points along it."""
    where = np.flatnonzero(over)
    if len(where) == 0:
        return 0.0
    breaks = np.flatnonzero(np.diff(number[where]) > 1)
    first, last = where[np.r_[0, breaks + 1]], where[np.r_[breaks, len(where) - 1]]
    return float(np.hypot(*(points[last] - points[first]).T).max())
