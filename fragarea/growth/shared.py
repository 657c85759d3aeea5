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
    n = len(points)
    covariance = [[0.0] * n for _ in range(n)]  # of few points mostly, where arrays would take longer
    by_source: dict[str, dict[int, float]] = {}
    for index, point in enumerate(points):
        for part in point.parts:
            if part.source:
                moved = by_source.setdefault(part.source, {})
                moved[index] = moved.get(index, 0.0) + part.u_mm2
            else:
                covariance[index][index] += part.u_mm2**2
    for moved in by_source.values():
        for i, first in moved.items():
            row = covariance[i]
            for j, second in moved.items():
                row[j] += first * second
    return np.array(covariance).reshape(n, n)
