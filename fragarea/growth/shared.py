"""What areas have in common: covariance through shared errors."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from fragarea.growth.records import AreaPoint

Array = npt.NDArray[np.float64]


def area_covariance_mm4(points: Sequence[AreaPoint]) -> Array:
    """Covariance of areas through the errors that they share.

    Parameters
    ----------
    points : sequence of AreaPoint

    Returns
    -------
    ndarray of float64, shape (n, n)
        In mm4. A source that two areas name moves both the same way by its own u; the diagonal holds the variances.

    References
    ----------
    JCGM 100:2008, F.1.2.3, equation F.1.
    """
    covariance = np.zeros((len(points), len(points)))
    by_source: dict[str, Array] = {}
    for index, point in enumerate(points):
        for part in point.parts:
            if part.source:
                by_source.setdefault(part.source, np.zeros(len(points)))[index] += part.u_mm2
            else:
                covariance[index, index] += part.u_mm2**2
    for moves in by_source.values():
        covariance += np.outer(moves, moves)
    return covariance
