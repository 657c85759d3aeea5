"""Genetic breadth of a set of outplants."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Breadth:
    """How a set is shared among genotypes.

    Attributes
    ----------
    shares : dict of genotype to float
        Parts of the whole, the largest first.
    effective : float
        Effective number of genotypes: the inverse of Simpson's index.
    """

    shares: dict[str, float]
    effective: float

    def dominating(self, largest_share: float) -> str:
        """The genotype with more than so large a part; empty where there is none, or only one genotype at all."""
        if len(self.shares) < 2:
            return ""
        name, share = next(iter(self.shares.items()))
        return name if share > largest_share else ""


def breadth(numbers: Mapping[str, float]) -> Breadth | None:
    """Breadth of a set; None for an empty one.

    Parameters
    ----------
    numbers : mapping of str to float
        How many of each genotype.

    Notes
    -----
    1 / sum p^2 over the shares p: as many genotypes as would give the same chance of drawing two alike if all had
    equal parts.

    References
    ----------
    Simpson 1949, Nature 163:688, doi 10.1038/163688a0; Hill 1973, Ecology 54:427-432 (number N2).

    Examples
    --------
    >>> breadth({"G1": 10, "G2": 10}).effective
    2.0
    """
    whole = sum(numbers.values())
    if whole <= 0:
        return None
    ordered = sorted(((n / whole, name) for name, n in numbers.items() if n > 0), key=lambda one: (-one[0], one[1]))
    return Breadth({name: share for share, name in ordered}, 1 / sum(share**2 for share, _ in ordered))
