"""Find the plugs of a site in one photo."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace

import numpy as np
import numpy.typing as npt

from fragarea.doubts import Doubt
from fragarea.reference.layout import ReferenceLayout
from fragarea.reference.plane import FloatArray, PlaneMap
from fragarea.sites.discs import DiscMap, find_discs, score_discs
from fragarea.sites.grid import (
    GridExtent,
    Lattice,
    assign_cells,
    fit_lattice,
    place_grid,
    refine_lattice,
    without_stray_edges,
)
from fragarea.sites.heights import PlugTop, plug_top
from fragarea.sites.overview import look_over, search_region_mm
from fragarea.sites.pads import place_labels, reading_order
from fragarea.sites.records import PlugRim, PlugSighting, SiteDescription, SiteKind, SiteView
from fragarea.sites.rims import RimFits, fit_rims, leans
from fragarea.sites.windows import rims_at_height

# Discs below this score are not looked at.
LEAST_SCORE = 0.2
# A disc counts as plug when this share of its rim is found, or its score is this high and half the rim is found.
RIM_SHARE = 0.6
HALF_RIM = 0.4
SURE_SCORE = 0.33
# From this share on a rim is beyond doubt.
CLEAR_RIM = 0.75
# At a position of the grid, where a plug is expected, this score is enough.
EXPECTED_SCORE = 0.25
# How far a plug may stand from its position.
SHIFT_MM = 4.0
# A rim that differs more from the nominal radius is not the plug's.
RADIUS_SLACK = 0.06
# A rim flattened by more than this, and surely so, belongs to a plug that stands tilted (about 13 degrees).
TILT_FLATTENING_MM = 0.17
TILT_SIGMAS = 3.0
# The widest circle of a plug with a rounded edge lies this much below its top.
ROUNDING_MM = 0.5
# A single rim found worse than this is tried again from places all around.
RETRY_BELOW = 0.9
TRIES_MM = np.array(
    [
        (reach * np.cos(turn), reach * np.sin(turn))
        for reach, count in ((1.3, 6), (2.6, 12))
        for turn in np.arange(count) * (2 * np.pi / count)
    ]
)
MOST_DISCS = 160
SINGLE_DISCS = 24
LIKELY_DISCS = 3
# Weight of a disc's difference in colour from its surroundings; sRGB steps that count half.
CONTRAST_WEIGHT = 0.5
CONTRAST_KNEE = 60.0
# A single plug lies beside its card: what is farther away must look better, by this much of score a millimetre.
FAR_PER_MM = 0.003
FEW_DISCS = 3


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
        return SiteView((), offset or 0.0, u_mm, source, region_mm=_region(pixels.shape, plane, layout))
    scene = _Scene(pixels, plane, layout, site)
    if site.kind is SiteKind.TRAY:
        return _find_tray(scene)
    if site.kind is SiteKind.PAD:
        return _find_pad(scene)
    return _find_single(scene)


# A sheet of known-area shapes lies on the same ground as the frame; paper and curl are what is left.
FLAT_U_MM = 0.2


class _Scene:
    """One photo with the overview and scores that all kinds of site need."""

    def __init__(
        self, pixels: npt.NDArray[np.uint8], plane: PlaneMap, layout: ReferenceLayout | None, site: SiteDescription
    ) -> None:
        self.pixels, self.plane, self.layout, self.site = pixels, plane, layout, site
        self.radius_mm = site.plug_mm / 2
        self.height_mm = site.reference_offset_mm or 0.0
        alone = site.kind is SiteKind.SINGLE
        self.discs: DiscMap = score_discs(look_over(pixels, plane, layout), self.radius_mm, alone=alone)

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

    def rim_with_care(self, points_mm: FloatArray, scores: FloatArray) -> tuple[RimFits, FloatArray]:
        """The likeliest of several discs and its score; where its rim is found poorly, places all around are tried.

        A disc may be drawn to its own shadow, or half-way to a bar of the grating.
        """
        scores = scores - FAR_PER_MM * self.beyond_reference(points_mm) + CONTRAST_WEIGHT * self.contrast(points_mm)
        likely = np.argsort(-scores, kind="stable")[:LIKELY_DISCS]
        points_mm, scores = points_mm[likely], scores[likely]
        fits = self.rims(points_mm)
        best = int(np.argmax(scores + self.quality(fits)))
        if fits.on_rim[best] < RETRY_BELOW:
            tries = self.rims((points_mm[:, None] + TRIES_MM).reshape(-1, 2))
            both = {f.name: np.concatenate([getattr(fits, f.name), getattr(tries, f.name)]) for f in fields(fits)}
            fits, scores = RimFits(**both), np.concatenate([scores, np.repeat(scores, len(TRIES_MM))])
            best = int(np.argmax(scores + self.quality(fits)))
        return take(fits, [best]), scores[[best]]

    def contrast(self, points_mm: FloatArray) -> FloatArray:
        """How much the mean colour within each disc differs from that around it, 0 to 1.

        A grating has edges everywhere, but over a plug's width its mean colour hardly changes.
        """
        overview = self.discs.overview
        middles = overview.overview_px(self.plane.project(points_mm, self.height_mm))
        reach = int(np.ceil(1.6 * self.radius_mm * overview.px_per_mm))
        y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
        away = np.hypot(x, y) / (self.radius_mm * overview.px_per_mm)
        columns = np.round(middles[:, 0]).astype(int)[:, None, None] + x
        rows = np.round(middles[:, 1]).astype(int)[:, None, None] + y
        height, width = overview.visible.shape
        there = (columns >= 0) & (columns < width) & (rows >= 0) & (rows < height)
        rows, columns = np.clip(rows, 0, height - 1), np.clip(columns, 0, width - 1)
        there &= overview.visible[rows, columns]
        colour = overview.pixels[rows, columns].astype(np.float32)
        inside, around = ((there & zone)[..., None] for zone in (away < 0.85, (away > 1.15) & (away < 1.6)))
        means = [(colour * zone).sum(axis=(1, 2)) / np.maximum(zone.sum(axis=(1, 2)), 1) for zone in (inside, around)]
        apart = np.linalg.norm(means[0] - means[1], axis=1)
        return np.asarray(apart / (apart + CONTRAST_KNEE), dtype=float)

    def beyond_reference(self, points_mm: FloatArray) -> FloatArray:
        """Distance of points from the printed reference; 0 without one."""
        if self.layout is None:
            return np.zeros(len(points_mm))
        card = np.asarray(self.layout.outline_mm, dtype=float)
        return np.linalg.norm(points_mm - np.clip(points_mm, card.min(axis=0), card.max(axis=0)), axis=1)

    def quality(self, fits: RimFits) -> FloatArray:
        """Of several fits of one rim the right one has most rays on it, is round and of the right size."""
        return fits.on_rim - 0.75 * fits.flattening_mm - 0.25 * np.abs(fits.radii_mm - self.radius_mm)

    def _raised(self, fits: RimFits) -> RimFits:
        if len(fits.radii_mm) == 0:
            return fits
        up = ROUNDING_MM * leans(self.plane, fits.centres_mm, self.height_mm)
        return replace(fits, centres_mm=fits.centres_mm + up)

    def is_plug(self, fits: RimFits, scores: FloatArray) -> npt.NDArray[np.bool_]:
        """Which fits are plugs."""
        sized = np.abs(fits.radii_mm / self.radius_mm - 1) < RADIUS_SLACK
        rim = (fits.on_rim >= RIM_SHARE) | ((fits.on_rim >= HALF_RIM) & (scores >= SURE_SCORE))
        return np.asarray(sized & rim)

    def in_view(self, points_mm: FloatArray) -> FloatArray:
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


def _find_single(scene: _Scene) -> SiteView:
    points, scores = scene.candidates(SINGLE_DISCS)
    if len(points) == 0:
        return _view(scene, (), plug_top(scene.rims(points), scene.height_mm, scene.plane, scene.site))
    fit, score = scene.rim_with_care(points, scores)
    found = take(fit, scene.is_plug(fit, score) | (fit.on_rim >= HALF_RIM))
    top = plug_top(found, scene.height_mm, scene.plane, scene.site)
    return _view(scene, [_sighting(found, 0, position=None)] if len(found.radii_mm) else [], top)


def _find_pad(scene: _Scene) -> SiteView:
    points, scores = scene.candidates(MOST_DISCS)
    strong = scores >= SURE_SCORE
    fits = scene.rims(points[strong])
    good = scene.is_plug(fits, scores[strong])
    found = take(fits, good)
    clear = take(found, found.on_rim >= CLEAR_RIM)
    top = plug_top(clear, scene.height_mm, scene.plane, scene.site)
    if scene.site.places_mm:
        return _described_pad(scene, found, top)
    if len(found.on_rim) < FEW_DISCS and (found.on_rim < RIM_SHARE).all():
        # Tissue has grown over the rims; a disc or two that look a little like one would only mislead.
        return _view(scene, (), top)
    order = reading_order(found.centres_mm, scene.site.plug_mm)
    plugs = tuple(
        _sighting(found, int(index), position=None, label=str(number)) for number, index in enumerate(order, start=1)
    )
    return _view(scene, plugs, top)


def _described_pad(scene: _Scene, found: RimFits, top: PlugTop) -> SiteView:
    labels = [label for label, _, _ in scene.site.places_mm]
    places = np.array([(x, y) for _, x, y in scene.site.places_mm], dtype=float)
    middles, partners, unsure = place_labels(places, found.centres_mm, scene.site.plug_mm)
    plugs = []
    for label, middle, partner in zip(labels, middles, partners, strict=True):
        if partner >= 0:
            plugs.append(_sighting(found, int(partner), position=None, label=label))
        else:
            plugs.append(_unfitted(middle, position=None, label=label, present=True))
    return _view(scene, tuple(plugs), top, (Doubt("grid_unsure", unsure),) if unsure else ())


def _find_tray(scene: _Scene) -> SiteView:
    site = scene.site
    points, scores = scene.candidates(MOST_DISCS)
    lattice = fit_lattice(points, scores**2, plug_mm=site.plug_mm, pitch_mm=site.pitch_mm)
    if lattice is None:
        lattice = Lattice(points[0] if len(points) else np.zeros(2), site.pitch_mm or 1.1 * site.plug_mm, 0.0)
    chosen, cells = assign_cells(lattice, points, scores)
    fits = scene.rims(points[chosen])
    good = scene.is_plug(fits, scores[chosen])
    top = plug_top(take(fits, good), scene.height_mm, scene.plane, site)
    if not good.any():
        return _view(scene, (), top, (Doubt("grid_unsure", "no plug was found"),))
    found = take(fits, good)
    lattice = refine_lattice(lattice, found.centres_mm, np.ones(len(found.on_rim)))
    chosen, cells = assign_cells(lattice, found.centres_mm, found.on_rim)
    cells = without_stray_edges(cells, found.on_rim[chosen] >= CLEAR_RIM)
    extent = _extent(scene, lattice, cells)
    plugs = _positions(scene, lattice.shifted(extent.first_column, extent.first_row), extent, found)
    return _view(scene, plugs, top, (Doubt("grid_unsure", extent.unsure),) if extent.unsure else ())


def _extent(scene: _Scene, lattice: Lattice, cells: npt.NDArray[np.intp]) -> GridExtent:
    opening = scene.layout.window_mm if scene.layout is not None else None
    low, high = (np.min(opening, axis=0), np.max(opening, axis=0)) if opening else (None, None)
    return place_grid(
        lattice,
        cells,
        columns=scene.site.columns,
        rows=scene.site.rows,
        middle_mm=None if low is None or high is None else (low + high) / 2,
        half_size_mm=None if low is None or high is None else (high - low) / 2,
    )


def _positions(scene: _Scene, lattice: Lattice, extent: GridExtent, found: RimFits) -> tuple[PlugSighting, ...]:
    """Every position of the tray, row by row; where no plug was sure, a second look at the place itself."""
    chosen, cells = assign_cells(lattice, found.centres_mm, found.on_rim)
    at = {(int(row) + 1, int(column) + 1): int(index) for index, (column, row) in zip(chosen, cells, strict=True)}
    every = [(row, column) for row in range(1, extent.rows + 1) for column in range(1, extent.columns + 1)]
    empty = [position for position in every if position not in at]
    places = lattice.to_mm([(column - 1, row - 1) for row, column in empty])
    points, scores = scene.near(places, SHIFT_MM)
    again = scene.rims(points)
    rim = scene.is_plug(again, scores) & (np.hypot(*(again.centres_mm - places).T) < SHIFT_MM)
    second = {position: index for index, position in enumerate(empty)}
    plugs = []
    for position in every:
        if position in at:
            plugs.append(_sighting(found, at[position], position=position))
            continue
        index = second[position]
        if rim[index] and scores[index] >= LEAST_SCORE:
            plugs.append(_sighting(again, index, position=position))
        else:
            present = bool(scores[index] >= EXPECTED_SCORE)
            plugs.append(_unfitted(places[index], position=position, present=present))
    return tuple(plugs)


def _sighting(fits: RimFits, index: int, *, position: tuple[int, int] | None, label: str = "") -> PlugSighting:
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


def _unfitted(
    place_mm: FloatArray, *, position: tuple[int, int] | None, present: bool, label: str = ""
) -> PlugSighting:
    """A position whose rim was not found; its middle comes from the grid or the description."""
    doubts = (Doubt("rim_unsure"),) if present else ()
    return PlugSighting(position, (float(place_mm[0]), float(place_mm[1])), None, present, label, doubts=doubts)


def _raised(scene: _Scene, plugs: Sequence[PlugSighting], top: PlugTop) -> tuple[PlugSighting, ...]:
    """Sightings moved from the plane on which rims were fitted to the plug tops, with their share in view."""
    if not plugs:
        return ()
    places = np.array([plug.centre_mm for plug in plugs])
    shares = scene.in_view(places)
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


def _view(scene: _Scene, plugs: Sequence[PlugSighting], top: PlugTop, doubts: tuple[Doubt, ...] = ()) -> SiteView:
    return SiteView(
        plugs=_raised(scene, plugs, top),
        plug_top_mm=top.height_mm,
        plug_top_u_mm=top.u_mm,
        plug_top_source=top.source,
        rim_scale=top.rim_scale,
        rim_scale_u=top.rim_scale_u,
        doubts=(*top.doubts, *doubts),
        region_mm=_region(scene.pixels.shape, scene.plane, scene.layout),
    )


def _region(
    shape: tuple[int, ...], plane: PlaneMap, layout: ReferenceLayout | None
) -> tuple[float, float, float, float]:
    (left, top), (right, bottom) = search_region_mm(shape, plane, layout)
    return (float(left), float(top), float(right), float(bottom))
