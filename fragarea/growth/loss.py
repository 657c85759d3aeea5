"""Whether an area fell by more than its uncertainty explains."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fragarea.growth.columns import OWN, AreaColumns, Bools, Ints
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


def fell(columns: AreaColumns, before: Ints, now: Ints) -> Bools:
    """Whether there is a :func:`sudden_loss` from each of some rows to another."""
    first, second = columns.area_mm2[before], columns.area_mm2[now]
    u1, u2 = columns.part_u_mm2[before], columns.part_u_mm2[now]
    s1, s2 = columns.part_source[before], columns.part_source[now]
    variance = (u1**2).sum(axis=1) + (u2**2).sum(axis=1)
    for k in range(u1.shape[1]):
        common = (s2 == s1[:, k, None]) & (s1[:, k, None] != OWN)
        variance -= 2 * u1[:, k] * np.where(common, u2, 0.0).sum(axis=1)
    u = np.sqrt(np.maximum(0.0, variance))
    lost = first - second
    return np.asarray((first > 0) & (lost > ALARM_FACTOR * u) & (lost > LEAST_SHARE * first))
