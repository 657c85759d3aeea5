"""Tags of a printed reference, found on a reduced image and refined to a few hundredths of a pixel."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt

Pixels = npt.NDArray[np.uint8]
FloatArray = npt.NDArray[np.float64]

SEARCH_SIDES_PX = (720, 1440, 2880)  # long side of the reduced image, tried in turn
CELLS = 8  # cells along a tag of family 36h11, black border included
WINDOWS_PX = (15, 31, 7)
DARKER_BY = 12  # than the mean of the window, in grey levels
PAPER_SHARE = 0.42  # of the bright end of the photo, in sRGB: paper in shade
SMALLEST_TAG_PX = 10  # on the reduced image
WRONG_BITS = 4  # codes of 36h11 differ in at least 11 bits
PROFILES = 32  # across each side of a tag
STEPS = 33  # samples along a profile
ENOUGH_TAGS = 4


@dataclass(frozen=True, eq=False)
class TagSighting:
    """One tag in a photo.

    Attributes
    ----------
    tag_id : int
    corners_px : ndarray, shape (4, 2)
        Top left, top right, bottom right, bottom left of the upright tag.
    edges_px : ndarray, shape (4, n, 2)
        Points on its sides (top, right, bottom, left); nan where a profile shows no edge.
    blur_px : float
        Standard deviation of the edge spread; nan when too few profiles show one.
    """

    tag_id: int
    corners_px: FloatArray
    edges_px: FloatArray
    blur_px: float


@cache
def linear_table() -> npt.NDArray[np.float32]:
    """Linear light of each sRGB byte (IEC 61966-2-1)."""
    srgb = np.arange(256) / 255
    return np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4).astype(np.float32)


@cache
def _codes() -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.intp]]:
    """Bits ``(n, 36)`` of every tag in each of its four turns, and ``n`` times tag number * 4 + quarter turns."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    bits = np.array(
        [cv2.aruco.Dictionary.getBitsFromByteList(row[None], dictionary.markerSize) for row in dictionary.bytesList],
        dtype=bool,
    )
    turned = np.stack([np.rot90(bits, turn, axes=(1, 2)) for turn in range(4)], axis=1)
    return turned.reshape(-1, 36), np.arange(len(bits) * 4)


def find_tags(pixels: Pixels, *, enough: int = ENOUGH_TAGS) -> tuple[TagSighting, ...]:
    """Find the tags of family 36h11.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
    enough : int
        A quick look that finds this many tags ends the search.

    Returns
    -------
    tuple of TagSighting
        In order of their numbers. A tag number seen twice is left out: one of the two is a copy or a reflection.
    """
    found = sorted(_search(pixels, enough).items())
    if not found:
        return ()
    corners, edges, blur = refine_tags(pixels, np.stack([corners for _, corners in found]))
    return tuple(TagSighting(tag_id, corners[i], edges[i], float(blur[i])) for i, (tag_id, _) in enumerate(found))


def _search(pixels: Pixels, enough: int) -> dict[int, FloatArray]:
    long_side = max(pixels.shape[:2])
    best: dict[int, FloatArray] = {}
    for window_px in WINDOWS_PX:
        for side in SEARCH_SIDES_PX:
            factor = max(1, round(long_side / side))
            found = _detect(_reduced(pixels, factor), factor, window_px)
            if len(found) > len(best):
                best = found
            if len(best) >= enough:
                return best
            if factor == 1:
                break
    return best


