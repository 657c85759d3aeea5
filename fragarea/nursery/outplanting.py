"""The [outplanting] part of nursery.toml: when a fragment is ready, when nothing goes out, what may be cut."""

from __future__ import annotations

import calendar
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from fragarea.errors import SettingsProblem
from fragarea.nursery.expressions import Expression, ExpressionFault, parse_expression
from fragarea.nursery.section import SETTINGS_FILE, Section
from fragarea.nursery.words import tidy
from fragarea.sites.records import SiteKind

MM2_PER_CM2 = 100.0

MEASURES = {
    "area_cm2": "live tissue, in cm2",
    "cover": "part of the plug, or of a pad's plugs together, that live tissue covers, 0 to 1",
    "age_days": "days since cutting; of a pad, since its youngest piece was cut",
    "days_since_loss": "days since a visit last showed lost tissue; very many where none did",
    "bleached": "bleached part of the live tissue, 0 to 1",
    "dead": "bare part of the skeleton, 0 to 1",
    "fused": "fused part of a pad's neighbouring pairs, 0 to 1",
}
"""What a rule of a nursery's own may compare."""

EXAMPLE = """\
[[outplanting.rules]]
site_kind = "tray"
min_area_cm2 = 4.0
min_age_days = 120
no_loss_days = 60
max_bleached = 0.05"""
"""What to write into nursery.toml, as messages show it."""

_KEYS = (
    *("rules", "closed", "substrates", "broodstock", "oldest_photo_days", "loss_after_outplanting", "assurance"),
    *("piece_cm2", "piece_spread", "broodstock_share", "largest_genotype_share", "goals"),
)
_RULE_KEYS = (
    *("species", "genotype", "site_kind", "min_area_cm2", "min_cover", "min_age_days", "no_loss_days"),
    *("max_bleached", "min_fused", "also"),
)
_CLOSED_KEYS = ("name", "from", "to")
_SUBSTRATE_KEYS = ("name", "sites", "holds_months")
_GOAL_KEYS = ("name", "by", "number", "wanted")
_BROODSTOCK_KEYS = ("colony", "live_cm2", "max_share")
_LIMITS = _RULE_KEYS[3:]
_MOST = 1_000_000  # outplants


@dataclass(frozen=True)
class ReadinessRule:
    """What a fragment or pad must reach; None asks for nothing.

    Attributes
    ----------
    species, genotype : str
        Whom it holds for; empty for all.
    site_kind : SiteKind or None
    min_area_mm2 : float or None
        Live tissue.
    min_cover : float or None
        Part of the plug that live tissue covers.
    min_age_days, no_loss_days : float or None
        Since cutting, and since the last sudden loss of tissue.
    max_bleached : float or None
        Part of the live tissue.
    min_fused : float or None
        Part of a pad's neighbouring pairs.
    also : Expression or None
        A rule of the nursery's own.
    """

    species: str = ""
    genotype: str = ""
    site_kind: SiteKind | None = None
    min_area_mm2: float | None = None
    min_cover: float | None = None
    min_age_days: float | None = None
    no_loss_days: float | None = None
    max_bleached: float | None = None
    min_fused: float | None = None
    also: Expression | None = None

    def fits(self, species: str, genotype: str, kind: SiteKind) -> bool:
        """Whether it holds for such a fragment."""
        return (
            self.species.casefold() in ("", species.casefold())
            and self.genotype in ("", genotype)
            and self.site_kind in (None, kind)
        )


@dataclass(frozen=True)
class ClosedTime:
    """Days on which outplanting is not wanted: a hot season, a storm season, months outside a permit.

    Attributes
    ----------
    name : str
    first, last : date or (month, day)
        Both included; month and day come again every year, and may pass the turn of the year.
    """

    name: str
    first: date | tuple[int, int]
    last: date | tuple[int, int]

    def holds_on(self, day: date) -> bool:
        """Whether outplanting is not wanted on a day."""
        if isinstance(self.first, date) and isinstance(self.last, date):
            return self.first <= day <= self.last
        today = (day.month, day.day)
        assert not isinstance(self.first, date)
        assert not isinstance(self.last, date)
        if self.first <= self.last:
            return self.first <= today <= self.last
        return today >= self.first or today <= self.last


@dataclass(frozen=True)
class Substrate:
    """What fragments stand or hang on; so many months after they came there it begins to fail, and has failed."""

    name: str
    sites: tuple[str, ...]
    holds_from_months: float
    holds_to_months: float


