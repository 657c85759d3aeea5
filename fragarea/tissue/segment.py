"""Which pixels of a window are live tissue: one function for a window, one for all windows of a photo.

Two small networks, learned from windows recoloured and relit at random (``training``): the first finds
live, bleached and dead surface on a grid of 1 mm cells; the second reads the colours along lines across the
outline and says where the edge is, to a fraction of a pixel, and how sure that is.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import cv2
import numpy as np
import numpy.typing as npt

from fragarea.doubts import Doubt
from fragarea.reference.light import Light
from fragarea.sites.records import PlugRim, Window
from fragarea.tissue.outlines import SPECK_MM2, SURE, SURE_SPECK_MM2, half_level
from fragarea.tissue.painting import paint_coverage
from fragarea.tissue.records import Surface, TissueMap
from fragarea.tissue.rings import Rings, across_field, pulled_to_edges, respaced
from fragarea.tissue.surface import SHARE_PX, surface_shares
from fragarea.tissue.tiles import TILE_MM_PER_PX, Stack, Tile, cut_tiles

FloatArray = npt.NDArray[Any]
Pixels = npt.NDArray[np.uint8]

OWN_SHARE = 0.5  # of a patch's outline within its plug's rim; less is a neighbour that leans into the window
OWN_MARGIN_MM = 1.0
LEAST_U_MM, SPREAD_LEFT, VAGUE_LEFT = 0.018, 0.075, 0.7
UNSURE_MM, UNSURE_SHARE = 0.5, 0.15
# A sharp edge alone is vague over about 0.2 mm at the first network's resolution.
EDGE_VAGUE_MM, VAGUE_MM, SMALL_MM2 = 0.3, 0.25, 25.0
VAGUE_SKELETON = 0.45
GLARE_LEVEL, GLARE_SHARE = 250, 0.05
DARK_LEVEL = 28  # sRGB, about 1 % of full scale in linear light


class _Found(NamedTuple):
    """Rings of one tile, in tile pixels, and the spread of their points."""

    rings: list[npt.NDArray[np.float64]]
    spread_mm: FloatArray


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
    return segment_windows([Window(pixels, mm_per_px, (0.0, 0.0), 0.0, place)], light)[0]


def segment_windows(windows: Sequence[Window], light: Light | None = None) -> tuple[TissueMap, ...]:
    """Label all windows of one photo together.

    Parameters
    ----------
    windows : sequence of Window
        In any order; without `light` their brightest surfaces set the exposure for all.
    light : Light or None
        White balance from grey patches, when in view.

    Returns
    -------
    tuple of TissueMap
        One for each window, in the same order.

    Raises
    ------
    ValueError
        If a window's pixels are not a colour image of bytes, or its scale is not positive and finite.
    """
    for window in windows:
        _check(window.pixels, window.mm_per_px)
    maps: dict[int, TissueMap] = {}
    for stack in cut_tiles(windows, light) if windows else ():
        shares = surface_shares(stack)
        found = _outline(stack, shares)
        vague_mm, parts = _vague_mm(stack, shares), _has_parts(shares)
        for index, tile in enumerate(stack.tiles):
            share = shares[index] if parts[index] else None
            maps[tile.index] = _map(windows[tile.index], tile, share, found[index], float(vague_mm[index]))
    return tuple(maps[index] for index in range(len(windows)))


def _outline(stack: Stack, shares: FloatArray) -> list[_Found]:
    """Rings around live tissue in each tile of a stack."""
    count, rows, columns = stack.colour.shape[:3]
    start = _first_rings(stack, shares)
    if start is None:
        return [_Found([], np.empty(0, np.float32)) for _ in stack.tiles]
    colour = stack.colour.reshape(count * rows, columns, 3)
    flat = shares.reshape(-1, *shares.shape[2:])
    live = np.ascontiguousarray(flat[..., Surface.LIVE] + flat[..., Surface.BLEACHED])
    start = respaced(start)
    rings, spread_mm = pulled_to_edges(start, across_field(start, live), colour, flat, rows)
    found = [_Found([], np.empty(0, np.float32)) for _ in stack.tiles]
    spreads = np.split(spread_mm, rings.ends[:-1])
    for ring, tile, spread in zip(rings.split(), rings.tile, spreads, strict=True):
        own = found[tile]
        points = ring.astype(np.float64) - (0, tile * rows)
        found[tile] = _Found([*own.rings, points], np.concatenate([own.spread_mm, spread]))
    return found


def _first_rings(stack: Stack, shares: FloatArray) -> Rings | None:
    """Contours of the live share at one half, in pixels of the stack, less what is too small or a neighbour's."""
    count, rows, columns = shares.shape[:3]
    # A frame of zeros keeps the tiles apart.
    framed = np.zeros((count, rows + 2, columns + 2), np.float32)
    framed[:, 1:-1, 1:-1] = shares[..., Surface.LIVE] + shares[..., Surface.BLEACHED]
    flat = framed.reshape(-1, columns + 2)
    chains, tree = cv2.findContours((flat > 0.5).astype(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    kept, tiles = [], []
    dropped: set[int] = set()
    for index, chain in enumerate(chains):
        tile = int(chain[0, 0, 1]) // (rows + 2)
        parent = int(tree[0][index][3])
        if parent in dropped or len(chain) < 4 or _speck(chain, flat, hole=parent >= 0):
            dropped.add(index)
            continue
        if parent < 0 and not _own(chain.reshape(-1, 2) - (1, tile * (rows + 2) + 1), stack.tiles[tile]):
            dropped.add(index)
            continue
        kept.append(chain.reshape(-1, 2))
        tiles.append(tile)
    if not kept:
        return None
    lengths = np.array([len(chain) for chain in kept])
    points = np.concatenate(half_level(flat, kept))
    frame = np.repeat(np.array(tiles), lengths)
    points -= np.column_stack([np.ones(len(points)), 2 * frame + 1])
    return Rings(_from_share(points).astype(np.float32), np.cumsum(lengths), np.array(tiles))


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


def _has_parts(shares: FloatArray) -> npt.NDArray[np.bool_]:
    """Whether each tile shows bleached or dead surface anywhere."""
    bleached, dead = shares[..., Surface.BLEACHED], shares[..., Surface.DEAD]
    bleached = (bleached > 0.3) & (bleached > shares[..., Surface.LIVE])
    return np.asarray(bleached.any(axis=(1, 2)) | (dead > 0.5).any(axis=(1, 2)))


def _vague_mm(stack: Stack, shares: FloatArray) -> npt.NDArray[np.float64]:
    """Area that is neither surely live nor surely not, beyond what any edge has, for each mm of a round outline."""
    live = shares[..., Surface.LIVE] + shares[..., Surface.BLEACHED]
    rows, columns = live.shape[1:]
    x, y = (_from_share(np.arange(count, dtype=np.float32)) for count in (columns, rows))
    for layer, tile in zip(live, stack.tiles, strict=True):
        if tile.rim is not None:
            beyond = (x - tile.rim[0]) ** 2 + ((y - tile.rim[1]) ** 2)[:, None] > tile.rim[2] ** 2
            layer[beyond] = 0
    share_mm2 = (SHARE_PX * TILE_MM_PER_PX) ** 2
    vague_mm2 = np.minimum(live, 1 - live).sum(axis=(1, 2), dtype=float) * share_mm2
    area_mm2 = (live > 0.5).sum(axis=(1, 2)) * share_mm2
    return np.maximum(0.0, vague_mm2 / (4 * np.sqrt(np.maximum(area_mm2, SMALL_MM2))) - EDGE_VAGUE_MM)


def _map(window: Window, tile: Tile, share: FloatArray | None, outline: _Found, vague_mm: float) -> TissueMap:
    """The map of one window; `share` is None where nothing is bleached or dead."""
    shape = window.pixels.shape[:2]
    live = paint_coverage([tile.to_window(ring) for ring in outline.rings], shape)
    labels = np.asarray(live > 0.5).view(np.uint8)  # 1 is LIVE
    has_tissue = cv2.countNonZero(labels) * window.mm_per_px**2 >= SPECK_MM2
    if share is not None and (has_tissue or _evident_skeleton(share)):
        _label_parts(labels, live, tile, share)
    spread = outline.spread_mm
    return TissueMap(
        labels=labels,
        live_probability=live,
        confidence=_confidence(spread, vague_mm),
        edge_u_mm=_edge_u_mm(spread, vague_mm),
        doubts=_doubts(window.pixels, labels, spread, vague_mm),
    )


def _evident_skeleton(share: FloatArray) -> bool:
    """Whether dead surface without tissue beside it is skeleton, not glue or bare plug that looks a little like it.

    On the ``dev`` scenes the doubtful area is a third of a skeleton's, and more than half of what glue is taken for
    when the network sees it at a scale that it was not trained on.
    """
    dead = share[..., Surface.DEAD]
    return bool(np.minimum(dead, 1 - dead).sum() < VAGUE_SKELETON * (dead > 0.5).sum())


def _label_parts(labels: npt.NDArray[np.uint8], live: FloatArray, tile: Tile, share: FloatArray) -> None:
    """Write bleached and dead into the labels."""
    # Window pixel p is tile pixel (p - corner) / step, and share pixel k is tile pixel 2 k + 0.5.
    scale = tile.step * SHARE_PX
    matrix = np.array([[scale, 0, tile.corner[0] + 0.5 * tile.step], [0, scale, tile.corner[1] + 0.5 * tile.step]])
    full = cv2.warpAffine(
        share[..., 1:], matrix, labels.shape[::-1], flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    labels[(live > 0.5) & (full[..., 1] > full[..., 0])] = Surface.BLEACHED
    skeleton = (live <= 0.5) & (full[..., 2] > 1 - full.sum(axis=-1))
    if tile.rim is not None:
        skeleton &= _within(labels.shape, tile)
    labels[skeleton] = Surface.DEAD


def _within(shape: tuple[int, ...], tile: Tile) -> npt.NDArray[np.bool_]:
    assert tile.rim is not None
    x, y = tile.to_window(np.array(tile.rim[:2]))
    radius = (tile.rim[2] + OWN_MARGIN_MM / TILE_MM_PER_PX) * tile.step
    disc = np.zeros(shape, np.uint8)
    cv2.circle(disc, (round(x), round(y)), round(radius), 1, cv2.FILLED)
    return disc.astype(bool)


def _edge_u_mm(spread_mm: FloatArray, vague_mm: float) -> float:
    """Standard uncertainty of an edge position that the whole outline shares.

    Neighbouring lines err alike, so that about a tenth of the lines' own spread is left in the mean; the constant
    part is what stays where every line is sure; and what may be tissue or not moves the edge by its area over its
    length. All were chosen on the ``dev`` scenes (``benchmarks.tissue``), where the 95 % interval then holds the
    truth for 98 % of outlines with IoU above 0.97.
    """
    spread = float(np.sqrt(np.mean(spread_mm**2))) if len(spread_mm) else 0.0
    return LEAST_U_MM + SPREAD_LEFT * spread + VAGUE_LEFT * vague_mm


def _confidence(spread_mm: FloatArray, vague_mm: float) -> float:
    sure = float(np.mean(np.exp(-0.5 * (spread_mm / UNSURE_MM) ** 2))) if len(spread_mm) else 1.0
    return sure * float(np.exp(-vague_mm))


def _doubts(
    pixels: Pixels, labels: npt.NDArray[np.uint8], spread_mm: FloatArray, vague_mm: float
) -> tuple[Doubt, ...]:
    doubts = []
    unsure = float((spread_mm > UNSURE_MM).mean()) if len(spread_mm) else 0.0
    if unsure > UNSURE_SHARE:
        doubts.append(Doubt("outline_unsure", f"{unsure:.0%} of the edge"))
    elif vague_mm > VAGUE_MM:
        doubts.append(Doubt("outline_unsure", "part of the surface may be tissue or not"))
    tissue = np.asarray(labels == Surface.LIVE).view(np.uint8)
    count = cv2.countNonZero(tissue)
    if count:
        white = cv2.inRange(pixels, (GLARE_LEVEL,) * 3, (255,) * 3)
        glare = cv2.countNonZero(cv2.bitwise_and(white, tissue)) / count
        if glare > GLARE_SHARE:
            doubts.append(Doubt("glare", f"{glare:.0%} of the tissue"))
        if max(cv2.mean(pixels, tissue)[:3]) < DARK_LEVEL:
            doubts.append(Doubt("dark"))
    return tuple(doubts)


def _check(pixels: Pixels, mm_per_px: float) -> None:
    if pixels.dtype != np.uint8 or pixels.ndim != 3 or pixels.shape[2] != 3 or 0 in pixels.shape:
        raise ValueError(f"pixels must be uint8 of shape (rows, columns, 3); got {pixels.dtype} {pixels.shape}")
    if not (np.isfinite(mm_per_px) and mm_per_px > 0):
        raise ValueError(f"mm_per_px must be positive and finite; got {mm_per_px}")
