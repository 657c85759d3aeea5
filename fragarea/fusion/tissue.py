"""The live tissue of a pad on one photo: connected parts, patches, and the patch that is each fragment's own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

import numpy as np
import numpy.typing as npt
import shapely
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from shapely import MultiPolygon

from fragarea.fusion.edges import Edges, Floats, Ints, edges_of
from fragarea.measurement import FragmentStatus

SPECK_MM2 = 2.0
"""A patch smaller than this is none: as for fragments, it is within the error of finding tissue at all."""

Shapes = npt.NDArray[np.object_]

TOUCHING_MM = 1e-6
"""Shares of one patch are cut at one line, to rounding."""


@dataclass(frozen=True, eq=False)
class PhotoFragment:
    """One fragment on a photo of a pad, as measured.

    Attributes
    ----------
    fragment, genotype : str
    centre_mm : (float, float)
    status : FragmentStatus
    live_mm2, live_u_mm2, dead_mm2 : float
    edge_u_mm : float
        Standard uncertainty of the edge's position that the whole outline shares.
    outline : MultiPolygon
        Live tissue, reference axes; a patch on several plugs cut between them.
    doubts : tuple of str
        Keys of doubts about the outline.
    """

    fragment: str
    genotype: str
    centre_mm: tuple[float, float]
    status: FragmentStatus
    live_mm2: float
    live_u_mm2: float
    dead_mm2: float
    edge_u_mm: float
    outline: MultiPolygon
    doubts: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class PadPhoto:
    """A photo of a pad, as measured.

    Attributes
    ----------
    site : str
    taken_at : datetime
    photo, sha256 : str
    measurement_id : int
    mm_per_px : float
    area_u_rel : float
        Relative standard uncertainty that all areas of the photo share: scale, print, lens, height.
    plug_mm : float
        Diameter of a plug.
    fragments : tuple of PhotoFragment
    """

    site: str
    taken_at: datetime
    photo: str
    sha256: str
    measurement_id: int
    mm_per_px: float
    area_u_rel: float
    plug_mm: float
    fragments: tuple[PhotoFragment, ...]


@dataclass(frozen=True, eq=False)
class Tissue:
    """The live tissue of a pad in connected parts, each of one fragment.

    Attributes
    ----------
    parts : ndarray of Polygon, shape (n,)
    fragment : ndarray of int, shape (n,)
        Whose share each part is.
    area_mm2 : ndarray of float64, shape (n,)
    patch : ndarray of int, shape (n,)
        Patch of each part; the largest is 0.
    home : ndarray of int, shape (fragments,)
        Each fragment's own patch; -1 for none.
    links : ndarray of int, shape (links, 2)
        Parts that touch and are of one genotype.
    edges : Edges
        Owned by parts.
    """

    parts: Shapes
    fragment: Ints
    area_mm2: Floats
    patch: Ints
    home: Ints
    links: Ints
    edges: Edges

    def shapes(self, chosen: Ints) -> MultiPolygon:
        """Some parts as one outline."""
        return MultiPolygon(self.parts[chosen].tolist())

    @cached_property
    def of_fragments(self) -> list[MultiPolygon]:
        """All tissue of each fragment."""
        return [self.shapes(np.flatnonzero(self.fragment == number)) for number in range(len(self.home))]

    def home_shape(self, one: int, other: int) -> MultiPolygon:
        """Tissue of two fragments that belongs to the patch of the first.

        A patch that has grown into a neighbour's half is cut there; what lies beyond the cut is still its tissue.
        """
        near = (self.fragment == one) | (self.fragment == other)
        return self.shapes(np.flatnonzero(near & (self.patch == self.home[one])))


def tissue_of(fragments: Sequence[PhotoFragment]) -> Tissue:
    """The live tissue of fragments in patches, those smaller than `SPECK_MM2` left out."""
    parts, fragment = shapely.get_parts(np.array([one.outline for one in fragments], dtype=object), return_index=True)
    genotypes = {name: number for number, name in enumerate(sorted({one.genotype for one in fragments}))}
    genotype = np.array([genotypes[one.genotype] for one in fragments])[fragment]
    links = _touching(parts, genotype)
    patch = connected(len(parts), links)
    area = shapely.area(parts)
    by_patch = np.bincount(patch, weights=area, minlength=1)
    kept = by_patch[patch] >= SPECK_MM2 if len(parts) else np.zeros(0, dtype=bool)
    place = np.cumsum(kept) - 1
    links = place[links[kept[links].all(axis=1)]] if len(links) else links
    parts, fragment, area, patch = parts[kept], fragment[kept], area[kept], patch[kept]
    rank = np.empty(len(by_patch), dtype=np.intp)
    rank[np.argsort(-by_patch, kind="stable")] = np.arange(len(by_patch))
    patch = rank[patch]
    home = np.array([_home(one, number, parts, fragment, area, patch) for number, one in enumerate(fragments)])
    return Tissue(parts, fragment, area, patch, home.astype(np.intp), links, edges_of(parts))


def _touching(parts: Shapes, genotype: Ints) -> Ints:
    if len(parts) == 0:
        return np.empty((0, 2), dtype=np.intp)
    one, other = shapely.STRtree(parts).query(parts, predicate="dwithin", distance=TOUCHING_MM)
    joined = (one < other) & (genotype[one] == genotype[other])
    return np.column_stack([one[joined], other[joined]])


def connected(count: int, links: Ints) -> Ints:
    """Number of the connected group that each of `count` things is in, by pairs of them."""
    if len(links) == 0:
        return np.arange(count, dtype=np.intp)
    ones = np.ones(len(links), dtype=np.int8)
    graph = coo_matrix((ones, (links[:, 0], links[:, 1])), shape=(count, count))
    return np.asarray(connected_components(graph, directed=False)[1], dtype=np.intp)


def _home(one: PhotoFragment, number: int, parts: Shapes, fragment: Ints, area: Floats, patch: Ints) -> int:
    """The patch that holds the plug's centre, or else most of the fragment's tissue."""
    own = np.flatnonzero(fragment == number)
    if len(own) == 0:
        return -1
    holding = own[shapely.intersects_xy(parts[own], *one.centre_mm)]
    if len(holding):
        return int(patch[holding[0]])
    return int(np.argmax(np.bincount(patch[own], weights=area[own])))
