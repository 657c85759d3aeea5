"""Photos of printed references drawn with exact geometry, for tests."""

import cv2
import numpy as np

from fragarea.reference.codes import BITS_ACROSS, CELLS_ACROSS, turned_codes
from fragarea.reference.layout import ReferenceLayout, TagLayout
from fragarea.reference.plane import CameraPose
from fragarea.reference.tags import TagSighting

SIZE = (1300, 1000)
RASTER_PER_MM = 16
FINER = 4
PAPER, INK, GROUND = 0.85, 0.04, 0.12


def camera(
    layout: ReferenceLayout,
    *,
    height_mm: float = 400.0,
    tilt_deg: float = 6.0,
    turn_deg: float = 10.0,
    view_mm: float = 380.0,
    k1: float = 0.0,
    k2: float = 0.0,
    size: tuple[int, int] = SIZE,
) -> CameraPose:
    """A camera that looks at the middle of the reference from `height_mm` away; its photo is `view_mm` wide."""
    focal = size[0] * height_mm / view_mm
    matrix = np.array([[focal, 0, (size[0] - 1) / 2], [0, focal, (size[1] - 1) / 2], [0, 0, 1.0]])
    turn, _ = cv2.Rodrigues(np.radians([0.0, 0.0, turn_deg]))
    tilt, _ = cv2.Rodrigues(np.radians([0.8 * tilt_deg, -0.6 * tilt_deg, 0.0]))
    rotation = tilt @ turn
    shift = np.array([0, 0, height_mm]) - rotation @ np.array([*layout.centre_mm, 0.0])
    return CameraPose(matrix, np.array([k1, k2, 0, 0, 0.0]), rotation, shift)


def sightings(layout: ReferenceLayout, pose: CameraPose, noise_px: float = 0.0, seed: int = 1) -> list[TagSighting]:
    """Every tag as OpenCV's own projectPoints shows it."""
    rng = np.random.default_rng(seed)
    return [
        TagSighting(tag.tag_id, pose.project(tag.corners_mm(), 0.0) + rng.normal(0, noise_px, (4, 2)), 0.03, 0.6)
        for tag in layout.tags
    ]


def draw(
    layout: ReferenceLayout,
    pose: CameraPose,
    *,
    blur_px: float = 0.8,
    noise: float = 0.0,
    exposure: float = 1.0,
    more_tags: tuple[TagLayout, ...] = (),
    blots_mm: tuple[tuple[float, float, float, float, float], ...] = (),
    size: tuple[int, int] = SIZE,
    seed: int = 3,
) -> np.ndarray:
    """uint8 sRGB photo, for a lens without distortion.

    `blots_mm` are rectangles (x0, y0, x1, y1, reflectance) that lie on the print.
    """
    low = np.min(layout.outline_mm, axis=0) - 5
    high = np.max(layout.outline_mm, axis=0) + 5
    raster = _Raster(low, high)
    _print(raster, layout, more_tags)
    for *corners, reflectance in blots_mm:
        raster.fill(*corners, reflectance)
    to_plane = _homography_from_raster(pose, low)
    fine = np.diag([FINER, FINER, 1.0])
    fine[:2, 2] = (FINER - 1) / 2
    light = cv2.warpPerspective(
        raster.light,
        fine @ to_plane,
        (size[0] * FINER, size[1] * FINER),
        flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=GROUND,
    )
    light = cv2.resize(light, size, interpolation=cv2.INTER_AREA)
    light = cv2.GaussianBlur(light, (0, 0), blur_px) * exposure
    light = light[..., None] + np.random.default_rng(seed).normal(0, max(noise, 1e-9), (*light.shape, 3))
    return to_srgb(light)


def to_srgb(light: np.ndarray) -> np.ndarray:
    """uint8 sRGB of linear light (IEC 61966-2-1)."""
    light = np.clip(light, 0, 1)
    srgb = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.rint(255 * srgb).astype(np.uint8)


class _Raster:
    """The print as reflectance; squares cover its pixels by exact shares."""

    def __init__(self, low: np.ndarray, high: np.ndarray) -> None:
        self.low = low
        columns, rows = np.ceil((high - low) * RASTER_PER_MM).astype(int)
        self.light = np.full((rows, columns), GROUND, np.float32)

    def fill(self, x0: float, y0: float, x1: float, y1: float, reflectance: float) -> None:
        """Paint a rectangle."""
        across, columns = self._cover(x0 - self.low[0], x1 - self.low[0], self.light.shape[1])
        down, rows = self._cover(y0 - self.low[1], y1 - self.low[1], self.light.shape[0])
        part = self.light[rows, columns]
        part += np.outer(down, across).astype(np.float32) * (reflectance - part)

    @staticmethod
    def _cover(begin_mm: float, end_mm: float, count: int) -> tuple[np.ndarray, slice]:
        """Shares of the pixels from the first to the last that are touched."""
        begin, end = np.clip([begin_mm * RASTER_PER_MM, end_mm * RASTER_PER_MM], 0, count)
        first, last = int(begin), int(np.ceil(end))
        edges = np.arange(first, last + 1)
        return np.clip(np.minimum(edges[1:], end) - np.maximum(edges[:-1], begin), 0, 1), slice(first, last)


def _print(raster: _Raster, layout: ReferenceLayout, more_tags: tuple[TagLayout, ...]) -> None:
    (x0, y0), (x1, y1) = np.min(layout.outline_mm, axis=0), np.max(layout.outline_mm, axis=0)
    raster.fill(x0, y0, x1, y1, PAPER)
    if layout.window_mm:
        (x0, y0), (x1, y1) = np.min(layout.window_mm, axis=0), np.max(layout.window_mm, axis=0)
        raster.fill(x0, y0, x1, y1, GROUND)
    for patch in layout.grey_patches:
        (x, y), half = patch.centre_mm, patch.side_mm / 2
        raster.fill(x - half, y - half, x + half, y + half, patch.reflectance)
    for tag in (*layout.tags, *more_tags):
        _print_tag(raster, tag)


def _print_tag(raster: _Raster, tag: TagLayout) -> None:
    (x, y), half, cell = tag.centre_mm, tag.side_mm / 2, tag.side_mm / CELLS_ACROSS
    raster.fill(x - half - cell, y - half - cell, x + half + cell, y + half + cell, PAPER)
    raster.fill(x - half, y - half, x + half, y + half, INK)
    for row, bits in enumerate(turned_codes()[0, tag.tag_id].reshape(BITS_ACROSS, BITS_ACROSS)):
        for column, white in enumerate(bits):
            if white:
                left, top = x - half + (column + 1) * cell, y - half + (row + 1) * cell
                raster.fill(left, top, left + cell, top + cell, PAPER)


def _homography_from_raster(pose: CameraPose, low: np.ndarray) -> np.ndarray:
    to_mm = np.array([[1 / RASTER_PER_MM, 0, low[0]], [0, 1 / RASTER_PER_MM, low[1]], [0, 0, 1.0]])
    to_mm[:2, 2] += 0.5 / RASTER_PER_MM
    plane = np.column_stack([pose.rotation[:, :2], pose.translation_mm])
    return pose.camera_matrix @ plane @ to_mm
