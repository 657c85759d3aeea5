"""The one plug beside a card."""

from __future__ import annotations

import numpy as np

from fragarea.reference.plane import FloatArray
from fragarea.sites.heights import plug_top
from fragarea.sites.records import SiteView
from fragarea.sites.rims import RimFits
from fragarea.sites.scene import HALF_RIM, Scene, joined, sighting, take, view_of

# A rim found worse than this is tried again from places all around.
RETRY_BELOW = 0.9
TRIES_MM = np.array(
    [
        (reach * np.cos(turn), reach * np.sin(turn))
        for reach, count in ((1.3, 6), (2.6, 12))
        for turn in np.arange(count) * (2 * np.pi / count)
    ]
)
MOST_DISCS = 24
LIKELY_DISCS = 3
# Weight of a disc's difference in colour from its surroundings; sRGB steps that count half.
CONTRAST_WEIGHT = 0.5
CONTRAST_KNEE = 60.0
# A single plug lies beside its card: what is farther away must look better, by this much of score a millimetre.
FAR_PER_MM = 0.003


def find_single(scene: Scene) -> SiteView:
    """The one plug beside the reference; none where no disc looks like one."""
    points, scores = scene.candidates(MOST_DISCS)
    if len(points) == 0:
        return view_of(scene, (), plug_top(scene.rims(points), scene.height_mm, scene.plane, scene.site))
    fit, score = _rim_with_care(scene, points, scores)
    found = take(fit, scene.is_plug(fit, score) | (fit.on_rim >= HALF_RIM))
    top = plug_top(found, scene.height_mm, scene.plane, scene.site)
    return view_of(scene, [sighting(found, 0, position=None)] if len(found.radii_mm) else [], top)


def _rim_with_care(scene: Scene, points_mm: FloatArray, scores: FloatArray) -> tuple[RimFits, FloatArray]:
    """The likeliest of several discs and its score; where its rim is found poorly, places all around are tried.

    A disc may be drawn to its own shadow, or half-way to a bar of the grating.
    """
    scores = scores - FAR_PER_MM * _beyond_reference(scene, points_mm) + CONTRAST_WEIGHT * _contrast(scene, points_mm)
    likely = np.argsort(-scores, kind="stable")[:LIKELY_DISCS]
    points_mm, scores = points_mm[likely], scores[likely]
    fits = scene.rims(points_mm)
    best = int(np.argmax(scores + scene.quality(fits)))
    if fits.on_rim[best] < RETRY_BELOW:
        tries = scene.rims((points_mm[:, None] + TRIES_MM).reshape(-1, 2))
        # and again from where they came out: fits that settle do not hang on a hair's breadth of the first guess
        settled = scene.rims(tries.centres_mm)
        fits = joined(joined(fits, tries), settled)
        scores = np.concatenate([scores, *[np.repeat(scores, len(TRIES_MM))] * 2])
        best = int(np.argmax(scores + scene.quality(fits)))
    return take(fits, [best]), scores[[best]]


def _contrast(scene: Scene, points_mm: FloatArray) -> FloatArray:
    """How much the mean colour within each disc differs from that around it, 0 to 1.

    A grating has edges everywhere, but over a plug's width its mean colour hardly changes.
    """
    overview = scene.discs.overview
    middles = overview.overview_px(scene.plane.project(points_mm, scene.height_mm))
    reach = int(np.ceil(1.6 * scene.radius_mm * overview.px_per_mm))
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    away = np.hypot(x, y) / (scene.radius_mm * overview.px_per_mm)
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


def _beyond_reference(scene: Scene, points_mm: FloatArray) -> FloatArray:
    """Distance of points from the printed reference; 0 without one."""
    if scene.layout is None:
        return np.zeros(len(points_mm))
    card = np.asarray(scene.layout.outline_mm, dtype=float)
    return np.linalg.norm(points_mm - np.clip(points_mm, card.min(axis=0), card.max(axis=0)), axis=1)
