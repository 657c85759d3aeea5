"""Visits of one pad laid over each other by their plugs: same place, same orientation."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

Floats = npt.NDArray[np.float64]
Centres = Mapping[str, tuple[float, float]]

# A plug is misread where it lies so far off, in mm and in medians of all plugs.
_MISREAD_MM = 1.0
_MISREAD_TIMES = 3.0
_FEWEST = 3


@dataclass(frozen=True)
class Motion:
    """A turn about the origin, then a shift; lengths stay as they are.

    Attributes
    ----------
    turn_deg : float
        From x towards y: clockwise as seen, since y runs down.
    shift_mm : (float, float)
    rms_mm : float
        How far the plugs that made the motion still lie from each other; nan where fewer than two did.
    """

    turn_deg: float = 0.0
    shift_mm: tuple[float, float] = (0.0, 0.0)
    rms_mm: float = math.nan

    def points(self, points_mm: npt.ArrayLike) -> Floats:
        """Points, shape (n, 2), moved."""
        angle = math.radians(self.turn_deg)
        turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
        return np.asarray(points_mm, dtype=float).reshape(-1, 2) @ turn.T + self.shift_mm

    def shape(self, shape: shapely.Geometry) -> shapely.Geometry:
        """An outline moved."""
        return shapely.transform(shape, self.points)


def register(moving_mm: Centres, fixed_mm: Centres) -> Motion:
    """The motion that lays plugs of one visit over the same plugs of another.

    Parameters
    ----------
    moving_mm, fixed_mm : mapping of name to (x_mm, y_mm)
        Plug centres; those with a name in common count.

    Returns
    -------
    Motion
        No motion where no name is in common, a shift alone where one is.

    Notes
    -----
    Least squares over turns and shifts, without stretch and without mirror image. A plug that then lies far off, its
    rim misread on an overgrown pad, is left out, the worst first, as long as three are left.

    References
    ----------
    Kabsch 1976, Acta Cryst. A32:922, in the plane.
    """
    names = sorted(moving_mm.keys() & fixed_mm.keys())
    moving = np.array([moving_mm[name] for name in names], dtype=float).reshape(-1, 2)
    fixed = np.array([fixed_mm[name] for name in names], dtype=float).reshape(-1, 2)
    motion = _least_squares(moving, fixed)
    for _ in range(len(names) - _FEWEST):
        gaps = np.hypot(*(motion.points(moving) - fixed).T)
        worst = int(np.argmax(gaps))
        if gaps[worst] <= max(_MISREAD_MM, _MISREAD_TIMES * float(np.median(gaps))):
            break
        moving, fixed = np.delete(moving, worst, axis=0), np.delete(fixed, worst, axis=0)
        motion = _least_squares(moving, fixed)
    return motion


def _least_squares(moving: Floats, fixed: Floats) -> Motion:
    if len(moving) == 0:
        return Motion()
    middle, target = moving.mean(axis=0), fixed.mean(axis=0)
    z = (moving - middle) @ np.array([1, 1j])
    w = (fixed - target) @ np.array([1, 1j])
    turn_deg = math.degrees(np.angle(np.sum(w * np.conj(z)))) if len(moving) > 1 else 0.0
    turned = Motion(turn_deg).points(middle)[0]
    motion = Motion(turn_deg, (float(target[0] - turned[0]), float(target[1] - turned[1])))
    if len(moving) < 2:
        return motion
    gaps = motion.points(moving) - fixed
    return Motion(motion.turn_deg, motion.shift_mm, float(np.sqrt((gaps**2).sum(axis=1).mean())))
