"""One photo of a site while plugs are looked for, and the records that come out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace

import numpy as np
import numpy.typing as npt

from fragarea.doubts import Doubt
from fragarea.reference.layout import ReferenceLayout
from fragarea.reference.plane import FloatArray, PlaneMap
from fragarea.sites.discs import DiscMap, find_discs, score_discs
from fragarea.sites.heights import PlugTop
from fragarea.sites.overview import look_over, search_region_mm
from fragarea.sites.records import PlugRim, PlugSighting, SiteDescription, SiteKind, SiteView
from fragarea.sites.rims import RimFits, fit_rims, leans
from fragarea.sites.windows import rims_at_height

# Discs below this score are none: at places of the dev trays' grating without a plug the best within 4 mm scored up
# to 0.20, plugs 0.32 and more.
LEAST_SCORE = 0.22
# A disc counts as plug when this share of its rim is found, or its score is this high and half the rim is found.
RIM_SHARE = 0.6
HALF_RIM = 0.4
SURE_SCORE = 0.33
# Where a plug is expected but no rim was found, this score still tells a plug.
EXPECTED_SCORE = 0.26
# From this share on a rim is beyond doubt.
CLEAR_RIM = 0.75
# A rim that differs more from the nominal radius is not the plug's.
RADIUS_SLACK = 0.06
# A rim flattened by more than this, and surely so, belongs to a plug that stands tilted (about 13 degrees).
TILT_FLATTENING_MM = 0.17
TILT_SIGMAS = 3.0
# The widest circle of a plug with a rounded edge lies this much below its top.
ROUNDING_MM = 0.5


class Scene:
    """One photo with the overview and scores that all kinds of site need."""

    def __init__(
        self, pixels: npt.NDArray[np.uint8], plane: PlaneMap, layout: ReferenceLayout | None, site: SiteDescription
    ) -> None:
        self.pixels, self.plane, self.layout, self.site = pixels, plane, layout, site
        self.radius_mm = site.plug_mm / 2
        self.height_mm = site.reference_offset_mm or 0.0
        alone = site.kind is SiteKind.SINGLE
        self.discs: DiscMap = score_discs(look_over(pixels, plane, layout, site.plug_mm), self.radius_mm, alone=alone)

    def candidates(self, most: int) -> tuple[FloatArray, FloatArray]:
        """Middles in mm ``(n, 2)`` on the plane at ``height_mm`` and scores of the best discs."""
        places, scores = find_discs(self.discs, self.radius_mm, LEAST_SCORE)
        places, scores = places[:most], scores[:most]
        if len(places) == 0:
            return np.zeros((0, 2)), scores
        return self.plane.to_plane(self.discs.overview.photo_px(places), self.height_mm), scores

    def near(self, points_mm: FloatArray, reach_mm: float) -> tuple[FloatArray, FloatArray]:
        """The best disc near each point, as `candidates`."""
        if len(points_mm) == 0:
            return np.zeros((0, 2)), np.zeros(0)
        overview = self.discs.overview
        where = overview.overview_px(self.plane.project(points_mm, self.height_mm))
        places, scores = self.discs.best_near(where, reach_mm)
        return self.plane.to_plane(overview.photo_px(places), self.height_mm), scores

    def rims(self, points_mm: FloatArray) -> RimFits:
        """Rims around first guesses, their middles moved from the widest circle up to the plug tops."""
        fits = fit_rims(self.pixels, self.plane, points_mm, self.radius_mm, self.height_mm)
        return self._raised(fits)

    def _raised(self, fits: RimFits) -> RimFits:
        if len(fits.radii_mm) == 0:
            return fits
        up = ROUNDING_MM * leans(self.plane, fits.centres_mm, self.height_mm)
        return replace(fits, centres_mm=fits.centres_mm + up)

    def quality(self, fits: RimFits) -> FloatArray:
        """Of several fits of one rim the right one has most rays on it, is round and of the right size."""
        return fits.on_rim - 0.75 * fits.flattening_mm - 0.25 * np.abs(fits.radii_mm - self.radius_mm)

    def is_plug(self, fits: RimFits, scores: FloatArray) -> npt.NDArray[np.bool_]:
        """Which fits are plugs."""
        sized = np.abs(fits.radii_mm / self.radius_mm - 1) < RADIUS_SLACK
        rim = (fits.on_rim >= RIM_SHARE) | ((fits.on_rim >= HALF_RIM) & (scores >= SURE_SCORE))
        return np.asarray(sized & rim & (scores >= LEAST_SCORE))

    def inview_of(self, points_mm: FloatArray) -> FloatArray:
        """Share of each plug's disc inside the photo."""
        if len(points_mm) == 0:
            return np.zeros(0)
        turns = np.arange(16) * (np.pi / 8)
        ring = self.radius_mm * np.column_stack([np.cos(turns), np.sin(turns)])
        shares = self._inside(points_mm, ring)
        # A disc is convex: with its whole rim inside, all of it is.
        steps = np.linspace(-1, 1, 25)
        x, y = np.meshgrid(steps, steps)
        disc = self.radius_mm * np.column_stack([x.ravel(), y.ravel()])[np.hypot(x, y).ravel() <= 1.0]
        cut = shares < 1
        if cut.any():
            shares[cut] = self._inside(points_mm[cut], disc)
        return shares

    def _inside(self, points_mm: FloatArray, around_mm: FloatArray) -> FloatArray:
        """Share of the places around each point that the photo shows."""
        seen = self.plane.project((points_mm[:, None] + around_mm[None]).reshape(-1, 2), self.height_mm)
        rows, columns = self.pixels.shape[:2]
        inside = ((seen >= -0.5) & (seen <= (columns - 0.5, rows - 0.5))).all(axis=1)
        return np.asarray(inside.reshape(len(points_mm), -1).mean(axis=1), dtype=float)


