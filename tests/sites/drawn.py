"""Photos of discs drawn with exact geometry, for tests."""

from dataclasses import dataclass, field

import cv2
import numpy as np

from fragarea.reference.layout import ReferenceLayout, load_reference
from fragarea.reference.plane import CameraPose

SIZE = (1000, 760)
PLUG = (0.75, 0.72, 0.65)
TISSUE = (0.10, 0.13, 0.03)
ALGAE = (0.07, 0.05, 0.02)


# Radius of the rounding at the edge of a plug, and the share of light that reaches it from the side.
ROUNDING_MM = 0.5
SIDE_LIGHT = 0.35


def camera(
    *, height_mm: float = 400.0, tilt_deg: float = 6.0, turn_deg: float = 10.0, k1: float = 0.0, fov_mm: float = 290.0
) -> CameraPose:
    """A camera above the middle of the frame; `fov_mm` of the plane fills the photo's width."""
    columns, rows = SIZE
    focal = columns * height_mm / fov_mm
    matrix = np.array([[focal, 0, (columns - 1) / 2], [0, focal, (rows - 1) / 2], [0, 0, 1.0]])
    turn, _ = cv2.Rodrigues(np.radians([0.0, 0.0, turn_deg]))
    tilt, _ = cv2.Rodrigues(np.radians([tilt_deg, -tilt_deg / 2, 0.0]))
    rotation = tilt @ turn
    middle = np.array([125.0, 95.0, 0.0])
    return CameraPose(matrix, np.array([k1, 0, 0, 0, 0.0]), rotation, np.array([0, 0, height_mm]) - rotation @ middle)


@dataclass(frozen=True)
class Disc:
    """A plug top with, if wanted, round tissue in its middle."""

    x_mm: float
    y_mm: float
    radius_mm: float = 12.5
    colour: tuple[float, float, float] = PLUG
    tissue_radius_mm: float = 0.0
    # Length of the shortest over the longest radius, and the direction of the shortest.
    squeeze: float = 1.0
    squeeze_deg: float = 0.0


@dataclass(frozen=True)
class Drawing:
    """A photo to draw; colours are linear light."""

    pose: CameraPose
    discs: tuple[Disc, ...]
    height_mm: float = 0.0
    layout: ReferenceLayout = field(default_factory=lambda: load_reference("frame-280x220"))
    ground: tuple[float, float, float] = (0.03, 0.03, 0.035)
    grating_mm: float = 0.0
    noise: float = 0.003
    seed: int = 7


