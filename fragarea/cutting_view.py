"""What commands show of cutting: how many pieces for so many outplants, and what colonies may give."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from fragarea.errors import SettingsProblem
from fragarea.growth import DAYS_PER_MONTH
from fragarea.growth.columns import day_of
from fragarea.nursery import Nursery, Outplanting, ReadinessRule, Tables
from fragarea.nursery.words import did_you_mean
from fragarea.outplant import (
    Breadth,
    ColonyLimit,
    CutPlan,
    Piece,
    State,
    Unit,
    Verdict,
    breadth,
    colony_limits,
    needs_of,
    plan_cuts,
    ready_chance,
)
from fragarea.outplant.edge import USUAL_OFFSET
from fragarea.outplant.standing import targets
from fragarea.outplant_view import ForecastView
from fragarea.sites.records import SiteKind

_LONGEST_WEEKS = 520


@dataclass(frozen=True)
class CutView:
    """A plan of cuts with what it rests on.

    Attributes
    ----------
    on : date
        Today: when the pieces are cut.
    plan : CutPlan
    breadth : Breadth or None
        Of the wanted set.
    limits : tuple of ColonyLimit
        Of the colonies of wanted genotypes.
    half_ready : dict of str to date or None
        When half of the pieces cut today are ready and alive, by genotype; None for never within ten years.
    """

    on: date
    plan: CutPlan
    breadth: Breadth | None
    limits: tuple[ColonyLimit, ...]
    half_ready: dict[str, date | None]


def view_cuts(
    view: ForecastView,
    nursery: Nursery,
    tables: Tables,
    wanted: Mapping[str, int],
    *,
    by: date,
    seed: int = 1,
) -> CutView:
    """Plan cuts of today.

    Parameters
    ----------
    view : ForecastView
        Which counts what is ready on the day.
    nursery : Nursery
        Its settings say how sure, how large a piece, and what is lost after planting.
    tables : Tables
    wanted : mapping of str to int
        Outplants that live, by genotype.
    by : date
    seed : int

    Raises
    ------
    SettingsProblem
        If a genotype is not known, or its rules ask for what no forecast tells.
    """
    settings, known = nursery.outplanting, view.knowledge
    number = {name: i for i, (name, _) in enumerate(known.names)}
    for name in wanted:
        if name not in number:
            described = [one for one in number if one]
            raise SettingsProblem(f"genotype {name!r} does not stand in the nursery. {did_you_mean(name, described)}")
        if not known.speeds.genotypes[number[name]].known:
            raise SettingsProblem(
                f"genotype {name!r}: no growth is known of it or its species yet. Photograph it at two visits first."
            )
    limits = tuple(one for one in colony_limits(tables.fragments, settings, view.on) if one.genotype in wanted)
    pieces = {number[name]: _piece(name, known.names[number[name]][1], view, nursery) for name in wanted}
    place = int(np.searchsorted(view.forecast.days, (by - view.on).days))
    plan = plan_cuts(
        {number[name]: count for name, count in wanted.items()},
        pieces,
        known,
        view.forecast.counts[:, :, place],
        by=by,
        on=view.on,
        assurance=settings.assurance,
        loss_after=settings.loss_after_outplanting,
        allowed={number[name]: _allowed(name, limits) for name in wanted},
        rng=np.random.default_rng(seed),
    )
    half = {name: _half_ready(pieces[number[name]], view, number[name]) for name in wanted}
    return CutView(view.on, plan, breadth(wanted), limits, half)


def even_mix(view: ForecastView, count: int) -> dict[str, int]:
    """So many outplants shared evenly among the genotypes whose growth is known, the slowest with one less."""
    known = [
        one for one in view.knowledge.speeds.genotypes if one.known and one.genotype and " + " not in one.genotype
    ]
    by_speed = sorted(known, key=lambda one: (-one.speed_mm_per_month, one.genotype))
    if not by_speed:
        return {}
    each, rest = divmod(count, len(by_speed))
    shares = {one.genotype: each + (i < rest) for i, one in enumerate(by_speed)}
    return {name: share for name, share in sorted(shares.items()) if share > 0}


def _allowed(genotype: str, limits: tuple[ColonyLimit, ...]) -> int | None:
    """Pieces that the colonies of a genotype may still give together; None where one of them is not described."""
    own = [one.pieces for one in limits if one.genotype == genotype]
    return None if not own or None in own else sum(one for one in own if one is not None)


def _piece(genotype: str, species: str, view: ForecastView, nursery: Nursery) -> Piece:
    """A piece as it is cut today, on the plug on which its genotype mostly stands."""
    settings = nursery.outplanting
    kind, plug_mm2 = _usual_plug(genotype, view, nursery)
    rule = settings.rule_for(species, genotype, kind)
    if rule is None:
        raise SettingsProblem(f"nursery.toml: no rule of [[outplanting.rules]] fits {genotype} on a {kind}.")
    area_mm2, wait_days = _needs(genotype, species, kind, plug_mm2, rule, view.on)
    target, noise = targets(np.array([area_mm2]), np.array([plug_mm2]), USUAL_OFFSET)
    radius = float(np.sqrt(settings.piece_mm2 / np.pi))
    # the radius varies by half of what the area does
    return Piece(radius, radius * settings.piece_spread / 2, float(target[0]), float(noise[0]), wait_days)


def _needs(
    genotype: str, species: str, kind: SiteKind, plug_mm2: float, rule: ReadinessRule, on: date
) -> tuple[float, float]:
    unit = Unit("", genotype, species, "", kind, "", None, None, (), (), on, on, plug_mm2, ())
    fresh = {"age_days": 0.0, "area_cm2": 0.0, "cover": 0.0, "bleached": 0.0, "dead": 0.0, "days_since_loss": np.inf}
    needs = needs_of(Verdict(unit, State.NOT_YET, measures=fresh), rule)
    if needs.unknown:
        raise SettingsProblem(f"{genotype}: {needs.unknown}; cuts are planned by area and age only.")
    return needs.area_mm2, needs.wait_days


def _usual_plug(genotype: str, view: ForecastView, nursery: Nursery) -> tuple[SiteKind, float]:
    off_pads = [one.unit for one in view.readiness.verdicts if one.unit.kind is not SiteKind.PAD]
    own = [unit for unit in off_pads if unit.genotype == genotype] or off_pads
    if own:
        return Counter((unit.kind, unit.plug_mm2) for unit in own).most_common(1)[0][0]
    plug_mm = next((site.plug_mm for site in nursery.sites if site.kind is not SiteKind.PAD), 25.0)
    return SiteKind.TRAY, float(np.pi * (plug_mm / 2) ** 2)


def _half_ready(piece: Piece, view: ForecastView, genotype: int) -> date | None:
    """The first day, by weeks, on which half of the pieces that are alive would be ready."""
    alive = view.knowledge.loss_per_month[:, genotype]
    for week in range(1, _LONGEST_WEEKS):
        days = 7.0 * week
        living = float(np.exp(-alive * days / DAYS_PER_MONTH).mean())
        chance = ready_chance(
            piece, view.knowledge, genotype, days=days, today_months=day_of(view.on) / DAYS_PER_MONTH
        )
        if float(chance.mean()) >= 0.5 * living:
            return view.on + timedelta(days=7 * week)
    return None


def with_settings(
    settings: Outplanting, *, assurance: float | None, loss_after: float | None, piece_cm2: float | None
) -> Outplanting:
    """Settings with what was given on the command line."""
    return replace(
        settings,
        assurance=settings.assurance if assurance is None else assurance,
        loss_after_outplanting=settings.loss_after_outplanting if loss_after is None else loss_after,
        piece_mm2=settings.piece_mm2 if piece_cm2 is None else 100 * piece_cm2,
    )
