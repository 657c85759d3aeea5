"""Area and length of outlines."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import shapely
from shapely import LinearRing, MultiPolygon, Polygon


def ring_area(ring: npt.ArrayLike) -> float:
    """Area within one closed ring by the shoelace sum.

    Parameters
    ----------
    ring : array_like, shape (n, 2)
        Corners in order, either way round; the last may repeat the first.

    Returns
    -------
    float
        In the square of the coordinates' unit; never negative.

    Raises
    ------
    ValueError
        If there are fewer than three corners, a coordinate is not finite, or the ring crosses itself.
    """
    corners = np.asarray(ring, dtype=float)
    if corners.ndim != 2 or corners.shape[1] != 2:
        raise ValueError(f"ring must have shape (n, 2); got {corners.shape}")
    # The first corner becomes the origin: at offset 1e8 the products would swallow a unit square.
    local = corners - corners[:1]
    if len(local) > 1 and not local[-1].any():
        local = local[:-1]
    if len(local) < 3:
        raise ValueError(f"ring must have at least 3 different corners; got {len(local)}")
    if not np.isfinite(local).all():
        raise ValueError("ring has a coordinate that is not finite")
    if not LinearRing(local).is_simple:
        raise ValueError("ring crosses itself, so it encloses no single area; mend the outline")
    x, y = local.T
    return abs(float(x[:-1] @ y[1:] - x[1:] @ y[:-1]) + float(x[-1] * y[0] - x[0] * y[-1])) / 2


def polygon_area_mm2(outline: Polygon | MultiPolygon | Sequence[npt.ArrayLike]) -> float:
    """Area of an outline with holes.

    Parameters
    ----------
    outline : Polygon, MultiPolygon, or sequence of rings
        Of one polygon as rings: the outer ring first, then its holes; arrays of shape (n, 2), mm.

    Returns
    -------
    float
        Area in mm2; 0 for an empty outline.

    Raises
    ------
    ValueError
        If a ring crosses itself, has fewer than three corners, or a coordinate is not finite.
    """
    if isinstance(outline, Polygon | MultiPolygon):
        parts = [part for part in shapely.get_parts(outline) if not part.is_empty]
        return math.fsum(polygon_area_mm2([_coords(part.exterior), *map(_coords, part.interiors)]) for part in parts)
    rings = list(outline)
    return ring_area(rings[0]) - math.fsum(map(ring_area, rings[1:])) if rings else 0.0


def smooth_perimeter_mm(outline: Polygon | MultiPolygon, step_mm: float) -> float:
    """Length of all rings of an outline, without the zigzag of the pixels it was traced on.

    Parameters
    ----------
    outline : Polygon or MultiPolygon
        In mm.
    step_mm : float
        Size of a pixel; detail smaller than this is not counted.

    Returns
    -------
    float
        Length in mm, holes included.

    Notes
    -----
    A staircase overstates the length of a slanting edge by up to 41 %, however small its steps. Each ring is walked
    in half steps and averaged along itself with a Gaussian of 1.5 steps, which flattens stairs and keeps bays.
    """
    if not step_mm > 0:
        raise ValueError(f"step_mm must be positive; got {step_mm}")
    parts = [part for part in shapely.get_parts(outline) if not part.is_empty]
    return math.fsum(_smooth_length(ring, step_mm) for part in parts for ring in (part.exterior, *part.interiors))


def _smooth_length(ring: LinearRing, step_mm: float) -> float:
    # A ring of a few pixels is all detail; enough points still go round it.
    count = 32 * max(1, math.ceil(2 * ring.length / step_mm / 32))  # Fourier series of such lengths are quick
    corners = _coords(ring)
    place = corners[:, 0] + 1j * corners[:, 1]
    walked = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(place)))])
    # np.interp walks the ring once; Shapely's line_interpolate_point starts from its beginning for every point
    points = np.interp(np.arange(count) * (walked[-1] / count), walked, place)
    sigma = min(1.5 * step_mm * count / ring.length, count / 16)
    # A Gaussian along a closed ring is a Gaussian on its Fourier series.
    waves = np.fft.fftfreq(count)
    smooth = np.fft.ifft(np.fft.fft(points) * np.exp(-2 * (np.pi * sigma * waves) ** 2))
    return float(np.abs(np.diff(smooth)).sum() + abs(smooth[0] - smooth[-1]))


def _coords(shape: shapely.Geometry | npt.NDArray[np.object_]) -> npt.NDArray[np.float64]:
    return np.asarray(shapely.get_coordinates(shape), dtype=float)
