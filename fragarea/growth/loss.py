"""Whether an area fell by more than its uncertainty explains."""

from __future__ import annotations

import math
from dataclasses import dataclass

from fragarea.growth.records import AreaPoint
from fragarea.growth.shared import area_covariance_mm4

ALARM_FACTOR = 3.5
"""Standard uncertainties that a fall must exceed. One-sided, a fragment that neither grows nor shrinks is alarmed at
0.023 % of its visits where the uncertainty is right, and at 0.18 % where it is a sixth too small."""

LEAST_SHARE = 0.05
"""Smaller losses are no alarm, however sure: a wet edge, a polyp drawn in (common practice, no source)."""


@dataclass(frozen=True)
class Loss:
    """A fall of live tissue between two visits.

    Attributes
    ----------
    lost_mm2, lost_u_mm2 : float
    share : float
        Of the earlier area.
    """

    lost_mm2: float
    lost_u_mm2: float
    share: float


def sudden_loss(before: AreaPoint, now: AreaPoint) -> Loss | None:
    """The loss of live tissue from one visit to another, where it is larger than uncertainty explains.

    Parameters
    ----------
    before, now : AreaPoint

    Returns
    -------
    Loss or None
        None also where there was no tissue before.

    Notes
    -----
    The difference carries the uncertainty of both areas with what they share taken out (JCGM 100:2008, 5.2.2), so a
    scale that is wrong at both visits alike does not hide a loss. The area expected from growth would be larger; it
    is not counted on, since healthy fragments pause.
    """
    if before.area_mm2 <= 0:
        return None
    lost = before.area_mm2 - now.area_mm2
    covariance = area_covariance_mm4((before, now))
    u = math.sqrt(max(0.0, covariance[0, 0] + covariance[1, 1] - 2 * covariance[0, 1]))
    share = lost / before.area_mm2
    return Loss(lost, u, share) if lost > ALARM_FACTOR * u and share > LEAST_SHARE else None