def take(fits: RimFits, which: npt.ArrayLike) -> RimFits:
    """The chosen ones of several rims."""
    index = np.asarray(which)
    return RimFits(**{field.name: getattr(fits, field.name)[index] for field in fields(fits)})


def joined(one: RimFits, other: RimFits) -> RimFits:
    """The rims of both."""
    names = [field.name for field in fields(one)]
    return RimFits(**{name: np.concatenate([getattr(one, name), getattr(other, name)]) for name in names})


def sighting(fits: RimFits, index: int, *, position: tuple[int, int] | None, label: str = "") -> PlugSighting:
    """A plug whose rim was fitted."""
    rim = PlugRim(
        (float(fits.centres_mm[index, 0]), float(fits.centres_mm[index, 1])),
        float(fits.radii_mm[index]),
        float(fits.centres_u_mm[index]),
        float(fits.radii_u_mm[index]),
    )
    doubts = []
    if fits.on_rim[index] < RIM_SHARE:
        doubts.append(Doubt("rim_unsure", f"{100 * fits.on_rim[index]:.0f} % of the rim found"))
    flat, flat_u = float(fits.flattening_mm[index]), float(fits.flattening_u_mm[index])
    if flat > TILT_FLATTENING_MM and flat > TILT_SIGMAS * flat_u and fits.on_rim[index] >= RIM_SHARE:
        short = (rim.radius_mm - flat) / (rim.radius_mm + flat)
        doubts.append(Doubt("plug_tilted", f"rim {short:.3f} as wide as long"))
    return PlugSighting(position, rim.centre_mm, rim, True, label, doubts=tuple(doubts))


def unfitted(
    place_mm: FloatArray, *, position: tuple[int, int] | None, present: bool, label: str = ""
) -> PlugSighting:
    """A position whose rim was not found; its middle comes from the grid or the description."""
    doubts = (Doubt("rim_unsure"),) if present else ()
    return PlugSighting(position, (float(place_mm[0]), float(place_mm[1])), None, present, label, doubts=doubts)


def _raised(scene: Scene, plugs: Sequence[PlugSighting], top: PlugTop) -> tuple[PlugSighting, ...]:
    """Sightings moved from the plane on which rims were fitted to the plug tops, with their share in view."""
    if not plugs:
        return ()
    places = np.array([plug.centre_mm for plug in plugs])
    shares = scene.inview_of(places)
    moved = scene.plane.to_plane(scene.plane.project(places, scene.height_mm), top.height_mm)
    found = [plug.rim for plug in plugs if plug.rim]
    rims = iter(rims_at_height(found, scene.plane, scene.height_mm, top.height_mm))
    raised = []
    for plug, share, (x, y) in zip(plugs, shares, moved, strict=True):
        cut = (Doubt("cut_off", f"{100 * share:.0f} % in view"),) if plug.present and share < 1.0 else ()
        raised.append(
            replace(
                plug,
                centre_mm=(float(x), float(y)),
                rim=next(rims) if plug.rim else None,
                in_view=float(share),
                doubts=(*plug.doubts, *cut),
            )
        )
    return tuple(raised)


def view_of(scene: Scene, plugs: Sequence[PlugSighting], top: PlugTop, doubts: tuple[Doubt, ...] = ()) -> SiteView:
    """The record that leaves this package: sightings with the height of the plug tops and the region searched."""
    return SiteView(
        plugs=_raised(scene, plugs, top),
        plug_top_mm=top.height_mm,
        plug_top_u_mm=top.u_mm,
        plug_top_source=top.source,
        rim_scale=top.rim_scale,
        rim_scale_u=top.rim_scale_u,
        doubts=(*top.doubts, *doubts),
        region_mm=region_of(scene.pixels.shape, scene.plane, scene.layout),
    )


def region_of(
    shape: tuple[int, ...], plane: PlaneMap, layout: ReferenceLayout | None
) -> tuple[float, float, float, float]:
    """Left, top, right and bottom in mm of what was searched, reference axes."""
    (left, top), (right, bottom) = search_region_mm(shape, plane, layout)
    return (float(left), float(top), float(right), float(bottom))
