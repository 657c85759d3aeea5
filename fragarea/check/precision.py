"""Repeatability, reproducibility, agreement and conformity of repeated results.

References
----------
ISO 5725-2: basic method for repeatability and reproducibility (one-way layout, unequal group sizes).
Bland, J. M., Altman, D. G. (1986): Lancet 327:307-310 (limits of agreement).
JCGM 106:2012: the role of measurement uncertainty in conformity assessment.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

_ENOUGH = 0.95  # probability that settles a verdict


class Verdict(StrEnum):
    """What can be said about a tolerance."""

    PASSES = "passes"
    FAILS = "fails"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True)
class Precision:
    """Scatter of results in groups.

    Attributes
    ----------
    mean : float
        Of all values.
    s_r : float or None
        Repeatability standard deviation, within groups; None where no group holds two values.
    s_reproducibility : float or None
        Reproducibility standard deviation, within and between groups, at least ``s_r``; None with a single group.
    dof : int
        Degrees of freedom within groups.
    """

    mean: float
    s_r: float | None
    s_reproducibility: float | None
    dof: int


@dataclass(frozen=True)
class Agreement:
    """Limits within which 95 % of differences lie, when they are normal.

    Attributes
    ----------
    bias, sd, low, high : float
        Mean and standard deviation of the differences; mean less and plus 1.96 standard deviations.
    bias_low, bias_high : float
        95 % interval of the mean (Student's t).
    """

    bias: float
    sd: float
    low: float
    high: float
    bias_low: float
    bias_high: float


def precision(groups: Iterable[Sequence[float]]) -> Precision:
    """Repeatability and reproducibility of a one-way layout.

    Parameters
    ----------
    groups : iterable of sequences of float
        Values of each operator, camera, day or laboratory; groups may differ in size.

    Returns
    -------
    Precision

    Raises
    ------
    ValueError
        If there is no value at all.

    References
    ----------
    ISO 5725-2, 7.4 and 7.5: s_r^2 within groups, s_L^2 = (s_d^2 - s_r^2) / n between them,
    s_R^2 = s_r^2 + s_L^2, a negative s_L^2 being taken as 0.
    """
    filled = [np.asarray(group, dtype=float) for group in groups if len(group)]
    if not filled:
        raise ValueError("precision needs at least one value")
    sizes = np.array([len(group) for group in filled])
    means = np.array([group.mean() for group in filled])
    total, p = int(sizes.sum()), len(filled)
    mean = float(sizes @ means / total)
    dof = total - p
    within = sum(float(((group - group.mean()) ** 2).sum()) for group in filled) / dof if dof else None
    between = None
    if p > 1:
        s_d2 = float(sizes @ (means - mean) ** 2) / (p - 1)
        typical = (total - float(sizes @ sizes) / total) / (p - 1)
        # With one value a group, the spread of the values already holds both parts.
        between = s_d2 if within is None else within + max(0.0, (s_d2 - within) / typical)
    return Precision(mean, _root(within), _root(between), dof)


def _root(variance: float | None) -> float | None:
    return None if variance is None else math.sqrt(variance)


def agreement(differences: Sequence[float]) -> Agreement:
    """Limits of agreement of two methods from their differences.

    Parameters
    ----------
    differences : sequence of float
        One method less the other; at least two.

    Raises
    ------
    ValueError
        If there are fewer than two.

    References
    ----------
    Bland and Altman (1986), with 1.96 in place of their rounded 2.
    """
    from scipy.special import ndtri, stdtrit  # slow to load, and workers that measure load this package too

    values = np.asarray(differences, dtype=float)
    if values.size < 2:
        raise ValueError("limits of agreement need at least two differences")
    bias, sd = float(values.mean()), float(values.std(ddof=1))
    half = float(stdtrit(values.size - 1, 0.975)) * sd / math.sqrt(values.size)
    reach = float(ndtri(0.975)) * sd
    return Agreement(bias, sd, bias - reach, bias + reach, bias - half, bias + half)


def conformity_probability(value: float, u: float, low: float, high: float) -> float:
    """Probability that the true value lies between two limits.

    Parameters
    ----------
    value, u : float
        Best estimate and standard uncertainty of a normal distribution; with u = 0 the answer is 0 or 1.
    low, high : float
        Limits; either may be infinite.

    References
    ----------
    JCGM 106:2012, 7.3.
    """
    from scipy.special import ndtr

    if u < 0 or math.isnan(u) or low > high:
        raise ValueError(f"need u >= 0 and low <= high; got u={u}, low={low}, high={high}")
    if u == 0:
        return 1.0 if low <= value <= high else 0.0
    return float(ndtr((high - value) / u) - ndtr((low - value) / u))


def verdict_of(conformity: float) -> Verdict:
    """Verdict at 95 % from the probability of conforming."""
    if conformity >= _ENOUGH:
        return Verdict.PASSES
    return Verdict.FAILS if conformity <= 1 - _ENOUGH else Verdict.CANNOT_TELL
