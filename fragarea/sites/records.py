"""Where fragments sit, as described by the user and as found in a photo."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from fragarea.doubts import Doubt


class SiteKind(StrEnum):
    """What lies beside or inside the reference."""

    TRAY = "tray"
    PAD = "pad"
    SINGLE = "single"
    SHAPES = "shapes"


@dataclass(frozen=True)
class SiteDescription:
    """A tray, pad, single plug or known-area sheet as the user describes it.

    Attributes
    ----------
    name : str
        Site name; empty when measured outside a nursery.
    kind : SiteKind
    reference : str
        Name or file of the printed reference; empty for none.
    plug_mm : float
        Nominal plug diameter.
    plug_u_mm : float
        Its standard uncertainty (manufacturing spread, calliper).
    rows, columns : int or None
        Tray grid; None: taken from the plugs found.
    pitch_mm : float or None
        Distance between neighbouring positions; None: taken from the plugs found.
    places_mm : tuple of (label, x_mm, y_mm)
        Described places of fragments on a pad, in its own axes; empty: found.
    reference_offset_mm : float or None
        Height of the plug tops above the reference plane; None: taken from the rims.
    reference_offset_u_mm : float
    edge_height_mm, edge_height_u_mm : float
        Height of the visible tissue edge above the plug top, and its standard uncertainty.
    """

    kind: SiteKind
    name: str = ""
    reference: str = "frame-280x220"
    plug_mm: float = 25.0
    plug_u_mm: float = 0.1
    rows: int | None = None
    columns: int | None = None
    pitch_mm: float | None = None
    places_mm: tuple[tuple[str, float, float], ...] = ()
    reference_offset_mm: float | None = None
    reference_offset_u_mm: float = 0.5
    edge_height_mm: float = 0.5
    edge_height_u_mm: float = 0.3


@dataclass(frozen=True)
class PlugRim:
    """The rim of a plug top.

    Attributes
    ----------
    centre_mm : (float, float)
        In reference axes, on the plane of the plug tops.
    radius_mm : float
        Fitted radius on that plane.
    centre_u_mm, radius_u_mm : float
    """

    centre_mm: tuple[float, float]
    radius_mm: float
    centre_u_mm: float = 0.1
    radius_u_mm: float = 0.1


@dataclass(frozen=True)
class PlugSighting:
    """One position of a site in one photo.

    Attributes
    ----------
    position : (row, column) or None
        From 1, rows along the reference's y axis, columns along x; None off a tray.
    label : str
        Name of the place on a pad, empty elsewhere.
    centre_mm : (float, float)
        Middle of the plug, or of the place when no plug was found.
    rim : PlugRim or None
        None when no rim was fitted.
    present : bool
        Whether a plug stands there.
    in_view : float
        Share of the plug's disc inside the photo, 0 to 1.
    doubts : tuple of Doubt
    """

    position: tuple[int, int] | None
    centre_mm: tuple[float, float]
    rim: PlugRim | None
    present: bool
    label: str = ""
    in_view: float = 1.0
    doubts: tuple[Doubt, ...] = ()


@dataclass(frozen=True)
class SiteView:
    """All positions of a site found in one photo.

    Attributes
    ----------
    plugs : tuple of PlugSighting
    plug_top_mm, plug_top_u_mm : float
        Height of the plug tops above the reference plane (the description's offset, or what the rims tell).
    plug_top_source : str
        ``"given"``; otherwise ``"rims"`` where these tell most of it, ``"assumed"`` where belief does.
    rim_scale : float
        Median of fitted over nominal rim diameter at that height; nan without rims.
    rim_scale_u : float
        With what the height leaves unknown.
    doubts : tuple of Doubt
    region_mm : (x_mm, y_mm, x_mm, y_mm) or None
        Lowest and highest corner of where fragments may lie: the frame's opening, or the view around a card.
    """

    plugs: tuple[PlugSighting, ...]
    plug_top_mm: float
    plug_top_u_mm: float
    plug_top_source: str
    rim_scale: float = float("nan")
    rim_scale_u: float = float("nan")
    doubts: tuple[Doubt, ...] = ()
    region_mm: tuple[float, float, float, float] | None = None


@dataclass(frozen=True, eq=False)
class Window:
    """A rectified piece of a photo around one position.

    Pixel ``(x, y)`` covers the square of side ``mm_per_px`` around
    ``origin_mm + mm_per_px * (x, y)`` on the plane at ``height_mm``.

    Attributes
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
        sRGB; outside the photo the nearest pixel is repeated.
    mm_per_px : float
    origin_mm : (float, float)
        Reference coordinates of the middle of pixel (0, 0).
    height_mm : float
        Height of the rectified plane above the reference plane.
    rim : PlugRim or None
        The plug's rim as it appears on this plane, in reference axes.
    """

    pixels: npt.NDArray[np.uint8]
    mm_per_px: float
    origin_mm: tuple[float, float]
    height_mm: float
    rim: PlugRim | None = field(default=None)

    def to_mm(self, points_px: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Reference coordinates ``(n, 2)`` of window pixels ``(n, 2)``."""
        flat = np.asarray(points_px, dtype=float).reshape(-1, 2)
        return flat * self.mm_per_px + np.asarray(self.origin_mm)

    def to_px(self, points_mm: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Window pixels ``(n, 2)`` of reference coordinates ``(n, 2)``."""
        flat = np.asarray(points_mm, dtype=float).reshape(-1, 2)
        return (flat - np.asarray(self.origin_mm)) / self.mm_per_px
