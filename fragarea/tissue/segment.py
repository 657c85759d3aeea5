"""Which pixels of a window are live tissue: one function for a window, one for all windows of a photo.

Two small networks, learned from windows recoloured and relit at random (``training``): the first finds
live, bleached and dead surface on a grid of 1 mm cells; the second reads the colours along lines across the
outline and says where the edge is, to a fraction of a pixel, and how sure that is.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any, NamedTuple

import cv2
import numpy as np
import numpy.typing as npt
import shapely
from shapely import MultiPolygon

from fragarea.doubts import Doubt
from fragarea.reference.light import Light
from fragarea.sites.records import PlugRim, Window
from fragarea.tissue.calibration import AS_LEARNED, TissueCalibration
from fragarea.tissue.outlines import (
    NOTHING,
    SPECK_MM2,
    SURE,
    SURE_SPECK_MM2,
    PlacedRings,
    cut_to,
    half_level,
    least_edge_u_mm,
    outlines_of_rings,
    rim_doubts,
    trace_level,
)
from fragarea.tissue.painting import SHIFT, paint_map, rings_px
from fragarea.tissue.records import Sureness, Surface, TissueMap, TissueOutlines
from fragarea.tissue.rings import Rings, across_field, pulled_to_edges, respaced, subdivided
from fragarea.tissue.surface import SHARE_PX, surface_shares
from fragarea.tissue.tiles import TILE_MM_PER_PX, Stack, Tile, cut_tiles

FloatArray = npt.NDArray[Any]
Pixels = npt.NDArray[np.uint8]

LEAST_SHARE = 0.02  # what no pixel is without, so that two shares near nothing are not weighed against each other
LEAST_VAGUE_SHARE = 0.1  # less live share than this parts one patch from another
OWN_SHARE = 0.5  # of a patch's outline within its plug's rim; less is a neighbour that leans into the window
OWN_MARGIN_MM = 1.0
LEAST_U_MM, SPREAD_LEFT, VAGUE_LEFT = 0.018, 0.075, 0.7
# An outline is right that misses less than a twentieth. Above the one probability of that it is called sure; below
# the other people should look. In between lie small fragments, of which the usual strip is a large share.
MISSED_SHARE, SURE_CONFIDENCE, DOUBTED_CONFIDENCE = 0.05, 0.9, 0.5
MISSED_BY_SPREAD, STEEPNESS = 0.43, 6.0
# A sharp edge alone is vague over about 0.2 mm at the first network's resolution.
EDGE_VAGUE_MM, VAGUE_MM, SMALL_MM2 = 0.3, 0.25, 25.0
VAGUE_SKELETON = 0.45
GLARE_LEVEL, GLARE_SHARE = 250, 0.05
DARK_LEVEL = 28  # sRGB, about 1 % of full scale in linear light


def segment_tissue(
    pixels: Pixels,
    mm_per_px: float,
    rim: tuple[tuple[float, float], float] | None = None,
    light: Light | None = None,
) -> TissueMap:
    """Label one window.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
        Rectified sRGB window.
    mm_per_px : float
        Side of a pixel in mm. Positive.
    rim : ((x, y), radius) or None
        Middle and radius of the plug's rim in pixels; None where it is not known, and on pads. With a rim, patches
        that mostly lie outside it are left out.
    light : Light or None
        White balance from grey patches, when in view.

    Returns
    -------
    TissueMap
        Same rows and columns as `pixels`.

    Raises
    ------
    ValueError
        If `pixels` is not a colour image of bytes, or `mm_per_px` is not positive and finite.
    """
    _check(pixels, mm_per_px)
    place = None
    if rim is not None:
        (x, y), radius = rim
        place = PlugRim((x * mm_per_px, y * mm_per_px), radius * mm_per_px)
    window = Window(pixels, mm_per_px, (0.0, 0.0), 0.0, place)
    return paint_map(segment_windows([window], light)[0], window)


def segment_windows(
    windows: Sequence[Window], light: Light | None = None, calibration: TissueCalibration = AS_LEARNED
) -> tuple[TissueOutlines, ...]:
    """Outline live, bleached and dead surface in all windows of one photo together.

    Parameters
    ----------
    windows : sequence of Window
        In any order; without `light` their brightest surfaces set the exposure for all.
    light : Light or None
        White balance from grey patches, when in view.
    calibration : TissueCalibration
        What a nursery's own corrections shift.

    Returns
    -------
    tuple of TissueOutlines
        One for each window, in the same order.

    Raises
    ------
    ValueError
        If a window's pixels are not a colour image of bytes, or its scale is not positive and finite.
    """
    for window in windows:
        _check(window.pixels, window.mm_per_px)
    outlines: dict[int, TissueOutlines] = {}
    for stack in cut_tiles(windows, light) if windows else ():
        shares = surface_shares(stack, calibration)
        own = [windows[tile.index] for tile in stack.tiles]
        rings, spread_mm = _rings(stack, shares, calibration.edge_mm)
        placed = _placed(rings, stack, own)
        live = outlines_of_rings(placed, len(own), _frames_mm(own))
        vague_mm, part_mm2 = _vague_mm(stack, shares), _part_mm2(shares)
        spreads = np.split(spread_mm, rings.ends[:-1]) if len(rings.ends) else []
        of_tile = np.searchsorted(rings.tile, np.arange(len(own) + 1))
        starts = placed.points_mm[2 * (rings.ends - rings.lengths)]
        seen = [
            _Seen(own[k], tile, shares[k], live[k], spreads[first:last], starts[first:last], float(vague_mm[k]))
            for k, (tile, (first, last)) in enumerate(zip(stack.tiles, pairwise(of_tile), strict=True))
        ]
        parts = [_parts(one, *(mm2 >= SPECK_MM2)) for one, mm2 in zip(seen, part_mm2, strict=True)]
        lights = _lights(stack, rings, [bleached for bleached, _ in parts], own)
        for one, (bleached, dead), tissue_light in zip(seen, parts, lights, strict=True):
            whole = _sureness(one)
            outlines[one.tile.index] = TissueOutlines(
                live=one.live,
                bleached=bleached,
                dead=dead,
                edge_u_mm=whole.edge_u_mm,
                confidence=whole.confidence,
                doubts=(*_doubts(one, tissue_light, whole), *rim_doubts(one.live, one.window)),
                patches=_patches(one) if one.window.rim is None else (),
            )
    return tuple(outlines[index] for index in range(len(windows)))


def _rings(stack: Stack, shares: FloatArray, outwards_mm: float) -> tuple[Rings, FloatArray]:
    """Rings around live tissue in the tiles of a stack, and the spread of their points in mm."""
    count, rows, columns = stack.colour.shape[:3]
    first = _first_rings(stack, shares)
    if not len(first.ends):
        return first, np.empty(0, np.float32)
    start = respaced(first)
    colour = stack.colour.reshape(count * rows, columns, 3)
    flat = shares.reshape(-1, *shares.shape[2:])
    live = np.ascontiguousarray(flat[..., Surface.LIVE] + flat[..., Surface.BLEACHED])
    return pulled_to_edges(start, across_field(start, live), colour, flat, rows, outwards_mm)


def _placed(rings: Rings, stack: Stack, windows: Sequence[Window]) -> PlacedRings:
    """Rings of a stack in reference axes, finer."""
    rows = stack.colour.shape[1]
    fine = subdivided(rings)
    scale = np.array([tile.step * window.mm_per_px for tile, window in zip(stack.tiles, windows, strict=True)])
    origin = np.array(
        [window.to_mm(tile.corner)[0] for tile, window in zip(stack.tiles, windows, strict=True)]
    ) - np.column_stack([np.zeros(len(scale)), np.arange(len(scale)) * rows * scale])
    tile = np.repeat(fine.tile, fine.lengths)
    return PlacedRings(fine.points * scale[tile, None] + origin[tile], fine.lengths, fine.tile, fine.outer)


def _frames_mm(windows: Sequence[Window]) -> npt.NDArray[np.float64]:
    """Left, top, right and bottom of windows."""
    corners = [[(-0.5, -0.5), (w.pixels.shape[1] - 0.5, w.pixels.shape[0] - 0.5)] for w in windows]
    return np.array([w.to_mm(both).ravel() for w, both in zip(windows, corners, strict=True)])


def _first_rings(stack: Stack, shares: FloatArray) -> Rings:
    """Contours of the live share at one half, in pixels of the stack, less what is too small or a neighbour's."""
    count, rows, columns = shares.shape[:3]
    # A frame of zeros keeps the tiles apart.
    framed = np.zeros((count, rows + 2, columns + 2), np.float32)
    np.add(shares[..., Surface.LIVE], shares[..., Surface.BLEACHED], out=framed[:, 1:-1, 1:-1])
    flat = framed.reshape(-1, columns + 2)
    chains, tree = cv2.findContours((flat > 0.5).view(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    tiles = np.array([int(chain[0, 0, 1]) // (rows + 2) for chain in chains], np.int64)
    outer: dict[int, int] = {}  # of the rings that are kept
    # outer rings before their holes, tile by tile
    for index in sorted(range(len(chains)), key=lambda k: (tiles[k], tree[0][k][3] >= 0)):
        chain, tile, parent = chains[index], int(tiles[index]), int(tree[0][index][3])
        if len(chain) < 4 or _speck(chain, flat, hole=parent >= 0):
            continue
        if parent >= 0:
            if parent in outer:
                outer[index] = outer[parent]
        elif _own(chain.reshape(-1, 2) - (1, tile * (rows + 2) + 1), stack.tiles[tile]):
            outer[index] = len(outer)
    kept = [chains[index].reshape(-1, 2) for index in outer]
    tiles = tiles[list(outer)]
    lengths = np.array([len(chain) for chain in kept], np.int64)
    points = np.concatenate(half_level(flat, kept)) if kept else np.empty((0, 2))
    frame = np.repeat(tiles, lengths)
    points -= np.column_stack([np.ones(len(points)), 2 * frame + 1])
    return Rings(
        _from_share(points).astype(np.float32), np.cumsum(lengths), tiles, np.array([*outer.values()], np.int64)
    )


def _from_share(points: npt.NDArray[Any]) -> npt.NDArray[np.float64]:
    """Tile pixels of share pixels."""
    return np.asarray(points * SHARE_PX + (SHARE_PX - 1) / 2, dtype=float)


def _speck(chain: npt.NDArray[Any], level: FloatArray, *, hole: bool) -> bool:
    share_mm2 = (SHARE_PX * TILE_MM_PER_PX) ** 2
    # The chain runs through the middles of border pixels: half its length lies outside it.
    area_mm2 = (cv2.contourArea(chain) + (-0.5 if hole else 0.5) * len(chain)) * share_mm2
    if area_mm2 >= SPECK_MM2:
        return False
    if hole or area_mm2 < SURE_SPECK_MM2:
        return True
    x, y, width, height = cv2.boundingRect(chain)
    return float(level[y : y + height, x : x + width].max()) < SURE


def _own(chain: npt.NDArray[Any], tile: Tile) -> bool:
    if tile.rim is None:
        return True
    x, y, radius = tile.rim
    places = _from_share(chain)
    away = np.hypot(places[:, 0] - x, places[:, 1] - y)
    return bool((away < radius + OWN_MARGIN_MM / TILE_MM_PER_PX).mean() >= OWN_SHARE)


def _part_mm2(shares: FloatArray) -> npt.NDArray[np.float64]:
    """Area of each tile that is rather bleached than normal, and that is rather dead than not, ``(n, 2)``."""
    bleached, dead = shares[..., Surface.BLEACHED], shares[..., Surface.DEAD]
    bleached = (bleached > 0.3) & (bleached > shares[..., Surface.LIVE])
    counts = np.column_stack([np.count_nonzero(part, axis=(1, 2)) for part in (bleached, dead > 0.5)])
    return np.asarray(counts * (SHARE_PX * TILE_MM_PER_PX) ** 2)


def _vague_mm(stack: Stack, shares: FloatArray) -> npt.NDArray[np.float64]:
    """Area that is neither surely live nor surely not, beyond what any edge has, for each mm of a round outline."""
    live = shares[..., Surface.LIVE] + shares[..., Surface.BLEACHED]
    rows, columns = live.shape[1:]
    x, y = (_from_share(np.arange(count, dtype=np.float32)) for count in (columns, rows))
    rims = np.array([tile.rim or (0.0, 0.0, np.inf) for tile in stack.tiles], np.float32)
    across, down = (x - rims[:, :1]) ** 2, (y - rims[:, 1:2]) ** 2
    live *= across[:, None, :] + down[:, :, None] <= rims[:, 2, None, None] ** 2
    share_mm2 = (SHARE_PX * TILE_MM_PER_PX) ** 2
    vague_mm2 = np.minimum(live, 1 - live).sum(axis=(1, 2), dtype=float) * share_mm2
    area_mm2 = (live > 0.5).sum(axis=(1, 2)) * share_mm2
    return np.maximum(0.0, vague_mm2 / (4 * np.sqrt(np.maximum(area_mm2, SMALL_MM2))) - EDGE_VAGUE_MM)


class _TissueLight(NamedTuple):
    """How light the normal tissue of a window is: share of it that glares, and its brightest colour's mean."""

    glare: float
    mean: float


class _Seen(NamedTuple):
    """What was found in one window; `spreads_mm` and `starts_mm` hold the spread and the first point of each ring."""

    window: Window
    tile: Tile
    share: FloatArray
    live: MultiPolygon
    spreads_mm: list[FloatArray]
    starts_mm: FloatArray
    vague_mm: float

    @property
    def spread_mm(self) -> FloatArray:
        """Of the points of all rings."""
        return np.concatenate(self.spreads_mm) if self.spreads_mm else np.empty(0, np.float32)

    def share_to_mm(self, points: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Reference axes of pixels of the shares."""
        return self.window.to_mm(self.tile.to_window(_from_share(points)))


def _parts(seen: _Seen, has_bleached: bool, has_dead: bool) -> tuple[MultiPolygon, MultiPolygon]:
    """Bleached tissue and dead skeleton."""
    has_tissue = seen.live.area >= SPECK_MM2
    bleached = _bleached(seen) if has_bleached and has_tissue else NOTHING
    return bleached, _dead(seen) if has_dead and (has_tissue or _evident_skeleton(seen.share)) else NOTHING


def _evident_skeleton(share: FloatArray) -> bool:
    """Whether dead surface without tissue beside it is skeleton, not glue or bare plug that looks a little like it.

    On the ``dev`` scenes the doubtful area is a third of a skeleton's, and more than half of what glue is taken for
    when the network sees it at a scale that it was not trained on.
    """
    dead = share[..., Surface.DEAD]
    return bool(np.minimum(dead, 1 - dead).sum() < VAGUE_SKELETON * (dead > 0.5).sum())


def _bleached(seen: _Seen) -> MultiPolygon:
    """Bleached tissue, weighed against normal tissue alone, so that it ends at the outline and not short of it."""
    bleached = seen.share[..., Surface.BLEACHED]
    level = bleached / (bleached + seen.share[..., Surface.LIVE] + LEAST_SHARE)
    return cut_to(trace_level(level, seen.share_to_mm), seen.live, inside=True)


def _dead(seen: _Seen) -> MultiPolygon:
    """Skeleton on the plug, weighed against what is no tissue."""
    dead = seen.share[..., Surface.DEAD]
    found = trace_level(dead / (dead + seen.share[..., Surface.OTHER] + LEAST_SHARE), seen.share_to_mm)
    if seen.window.rim is not None:
        rim = seen.window.rim
        found = cut_to(found, shapely.Point(rim.centre_mm).buffer(rim.radius_mm + OWN_MARGIN_MM), inside=True)
    return cut_to(found, seen.live, inside=False)


def _edge_u_mm(spread_mm: FloatArray, vague_mm: float) -> float:
    """Standard uncertainty of an edge position that the whole outline shares.

    Neighbouring lines err alike, so that about a tenth of the lines' own spread is left in the mean; the constant
    part is what stays where every line is sure; and what may be tissue or not moves the edge by its area over its
    length. All were chosen on the ``dev`` scenes (``benchmarks.tissue``), where the 95 % interval then holds the
    truth for 98 % of outlines with IoU above 0.97.
    """
    return LEAST_U_MM + SPREAD_LEFT * _rms(spread_mm) + VAGUE_LEFT * vague_mm


def _sureness(seen: _Seen) -> Sureness:
    spread_mm = seen.spread_mm
    edge_u_mm = least_edge_u_mm(_edge_u_mm(spread_mm, seen.vague_mm), seen.window)
    return Sureness(edge_u_mm, _confidence(seen.live, spread_mm, seen.vague_mm))


def _patches(seen: _Seen) -> tuple[Sureness, ...]:
    """Each patch of a pad by itself: turf that looks like tissue in a corner says nothing of the corals beside it."""
    patches = list(seen.live.geoms)
    if not patches:
        return ()
    starts = shapely.points(seen.starts_mm)
    owner = np.array([[patch.boundary.distance(start) for patch in patches] for start in starts]).argmin(axis=1)
    vague_mm = _vague_of_patches_mm(seen, patches)
    found = []
    for k, patch in enumerate(patches):
        own = [spread for spread, which in zip(seen.spreads_mm, owner, strict=True) if which == k]
        spread_mm = np.concatenate(own) if own else seen.spread_mm
        edge_u_mm = least_edge_u_mm(_edge_u_mm(spread_mm, vague_mm[k]), seen.window)
        found.append(Sureness(edge_u_mm, _confidence(MultiPolygon([patch]), spread_mm, vague_mm[k])))
    return tuple(found)


def _vague_of_patches_mm(seen: _Seen, patches: list[shapely.Polygon]) -> list[float]:
    """As `_vague_mm`, of the doubtful surface that hangs together with each patch."""
    live = seen.share[..., Surface.LIVE] + seen.share[..., Surface.BLEACHED]
    count, label = cv2.connectedComponents((live > LEAST_VAGUE_SHARE).view(np.uint8))
    share_mm2 = (SHARE_PX * TILE_MM_PER_PX) ** 2
    flat = label.ravel()
    vague = np.bincount(flat, np.minimum(live, 1 - live).ravel(), count) * share_mm2
    area = np.bincount(flat, (live > 0.5).ravel(), count) * share_mm2
    each = np.maximum(0.0, vague / (4 * np.sqrt(np.maximum(area, SMALL_MM2))) - EDGE_VAGUE_MM)
    inside = np.array([patch.representative_point().coords[0] for patch in patches])
    places = (seen.tile.from_window(seen.window.to_px(inside)) - (SHARE_PX - 1) / 2) / SHARE_PX
    column, row = np.clip(np.round(places).astype(int), 0, (live.shape[1] - 1, live.shape[0] - 1)).T
    return [float(each[label[r, c]]) for r, c in zip(row, column, strict=True)]


def _confidence(live: MultiPolygon, spread_mm: FloatArray, vague_mm: float) -> float:
    """Probability that the outline overlaps the true one by more than 0.95 (intersection over union).

    Where the edge's place is spread along its lines, the outline misses a strip as wide in proportion, and so much
    of the overlap as the strip takes of the area. Its width was fitted on ``dev`` scenes (``benchmarks.confidence``).
    """
    area_mm2 = float(live.area)
    if area_mm2 < SURE_SPECK_MM2:
        return float(np.exp(-vague_mm))
    strip_mm = MISSED_BY_SPREAD * _rms(spread_mm)
    return float(1 / (1 + (strip_mm * live.length / area_mm2 / MISSED_SHARE) ** STEEPNESS))


def _rms(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(values**2))) if len(values) else 0.0


def unsure(one: Sureness) -> tuple[Doubt, ...]:
    """The doubt of an outline that is rather wrong than right."""
    return (Doubt("outline_unsure", f"{one.confidence:.0%} sure"),) if one.confidence < DOUBTED_CONFIDENCE else ()


def _doubts(seen: _Seen, light: _TissueLight, whole: Sureness) -> tuple[Doubt, ...]:
    doubts: list[Doubt] = []
    if seen.window.rim is None:
        pass  # a pad is judged patch by patch
    elif whole.confidence < DOUBTED_CONFIDENCE and not seen.live.is_empty:
        doubts += unsure(whole)
    elif seen.vague_mm > VAGUE_MM:
        doubts.append(Doubt("outline_unsure", "part of the surface may be tissue or not"))
    if light.glare > GLARE_SHARE:
        doubts.append(Doubt("glare", f"{light.glare:.0%} of the tissue"))
    if light.mean < DARK_LEVEL:
        doubts.append(Doubt("dark"))
    return tuple(doubts)


def _lights(
    stack: Stack, rings: Rings, bleached: Sequence[MultiPolygon], windows: Sequence[Window]
) -> list[_TissueLight]:
    """Light of the normal tissue in each tile; bleached tissue is white without glare."""
    count, rows, columns = stack.seen.shape[:3]
    mask = np.zeros((count * rows, columns), np.uint8)
    if len(rings.ends):
        cv2.fillPoly(mask, [_fixed(ring) for ring in rings.split()], 255, lineType=cv2.LINE_8, shift=SHIFT)
    white = cv2.inRange(stack.seen.reshape(-1, columns, 3), (GLARE_LEVEL,) * 3, (255,) * 3)
    lights = []
    for index, tile in enumerate(stack.tiles):
        tissue, shines = (layer[index * rows : (index + 1) * rows] for layer in (mask, white))
        if not bleached[index].is_empty:
            pale = [_fixed(tile.from_window(ring)) for ring in rings_px(bleached[index], windows[index])]
            cv2.fillPoly(tissue, pale, 0, lineType=cv2.LINE_8, shift=SHIFT)
        area = cv2.countNonZero(tissue)
        glare = cv2.countNonZero(cv2.bitwise_and(shines, tissue)) / area if area else 0.0
        # every fourth row tells how light tissue is
        means = cv2.mean(stack.seen[index, ::4], tissue[::4]) if area else ()
        lights.append(_TissueLight(glare, max(means[:3], default=255.0)))
    return lights


def _fixed(ring: FloatArray) -> npt.NDArray[np.int32]:
    """OpenCV's fixed-point vertices."""
    return np.round(ring * 2**SHIFT).astype(np.int32)


def _check(pixels: Pixels, mm_per_px: float) -> None:
    if pixels.dtype != np.uint8 or pixels.ndim != 3 or pixels.shape[2] != 3 or 0 in pixels.shape:
        raise ValueError(f"pixels must be uint8 of shape (rows, columns, 3); got {pixels.dtype} {pixels.shape}")
    if not (np.isfinite(mm_per_px) and mm_per_px > 0):
        raise ValueError(f"mm_per_px must be positive and finite; got {mm_per_px}")
