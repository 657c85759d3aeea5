"""From an outline to its area and the budget of its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Collection

from shapely import MultiPolygon

from fragarea.area.polygon import polygon_area_mm2
from fragarea.area.records import AreaEstimate, BudgetTerm
from fragarea.reference.plane import PhotoScale

COVERAGE_FACTOR = 1.96  # 95 % of a normal distribution; JCGM 100:2008, table G.1

# Where the scale does not tell how far the camera was, heights weigh as in a photo taken from arm's length
# (common practice, no source).
ASSUMED_CAMERA_HEIGHT_MM = 400.0


def estimate_area(
    outline: MultiPolygon,
    *,
    scale: PhotoScale,
    plug_top_mm: float = 0.0,
    plug_top_u_mm: float = 0.0,
    edge_height_mm: float = 0.0,
    edge_height_u_mm: float = 0.0,
    edge_u_mm: float = 0.0,
) -> AreaEstimate:
    """Planar area of an outline with its uncertainty budget.

    Parameters
    ----------
    outline : MultiPolygon
        In reference axes, mm, on the plane at ``plug_top_mm + edge_height_mm``.
    scale : PhotoScale
        The photo's scale and how well it is known.
    plug_top_mm, plug_top_u_mm : float
        Height of the plug tops above the reference plane and its standard uncertainty; all plugs share it.
    edge_height_mm, edge_height_u_mm : float
        Height of the visible edge above the plug top and its standard uncertainty; each fragment has its own.
    edge_u_mm : float
        Standard uncertainty of the edge's position that the whole outline shares.

    Returns
    -------
    AreaEstimate
        Terms "scale", "print", "lens", "height", "edge height" and "outline", in this order.

    Raises
    ------
    ValueError
        If the outline crosses itself, an uncertainty is negative, or the edge lies at or above the camera.

    Notes
    -----
    With lengths known to u_rel an area is known to 2 A u_rel. An outline at height z, seen from height D, covers
    A = A0 ((D - z) / D)^2 on its own plane, A0 being what it covers on the reference plane; hence
    |dA/dz| = 2 A / (D - z) and |dA/dD| = 2 A z / (D (D - z)). An edge moved outwards by e adds perimeter times e.

    References
    ----------
    JCGM 100:2008, 5.1.2, equation 10.
    """
    area = polygon_area_mm2(outline)
    camera = scale.plane.camera_height_mm or ASSUMED_CAMERA_HEIGHT_MM
    z = plug_top_mm + edge_height_mm
    if not z < camera:
        raise ValueError(f"the edge, {z:g} mm above the reference, must lie below the camera at {camera:g} mm")
    per_height = 2 * area / (camera - z)
    inputs = (plug_top_u_mm, edge_height_u_mm, edge_u_mm, scale.scale_u_rel, scale.print_u_rel, scale.lens_u_rel)
    if min(*inputs, scale.camera_height_u_rel) < 0:
        raise ValueError(f"standard uncertainties must not be negative; got {inputs}")
    # root sums of squares: combined_u without its checks, which cost more than the sums for each of many fragments
    common_height = math.hypot(per_height * plug_top_u_mm, per_height * z * scale.camera_height_u_rel)
    terms = (
        BudgetTerm("scale", 2 * area * scale.scale_u_rel, shared=True),
        BudgetTerm("print", 2 * area * scale.print_u_rel, shared=True),
        BudgetTerm("lens", 2 * area * scale.lens_u_rel, shared=True),
        BudgetTerm("height", common_height, shared=True),
        BudgetTerm("edge height", per_height * edge_height_u_mm, shared=False),
        BudgetTerm("outline", outline.length * edge_u_mm, shared=False),
    )
    u = math.hypot(*(term.u_mm2 for term in terms))
    return AreaEstimate(area_mm2=area, area_u_mm2=u, expanded_mm2=COVERAGE_FACTOR * u, terms=terms)


def shared_covariance_mm4(one: AreaEstimate, other: AreaEstimate, *, shared: Collection[str] | None = None) -> float:
    """Covariance of two areas through the errors that they share.

    Parameters
    ----------
    one, other : AreaEstimate
    shared : collection of str, optional
        Names of the terms in common. By default those that fragments of one photo share; for two photos taken with
        one printed reference give ``{"print"}``.

    Returns
    -------
    float
        In mm4; what both have in common moves both the same way.

    References
    ----------
    JCGM 100:2008, F.1.2.3.
    """
    names = {term.name for term in one.terms if term.shared} if shared is None else set(shared)
    others = {term.name: term.u_mm2 for term in other.terms}
    return math.fsum(term.u_mm2 * others.get(term.name, 0.0) for term in one.terms if term.name in names)


def budget_lines(estimate: AreaEstimate) -> tuple[str, ...]:
    """The budget as lines of a plain table: one a term, then the combined and the expanded uncertainty.

    Parameters
    ----------
    estimate : AreaEstimate

    Returns
    -------
    tuple of str
        Areas in mm2 with three decimals; shares in per cent of the area, ``-`` where the area is 0.
    """
    area = estimate.area_mm2

    def line(name: str, u: float, note: str) -> str:
        share = f"{100 * u / area:8.3f} %" if area > 0 else f"{'-':>10}"
        return f"{name:<20}{u:10.3f} mm2{share}  {note}".rstrip()

    return (
        f"{'area':<20}{area:10.3f} mm2",
        *(
            line(f"u {term.name}", term.u_mm2, "shared by the photo" if term.shared else "this fragment's own")
            for term in estimate.terms
        ),
        line("u combined", estimate.area_u_mm2, ""),
        line("U 95 %", estimate.expanded_mm2, f"k = {COVERAGE_FACTOR}"),
    )
