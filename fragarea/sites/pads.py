"""Fragments on a pad: described places laid over the plugs found, and an order to read them in."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt

from fragarea.doubts import Doubt
from fragarea.reference.plane import FloatArray
from fragarea.sites.heights import PlugTop, plug_top
from fragarea.sites.records import SiteView
from fragarea.sites.rims import RimFits
from fragarea.sites.scene import CLEAR_RIM, RIM_SHARE, SURE_SCORE, Scene, sighting, take, unfitted, view_of

IndexArray = npt.NDArray[np.intp]

# A plug found belongs to a described place when it is no farther than this share of its diameter.
NEAR_DIAMETERS = 0.2
# Plugs whose middles differ by less than this share of a diameter along y stand in one row.
# A pad that looks the same when turned lies as it was described when it is turned by less than this.
AS_LAID_DEG = 45.0
ROW_DIAMETERS = 0.5
MOST_DISCS = 80
FEW_DISCS = 3


def find_pad(scene: Scene) -> SiteView:
    """The plugs of a pad, or its described places once tissue has grown over the rims."""
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
        return view_of(scene, (), top)
    order = reading_order(found.centres_mm, scene.site.plug_mm)
    plugs = tuple(
        sighting(found, int(index), position=None, label=str(number)) for number, index in enumerate(order, start=1)
    )
    return view_of(scene, plugs, top)


def _described_pad(scene: Scene, found: RimFits, top: PlugTop) -> SiteView:
    labels = [label for label, _, _ in scene.site.places_mm]
    places = np.array([(x, y) for _, x, y in scene.site.places_mm], dtype=float)
    middles, partners, doubt = place_labels(places, found.centres_mm, scene.site.plug_mm)
    plugs = []
    for label, middle, partner in zip(labels, middles, partners, strict=True):
        if partner >= 0:
            plugs.append(sighting(found, int(partner), position=None, label=label))
        else:
            plugs.append(unfitted(middle, position=None, label=label, present=True))
    return view_of(scene, tuple(plugs), top, (doubt,) if doubt else ())


def reading_order(points_mm: FloatArray, plug_mm: float) -> list[int]:
    """Indices of points row by row (y), each row from left to right (x).

    Parameters
    ----------
    points_mm : ndarray, shape (n, 2)
    plug_mm : float
        Rows are at least half a plug apart.

    Returns
    -------
    list of int
    """
    if len(points_mm) == 0:
        return []
    down = np.argsort(points_mm[:, 1], kind="stable")
    rows = [[int(down[0])]]
    for before, after in pairwise(down):
        if points_mm[after, 1] - points_mm[before, 1] > ROW_DIAMETERS * plug_mm:
            rows.append([])
        rows[-1].append(int(after))
    return [index for row in rows for index in sorted(row, key=lambda i: float(points_mm[i, 0]))]


def place_labels(
    places_mm: FloatArray, found_mm: FloatArray, plug_mm: float
) -> tuple[FloatArray, IndexArray, Doubt | None]:
    """Lay described places over the plugs found.

    Parameters
    ----------
    places_mm : ndarray, shape (p, 2)
        Described places in the pad's own axes.
    found_mm : ndarray, shape (n, 2)
        Middles of plugs in reference axes.
    plug_mm : float

    Returns
    -------
    middles_mm : ndarray, shape (p, 2)
        The places in reference axes.
    partners : ndarray of int, shape (p,)
        The plug found at each place, -1 where none was.
    doubt : Doubt or None
        Why the placing is in doubt.

    Notes
    -----
    Each pair of places is laid over each pair of plugs that are as far apart (a turn and a shift, no stretch); the
    motion that brings most places to a plug wins and is refined by least squares. When fewer than three places
    meet a plug, the places are taken as written, in reference axes.
    """
    near = NEAR_DIAMETERS * plug_mm
    motions = _motions(places_mm, found_mm, near)
    best, second = _best_motions(motions, places_mm, found_mm, near)
    identity = (np.eye(2), np.zeros(2))
    if best is None or best[0] < min(3, len(places_mm)):
        partners = _partners(places_mm, found_mm, near)
        seen = int((partners >= 0).sum())
        seen_words = f"{seen} of {len(places_mm)} places show a rim"
        doubt = None if 2 * seen >= len(places_mm) else Doubt("places_as_written", seen_words)
        return places_mm @ identity[0] + identity[1], partners, doubt
    turn, shift = best[1]
    for _ in range(2):
        moved = places_mm @ turn.T + shift
        partners = _partners(moved, found_mm, near)
        if (partners >= 0).sum() >= 2:
            turn, shift = _rigid(places_mm[partners >= 0], found_mm[partners[partners >= 0]])
    moved = places_mm @ turn.T + shift
    same = second is not None and second[0] >= best[0]
    doubt = None
    if same:
        as_written = abs(np.degrees(np.arctan2(turn[1, 0], turn[0, 0]))) < AS_LAID_DEG
        reason = "the described places fit the plugs in more than one way"
        doubt = Doubt("pad_turn_assumed" if as_written else "grid_unsure", reason)
    return moved, _partners(moved, found_mm, near), doubt


Motion = tuple[FloatArray, FloatArray]


def _motions(places: FloatArray, found: FloatArray, near: float) -> list[Motion]:
    """Turns and shifts that lay a pair of places over a pair of plugs."""
    motions = []
    for a in range(len(places)):
        for b in range(a + 1, len(places)):
            apart = places[b] - places[a]
            for i in range(len(found)):
                gaps = found - found[i]
                for j in np.nonzero(np.abs(np.hypot(*gaps.T) - np.hypot(*apart)) < near / 2)[0]:
                    angle = np.arctan2(gaps[j, 1], gaps[j, 0]) - np.arctan2(apart[1], apart[0])
                    turn = _turn(float(angle))
                    motions.append((turn, (found[i] + found[j]) / 2 - turn @ (places[a] + places[b]) / 2))
    return motions


def _turn(angle: float) -> FloatArray:
    return np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])


def _best_motions(
    motions: list[Motion], places: FloatArray, found: FloatArray, near: float
) -> tuple[tuple[float, Motion] | None, tuple[float, Motion] | None]:
    """The motion that meets most plugs, and the best that is plainly another one."""
    if not motions:
        return None, None
    turns = np.array([turn for turn, _ in motions])
    shifts = np.array([shift for _, shift in motions])
    moved = np.einsum("mij,pj->mpi", turns, places) + shifts[:, None]
    gaps = np.linalg.norm(moved[:, :, None] - found[None, None], axis=3).min(axis=2)
    hits = (gaps < near).sum(axis=1)
    # Among equals the closest fit, and of mirror-like layouts the smallest turn, as the pad was laid down.
    fit = np.where(gaps < near, gaps, 0.0).sum(axis=1) / np.maximum(hits, 1)
    bent = np.abs(np.arctan2(turns[:, 1, 0], turns[:, 0, 0]))
    order = np.lexsort((bent, np.round(fit / (0.25 * near)), -hits))
    best = int(order[0])
    away = np.linalg.norm(moved - moved[best], axis=2).max(axis=1)
    others = [int(index) for index in order if away[index] > 2 * near]
    first = (float(hits[best]), motions[best])
    return first, ((float(hits[others[0]]), motions[others[0]]) if others else None)


def _partners(middles: FloatArray, found: FloatArray, near: float) -> IndexArray:
    """For each middle the nearest plug within reach, each plug once; -1 for none."""
    partners = np.full(len(middles), -1, dtype=np.intp)
    if len(found) == 0:
        return partners
    gaps = np.linalg.norm(middles[:, None] - found[None], axis=2)
    for flat in np.argsort(gaps, axis=None, kind="stable"):
        place, plug = np.unravel_index(int(flat), gaps.shape)
        if gaps[place, plug] > near:
            break
        if partners[place] < 0 and plug not in partners:
            partners[place] = plug
    return partners


def _rigid(places: FloatArray, found: FloatArray) -> Motion:
    """Least-squares turn and shift (Kabsch 1976, in the plane)."""
    place_mean, found_mean = places.mean(axis=0), found.mean(axis=0)
    z = (places - place_mean) @ np.array([1, 1j])
    w = (found - found_mean) @ np.array([1, 1j])
    turn = _turn(float(np.angle(np.sum(w * np.conj(z)))))
    return turn, found_mean - turn @ place_mean
