"""Known-area sheets drawn with a simple camera: exact geometry, then blur, tones, sharpening and noise."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt
from shapely import Polygon
from shapely.affinity import rotate, translate

from fragarea.check.sheet import SCHEMA, KnownAreaSheet, parse_sheet, polygon_mm
from fragarea.reference.layout import ReferenceLayout, parse_reference
from fragarea.reference.plane import CameraPose

SIZE = (760, 660)  # width, height
_FINE = 8  # samples along each side of a pixel

LAYOUT: ReferenceLayout = parse_reference(
    {
        "name": "corners",
        "family": "apriltag-36h11",
        "tags": [
            {"id": i, "side_mm": 20.0, "centre_mm": centre}
            for i, centre in enumerate([[0, 0], [90, 0], [90, 70], [0, 70]])
        ],
        "outline_mm": [[-14, -14], [104, -14], [104, 84], [-14, 84]],
        "window_mm": [[13, -8], [77, -8], [77, 78], [13, 78]],
        "print_check_mm": {"between_tag_centres": [0, 1], "length": 90.0},
    },
    source="drawn",
)

SHEET: KnownAreaSheet = parse_sheet(
    {
        "schema": SCHEMA,
        "name": "six",
        "reference": "corners",
        "shapes": [
            {"id": "disc20", "kind": "disc", "centre_mm": [22, 0], "radius_mm": 2.523133},
            {"id": "square100", "kind": "square", "centre_mm": [55, 0], "side_mm": 10.0, "turn_deg": 20.0},
            {
                "id": "star80",
                "kind": "star",
                "centre_mm": [28, 24],
                "points": 5,
                "outer_mm": 8.0,
                "inner_mm": 3.4,
                "turn_deg": 8,
            },
            {"id": "annulus120", "kind": "annulus", "centre_mm": [60, 26], "outer_mm": 7.1, "inner_mm": 3.5},
            {
                "id": "kidney70",
                "kind": "kidney",
                "centre_mm": [27, 55],
                "half_length_mm": 7.5,
                "half_width_mm": 3.0,
                "bend_mm": 1.6,
                "turn_deg": 40,
            },
            {"id": "disc250", "kind": "disc", "centre_mm": [59, 57], "radius_mm": 8.920621},
        ],
    },
    source="drawn",
)


def tilted_pose() -> CameraPose:
    """A camera 330 mm above the middle of the tags, tilted by 5 degrees and turned by 12, at about 6 px/mm."""
    tilt, turn = np.radians(5.0), np.radians(12.0)
    lean = np.array([[1, 0, 0], [0, np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), np.cos(tilt)]])
    spin = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    rotation = lean @ spin
    camera = np.array([[1750.0, 0, (SIZE[0] - 1) / 2], [0, 1750.0, (SIZE[1] - 1) / 2], [0, 0, 1]])
    shift = np.array([0.0, 0.0, 330.0]) - rotation @ np.array([45.0, 35.0, 0.0])
    return CameraPose(camera, np.array([-0.05, 0.0, 0.0, 0.0, 0.0]), rotation, shift)


@dataclass(frozen=True)
class Camera:
    """How the drawn light becomes a photo.

    ``sharpen`` is (amount, radius in px), applied after the tone curve as cameras do; ``stripes`` the depth of
    shadow stripes; ``jpeg`` a quality, 0 for none; ``contrast`` bends the tones into an S.
    """

    blur_px: float = 0.9
    sharpen: tuple[float, float] | None = None
    stripes: float = 0.0
    noise: float = 0.0
    jpeg: int = 0
    contrast: float = 0.0


@dataclass(frozen=True)
class Scene:
    """What is drawn: the sheet turned and shifted about the middle of the window, some shapes left out."""

    turn_deg: float = 0.0
    shift_mm: tuple[float, float] = (0.0, 0.0)
    without: tuple[str, ...] = ()
    tags: bool = True


PHONE = Camera(blur_px=0.5, sharpen=(0.6, 1.3), noise=0.003, jpeg=90)
PLAIN = Camera()
STRIPED = replace(PHONE, stripes=0.5)


def placed(shape: Polygon, scene: Scene) -> Polygon:
    """A shape of the sheet where the scene has it."""
    return translate(rotate(shape, scene.turn_deg, origin=(45.0, 35.0)), *scene.shift_mm)


@cache
def draw(camera: Camera, scene: Scene = Scene()) -> npt.NDArray[np.uint8]:
    """A photo of the scene with :func:`tilted_pose`: uint8 sRGB of shape (rows, columns, 3), read-only."""
    pixels = _photographed(*_coverage(scene), camera)
    pixels.setflags(write=False)
    return pixels


@cache
def _coverage(scene: Scene) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Shares of every pixel covered by tags and by shapes."""
    pose = tilted_pose()
    tags, ink = np.zeros(SIZE[::-1]), np.zeros(SIZE[::-1])
    for tag in LAYOUT.tags if scene.tags else ():
        _cover(tags, pose, Polygon(tag.corners_mm()))
        # A white middle, so that the inside is no plain black, as in any tag.
        _cover(tags, pose, Polygon(tag.corners_mm()).buffer(-5.0, join_style="mitre"), -1.0)
    for shape in SHEET.shapes:
        if shape.shape_id not in scene.without:
            _cover(ink, pose, placed(polygon_mm(shape), scene))
    return tags, ink


