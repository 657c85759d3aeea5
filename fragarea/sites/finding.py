"""Find the plugs of a site in one photo."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fragarea.reference.layout import ReferenceLayout
from fragarea.reference.plane import PlaneMap
from fragarea.sites.pads import find_pad
from fragarea.sites.records import SiteDescription, SiteKind, SiteView
from fragarea.sites.scene import Scene, region_of
from fragarea.sites.single import find_single
from fragarea.sites.tray import find_tray

# A sheet of known-area shapes lies on the same ground as the frame; paper and curl are what is left.
FLAT_U_MM = 0.2


def find_plugs(
    pixels: npt.NDArray[np.uint8], plane: PlaneMap, layout: ReferenceLayout | None, site: SiteDescription
) -> SiteView:
    """Find the plugs, their positions and the height of their tops.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
        The photo, upright.
    plane : PlaneMap
        Its scale.
    layout : ReferenceLayout or None
        The printed reference: plugs lie in its opening, or beside a card without opening.
    site : SiteDescription

    Returns
    -------
    SiteView
        On a tray one sighting for each position, row by row, absent plugs included. On a pad one for each described
        place, or for each plug found. For a single plug one, or none when no plug was found. None for known-area
        shapes.
    """
    if site.kind is SiteKind.SHAPES:
        offset = site.reference_offset_mm
        source = "assumed" if offset is None else "given"
        u_mm = FLAT_U_MM if offset is None else site.reference_offset_u_mm
        return SiteView((), offset or 0.0, u_mm, source, region_mm=region_of(pixels.shape, plane, layout))
    scene = Scene(pixels, plane, layout, site)
    if site.kind is SiteKind.TRAY:
        return find_tray(scene)
    if site.kind is SiteKind.PAD:
        return find_pad(scene)
    return find_single(scene)