@dataclass(frozen=True)
class Colony:
    """A broodstock colony: its live tissue and the part of it that may be cut in a year."""

    name: str
    live_mm2: float
    max_share: float


@dataclass(frozen=True)
class Goal:
    """Living outplants that are wanted by a day: so many in all, or so many of each genotype.

    Attributes
    ----------
    name : str
    by : date
    number : int or None
        Shared evenly among the genotypes; None where `wanted` says it.
    wanted : tuple of (genotype, int)
    """

    name: str
    by: date
    number: int | None
    wanted: tuple[tuple[str, int], ...] = ()


@dataclass(frozen=True)
class Outplanting:
    """Settings of outplanting.

    Attributes
    ----------
    rules : tuple of ReadinessRule
        In the order of the file; a later one that fits overrides an earlier one, limit by limit.
    closed : tuple of ClosedTime
    substrates : tuple of Substrate
    colonies : tuple of Colony
    goals : tuple of Goal
        In order of their days; the weekly report tells what to cut for each.
    oldest_photo_days : float
        A fragment last photographed longer ago is neither ready nor not (common practice, no source).
    loss_after_outplanting : float
        Part of the outplants that is lost after planting (common practice, no source).
    assurance : float
        Chance that a plan is to be met with.
    piece_mm2, piece_spread : float
        Live tissue of a fresh piece, and its standard deviation over its mean.
    largest_genotype_share : float
        A genotype with a larger part of a planned set is warned of (common practice, no source).
    """

    rules: tuple[ReadinessRule, ...] = ()
    closed: tuple[ClosedTime, ...] = ()
    substrates: tuple[Substrate, ...] = ()
    colonies: tuple[Colony, ...] = ()
    goals: tuple[Goal, ...] = ()
    oldest_photo_days: float = 45.0
    loss_after_outplanting: float = 0.2
    assurance: float = 0.9
    piece_mm2: float = 100.0
    piece_spread: float = 0.2
    largest_genotype_share: float = 0.5

    def rule_for(self, species: str, genotype: str, kind: SiteKind) -> ReadinessRule | None:
        """The limits that hold for a fragment; None where no rule fits it."""
        fitting = [rule for rule in self.rules if rule.fits(species, genotype, kind)]
        if not fitting:
            return None
        limits = ("min_area_mm2", "min_cover", "min_age_days", "no_loss_days", "max_bleached", "min_fused", "also")
        last = {key: value for rule in fitting for key in limits if (value := getattr(rule, key)) is not None}
        return ReadinessRule(species, genotype, kind, **last)

    def closed_on(self, day: date) -> str:
        """Name of the time in which outplanting is not wanted on a day; empty when it is open."""
        return next((one.name for one in self.closed if one.holds_on(day)), "")


def parse_outplanting(top: Section) -> Outplanting:
    """The [outplanting] table as a record; what stands above any table is `top`.

    Raises
    ------
    SettingsProblem
    """
    part, usual = top.section("outplanting", _KEYS), Outplanting()
    share = part.number("broodstock_share", 0.1, low=0, high=1)

    def number(key: str, default: float, low: float, high: float, above: bool = False) -> float:
        return part.number(key, default, low=low, high=high, above=above)

    return Outplanting(
        rules=tuple(_rule(one) for one in part.parts("rules", _RULE_KEYS)),
        closed=tuple(_closed(one) for one in part.parts("closed", _CLOSED_KEYS)),
        substrates=tuple(_substrate(one, top) for one in part.parts("substrates", _SUBSTRATE_KEYS)),
        colonies=_colonies(part, share),
        goals=tuple(sorted((_goal(one) for one in part.parts("goals", _GOAL_KEYS)), key=lambda goal: goal.by)),
        oldest_photo_days=number("oldest_photo_days", usual.oldest_photo_days, 0, 10_000, True),
        loss_after_outplanting=number("loss_after_outplanting", usual.loss_after_outplanting, 0, 0.99),
        assurance=number("assurance", usual.assurance, 0.5, 0.999),
        piece_mm2=MM2_PER_CM2 * number("piece_cm2", usual.piece_mm2 / MM2_PER_CM2, 0, 1000, True),
        piece_spread=number("piece_spread", usual.piece_spread, 0, 1),
        largest_genotype_share=number("largest_genotype_share", usual.largest_genotype_share, 0, 1, True),
    )


