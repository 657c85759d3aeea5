"""Windows drawn with exact truth: a plug on dark ground, a lobed fragment on it, camera blur and noise."""

from __future__ import annotations

import cv2
import numpy as np

from fragarea.sites.records import PlugRim, Window

BROWN, OLIVE, BLUE = (110, 80, 50), (90, 120, 60), (60, 90, 130)
PLUG, GROUND = (215, 210, 195), (40, 42, 45)
FINE = 4  # drawn at four times the resolution, then averaged in linear light


def drawn_window(
    tissue: tuple[int, int, int] | None = BROWN,
    *,
    radius_mm: float = 6.0,
    lobe: float = 0.12,
    middle_mm: tuple[float, float] = (0.3, -0.2),
    plug: tuple[int, int, int] = PLUG,
    mm_per_px: float = 0.2,
    half_mm: float = 16.5,
    blur_px: float = 0.7,
    noise: float = 3.0,
    seed: int = 1,
) -> tuple[Window, float]:
    """A window and its tissue's exact area.

    The outline ``r = radius (1 + lobe cos 3 angle)`` encloses ``pi radius^2 (1 + lobe^2 / 2)``.
    `tissue` is an sRGB colour; None draws an empty plug.
    """
    rng = np.random.default_rng(seed)
    side = round(2 * half_mm / mm_per_px)
    places = ((np.arange(side * FINE) + 0.5) / FINE - 0.5) * mm_per_px - half_mm + mm_per_px / 2
    x, y = np.meshgrid(places, places)
    image = np.empty((*x.shape, 3), np.float32)
    image[:] = GROUND
    image[np.hypot(x, y) < 12.5] = plug
    if tissue is not None:
        dx, dy = x - middle_mm[0], y - middle_mm[1]
        reach = radius_mm * (1 + lobe * np.cos(3 * np.arctan2(dy, dx) + rng.uniform(0, 6.28)))
        image[np.hypot(dx, dy) < reach] = tissue
    light = cv2.resize((image / 255) ** 2.2, (side, side), interpolation=cv2.INTER_AREA)
    light = cv2.GaussianBlur(light, (0, 0), blur_px * 0.2 / mm_per_px)
    grain = cv2.GaussianBlur(rng.normal(size=(side, side)).astype(np.float32), (0, 0), 1.5)
    pixels = 255 * np.clip(light * (1 + 0.2 * grain[..., None]), 0, 1) ** (1 / 2.2) + rng.normal(
        0, noise, light.shape
    )
    corner = -half_mm + mm_per_px / 2
    window = Window(
        np.clip(np.round(pixels), 0, 255).astype(np.uint8),
        mm_per_px,
        (corner, corner),
        0.35,
        PlugRim((0.0, 0.0), 12.5),
    )
    area_mm2 = float(np.pi * radius_mm**2 * (1 + lobe**2 / 2)) if tissue is not None else 0.0
    return window, area_mm2
