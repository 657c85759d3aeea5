"""How far the plug tops lie above or below the reference, by the apparent size and spacing of their rims."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fragarea.doubts import Doubt
from fragarea.reference.byhand import compare_scales
from fragarea.reference.plane import FloatArray, PlaneMap
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
# What is believed of a height that was not given: four references of five are laid level with the plug tops, to the
# site's own uncertainty; the fifth lies where there is room, some 5 mm off (common practice, no source).
OFF_LEVEL_U_MM, OFF_LEVEL_SHARE = 5.0, 0.2
# A described pitch was measured over a whole tray to half a millimetre (common practice, no source).
PITCH_U_REL = 0.002
MANY_RIMS = 8
SURE_SIGMAS = 3.0
# Beyond this, rims that are few or do not agree speak against what is believed.
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
        Robust standard deviation of single radii; nan of one or two.
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


@dataclass(frozen=True)
class Spacing:
    """Distance between neighbouring plugs on the plane on which rims were fitted, over the described pitch.

    Attributes
    ----------
    scale, scale_u : float
    """

    scale: float
    scale_u: float


def plug_spacing(
    centres_mm: FloatArray, cells: npt.ArrayLike, seen_mm: float, pitch_mm: float | None
) -> Spacing | None:
    """How far apart plugs look; None without a described pitch, or where they stand too near each other to tell.

    Parameters
    ----------
    centres_mm : ndarray, shape (n, 2)
    cells : array_like of int, shape (n, 2)
        Their (column, row).
    seen_mm : float
        Pitch of the square grid fitted to them.
    pitch_mm : float or None
        Pitch by the tray's description.

    Returns
    -------
    Spacing or None
    """
    if pitch_mm is None or len(centres_mm) < MANY_RIMS:
        return None
    places = np.asarray(cells, dtype=float)
    spread = places - places.mean(axis=0)
    # Distances from the middle, of the plugs and of their places, turned onto each other: what is left is how far
    # plugs stand off their places.
    away = (centres_mm - centres_mm.mean(axis=0)) @ np.array([1, 1j])
    wanted = seen_mm * spread @ np.array([1, 1j])
    turn = np.vdot(wanted, away) / abs(np.vdot(wanted, away))
    off_mm = float(np.sqrt(np.mean(np.abs(away - turn * wanted) ** 2) / 2))
    fit_u = off_mm / (seen_mm * float(np.linalg.norm(spread)))
    return Spacing(seen_mm / pitch_mm, (seen_mm / pitch_mm) * float(np.hypot(PITCH_U_REL, fit_u)))


def plug_top(
    fits: RimFits, fitted_at_mm: float, plane: PlaneMap, site: SiteDescription, spacing: Spacing | None = None
) -> PlugTop:
    """Height of the plug tops above the reference plane.

    Parameters
    ----------
    fits : RimFits
        Rims that were found well, on the plane at `fitted_at_mm`.
    fitted_at_mm : float
    plane : PlaneMap
    site : SiteDescription
    spacing : Spacing or None
        Of the plugs of a tray, on the same plane.

    Returns
    -------
    PlugTop
        A given height as it is. Otherwise what is believed of it and what rims and spacing tell, each weighed by
        its inverse variance, so that a slightly different photo or print gives a slightly different height.

    Notes
    -----
    A rim at height z seen from camera height D looks (D - h) / (D - z) times as large on the plane at height h, so
    z = D - (D - h) / scale. The same holds for the distance between plugs, which does not depend on their diameter.
    """
    size = rim_size(fits, site)
    camera = plane.camera_height_mm
    if site.reference_offset_mm is not None or not site.reference:
        return _settled(size, spacing, camera, site)
    believed_u = _believed_u_mm(site)
    if size is None:
        return PlugTop(0.0, believed_u, "assumed")
    if camera is None:
        return PlugTop(0.0, believed_u, "assumed", size.scale, size.scale_u)
    scale, scale_u = _weighed(size, spacing)
    told_mm = camera - (camera - fitted_at_mm) / scale
    told_u_mm = (camera - told_mm) * scale_u / scale
    height, u_mm = _with_belief(told_mm, told_u_mm, site)
    witnesses = f"{size.count} rims" if size.count > 1 else "1 rim"
    witnesses += " and the plugs' spacing" if spacing else ""
    seen = f"by {witnesses} {told_mm:.1f} mm, uncertain by {told_u_mm:.1f} mm; {height:.1f} mm is used"
    agree = size.count >= MANY_RIMS and size.scatter_mm <= AGREEING_SCATTER_MM
    doubts = []
    if agree and abs(told_mm) > SURE_SIGMAS * told_u_mm:
        doubts.append(Doubt("offset_from_rims", seen))
    elif not agree and abs(told_mm) > STRANGE_SIGMAS * told_u_mm:
        doubts.append(Doubt("offset_unsure", seen))
    source = "rims" if agree and u_mm < believed_u / np.sqrt(2) else "assumed"
    # How large rims look on the plane at the height that is used, and how surely.
    at_height = size.scale * (camera - height) / (camera - fitted_at_mm)
    at_height_u = float(np.hypot(size.scale_u, u_mm / (camera - height)))
    return PlugTop(height, u_mm, source, at_height, at_height_u, (*doubts, *_apart(size, spacing)))


def _settled(size: RimSize | None, spacing: Spacing | None, camera: float | None, site: SiteDescription) -> PlugTop:
    """A height that was given, or none: without a printed reference the scale lies on the plug tops themselves."""
    height, height_u = site.reference_offset_mm or 0.0, site.reference_offset_u_mm
    source = "assumed" if site.reference_offset_mm is None else "given"
    if size is None:
        return PlugTop(height, height_u, source)
    of_height = height_u / (camera - height) if camera is not None else 0.0
    size_u = float(np.hypot(size.scale_u, of_height))
    return PlugTop(height, height_u, source, size.scale, size_u, _apart(size, spacing))


def _apart(size: RimSize, spacing: Spacing | None) -> tuple[Doubt, ...]:
    """A doubt where rims and spacing tell different scales: whatever the height, diameter or pitch is wrong."""
    if spacing is None:
        return ()
    names = ("the tray's pitch", "plug rims")
    disagrees = compare_scales(spacing.scale, spacing.scale_u, size.scale, size.scale_u, names=names)
    return (disagrees,) if disagrees else ()


def _weighed(size: RimSize, spacing: Spacing | None) -> tuple[float, float]:
    """Scale by rims and by spacing together, and its standard uncertainty, larger where the two disagree."""
    if spacing is None:
        return size.scale, size.scale_u
    values = np.array([size.scale, spacing.scale])
    weights = np.array([size.scale_u, spacing.scale_u]) ** -2.0
    mean = float(values @ weights / weights.sum())
    # Birge's ratio of the scatter seen to the scatter expected (common practice of combining measurements)
    ratio = float(np.sqrt(((values - mean) ** 2) @ weights))
    return mean, max(ratio, 1.0) / float(np.sqrt(weights.sum()))


def _believed_u_mm(site: SiteDescription) -> float:
    level, off_level = _belief_mm2(site)
    return float(np.sqrt((1 - OFF_LEVEL_SHARE) * level + OFF_LEVEL_SHARE * off_level))


def _belief_mm2(site: SiteDescription) -> FloatArray:
    """Variances of the height of a reference laid level, and of another."""
    level = site.reference_offset_u_mm
    return np.array([level, max(OFF_LEVEL_U_MM, level)]) ** 2


def _with_belief(told_mm: float, told_u_mm: float, site: SiteDescription) -> tuple[float, float]:
    """Mean and standard deviation of the height after the evidence (Bayes), belief being a mixture of two normals.

    In each the evidence is combined with 0 by inverse variance; the shares of the two follow from how well each
    foretold the evidence. A small offset is drawn towards none, a large and sure one is not.
    """
    prior = _belief_mm2(site)
    both = prior + told_u_mm**2
    likely = np.log([1 - OFF_LEVEL_SHARE, OFF_LEVEL_SHARE]) - 0.5 * (told_mm**2 / both + np.log(both))
    shares = np.exp(likely - likely.max())
    shares /= shares.sum()
    means, variances = told_mm * prior / both, prior * told_u_mm**2 / both
    mean = float(shares @ means)
    return mean, float(np.sqrt(shares @ (variances + (means - mean) ** 2)))
