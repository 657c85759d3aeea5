"""The plug's edge: how much of a spreading disc the plug holds, and how far it must spread to cover so much."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

USUAL_OFFSET = 0.06
"""Distance of the tissue's middle from the plug's, over the plug's radius (common practice, no source)."""

_WIDEST = 2.5  # of the disc's radius over the plug's: covers the plug from any offset below 1
_STEPS = 50
_OFFSETS = np.linspace(0.0, 0.5, 26)


def covered(radius: Array, offset: Array | float) -> Array:
    """Area of a disc on a plug, over the plug's area.

    Parameters
    ----------
    radius : ndarray of float64
        Of the disc, over the plug's radius.
    offset : ndarray of float64 or float
        Of the disc's middle from the plug's, over the plug's radius.

    Notes
    -----
    The lens that two circles have in common (plain geometry): with d the distance of the middles and radii r and 1,
    r^2 acos((d^2 + r^2 - 1) / (2 d r)) + acos((d^2 + 1 - r^2) / (2 d))
    - sqrt((-d + r + 1)(d + r - 1)(d - r + 1)(d + r + 1)) / 2.
    """
    r, d = np.broadcast_arrays(np.asarray(radius, dtype=float), np.asarray(offset, dtype=float))
    cut = (d > 0) & (np.abs(1 - r) < d) & (r + 1 > d)
    rc, dc = np.where(cut, r, 1.0), np.where(cut, d, 0.5)
    own, rim = _half_angles(rc, dc)
    kite = np.sqrt(np.maximum(0.0, (-dc + rc + 1) * (dc + rc - 1) * (dc - rc + 1) * (dc + rc + 1)))
    lens = (rc**2 * own + rim - 0.5 * kite) / math.pi
    return np.asarray(np.where(cut, lens, np.minimum(r, 1.0) ** 2))


def rim_share(radius: Array, offset: Array | float) -> Array:
    """Part of the tissue's outline that lies at the plug's rim; arguments as for :func:`covered`."""
    r, d = np.broadcast_arrays(np.asarray(radius, dtype=float), np.asarray(offset, dtype=float))
    cut = (d > 0) & (np.abs(1 - r) < d) & (r + 1 > d)
    rc, dc = np.where(cut, r, 1.0), np.where(cut, d, 0.5)
    own, rim = _half_angles(rc, dc)
    return np.asarray(np.where(cut, rim / (rc * own + rim), np.where(r > 1, 1.0, 0.0)))


def _half_angles(r: Array, d: Array) -> tuple[Array, Array]:
    """Half angles of the arc of the disc inside the plug and of the arc of the rim inside the disc."""
    own = np.arccos(np.clip((d**2 + r**2 - 1) / (2 * d * r), -1, 1))
    rim = np.arccos(np.clip((d**2 + 1 - r**2) / (2 * d), -1, 1))
    return own, rim


def free_radius(cover: Array, offset: Array | float) -> Array:
    """Radius over the plug's at which a disc covers so much of the plug; infinite for all of it and more.

    Parameters
    ----------
    cover : ndarray of float64
        Area over the plug's area.
    offset : ndarray of float64 or float
        As for :func:`covered`.
    """
    wanted, d = np.broadcast_arrays(np.asarray(cover, dtype=float), np.asarray(offset, dtype=float))
    low, high = np.zeros(wanted.shape), np.full(wanted.shape, _WIDEST)
    for _ in range(_STEPS):
        middle = 0.5 * (low + high)
        enough = covered(middle, d) >= wanted
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    return np.where(wanted >= 1, np.inf, high)


def offset_at(cover: Array, share: Array) -> Array:
    """Offset at which tissue that covers so much of its plug has such a share of its outline at the rim.

    Parameters
    ----------
    cover, share : ndarray of float64, shape (n,)

    Returns
    -------
    ndarray of float64, shape (n,)
        On a grid of fiftieths of the plug's radius.
    """
    below = np.minimum(cover, 0.999)[:, None]
    shares = rim_share(free_radius(below, _OFFSETS[None, :]), _OFFSETS[None, :])
    return np.asarray(_OFFSETS[np.abs(shares - share[:, None]).argmin(axis=1)])