def draw(drawing: Drawing) -> np.ndarray:
    """uint8 sRGB photo; edges are antialiased by their exact distance from each pixel's middle."""
    columns, rows = SIZE
    y, x = np.mgrid[0:rows, 0:columns]
    pixels = np.column_stack([x.ravel(), y.ravel()]).astype(float)
    ground = _on_plane(drawing.pose, pixels, 0.0)
    light = np.tile(np.array(drawing.ground), (len(pixels), 1))
    if drawing.grating_mm:
        bars = (np.abs((ground / drawing.grating_mm) % 1 - 0.5) > 0.4).any(axis=1)
        light[bars] = 0.25
    light = _paint_reference(light, ground, drawing.layout)
    tops = _on_plane(drawing.pose, pixels, drawing.height_mm).reshape(rows, columns, 2)
    light = light.reshape(rows, columns, 3)
    px_mm = np.linalg.norm(tops[rows // 2, columns // 2 + 1] - tops[rows // 2, columns // 2])
    for disc in drawing.discs:
        part = _part(drawing, disc)
        light[part] = _paint(light[part], tops[part], disc, disc.radius_mm, disc.colour, px_mm, ROUNDING_MM)
        if disc.tissue_radius_mm:
            light[part] = _paint(light[part], tops[part], disc, disc.tissue_radius_mm, TISSUE, px_mm)
    light = light + np.random.default_rng(drawing.seed).normal(0, drawing.noise, light.shape)
    return to_srgb(light)


def _on_plane(pose, pixels, height_mm):
    """As ``pose.to_plane``, in closed form where the lens does not bend."""
    if pose.distortion.any():
        return pose.to_plane(pixels, height_mm)
    rotation, shift = pose.rotation, pose.translation_mm
    across, down = rotation[:, 0], rotation[:, 1]
    matrix = np.linalg.inv(pose.camera_matrix @ np.column_stack([across, down, shift - height_mm * rotation[:, 2]]))
    ends = np.column_stack([pixels, np.ones(len(pixels))]) @ matrix.T
    return ends[:, :2] / ends[:, 2:]


def to_srgb(light: np.ndarray) -> np.ndarray:
    """8-bit values of linear light (IEC 61966-2-1:1999)."""
    light = np.clip(light, 0, 1)
    value = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.round(255 * value).astype(np.uint8)


def _part(drawing, disc):
    """The pixels that a disc may touch."""
    reach = disc.radius_mm + 2
    corners = [(disc.x_mm + dx, disc.y_mm + dy) for dx in (-reach, reach) for dy in (-reach, reach)]
    seen = drawing.pose.project(corners, drawing.height_mm)
    (left, top), (right, bottom) = (
        np.maximum(seen.min(axis=0).astype(int), 0),
        np.maximum(seen.max(axis=0).astype(int), 0),
    )
    return slice(top, bottom + 1), slice(left, right + 1)


def _paint(light, plane_mm, disc, radius_mm, colour, px_mm, rounding_mm=0.0):
    turn = np.radians(disc.squeeze_deg)
    offset = plane_mm - (disc.x_mm, disc.y_mm)
    along = offset @ (np.cos(turn), np.sin(turn)) / disc.squeeze
    across = offset @ (-np.sin(turn), np.cos(turn))
    away = np.hypot(along, across)[..., None]
    cover = np.clip((radius_mm - away) / px_mm + 0.5, 0, 1)
    shade = 1.0
    if rounding_mm:
        slope = np.clip((away - radius_mm) / rounding_mm + 1, 0, 1)
        shade = SIDE_LIGHT + (1 - SIDE_LIGHT) * np.sqrt(1 - slope**2)
    return light * (1 - cover) + cover * shade * np.array(colour)


def _paint_reference(light, ground, layout):
    outline = np.array(layout.outline_mm)
    on = ((ground > outline.min(axis=0)) & (ground < outline.max(axis=0))).all(axis=1)
    if layout.window_mm is not None:
        window = np.array(layout.window_mm)
        on &= ~((ground > window.min(axis=0)) & (ground < window.max(axis=0))).all(axis=1)
    light[on] = 0.85
    for tag in layout.tags:
        black = (np.abs(ground - tag.centre_mm) < tag.side_mm / 2).all(axis=1)
        light[black] = 0.05
    return light


def tray(
    rows: int = 5,
    columns: int = 7,
    *,
    pitch_mm: float = 27.0,
    turn_deg: float = 0.0,
    empty: tuple[tuple[int, int], ...] = (),
    shift_mm: float = 0.3,
    seed: int = 3,
) -> dict[tuple[int, int], Disc]:
    """Plugs by (row, column) around the middle of the frame, some overgrown, each a little off its position."""
    rng = np.random.default_rng(seed)
    turn = np.radians(turn_deg)
    spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    plugs = {}
    for row in range(1, rows + 1):
        for column in range(1, columns + 1):
            offset = pitch_mm * np.array([column - (columns + 1) / 2, row - (rows + 1) / 2])
            x, y = np.array([125.0, 95.0]) + spin @ offset + rng.uniform(-shift_mm, shift_mm, 2)
            colour = PLUG if rng.random() < 0.7 else ALGAE
            disc = Disc(float(x), float(y), colour=colour, tissue_radius_mm=float(rng.uniform(3, 10)))
            if (row, column) not in empty:
                plugs[row, column] = disc
    return plugs