def _reduced(pixels: Pixels, factor: int) -> Pixels:
    rows, columns = (size // factor * factor for size in pixels.shape[:2])
    part: npt.NDArray[np.uint8] = pixels[:rows, :columns]
    while factor > 1:
        # halving has a fast path; other whole factors do not
        step = 2 if factor % 2 == 0 else factor
        rows, columns = (size // step * step for size in part.shape[:2])
        size = (columns // step, rows // step)
        part = np.asarray(cv2.resize(part[:rows, :columns], size, interpolation=cv2.INTER_AREA), np.uint8)
        factor //= step
    return np.asarray(cv2.cvtColor(part, cv2.COLOR_RGB2GRAY))


def _detect(grey: Pixels, factor: int, window_px: int) -> dict[int, FloatArray]:
    quads = _dark_quads(_only_paper(grey), window_px)
    tags = _read(grey, quads) if len(quads) else []
    numbers = [number for number, _ in tags]
    # a reduced pixel's centre lies between the pixels that it stands for
    return {n: (c + 0.5) * factor - 0.5 for n, c in tags if numbers.count(n) == 1}


def _only_paper(grey: Pixels) -> Pixels:
    """White out all that has no bright paper around it: a dark grating makes thousands of false squares."""
    small = cv2.resize(grey, (grey.shape[1] // 4, grey.shape[0] // 4), interpolation=cv2.INTER_AREA)
    bright = float(np.percentile(small, 97))
    paper = (small > PAPER_SHARE * bright).astype(np.uint8)
    paper = np.asarray(cv2.morphologyEx(paper, cv2.MORPH_CLOSE, np.ones((13, 13), np.uint8)), np.uint8)
    mask = cv2.resize(paper, (grey.shape[1], grey.shape[0]), interpolation=cv2.INTER_NEAREST)
    return np.where(mask > 0, grey, np.uint8(255))


def _dark_quads(grey: Pixels, window_px: int) -> FloatArray:
    """Corners ``(n, 4, 2)``, clockwise, of dark four-sided patches."""
    dark = cv2.adaptiveThreshold(grey, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, window_px, DARKER_BY)
    contours, _ = cv2.findContours(dark, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)
    quads = []
    for contour in contours:
        if len(contour) < 4 or min(cv2.boundingRect(contour)[2:]) < SMALLEST_TAG_PX:
            continue
        outline = cv2.approxPolyDP(contour, 0.04 * cv2.arcLength(contour, True), True)
        if len(outline) == 4 and cv2.isContourConvex(outline):
            corners = outline.reshape(4, 2).astype(float)
            (a, b), (c, d) = corners[1] - corners[0], corners[2] - corners[1]
            quads.append(corners if a * d - b * c > 0 else corners[::-1])
    return np.array(quads)


def _read(grey: Pixels, quads: FloatArray) -> list[tuple[int, FloatArray]]:
    """Numbers and corners of the quads that are tags: dark border and a code at most ``WRONG_BITS`` off."""
    cells = (np.arange(8) + 0.5) / 8
    unit = np.array([(0, 0), (1, 0), (1, 1), (0, 1)], np.float32)
    grid = np.stack(np.meshgrid(cells, cells), -1).reshape(1, -1, 2).astype(np.float32)
    points = np.array(
        [cv2.perspectiveTransform(grid, cv2.getPerspectiveTransform(unit, q.astype(np.float32)))[0] for q in quads]
    )
    values = cv2.remap(grey, points[..., 0], points[..., 1], cv2.INTER_LINEAR).reshape(-1, 8, 8).astype(float)
    border = np.ones((8, 8), bool)
    border[1:-1, 1:-1] = False
    level = (np.median(values[:, border], axis=1) + np.percentile(values[:, ~border], 90, axis=1)) / 2
    bright = values > level[:, None, None]
    codes, keys = _codes()
    tags = []
    for quad, bits in zip(quads, bright, strict=True):
        if np.count_nonzero(bits[border]) > WRONG_BITS:
            continue
        wrong = np.count_nonzero(codes != bits[1:-1, 1:-1].ravel(), axis=1)
        best = int(np.argmin(wrong))
        if wrong[best] <= WRONG_BITS:
            number, turn = divmod(int(keys[best]), 4)
            # the code was turned left `turn` times, so its first corner moved that many places back
            tags.append((number, np.roll(quad, turn, axis=0)))
    return tags


def refine_tags(pixels: Pixels, corners_px: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Place the sides of tags to sub-pixel precision and cross them for the corners.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
    corners_px : ndarray, shape (n, 4, 2)
        Right to about a cell of the tag.

    Returns
    -------
    corners_px : ndarray, shape (n, 4, 2)
    edges_px : ndarray, shape (n, 4, PROFILES, 2)
    blur_px : ndarray, shape (n,)
    """
    lights = _linear_crops(pixels, corners_px)
    edges, _ = _edges(lights, corners_px, PROFILES // 3)
    corners = _crossings(edges, corners_px)
    edges, blur = _edges(lights, corners, PROFILES)
    return _crossings(edges, corners), edges, blur


Crops = list[tuple[npt.NDArray[np.float32], FloatArray]]


def _linear_crops(pixels: Pixels, corners: FloatArray) -> Crops:
    """The surroundings of each tag in linear light, and where each begins in the photo."""
    size = np.array([pixels.shape[1], pixels.shape[0]])
    crops = []
    for tag in corners:
        margin = 4 + 0.15 * float(np.ptp(tag, axis=0).max())
        low = np.clip(np.floor(tag.min(axis=0) - margin).astype(int), 0, size - 2)
        high = np.clip(np.ceil(tag.max(axis=0) + margin).astype(int), low + 2, size)
        crop = pixels[low[1] : high[1], low[0] : high[0]]
        light = np.asarray(cv2.LUT(cv2.cvtColor(crop, cv2.COLOR_RGB2GRAY), linear_table()), np.float32)
        crops.append((light, low.astype(float)))
    return crops


def _edges(crops: Crops, corners: FloatArray, profiles: int) -> tuple[FloatArray, FloatArray]:
    start, stop = corners, np.roll(corners, -1, axis=1)
    length = np.linalg.norm(stop - start, axis=2)
    along = (stop - start) / np.maximum(length, 1e-9)[..., None]
    outward = np.stack([along[..., 1], -along[..., 0]], -1)  # corners run clockwise on the screen
    reach = np.clip(0.6 * length.mean(axis=1) / CELLS, 1.5, 8.0)
    share = np.linspace(0.08, 0.92, profiles)
    offsets = np.linspace(-1, 1, STEPS) * reach[:, None]  # (n, STEPS)
    base = start[:, :, None, :] + share[None, None, :, None] * (stop - start)[:, :, None, :]
    points = base[:, :, :, None, :] + offsets[:, None, None, :, None] * outward[:, :, None, None, :]
    light = np.stack([_sampled(crop, low, tag) for (crop, low), tag in zip(crops, points, strict=True)])
    dark, bright = light[..., :5].mean(-1), light[..., -5:].mean(-1)
    contrast = bright - dark
    level = (light - dark[..., None]) / np.maximum(contrast, 1e-3)[..., None]
    position = _half_way(level) * reach[:, None, None]
    typical = np.median(contrast, axis=(1, 2), keepdims=True)
    good = (contrast > 0.35 * typical) & (contrast > 0.02) & np.isfinite(position)
    position = np.where(good, position, np.nan)
    edges = base + position[..., None] * outward[:, :, None, :]
    return edges, _spread(level, good) * reach


def _sampled(crop: npt.NDArray[np.float32], low: FloatArray, points: FloatArray) -> npt.NDArray[np.float32]:
    where = (points - low).reshape(1, -1, 2).astype(np.float32)
    light = cv2.remap(crop, where[..., 0], where[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(light, np.float32).reshape(points.shape[:-1])


def _half_way(level: FloatArray) -> FloatArray:
    """Where each profile passes half its rise, from -1 (inner end) to 1; nan where it does not."""
    smooth = level.copy()
    smooth[..., 1:-1] = 0.25 * level[..., :-2] + 0.5 * level[..., 1:-1] + 0.25 * level[..., 2:]
    rises = (smooth[..., :-1] < 0.5) & (smooth[..., 1:] >= 0.5)
    middle = np.abs(np.arange(STEPS - 1) + 0.5 - (STEPS - 1) / 2)
    index = np.argmin(np.where(rises, middle, np.inf), axis=-1)[..., None]
    a = np.take_along_axis(smooth, index, -1)[..., 0]
    b = np.take_along_axis(smooth, index + 1, -1)[..., 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        place = index[..., 0] + (0.5 - a) / (b - a)
    return np.where(rises.any(axis=-1), place * 2 / (STEPS - 1) - 1, np.nan)


def _spread(level: FloatArray, good: npt.NDArray[np.bool_]) -> FloatArray:
    """Standard deviation of each tag's edge spread in units of the reach: mean run from 25 to 75 % of the rise."""
    between = np.count_nonzero((level > 0.25) & (level < 0.75), axis=-1) * 2 / (STEPS - 1)
    total = np.where(good, between, 0).sum(axis=(1, 2))
    count = good.sum(axis=(1, 2))
    # quartiles of a normal distribution are 1.349 standard deviations apart
    return np.where(count >= 12, total / np.maximum(count, 1) / 1.349, np.nan)


def _crossings(edges: FloatArray, fallback: FloatArray) -> FloatArray:
    """Corners ``(n, 4, 2)`` where neighbouring sides cross; `fallback` where a side has too few points."""
    middle, direction, count = _lines(edges)
    p, d = np.roll(middle, 1, axis=1), np.roll(direction, 1, axis=1)
    across = d[..., 0] * direction[..., 1] - d[..., 1] * direction[..., 0]
    gap = middle - p
    with np.errstate(divide="ignore", invalid="ignore"):
        s = (gap[..., 0] * direction[..., 1] - gap[..., 1] * direction[..., 0]) / across
        corners = p + s[..., None] * d
    sure = (count >= 6) & (np.roll(count, 1, axis=1) >= 6) & (np.abs(across) > 0.2)
    return np.where(sure[..., None], corners, fallback)


def _lines(edges: FloatArray) -> tuple[FloatArray, FloatArray, npt.NDArray[np.int_]]:
    """Middle and direction of the line through each side's points: total least squares, outliers left out."""
    weight = np.isfinite(edges[..., 0])
    points = np.where(weight[..., None], edges, 0.0)
    for _ in range(3):
        count = np.maximum(weight.sum(axis=-1), 1)
        middle = (points * weight[..., None]).sum(axis=2) / count[..., None]
        off = (points - middle[:, :, None, :]) * weight[..., None]
        xx, yy, xy = (off[..., 0] ** 2).sum(-1), (off[..., 1] ** 2).sum(-1), (off[..., 0] * off[..., 1]).sum(-1)
        angle = 0.5 * np.arctan2(2 * xy, xx - yy)
        direction = np.stack([np.cos(angle), np.sin(angle)], -1)
        across = np.abs(off[..., 0] * direction[..., None, 1] - off[..., 1] * direction[..., None, 0])
        typical = (across * weight).sum(-1) / count
        weight = weight & (across <= np.maximum(3 * typical, 0.05)[..., None])
    return middle, direction, weight.sum(axis=-1)
