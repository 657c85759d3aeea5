"""Windows brought to the networks' scale: white-balanced tiles of 0.25 mm pixels, and the plug's rim as a channel."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from fragarea.reference.light import Light
from fragarea.sites.records import Window

TILE_MM_PER_PX = 0.25  # of the tiles, from which the edges are read
# The surface network takes most of the time; it may see the tiles coarser than the edges are read.
SURFACE_MM_PER_PX = 0.25
BLOCK_PX = 32  # sides of tiles are multiples of this: whole for four halvings after the network's cells
BEYOND_RIM_MM = 2.5  # tissue further over the rim than this is not looked for
LARGEST_STACK_ROWS = 30_000  # OpenCV reads at most 32767 rows
BRIGHT_SHARE, BRIGHT_LEVEL, MOST_GAIN = 97.0, 0.6, 3.0

Pixels = npt.NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class Tile:
    """Where a tile lies in its window: tile pixel ``p`` is window pixel ``corner + step * p``."""

    index: int
    corner: tuple[float, float]
    step: float
    rows: int
    columns: int
    rim: tuple[float, float, float] | None  # x, y, radius in tile pixels

    def to_window(self, points: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Window pixels ``(n, 2)`` of tile pixels ``(n, 2)``."""
        return np.asarray(points * self.step + np.asarray(self.corner))

    def from_window(self, points: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Tile pixels ``(n, 2)`` of window pixels ``(n, 2)``."""
        return np.asarray((points - np.asarray(self.corner)) / self.step)


@dataclass(frozen=True, eq=False)
class Stack:
    """Tiles of one size.

    Attributes
    ----------
    tiles : tuple of Tile
    seen : ndarray of uint8, shape (n, rows, columns, 3)
        sRGB as photographed.
    colour : ndarray of uint8, shape (n, rows, columns, 3)
        White-balanced.
    """

    tiles: tuple[Tile, ...]
    seen: Pixels
    colour: Pixels


def cut_tiles(windows: Sequence[Window], light: Light | None) -> list[Stack]:
    """Bring windows to tiles, stacked by size.

    Parameters
    ----------
    windows : sequence of Window
    light : Light or None
        None or not valid: the brightest surfaces in the windows are taken to be about as bright as a clean plug.

    Returns
    -------
    list of Stack
        Together they hold each window once.
    """
    tables = _tables(_gains(windows, light))
    groups: dict[tuple[int, int], list[Tile]] = {}
    for index, window in enumerate(windows):
        tile = _place(index, window)
        groups.setdefault((tile.rows, tile.columns), []).append(tile)
    stacks = []
    for (rows, _), tiles in groups.items():
        most = max(1, LARGEST_STACK_ROWS // rows)
        for start in range(0, len(tiles), most):
            part = tuple(tiles[start : start + most])
            seen = _pixels(part, windows)
            balanced = cv2.LUT(seen.reshape(-1, seen.shape[2], 3), tables)
            stacks.append(Stack(part, seen, np.asarray(balanced, np.uint8).reshape(seen.shape)))
    return stacks


def _place(index: int, window: Window) -> Tile:
    lengths = window.pixels.shape[1], window.pixels.shape[0]
    step = TILE_MM_PER_PX / window.mm_per_px
    rim = None
    if window.rim is not None:
        x, y = ((c - o) / window.mm_per_px for c, o in zip(window.rim.centre_mm, window.origin_mm, strict=True))
        rim = (x, y, window.rim.radius_mm / window.mm_per_px)
    spans = [(-0.5, length - 0.5) for length in lengths]
    if rim is not None:
        reach = rim[2] + BEYOND_RIM_MM / window.mm_per_px
        inner = [(max(low, m - reach), min(high, m + reach)) for (low, high), m in zip(spans, rim, strict=False)]
        if all(low < high for low, high in inner):
            spans = inner
    size = [math.ceil((high - low) / step / BLOCK_PX - 1e-6) * BLOCK_PX for low, high in spans]
    corner = [(low + high) / 2 - step * (count - 1) / 2 for (low, high), count in zip(spans, size, strict=True)]
    if step == 1 and size[0] <= lengths[0] and size[1] <= lengths[1]:
        # whole pixels inside the window: the tile is a part of it, nothing is drawn anew
        rooms = [length - count for length, count in zip(lengths, size, strict=True)]
        corner = [float(min(max(round(at), 0), room)) for at, room in zip(corner, rooms, strict=True)]
    if rim is not None:
        rim = ((rim[0] - corner[0]) / step, (rim[1] - corner[1]) / step, rim[2] / step)
    return Tile(index, (corner[0], corner[1]), step, size[1], size[0], rim)


def _pixels(tiles: tuple[Tile, ...], windows: Sequence[Window]) -> Pixels:
    size = (tiles[0].columns, tiles[0].rows)
    pixels = np.empty((len(tiles), size[1], size[0], 3), np.uint8)
    for out, tile in zip(pixels, tiles, strict=True):
        step = tile.step
        source: npt.NDArray[np.integer | np.floating] = windows[tile.index].pixels
        if step == 1 and all(at.is_integer() for at in tile.corner) and _inside(tile, source):
            left, top = (int(at) for at in tile.corner)
            out[:] = source[top : top + size[1], left : left + size[0]]
            continue
        corner = np.array(tile.corner)
        shrink = int(step)
        if shrink > 1:
            # Finer windows are averaged first, so that the texture does not alias.
            small = (max(1, round(source.shape[1] / shrink)), max(1, round(source.shape[0] / shrink)))
            factor = np.array([source.shape[1] / small[0], source.shape[0] / small[1]])
            source = cv2.resize(source, small, interpolation=cv2.INTER_AREA)
            corner = (corner + 0.5) / factor - 0.5
            scale = step / factor
        else:
            scale = np.array([step, step])
        matrix = np.array([[scale[0], 0, corner[0]], [0, scale[1], corner[1]]])
        cv2.warpAffine(
            source,
            matrix,
            size,
            dst=out,
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
    return pixels


def _inside(tile: Tile, window: npt.NDArray[np.integer | np.floating]) -> bool:
    left, top = tile.corner
    return min(left, top) >= 0 and left + tile.columns <= window.shape[1] and top + tile.rows <= window.shape[0]


def _gains(windows: Sequence[Window], light: Light | None) -> npt.NDArray[np.float64]:
    if light is not None and light.valid:
        return np.asarray(light.gains) * light.exposure
    thin = np.concatenate([window.pixels[::7, ::7].reshape(-1, 3) for window in windows])
    bright = np.percentile(_linear()[thin].mean(axis=1), BRIGHT_SHARE)
    return np.full(3, np.clip(BRIGHT_LEVEL / max(bright, 1e-3), 1.0, MOST_GAIN))


def _tables(gains: npt.NDArray[np.float64]) -> Pixels:
    """Look-up table (1, 256, 3) from bytes to white-balanced sRGB bytes."""
    light = np.clip(_linear()[:, None] * gains, 0, 1)
    srgb = np.where(light <= 0.0031308, light * 12.92, 1.055 * np.maximum(light, 1e-6) ** (1 / 2.4) - 0.055)
    return np.round(255 * srgb).astype(np.uint8)[None]


def _linear() -> npt.NDArray[np.float64]:
    """Linear light of each byte (IEC 61966-2-1)."""
    x = np.arange(256) / 255.0
    return np.where(x <= 0.04045, x / 12.92, ((x + 0.055) / 1.055) ** 2.4)