def _rule(part: Section) -> ReadinessRule:
    if not any(key in part.data for key in _LIMITS):
        raise SettingsProblem(f"{SETTINGS_FILE}: {part.where} asks for nothing. Give one of: {', '.join(_LIMITS)}.")
    kind = part.text("site_kind", "")
    if kind not in ("", *SiteKind):
        raise part.wrong("site_kind", "'tray', 'pad' or 'single'")

    def limit(key: str, high: float, times: float = 1.0) -> float | None:
        return times * part.number(key, 0, low=0, high=high) if key in part.data else None

    return ReadinessRule(
        species=part.text("species", ""),
        genotype=part.text("genotype", ""),
        site_kind=SiteKind(kind) if kind else None,
        min_area_mm2=limit("min_area_cm2", 100_000, MM2_PER_CM2),
        min_cover=limit("min_cover", 10),
        min_age_days=limit("min_age_days", 100_000),
        no_loss_days=limit("no_loss_days", 100_000),
        max_bleached=limit("max_bleached", 1),
        min_fused=limit("min_fused", 1),
        also=_own_rule(part) if "also" in part.data else None,
    )


def _own_rule(part: Section) -> Expression:
    text = part.text("also", "")
    try:
        return parse_expression(text, MEASURES)
    except ExpressionFault as fault:
        raise SettingsProblem(f"{SETTINGS_FILE}: {part.full('also')} {fault}.") from fault


def _closed(part: Section) -> ClosedTime:
    for key in _CLOSED_KEYS:
        part.needed(key)
    first, last = _day(part, "from"), _day(part, "to")
    if isinstance(first, date) is not isinstance(last, date):
        raise part.wrong("to", "a day of the same kind as from: both with a year or both without")
    if isinstance(first, date) and isinstance(last, date) and last < first:
        raise part.wrong("to", "no day before from")
    return ClosedTime(part.text("name", ""), first, last)


def _day(part: Section, key: str) -> date | tuple[int, int]:
    value: Any = part.data[key]
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    wanted = 'a day such as "07-01" for every year, or 2027-07-01 for one'
    if not isinstance(value, str):
        raise part.wrong(key, wanted)
    try:
        if len(value) > len("07-01"):
            return date.fromisoformat(value)
        month, day = (int(number) for number in value.split("-"))
        if not 1 <= day <= calendar.monthrange(2024, month)[1]:  # of a leap year
            raise part.wrong(key, wanted)
    except ValueError as error:
        raise part.wrong(key, wanted) from error
    return month, day


def _substrate(part: Section, top: Section) -> Substrate:
    for key in _SUBSTRATE_KEYS:
        part.needed(key)
    sites, months = part.data["sites"], part.data["holds_months"]
    known = set(top.tables("sites"))
    if not isinstance(sites, list) or not sites or not all(one in known for one in sites):
        raise part.wrong(
            "sites", f"a list of sites described in this file ({', '.join(sorted(known)) or 'none yet'})"
        )
    good = isinstance(months, list) and len(months) == 2 and all(type(one) in (int, float) for one in months)
    if not good or not 0 < months[0] <= months[1] <= 1200:
        raise part.wrong("holds_months", "two numbers of months, the shorter first, such as [6, 8]")
    return Substrate(part.text("name", ""), tuple(sites), float(months[0]), float(months[1]))


def _colonies(part: Section, share: float) -> tuple[Colony, ...]:
    found: dict[str, Colony] = {}
    for one in part.parts("broodstock", _BROODSTOCK_KEYS):
        for key in ("colony", "live_cm2"):
            one.needed(key)
        name = one.text("colony", "")
        if name in found:
            raise one.wrong("colony", "a colony that is named once only")
        live_mm2 = MM2_PER_CM2 * one.number("live_cm2", 0, low=0, high=1e6)
        found[name] = Colony(name, live_mm2, one.number("max_share", share, low=0, high=1))
    return tuple(found.values())


def _goal(part: Section) -> Goal:
    part.needed("by")
    by = _day(part, "by")
    if not isinstance(by, date):
        raise part.wrong("by", "a day with its year, such as 2027-07-01")
    if ("number" in part.data) == ("wanted" in part.data):
        raise SettingsProblem(f"{SETTINGS_FILE}: {part.where} needs either number or wanted.")
    wanted = part.data.get("wanted", {})
    good = isinstance(wanted, dict) and all(type(count) is int and 0 < count <= _MOST for count in wanted.values())
    if not good or ("wanted" in part.data and not wanted):
        raise part.wrong("wanted", "numbers by genotype, such as { G1 = 20, G2 = 40 }")
    number = part.whole("number", low=1, high=_MOST)
    return Goal(part.text("name", ""), by, number, tuple((tidy(name), count) for name, count in wanted.items()))
