"""How far the plug tops lie above or below the reference, by the apparent size of their rims."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fragarea.doubts import Doubt
from fragarea.reference.plane import PlaneMap
from fragarea.sites.records import SiteDescription
from fragarea.sites.rims import SHARP_SOFTNESS_MM, RimFits

# Rims as fitted stand out by this much from the nominal radius, and how that varies with light, lens and dirt:
# mean and spread of the mean over the rendered dev trays at their true heights.
RIM_EXCESS_MM = 0.02
RIM_EXCESS_U_MM = 0.03
# On surroundings nearly as light as the plug the rounding of its edge hides the rim: the excess is surer the darker
# the surroundings. On the rendered dev pads, 0.4 as light, rims came out 0.03 to 0.10 mm small.
RIM_EXCESS_U_BY_SURROUND_MM = 0.2
# What the correction for blur leaves, as a share of the softness beyond that of a sharp photo.
BLUR_U = 0.2
# Share of the plugs' stated uncertainty that all plugs of one make have in common.
COMMON_SHARE = 0.5
# Offsets that nurseries leave unsaid.
LIKELY_OFFSET_MM = 2.0
MANY_RIMS = 8
SURE_SIGMAS = 3.0
# Beyond this, rims that do not settle the height speak against none.
STRANGE_SIGMAS = 2.5
# Radii that scatter more than this do not agree on anything.
AGREEING_SCATTER_MM = 0.15


@dataclass(frozen=True)
class PlugTop:
    """Height of the plug tops; see :class:`fragarea.sites.records.SiteView` for the fields."""

    height_mm: float
    u_mm: float
    source: str
    rim_scale: float = float("nan")
    rim_scale_u: float = float("nan")
    doubts: tuple[Doubt, ...] = ()


@dataclass(frozen=True)
class RimSize:
    """Size of many rims on the plane on which they were fitted.

    Attributes
    ----------
    count : int
    scale, scale_u : float
        Fitted over nominal diameter.
    scatter_mm : float
        Robust standard deviation of single radii.
    """

    count: int
    scale: float
    scale_u: float
    scatter_mm: float


def rim_size(fits: RimFits, site: SiteDescription) -> RimSize | None:
    """Combine rims that were found well; None without any.

    Parameters
    ----------
    fits : RimFits
    site : SiteDescription

    Returns
    -------
    RimSize or None
    """
    count = len(fits.radii_mm)
    if count == 0:
        return None
    radius = site.plug_mm / 2
    middle = float(np.median(fits.radii_mm))
    scatter = float(1.4826 * np.median(np.abs(fits.radii_mm - middle))) if count > 2 else float("nan")
    single = np.hypot(float(np.median(fits.radii_u_mm)), site.plug_u_mm / 2)
    single = float(max(single, scatter)) if count > 2 else float(single)
    surround = float(np.clip(np.median(fits.surround) - 0.1, 0.0, 1.0))
    blur = max(float(np.median(fits.softness_mm)) - SHARP_SOFTNESS_MM, 0.0)
    common = (
        COMMON_SHARE * site.plug_u_mm / 2,
        RIM_EXCESS_U_MM + RIM_EXCESS_U_BY_SURROUND_MM * surround + BLUR_U * blur,
        1.25 * single / np.sqrt(count),
    )
    return RimSize(count, (middle - RIM_EXCESS_MM) / radius, float(np.linalg.norm(common)) / radius, scatter)


def plug_top(fits: RimFits, fitted_at_mm: float, plane: PlaneMap, site: SiteDescription) -> PlugTop:
    """Height of the plug tops above the reference plane.

    Parameters
    ----------
    fits : RimFits
        Rims that were found well, on the plane at `fitted_at_mm`.
    fitted_at_mm : float
    plane : PlaneMap
    site : SiteDescription

    Returns
    -------
    PlugTop

    Notes
    -----
    A rim at height z seen from camera height D looks (D - h) / (D - z) times as large on the plane at height h, so
    z = D - (D - h) / scale.
    """
    size = rim_size(fits, site)
    camera = plane.camera_height_mm
    if site.reference_offset_mm is not None:
        top = site.reference_offset_mm, site.reference_offset_u_mm, "given"
        return PlugTop(*top, size.scale, size.scale_u) if size else PlugTop(*top)
    assumed = 0.0, site.reference_offset_u_mm, "assumed"
    if size is None:
        return PlugTop(*assumed)
    if camera is None:
        return PlugTop(*assumed, size.scale, size.scale_u)
    height = camera - (camera - fitted_at_mm) / size.scale
    height_u = (camera - height) * size.scale_u / size.scale
    seen = f"{size.count} rims say {height:.1f} mm, uncertain by {height_u:.1f} mm"
    agree = size.count >= MANY_RIMS and size.scatter_mm <= AGREEING_SCATTER_MM
    if agree and abs(height) > SURE_SIGMAS * height_u:
        return PlugTop(height, height_u, "rims", 1.0, size.scale_u, (Doubt("offset_from_rims", seen),))
    # Nothing settles an offset. What many rims hint at, or few strange ones, is shrunk towards none and widens the
    # uncertainty.
    strange = abs(height) > STRANGE_SIGMAS * height_u
    doubts = (Doubt("offset_unsure", seen),) if strange else ()
    hint = height * LIKELY_OFFSET_MM**2 / (LIKELY_OFFSET_MM**2 + height_u**2)
    if size.count < MANY_RIMS and not strange:
        hint = 0.0
    u_mm = float(np.hypot(site.reference_offset_u_mm, hint))
    return PlugTop(0.0, u_mm, "assumed", size.scale, size.scale_u, doubts)
