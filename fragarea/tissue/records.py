"""What a window becomes: which pixels are which kind of surface, and where the edges run."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
import numpy.typing as npt
from shapely import MultiPolygon

from fragarea.doubts import Doubt


class Surface(IntEnum):
    """Values of a label image. Bleached tissue is live tissue that turned white."""

    OTHER = 0
    LIVE = 1
    BLEACHED = 2
    DEAD = 3


@dataclass(frozen=True, eq=False)
class TissueMap:
    """Label image of one window.

    Attributes
    ----------
    labels : ndarray of uint8, shape (rows, columns)
        Values of :class:`Surface`.
    live_probability : ndarray of float32, shape (rows, columns)
        Probability, 0 to 1, that the pixel is live tissue (bleached included). The outline is its 0.5 contour,
        so it should cross 0.5 at the edge to a fraction of a pixel.
    confidence : float
        0 to 1: how far apart tissue and its surroundings are in this window.
    edge_u_mm : float
        Standard uncertainty of the edge's position that the whole outline shares (bias-like).
    doubts : tuple of Doubt
    """

    labels: npt.NDArray[np.uint8]
    live_probability: npt.NDArray[np.float32]
    confidence: float = 1.0
    edge_u_mm: float = 0.1
    doubts: tuple[Doubt, ...] = ()


@dataclass(frozen=True)
class Sureness:
    """How sure an outline is.

    Attributes
    ----------
    edge_u_mm : float
        Standard uncertainty of the edge's position that the whole outline shares (bias-like), from contrast, blur,
        noise and pixel size.
    confidence : float
        Probability that the outline overlaps the true one by more than 0.95.
    """

    edge_u_mm: float
    confidence: float = 1.0


@dataclass(frozen=True)
class TissueOutlines:
    """Outlines in reference axes, mm, on the plane of the tissue edge; valid in the sense of OGC simple features.

    Attributes
    ----------
    live : MultiPolygon
        Live tissue, bleached included.
    bleached : MultiPolygon
        Part of ``live``.
    dead : MultiPolygon
        Bare skeleton; disjoint from ``live``.
    edge_u_mm : float
        Standard uncertainty of the edge's position that the whole outline shares (bias-like), from contrast, blur,
        noise and pixel size.
    confidence : float
        0 to 1.
    doubts : tuple of Doubt
    patches : tuple of Sureness
        Of each polygon of ``live`` by itself, in their order, on pads; empty elsewhere.
    """

    live: MultiPolygon
    bleached: MultiPolygon
    dead: MultiPolygon
    edge_u_mm: float
    confidence: float = 1.0
    doubts: tuple[Doubt, ...] = ()
    patches: tuple[Sureness, ...] = ()
