"""Shifts of the tissue model that fit a nursery's corrections, and whether they help on corrections held back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import shapely

from fragarea.adapt.windows import Correction
from fragarea.errors import SettingsProblem
from fragarea.tissue.calibration import AS_LEARNED, TissueCalibration
from fragarea.tissue.outlines import trace_outlines
from fragarea.tissue.records import Surface, TissueMap
from fragarea.tissue.segment import segment_windows
from fragarea.tissue.surface import SHARE_PX, surface_log_odds
from fragarea.tissue.tiles import Tile, cut_tiles

FEWEST_WINDOWS, FEWEST_PHOTOS = 8, 4
FOLDS = 5
# Neighbouring pixels err together: a window says as much as so many of them.
PIXELS_OF_A_WINDOW = 30.0
# What is believed of the shifts before any correction: none, give or take these.
PRIOR_LOG_ODDS = 1.0
PRIOR_EDGE_MM, EDGE_SCATTER_MM, MOST_EDGE_MM = 0.15, 0.3, 0.6
LEAST_MM2 = 2.0  # windows with less live tissue have no outline to judge
FloatArray = npt.NDArray[Any]


@dataclass(frozen=True, eq=False)
class Judgement:
    """How outlines compare with people's, window by window.

    Attributes
    ----------
    iou : ndarray of float64, shape (n,)
        Intersection over union of live tissue.
    area_error : ndarray of float64, shape (n,)
        Found over drawn area, less 1.
    """

    iou: npt.NDArray[np.float64]
    area_error: npt.NDArray[np.float64]

    @property
    def mean_iou(self) -> float:
        """Over windows; nan of none."""
        return float(self.iou.mean()) if len(self.iou) else float("nan")

    @property
    def usual_error(self) -> float:
        """Median size of the area error; nan of none."""
        return float(np.median(np.abs(self.area_error))) if len(self.area_error) else float("nan")


@dataclass(frozen=True, eq=False)
class Adapted:
    """What corrections taught.

    Attributes
    ----------
    calibration : TissueCalibration
        Fitted to all corrections.
    before, after : Judgement
        On corrections held back: with the calibration in use, and with ones fitted to the others.
    gain_iou, gain_iou_u : float
        Mean gain in overlap on windows held back, and its standard uncertainty over photos.
    """

    calibration: TissueCalibration
    before: Judgement
    after: Judgement
    gain_iou: float
    gain_iou_u: float

    @property
    def better(self) -> bool:
        """Whether outlines held back were better beyond chance, and areas no worse."""
        return self.gain_iou > 2 * self.gain_iou_u and self.after.usual_error <= self.before.usual_error


def adapt(corrections: Sequence[Correction], in_use: TissueCalibration = AS_LEARNED) -> Adapted:
    """Fit shifts to corrections, and judge the same procedure on corrections that it has not seen.

    Parameters
    ----------
    corrections : sequence of Correction
        At least eight windows of at least four photos. Windows of one photo are held back together.
    in_use : TissueCalibration
        What the new shifts have to beat.

    Returns
    -------
    Adapted

    Raises
    ------
    SettingsProblem
        If there are too few corrections to learn from and to judge on.
    """
    photos = sorted({one.photo for one in corrections})
    if len(corrections) < FEWEST_WINDOWS or len(photos) < FEWEST_PHOTOS:
        raise SettingsProblem(
            f"{len(corrections)} corrected windows of {len(photos)} photos are too few to learn from and to judge "
            f"on: correct at least {FEWEST_WINDOWS} windows of at least {FEWEST_PHOTOS} photos."
        )
    folds = [photos[k::FOLDS] for k in range(min(FOLDS, len(photos)))]
    evidence = [_evidence(one) for one in corrections]
    sides: tuple[list[Judgement], list[Judgement]] = ([], [])
    of_photo: list[str] = []
    for fold in folds:
        learned = [k for k, one in enumerate(corrections) if one.photo not in fold]
        fitted = _fit([corrections[k] for k in learned], [evidence[k] for k in learned])
        for one in corrections:
            if one.photo in fold:
                for side, calibration in zip(sides, (in_use, fitted), strict=True):
                    side.append(judge([one], calibration))
                of_photo += [one.photo] * len(sides[0][-1].iou)
    before, after = (_joined(side) for side in sides)
    gain, owners = after.iou - before.iou, np.array(of_photo)
    gains = np.array([gain[owners == photo].mean() for photo in sorted(set(of_photo))])
    return Adapted(
        calibration=_fit(corrections, evidence),
        before=before,
        after=after,
        gain_iou=float(gains.mean()) if len(gains) else 0.0,
        gain_iou_u=float(gains.std(ddof=1) / np.sqrt(len(gains))) if len(gains) > 1 else float("inf"),
    )


def judge(corrections: Sequence[Correction], calibration: TissueCalibration) -> Judgement:
    """Outlines of corrected windows against people's; windows without live tissue are left out."""
    ious, errors = [], []
    for one in corrections:
        drawn = _drawn(one)
        if drawn.area < LEAST_MM2:
            continue
        (found,) = segment_windows([one.window], one.light, calibration)
        both = shapely.intersection(found.live, drawn).area
        ious.append(both / (found.live.area + drawn.area - both))
        errors.append(found.live.area / drawn.area - 1)
    return Judgement(np.array(ious, float), np.array(errors, float))


