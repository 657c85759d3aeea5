"""Area of outlines."""

from __future__ import annotations

import shapely
from shapely import MultiPolygon, Polygon


def polygon_area_mm2(outline: Polygon | MultiPolygon) -> float:
    """Area of an outline with holes.

    Parameters
    ----------
    outline : Polygon or MultiPolygon
        In mm.

    Returns
    -------
    float
        Area in mm2; 0 for an empty outline.

    Raises
    ------
    ValueError
        If a coordinate is not finite, or the outline crosses itself, so that it encloses no single area.
    """
    if not shapely.is_valid(outline):
        raise ValueError(f"the outline encloses no single area: {shapely.is_valid_reason(outline)}; mend the outline")
    return float(outline.area)