def _photographed(
    tags: npt.NDArray[np.float64], ink: npt.NDArray[np.float64], camera: Camera
) -> npt.NDArray[np.uint8]:
    rows, columns = tags.shape
    along = np.arange(columns) + 0.3 * np.arange(rows)[:, None]
    paper = 0.66 * (1 - camera.stripes * (0.5 + 0.5 * np.sin(2 * np.pi * along / 140)))
    dark = np.array([0.04, 0.11, 0.06])
    light = paper[..., None] * (1 - 0.96 * tags[..., None]) * (1 - ink[..., None] * (1 - dark))
    light = cv2.GaussianBlur(light, (0, 0), camera.blur_px)
    light += camera.noise * np.random.default_rng(1).normal(size=light.shape)
    light = np.clip(light, 0.0, 1.0)
    light += camera.contrast * (light * light * (3 - 2 * light) - light)
    tones = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
    if camera.sharpen:
        amount, radius = camera.sharpen
        tones += amount * (tones - cv2.GaussianBlur(tones, (0, 0), radius))
    pixels = np.clip(np.rint(tones * 255), 0, 255).astype(np.uint8)
    if not camera.jpeg:
        return pixels
    _, coded = cv2.imencode(".jpg", pixels[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, camera.jpeg])
    return np.ascontiguousarray(cv2.imdecode(coded, cv2.IMREAD_COLOR)[..., ::-1])


def _cover(image: npt.NDArray[np.float64], pose: CameraPose, shape: Polygon, weight: float = 1.0) -> None:
    """Add the share of every pixel that the shape covers, counted on a fine grid of its points."""
    rings = [np.array(ring.segmentize(0.5).coords) for ring in (shape.exterior, *shape.interiors)]
    pixels = [pose.project(ring, 0.0) for ring in rings]
    low = np.floor(pixels[0].min(axis=0)).astype(int) - 1
    high = np.ceil(pixels[0].max(axis=0)).astype(int) + 2
    width, height = high - low
    crossings = np.zeros((height * _FINE, width * _FINE))
    for ring in pixels:
        _count_crossings(crossings, (ring - low + 0.5) * _FINE - 0.5)
    inside = np.cumsum(crossings, axis=1) % 2
    share = inside.reshape(height, _FINE, width, _FINE).mean(axis=(1, 3))
    image[low[1] : high[1], low[0] : high[0]] += weight * share


def _count_crossings(crossings: npt.NDArray[np.float64], ring: npt.NDArray[np.float64]) -> None:
    """Add one to the first grid point right of every crossing of a grid row and the ring (even-odd rule)."""
    start, end = ring[:-1], ring[1:]
    first = np.ceil(np.minimum(start[:, 1], end[:, 1])).astype(int)
    rows_crossed = np.ceil(np.maximum(start[:, 1], end[:, 1])).astype(int) - first
    side = np.repeat(np.arange(len(start)), rows_crossed)
    row = first[side] + np.arange(len(side)) - np.repeat(np.cumsum(rows_crossed) - rows_crossed, rows_crossed)
    run = (end - start)[side]
    x = start[side, 0] + (row - start[side, 1]) * run[:, 0] / run[:, 1]
    np.add.at(crossings, (row, np.ceil(x).astype(int)), 1.0)
