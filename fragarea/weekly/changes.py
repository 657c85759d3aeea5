"""What a report said, in a form that the next one can read, and what changed since."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from fragarea.growth import Concern, GenotypeGrowth, MixUp
from fragarea.growth.contrasts import rounded
from fragarea.measurement import FragmentStatus
from fragarea.report import Visit, format_area, sum_area
from fragarea.report.words import natural_key

FORM = 1
"""Of what is kept; to be raised when its meaning changes."""


@dataclass(frozen=True)
class Said:
    """What a report said.

    Attributes
    ----------
    look : dict of fragment to tuple of str
        Signs of every fragment on the list.
    exchanges : frozenset of str
        Possible exchanges, in words.
    extension : dict of genotype to (best, low, high, u)
        In mm/month.
    sites : dict of site to (day, fragments, area_mm2, expanded_mm2)
        Live tissue at the last visit.
    checked_on : str
        Day of the last known-area check; empty for none.
    """

    look: dict[str, tuple[str, ...]]
    exchanges: frozenset[str]
    extension: dict[str, tuple[float, float, float, float]]
    sites: dict[str, tuple[str, int, float, float]]
    checked_on: str

    def to_dict(self) -> dict[str, Any]:
        """Plain values, for JSON."""
        return {
            "form": FORM,
            "look": {name: list(signs) for name, signs in self.look.items()},
            "exchanges": sorted(self.exchanges),
            "extension": {name: list(numbers) for name, numbers in self.extension.items()},
            "sites": {name: list(numbers) for name, numbers in self.sites.items()},
            "checked_on": self.checked_on,
        }

    @classmethod
    def from_dict(cls, said: Mapping[str, Any]) -> Said | None:
        """What :meth:`to_dict` wrote; None for a form that this program does not know."""
        if said.get("form") != FORM:
            return None
        return cls(
            {name: tuple(signs) for name, signs in said["look"].items()},
            frozenset(said["exchanges"]),
            {name: tuple(numbers) for name, numbers in said["extension"].items()},
            {name: tuple(numbers) for name, numbers in said["sites"].items()},
            said["checked_on"],
        )


def said_of(
    *,
    concerns: Iterable[Concern],
    mixups: Iterable[MixUp],
    genotypes: Iterable[GenotypeGrowth],
    visits: Iterable[Visit],
    checked_on: date | None,
) -> Said:
    """What a report says.

    Parameters
    ----------
    concerns, mixups, genotypes
        As growth found them.
    visits : iterable of Visit
        In order of day.
    checked_on : date or None
    """
    sites = {}
    for visit in visits:
        if visit.on is not None:
            measured = sum(row.status is not FragmentStatus.MISSING for row in visit.rows)
            sites[visit.site] = (visit.on.isoformat(), measured, *sum_area(visit.rows))
    return Said(
        look={one.fragment: tuple(finding.sign.value for finding in one.findings) for one in concerns},
        exchanges=frozenset(exchange_words(one) for one in mixups),
        extension={
            one.genotype: (
                one.extension_mm_per_month,
                one.low_mm_per_month,
                one.high_mm_per_month,
                one.extension_u_mm_per_month,
            )
            for one in genotypes
            if one.known
        },
        sites=sites,
        checked_on=checked_on.isoformat() if checked_on else "",
    )


def exchange_words(mixup: MixUp) -> str:
    """Which fragments, where and since when."""
    return f"{' and '.join(mixup.fragments)} ({mixup.site}, {mixup.taken_at:%Y-%m-%d})"


def extension_words(numbers: tuple[float, float, float, float]) -> tuple[str, str]:
    """An extension and its interval, rounded by its uncertainty."""
    best, low, high = rounded(numbers[:3], numbers[3])
    return best, f"{low} to {high}"


def changes(then: Said, now: Said) -> tuple[str, ...]:
    """What changed from one report to the next, in sentences.

    Examples
    --------
    >>> nothing = Said({}, frozenset(), {}, {}, "")
    >>> changes(nothing, nothing)
    ('Nothing on the lists changed.',)
    >>> changes(nothing, Said({"F1": ("missing",)}, frozenset(), {}, {}, ""))
    ('New to look at: F1 (missing).',)
    """
    lines = _listed("New to look at", [f"{f} ({', '.join(now.look[f])})" for f in now.look.keys() - then.look.keys()])
    lines += _listed(
        "Other signs than then",
        [
            f"{f} ({', '.join(now.look[f])}; then {', '.join(then.look[f])})"
            for f in now.look.keys() & then.look.keys()
            if now.look[f] != then.look[f]
        ],
    )
    lines += _listed("No longer on the list", then.look.keys() - now.look.keys())
    lines += _listed("New possible exchange", now.exchanges - then.exchanges)
    lines += _listed("No longer a possible exchange", then.exchanges - now.exchanges)
    lines += _listed("First estimate of growth", [g or "no genotype" for g in now.extension.keys() - then.extension])
    for site in sorted(now.sites, key=natural_key):
        day, count, *area = now.sites[site]
        words = f"{site or 'no site'}: {format_area(*area)} live tissue on {count} fragments ({day})"
        if site in then.sites and then.sites[site][0] != day:
            day, count, *area = then.sites[site]
            lines.append(f"{words}; then {format_area(*area)} on {count} ({day}).")
        elif site not in then.sites:
            lines.append(f"{words}; not in that report.")
    if now.checked_on and now.checked_on != then.checked_on:
        lines.append(f"A known-area check was made on {now.checked_on}.")
    return tuple(lines) or ("Nothing on the lists changed.",)


def _listed(title: str, names: Iterable[str]) -> list[str]:
    ordered = sorted(names, key=natural_key)
    return [f"{title}: {', '.join(ordered)}."] if ordered else []
