"""Photos of a pad laid over each other by its plugs: what its pictures are drawn on."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from shapely import MultiPolygon

from fragarea.fusion import Motion, PadHistory, PadVisit, register
from fragarea.report.overlay import rings_of
from fragarea.report.sheet import rectified
from fragarea.report.strokes import Image, Points

GREY = (150, 150, 150)
"""Of the ground where there is no photo."""

_ROOM_SPACINGS = 0.75  # around the outermost plugs: half of it is the plug, the rest its tissue and a little ground
_LONE_PLUG_MM = 30.0
_FINER = 2  # times the size of the picture at which a photo is read, so that small structures do not flicker

ToPixels = Callable[[Points, float], Points]


@dataclass(frozen=True, eq=False)
class PadShot:
    """A photo of a pad, or why there is none.

    Attributes
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3), or None
    to_px : callable or None
        Pixels of points in mm, shape (n, 2), at a height above the reference plane in mm.
    edge_height_mm : float
        Height of the tissue's edge above the reference plane.
    why_not : str
        Why there is no photo; empty where there is one.
    """

    pixels: Image | None
    to_px: ToPixels | None
    edge_height_mm: float = 0.0
    why_not: str = ""


ShotOf = Callable[[PadVisit], PadShot]
"""Gets the photo of a visit; asked for one at a time, so that not all photos of a pad are held at once."""


@dataclass(frozen=True)
class Frame:
    """The rectangle that all pictures of a pad show, in the axes of its first visit.

    Attributes
    ----------
    centres_mm : mapping of name to (x_mm, y_mm)
        Plugs, as they stand at the first visit at which each is seen.
    left_mm, top_mm, width_mm, height_mm : float
    """

    centres_mm: Mapping[str, tuple[float, float]]
    left_mm: float
    top_mm: float
    width_mm: float
    height_mm: float

    def px_per_mm(self, longest_px: int) -> float:
        """Scale at which the longer side has so many pixels."""
        return longest_px / max(self.width_mm, self.height_mm)

    def size_px(self, px_per_mm: float) -> tuple[int, int]:
        """Width and height of a picture of it."""
        return max(1, round(self.width_mm * px_per_mm)), max(1, round(self.height_mm * px_per_mm))

    def place(self, points_mm: Points, px_per_mm: float) -> Points:
        """Pixels of points in the frame's axes."""
        # pixel centres are whole numbers, so edges lie at halves
        return np.asarray((points_mm - (self.left_mm, self.top_mm)) * px_per_mm - 0.5, dtype=float)


def frame_of(pad: PadHistory) -> Frame:
    """The frame that holds the plugs of all visits with room for their tissue.

    Parameters
    ----------
    pad : PadHistory
        With at least one visit.
    """
    centres: dict[str, tuple[float, float]] = {}
    for visit in pad.visits:
        seen = _centres(visit)
        moved = register(seen, centres or seen)
        for name, centre in seen.items():
            x_mm, y_mm = moved.points(centre)[0]
            centres.setdefault(name, (float(x_mm), float(y_mm)))
    known = [visit.spacing_mm for visit in pad.visits if math.isfinite(visit.spacing_mm)]
    room = _ROOM_SPACINGS * (float(np.median(known)) if known else _LONE_PLUG_MM)
    points = np.array(list(centres.values()))
    low, high = points.min(axis=0) - room, points.max(axis=0) + room
    return Frame(centres, float(low[0]), float(low[1]), float(high[0] - low[0]), float(high[1] - low[1]))


@dataclass(frozen=True)
class PadView:
    """A visit as the frame shows it.

    Attributes
    ----------
    frame : Frame
    visit : PadVisit
        With outlines.
    px_per_mm : float
    """

    frame: Frame
    visit: PadVisit
    px_per_mm: float

    def rings_px(self, outline: MultiPolygon) -> list[Points]:
        """Rings of an outline in pixels of the picture."""
        motion = self._motion()
        return [self.frame.place(motion.points(ring), self.px_per_mm) for ring in rings_of(outline)]

    def points_px(self, points_mm: Points) -> Points:
        """Points in the visit's axes in pixels of the picture."""
        return self.frame.place(self._motion().points(points_mm), self.px_per_mm)

    def plugs_px(self) -> dict[str, Points]:
        """Centre of each plug of the visit; where it was at first, which a plug misread later does not move."""
        return {
            one.fragment: self.frame.place(np.array([self.frame.centres_mm[one.fragment]]), self.px_per_mm)[0]
            for one in self.visit.fragments
        }

    def picture(self, shot: PadShot) -> Image:
        """The photo as the frame shows it; grey where it is not there."""
        size = self.frame.size_px(self.px_per_mm)
        if shot.pixels is None or shot.to_px is None:
            ground = np.empty((size[1], size[0], 3), np.uint8)
            ground[:] = GREY
            return ground
        to_px, back = shot.to_px, register(self.frame.centres_mm, _centres(self.visit))
        fine = rectified(
            shot.pixels,
            lambda points_mm: to_px(back.points(points_mm), shot.edge_height_mm),
            origin_mm=(
                self.frame.left_mm + 0.5 / (_FINER * self.px_per_mm),
                self.frame.top_mm + 0.5 / (_FINER * self.px_per_mm),
            ),
            px_per_mm=_FINER * self.px_per_mm,
            size_px=(_FINER * size[0], _FINER * size[1]),
        )
        return np.asarray(cv2.resize(fine, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)

    def _motion(self) -> Motion:
        return register(_centres(self.visit), self.frame.centres_mm)


def _centres(visit: PadVisit) -> dict[str, tuple[float, float]]:
    return {one.fragment: one.centre_mm for one in visit.fragments}
