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


@dataclass(frozen=True)
class Motion:
    """A turn about the origin, then a shift; lengths stay as they are.

    Attributes
    ----------
    turn_deg : float
        From x towards y: clockwise as seen, since y runs down.
    shift_mm : (float, float)
    rms_mm : float
        How far plugs still lie from each other; nan where fewer than two plugs made the motion.
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
    Least squares over turns and shifts, without stretch and without mirror image.

    References
    ----------
    Kabsch 1976, Acta Cryst. A32:922, in the plane.
    """
    names = sorted(moving_mm.keys() & fixed_mm.keys())
    if not names:
        return Motion()
    moving = np.array([moving_mm[name] for name in names], dtype=float)
    fixed = np.array([fixed_mm[name] for name in names], dtype=float)
    middle, target = moving.mean(axis=0), fixed.mean(axis=0)
    z = (moving - middle) @ np.array([1, 1j])
    w = (fixed - target) @ np.array([1, 1j])
    overlap = np.sum(w * np.conj(z))
    turn_deg = math.degrees(np.angle(overlap)) if len(names) > 1 else 0.0
    turned = Motion(turn_deg).points(middle[None])[0]
    motion = Motion(turn_deg, (float(target[0] - turned[0]), float(target[1] - turned[1])))
    if len(names) < 2:
        return motion
    gaps = motion.points(moving) - fixed
    return Motion(motion.turn_deg, motion.shift_mm, float(np.sqrt((gaps**2).sum(axis=1).mean())))