def _joined(parts: Sequence[Judgement]) -> Judgement:
    return Judgement(
        np.concatenate([part.iou for part in parts]), np.concatenate([part.area_error for part in parts])
    )


def _drawn(one: Correction) -> shapely.MultiPolygon:
    """People's outline of live tissue."""
    live = np.isin(one.labels, (Surface.LIVE, Surface.BLEACHED)).astype(np.float32)
    # Blurred by a pixel, so that the contour does not follow the pixel stairs.
    soft = cv2.GaussianBlur(live, (0, 0), 1.0, borderType=cv2.BORDER_REPLICATE)
    return trace_outlines(TissueMap(one.labels, np.asarray(soft, np.float32)), one.window).live


@dataclass(frozen=True, eq=False)
class _Evidence:
    """Log-odds that the model gives each share pixel of a window, and people's shares there, both ``(n, 4)``."""

    log_odds: FloatArray
    drawn: FloatArray


def _evidence(one: Correction) -> _Evidence:
    (stack,) = cut_tiles([one.window], one.light)
    log_odds = surface_log_odds(stack)[0]
    drawn, inside = _shares_drawn(one.labels, stack.tiles[0], log_odds.shape[:2])
    return _Evidence(log_odds[inside], drawn[inside])


def _shares_drawn(
    labels: npt.NDArray[np.uint8], tile: Tile, shape: tuple[int, int]
) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """People's shares at the pixels of the model's, and which of them lie inside the window."""
    matrix = np.array([[tile.step, 0, tile.corner[0]], [0, tile.step, tile.corner[1]]])
    layers = np.dstack([labels == surface for surface in Surface] + [np.ones_like(labels, bool)]).astype(np.float32)
    size = (tile.columns, tile.rows)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    moved = np.dstack([cv2.warpAffine(layers[..., k], matrix, size, flags=flags) for k in range(layers.shape[2])])
    small = cv2.resize(moved, (shape[1], shape[0]), interpolation=cv2.INTER_AREA)
    assert round(tile.rows / SHARE_PX) == shape[0]
    inside = small[..., -1] > 0.99
    return np.asarray(small[..., :-1]), np.asarray(inside)


def _fit(corrections: Sequence[Correction], evidence: Sequence[_Evidence]) -> TissueCalibration:
    from scipy.optimize import minimize  # takes a while to load, and only this needs it

    def cost(shift: FloatArray) -> tuple[float, FloatArray]:
        total, slope = 0.5 * float(shift @ shift) / PRIOR_LOG_ODDS**2, shift / PRIOR_LOG_ODDS**2
        for one in evidence:
            odds = one.log_odds + np.concatenate([[0.0], shift])
            odds = odds - odds.max(axis=1, keepdims=True)
            norm = np.log(np.exp(odds).sum(axis=1, keepdims=True))
            total += PIXELS_OF_A_WINDOW * float(-(one.drawn * (odds - norm)).sum(axis=1).mean())
            slope = slope + PIXELS_OF_A_WINDOW * (np.exp(odds - norm) - one.drawn).mean(axis=0)[1:]
        return total, slope

    shift = np.asarray(minimize(cost, np.zeros(3), jac=True, method="L-BFGS-B").x, float)
    fitted = TissueCalibration(*(float(value) for value in shift))
    return TissueCalibration(fitted.live, fitted.bleached, fitted.dead, _edge_mm(corrections, fitted))


def _edge_mm(corrections: Sequence[Correction], calibration: TissueCalibration) -> float:
    """How far people's outlines lie outside those found, in the median, drawn towards none where few say so."""
    offs = []
    for one in corrections:
        drawn = _drawn(one)
        (found,) = segment_windows([one.window], one.light, calibration)
        if min(drawn.area, found.live.area) >= LEAST_MM2:
            offs.append((drawn.area - found.live.area) / found.live.length)
    if not offs:
        return 0.0
    trust = len(offs) / (len(offs) + (EDGE_SCATTER_MM / PRIOR_EDGE_MM) ** 2)
    return float(np.clip(trust * np.median(offs), -MOST_EDGE_MM, MOST_EDGE_MM))
