"""How this photo shows an edge, read from the sides of the printed tags, whose places are known.

Blur of the light leaves the half-light point of a straight edge where it was. Cameras sharpen and smooth after the
tone curve, though, where half-way lies higher, and that moves the half-light point by some hundredths of a pixel.
The tags carry up to four straight black edges each through the same printer, lens and camera, so what is seen at
their true places tells how far. Pixels are taken as they are: an interpolated profile is off by as much as it
should tell.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fragarea.check.light import HALO_PX, LightImage
from fragarea.reference.layout import ReferenceLayout, TagLayout
from fragarea.reference.plane import PlaneMap

# Pixels this far from an edge are read; the ends of a side, where another edge is near, are left out.
_READ_PX = 9.0
_EDGE_PX = 0.75
_END_SHARE = 0.14
_BORDER_SHARE = 1 / 8  # of a tag's side that its black border is wide (family 36h11)
_FEWEST_SIDES = 4
# The two things known beforehand, both from sharpened photos of scenes drawn here: half-light points lie this near
# to true edges, and the edges of tags and of shapes agree to this.
_HALF_LIGHT_U_PX = 0.05
_TRANSFER_U_PX = 0.03
# How much the lead may change when light changes e-fold, before the tags have said anything.
_PRIOR_SLOPE = 0.3

Points = npt.NDArray[np.float64]


@dataclass(frozen=True)
class EdgeResponse:
    """Where edges lie in this photo's light.

    Attributes
    ----------
    lead : float
        By how much the share of ink at a true edge falls short of one half, in units of :func:`tone_excess`; 0 for
        a camera that neither sharpens nor smooths.
    lead_slope : float
        Change of ``lead`` with the natural logarithm of the paper's light.
    log_light : (float, float, float)
        Mean, least and greatest logarithm of the paper's light beside the tags.
    position_u_px : float
        Standard uncertainty of edge positions found with it, in pixels.
    blur_px2 : float
        Variance of the equivalent Gaussian blur at the half-light point, after sharpening; in square pixels.
    sides : int
        Tag sides it rests on; 0: assumed.
    """

    lead: float
    lead_slope: float
    log_light: tuple[float, float, float]
    position_u_px: float
    blur_px2: float
    sides: int

    def share_missing(self, paper: npt.ArrayLike, ink: npt.ArrayLike) -> Points:
        """One half less the share of ink that a true edge between these levels of linear light shows."""
        mean, least, greatest = self.log_light
        level = np.clip(np.log(np.maximum(paper, 1e-4)), least, greatest)
        lead = self.lead + self.lead_slope * (level - mean)
        return np.asarray(lead * tone_excess(paper, ink), dtype=float)


ASSUMED = EdgeResponse(0.0, 0.0, (0.0, 0.0, 0.0), position_u_px=_HALF_LIGHT_U_PX, blur_px2=0.3, sides=0)


def tone_excess(paper: npt.ArrayLike, ink: npt.ArrayLike) -> Points:
    """By how much half light is more than half-way in the file's tones, as a share of ink.

    A camera that sharpens after the tone curve adds a multiple of the difference between a pixel and the mean of
    its surroundings. On an edge that difference is T(half light) - (T(paper) + T(ink)) / 2 with the tone curve T; its
    effect on the light is that over T' at half light, and on the share of ink that again over the contrast.

    Parameters
    ----------
    paper, ink : array_like
        Linear light, 0 to 1.

    Returns
    -------
    ndarray
        About 0.24 for black and 0.18 for dark green on white.
    """
    white = np.maximum(np.asarray(paper, dtype=float), 1e-3)
    dark = np.clip(np.asarray(ink, dtype=float), 1e-4, 0.95 * white)
    half = (white + dark) / 2
    # The curve of IEC 61966-2-1 above its straight foot, which half light never reaches.
    slope = 1.055 / 2.4 * half ** (1 / 2.4 - 1)
    excess = _tone(half) - (_tone(white) + _tone(dark)) / 2
    return np.asarray(excess / (slope * (white - dark)), dtype=float)


def _tone(light: Points) -> Points:
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


@dataclass(frozen=True, eq=False)
class _Side:
    """Pixels around one side of a tag: distance from it (px, outwards), share of ink, and the two levels."""

    distance_px: Points
    share: Points
    paper: float
    ink: float


def edge_response(light: LightImage, plane: PlaneMap, layout: ReferenceLayout) -> EdgeResponse:
    """Edge response of a photo from the tag sides in view.

    Parameters
    ----------
    light : ndarray of float32, shape (rows, columns)
        Linear light of the whole photo.
    plane : PlaneMap
        Solved scale.
    layout : ReferenceLayout
        Reference in view.

    Returns
    -------
    EdgeResponse
        ``ASSUMED`` where fewer than four sides are usable or where they do not agree with each other.
    """
    sides = [side for tag in layout.tags for side in _tag_sides(light, plane, tag)]
    if len(sides) < _FEWEST_SIDES:
        return ASSUMED
    at_edge, slopes = np.array([_at_edge(side) for side in sides]).T
    slope = float(np.median(slopes))
    paper, ink = np.array([(side.paper, side.ink) for side in sides]).T
    leads = (0.5 - at_edge) / tone_excess(paper, ink)
    middle = float(np.median(leads))
    spread = 1.4826 * float(np.median(np.abs(leads - middle))) + 1e-6
    # A pose error moves opposite sides against each other, so that many sides say far more than one.
    scatter_u_px = 1.2533 * spread * float(tone_excess(paper, ink).mean()) / max(slope, 1e-3) / np.sqrt(len(sides))
    if slope < 0.05 or abs(middle) > 1.0 or scatter_u_px > 0.1:
        return ASSUMED
    kept = np.abs(leads - middle) < 4 * spread
    level = np.log(paper[kept])
    lead, lead_slope = _line(level, leads[kept], spread)
    # What the tags say and "edges lie at half light", weighed by how well each is known.
    tags_u_px = float(np.hypot(_TRANSFER_U_PX, scatter_u_px))
    trust = _HALF_LIGHT_U_PX**2 / (_HALF_LIGHT_U_PX**2 + tags_u_px**2)
    return EdgeResponse(
        lead=trust * lead,
        lead_slope=lead_slope,
        log_light=(float(level.mean()), float(level.min()), float(level.max())),
        position_u_px=tags_u_px * float(np.sqrt(trust)),
        blur_px2=_blur_px2(sides, slope),
        sides=int(kept.sum()),
    )


def _line(level: Points, leads: Points, spread: float) -> tuple[float, float]:
    """Mean, and slope with a normal prior about 0 so that even light does not turn scatter into a slope."""
    centred = level - level.mean()
    slope = float(centred @ leads) / (float(centred @ centred) + (spread / _PRIOR_SLOPE) ** 2)
    return float(leads.mean()), slope


def _tag_sides(light: LightImage, plane: PlaneMap, tag: TagLayout) -> list[_Side]:
    corners = tag.corners_mm()
    centre = np.asarray(tag.centre_mm)
    found = (_side(light, plane, corners[i], corners[(i + 1) % 4], centre) for i in range(4))
    return [side for side in found if side is not None]


def _side(light: LightImage, plane: PlaneMap, start: Points, end: Points, centre: Points) -> _Side | None:
    """One side; None where it is cut off, too small or too dim to read."""
    length = float(np.hypot(*(end - start)))
    along, outward = (end - start) / length, (start + end) / 2 - centre
    outward /= np.hypot(*outward)
    ends_px = plane.project(np.array([start, end]), 0.0)
    # Inwards a profile must not reach the code inside the border, yet pass the halo.
    depth = min(_READ_PX, float(np.hypot(*(ends_px[1] - ends_px[0]))) * _BORDER_SHARE - 1)
    if depth < HALO_PX + 1.5:
        return None
    low = np.floor(ends_px.min(axis=0) - _READ_PX).astype(int)
    high = np.ceil(ends_px.max(axis=0) + _READ_PX).astype(int) + 1
    if (low < 0).any() or high[0] > light.shape[1] or high[1] > light.shape[0]:
        return None
    pixels = _strip(ends_px, low, high)
    on_plane = plane.to_plane(pixels, 0.0) - start
    across = plane.project((start + end) / 2 + np.outer([-0.5, 0.5], outward), 0.0)
    distance = (on_plane @ outward) * float(np.hypot(*(across[1] - across[0])))
    place = (on_plane @ along) / length
    clear = (place > _END_SHARE) & (place < 1 - _END_SHARE) & (distance < _READ_PX) & (distance > -depth)
    column, row = pixels[clear].astype(int).T
    return _between_levels(distance[clear], place[clear], light[row, column].astype(float))


def _strip(ends_px: Points, low: npt.NDArray[np.int_], high: npt.NDArray[np.int_]) -> Points:
    """Pixels within reach of the straight line between two points (a lens may bow the side a little)."""
    x, y = np.meshgrid(np.arange(low[0], high[0]), np.arange(low[1], high[1]))
    run = (ends_px[1] - ends_px[0]) / np.hypot(*(ends_px[1] - ends_px[0]))
    across = (x - ends_px[0, 0]) * run[1] - (y - ends_px[0, 1]) * run[0]
    near = np.abs(across) < _READ_PX + 2
    return np.column_stack([x[near], y[near]]).astype(float)


def _between_levels(distance: Points, place: Points, light: Points) -> _Side | None:
    """Shares of ink between a paper level that changes along and across the side and one level of ink."""
    outer, inner = distance > HALO_PX, distance < -HALO_PX
    if min(outer.sum(), inner.sum(), (np.abs(distance) < _EDGE_PX).sum()) < 40:
        return None
    terms = np.column_stack([np.ones_like(distance), place, distance])
    fit, *_ = np.linalg.lstsq(terms[outer], light[outer], rcond=None)
    paper, ink = terms @ fit, float(light[inner].mean())
    if float(paper.min()) - ink < 0.05:
        return None
    return _Side(distance, (paper - light) / (paper - ink), float(paper.mean()), ink)


def _at_edge(side: _Side) -> tuple[float, float]:
    """Share of ink at the edge, and how fast it falls there per pixel."""
    near = np.abs(side.distance_px) < _EDGE_PX
    fit = np.polynomial.polynomial.polyfit(side.distance_px[near], side.share[near], 3)
    return float(fit[0]), float(-fit[1])


def _blur_px2(sides: list[_Side], slope: float) -> float:
    """Variance of the Gaussian whose half-light contour bends as much as this photo's.

    On an edge of curvature k a round blur with line spread l(x) moves the half-light point by
    (k / 2) int_0^inf x l(x) dx / l(0); for a Gaussian that is k sigma^2 / 2. The integral is what share is left
    beyond the edge, taken on both sides; overshoot from sharpening makes it small.
    """
    distance = np.concatenate([side.distance_px for side in sides])
    share = np.concatenate([side.share for side in sides])
    left = np.where(distance > 0, share, 1 - share)
    step = 0.25
    which = (np.abs(distance) / step).astype(int)
    count = np.bincount(which)
    means = np.bincount(which, weights=left) / np.maximum(count, 1)
    return max(0.0, step * float(means[: int((_READ_PX - 1) / step)].sum()) / slope)
