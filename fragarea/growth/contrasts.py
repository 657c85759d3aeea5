"""Which genotypes differ: pairwise contrasts with Holm's correction, and plain sentences."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from scipy import stats

from fragarea.growth.genotypes import GenotypeGrowth, GenotypesGrowth, Method

LEVEL = 0.05


@dataclass(frozen=True)
class Contrast:
    """Extension of one genotype less that of another.

    Attributes
    ----------
    faster, slower : str
        Names, the one with the larger estimate first.
    difference_mm_per_month, difference_u_mm_per_month : float
    low_mm_per_month, high_mm_per_month : float
        95 % interval of this pair alone.
    p_value, p_holm : float
        Two-sided, of this pair alone and corrected for all pairs.
    """

    faster: str
    slower: str
    difference_mm_per_month: float
    difference_u_mm_per_month: float
    low_mm_per_month: float
    high_mm_per_month: float
    p_value: float
    p_holm: float

    @property
    def shown(self) -> bool:
        """Whether the two differ, at 5 % over all pairs together."""
        return self.p_holm < LEVEL


def contrasts(growth: GenotypesGrowth) -> tuple[Contrast, ...]:
    """Compare every two genotypes that have a name and an estimate.

    Parameters
    ----------
    growth : GenotypesGrowth

    Returns
    -------
    tuple of Contrast
        Smallest p-value first.

    Notes
    -----
    t = (b1 - b2) / u with u^2 = u1^2 + u2^2 - 2 cov, so that a common print or photo counts once, and
    degrees of freedom after Welch and Satterthwaite. Two genotypes with the spread of one pooled fit have those of
    that fit.

    References
    ----------
    Welch 1947, Biometrika 34:28-35; Holm 1979, Scandinavian Journal of Statistics 6:65-70 (from memory).
    """
    known = [(i, one) for i, one in enumerate(growth.genotypes) if one.known and one.genotype]
    pairs = [_contrast(growth, i, first, j, second) for (i, first), (j, second) in combinations(known, 2)]
    corrected = holm([pair.p_value for pair in pairs])
    found = [replace(pair, p_holm=p) for pair, p in zip(pairs, corrected, strict=True)]
    return tuple(sorted(found, key=lambda one: (one.p_value, one.faster, one.slower)))


def holm(p_values: Sequence[float]) -> list[float]:
    """p-values corrected for their number by Holm's step-down procedure, in the order given.

    Examples
    --------
    >>> [round(p, 6) for p in holm([0.01, 0.04, 0.03])]
    [0.03, 0.06, 0.06]
    """
    order = sorted(range(len(p_values)), key=lambda i: p_values[i])
    corrected, largest = [0.0] * len(p_values), 0.0
    for rank, index in enumerate(order):
        largest = max(largest, min(1.0, (len(p_values) - rank) * p_values[index]))
        corrected[index] = largest
    return corrected


def _contrast(growth: GenotypesGrowth, i: int, one: GenotypeGrowth, j: int, two: GenotypeGrowth) -> Contrast:
    if one.extension_mm_per_month < two.extension_mm_per_month:
        i, one, j, two = j, two, i, one
    difference = one.extension_mm_per_month - two.extension_mm_per_month
    u1, u2 = one.extension_u_mm_per_month, two.extension_u_mm_per_month
    u = math.sqrt(max(u1**2 + u2**2 - 2 * growth.covariance[i, j], 1e-12 * (u1**2 + u2**2), 1e-24))
    if one.method is two.method is Method.POOLED:
        freedom = min(one.freedom, two.freedom)
    else:
        freedom = (u1**2 + u2**2) ** 2 / max(u1**4 / one.freedom + u2**4 / two.freedom, 1e-300)
    half = float(stats.t.ppf(0.975, freedom)) * u
    p_value = float(2 * stats.t.sf(difference / u, freedom))
    return Contrast(one.genotype, two.genotype, difference, u, difference - half, difference + half, p_value, p_value)


def genotype_sentence(growth: GenotypeGrowth) -> str:
    """What is known of one genotype, in a sentence.

    Examples
    --------
    >>> print(genotype_sentence(GenotypeGrowth("G1", 1, 3, Method.TOO_FEW)))
    G1: not enough: two fragments with two measurements each are needed.
    """
    if not growth.known:
        return f"{growth.genotype or 'Fragments without a genotype'}: {growth.method}."
    subject = f"{growth.genotype} extends" if growth.genotype else "Fragments without a genotype extend"
    numbers = (growth.extension_mm_per_month, growth.low_mm_per_month, growth.high_mm_per_month)
    best, low, high = rounded(numbers, growth.extension_u_mm_per_month)
    fell_back = "; the mixed model did not converge" if growth.fell_back else ""
    return (
        f"{subject} {best} mm/month, 95 % {low} to {high} "
        f"({growth.fragments} fragments, {growth.points} measurements; {growth.method}{fell_back})."
    )


def contrast_sentence(contrast: Contrast) -> str:
    """What a comparison says, in a sentence."""
    numbers = (contrast.difference_mm_per_month, contrast.low_mm_per_month, contrast.high_mm_per_month)
    best, low, high = rounded(numbers, contrast.difference_u_mm_per_month)
    if contrast.shown:
        verdict = f"{contrast.faster} extends {best} mm/month faster than {contrast.slower}, 95 % {low} to {high}"
    else:
        verdict = (
            f"{contrast.faster} and {contrast.slower} cannot be told apart: "
            f"difference {best} mm/month, 95 % {low} to {high}"
        )
    p = "< 0.001" if contrast.p_holm < 0.001 else f"{contrast.p_holm:.3f}"
    return f"{verdict} (p {p} after Holm)."


def rounded(numbers: Sequence[float], u: float) -> list[str]:
    """Numbers to the second digit of their standard uncertainty (JCGM 100:2008, 7.2.6), at most six decimals."""
    decimals = 3 if not u > 0 else min(6, max(0, 1 - math.floor(math.log10(u))))
    return [f"{number:.{decimals}f}".replace("-", "−") for number in numbers]
