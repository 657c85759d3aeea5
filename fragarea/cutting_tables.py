"""Plans of cuts as tables and sentences. Units stand in the headers."""

from __future__ import annotations

import math

from fragarea.cutting_view import CutView
from fragarea.nursery import Outplanting
from fragarea.outplant import ColonyLimit, CutLine, next_open
from fragarea.report.plain_tables import Table, Value
from fragarea.report.spreadsheet import clean_text


def cut_table(view: CutView) -> Table:
    """One row a genotype."""
    header = (
        *("genotype", "species", "wanted_living", "stock_safe", "stock_expected", "chance_percent_per_piece"),
        *("pieces_needed", "pieces_allowed", "to_cut", "assurance_percent", "safe_with_cuts"),
    )
    rows: list[tuple[Value, ...]] = [
        (
            *(one.genotype, one.species, one.wanted, one.stock_safe, one.stock_expected, 100 * one.chance),
            *(one.pieces, one.allowed, one.to_cut, 100 * one.assurance, one.safe),
        )
        for one in view.plan.lines
    ]
    return header, rows


def shown_cuts(view: CutView) -> Table:
    """The plan as a terminal shows it."""
    rows: list[tuple[Value, ...]] = []
    for one in view.plan.lines:
        # short words: a terminal is 80 characters wide, and the sentences below say more
        needed = "none" if one.pieces is None else str(one.pieces)
        allowed = "unknown" if one.allowed is None else str(one.allowed)
        stock = f"{one.stock_safe} ({one.stock_expected:.0f})"
        cells = (one.wanted, stock, _percent(one.chance), needed, allowed, one.to_cut, _percent(one.assurance))
        rows.append((one.genotype, *cells))
    header = (
        "genotype",
        "wanted",
        "from_stock_safe_(mean)",
        "chance_of_a_piece",
        "needed",
        "allowed",
        "cut",
        "assurance",
    )
    return header, rows


def _percent(share: float) -> str:
    # 99.97 % is not certain, and 0.03 % not impossible
    if 0 < share < 0.01 or 0.99 < share < 1:
        return f"{math.floor(1000 * share) / 10:.1f} %"
    return f"{100 * share:.0f} %"


def colonies_table(view: CutView) -> Table:
    """One row a colony: what it may give."""
    header = ("colony", "genotype", "allowed_cm2_per_year", "cut_cm2_last_year", "pieces_left")
    rows: list[tuple[Value, ...]] = [
        (
            one.colony,
            one.genotype,
            None if one.allowed_mm2 is None else one.allowed_mm2 / 100,
            one.cut_mm2 / 100,
            one.pieces,
        )
        for one in view.limits
    ]
    return header, rows


def breadth_table(view: CutView) -> Table:
    """One row a genotype: its part of the wanted set."""
    shares = view.breadth.shares if view.breadth else {}
    return ("genotype", "share_percent"), [(name, 100 * share) for name, share in shares.items()]


def cut_lines(view: CutView, settings: Outplanting) -> list[str]:
    """The plan in sentences."""
    plan = view.plan
    lines = [
        f"Pieces of {settings.piece_mm2 / 100:g} cm² cut on {view.on}, for outplants by {plan.by};"
        f" {100 * plan.loss_after:.0f} % of the outplants are taken to be lost after planting."
    ]
    if closed := settings.closed_on(plan.by):
        opens = next_open(plan.by, settings)
        after = f" It is wanted again from {opens}." if opens else ""
        lines.append(f"On {plan.by} outplanting is not wanted ({closed}).{after}")
    for one in plan.lines:
        lines += _genotype_lines(one, view)
    if len(plan.lines) > 1:
        lines.append(f"All genotypes reach their numbers together with a chance of {_percent(plan.together)}.")
    lines += _breadth_lines(view, settings)
    unknown = sorted({one.colony for one in view.limits if one.pieces is None})
    if unknown:
        shown = ", ".join(unknown[:6]) + (" and others" if len(unknown) > 6 else "")
        lines.append(
            f"How much may be cut of {shown} is not known: describe each in nursery.toml under"
            " [[outplanting.broodstock]] with colony and live_cm2."
        )
    return [clean_text(line) for line in lines]


def _genotype_lines(one: CutLine, view: CutView) -> list[str]:
    if one.pieces == 0:
        return [f"{one.genotype}: what stands in the nursery is enough; nothing to cut."]
    if one.pieces is None:
        half = view.half_ready[one.genotype]
        when = f"half of such pieces are ready by {half}" if half else "such pieces are hardly ever ready"
        return [
            f"{one.genotype}: no number of pieces cut now gives {one.wanted} by {view.plan.by} with"
            f" {_percent(view.plan.assurance)}; {when}. Choose a later day, or at most {one.stock_safe} from stock."
        ]
    if one.allowed is not None and one.pieces > one.allowed:
        limits = "; ".join(_limit_words(limit) for limit in view.limits if limit.genotype == one.genotype)
        return [
            f"{one.genotype}: {one.pieces} pieces are needed, but broodstock allows {one.allowed} more ({limits})."
            f" With these, {one.wanted} are reached with a chance of {_percent(one.assurance)};"
            f" {one.safe} with {_percent(view.plan.assurance)}."
        ]
    return []


def _limit_words(limit: ColonyLimit) -> str:
    allowed = 0.0 if limit.allowed_mm2 is None else limit.allowed_mm2 / 100
    return f"{limit.colony}: {allowed:g} cm² a year, {limit.cut_mm2 / 100:g} cm² cut in the last"


def _breadth_lines(view: CutView, settings: Outplanting) -> list[str]:
    if view.breadth is None or len(view.plan.lines) < 1:
        return []
    found = view.breadth
    if len(found.shares) == 1:
        return ["One genotype only: such a set has no genetic breadth."]
    lines = [f"Genetic breadth: {len(found.shares)} genotypes, effectively {found.effective:.1f} (inverse Simpson)."]
    if name := found.dominating(settings.largest_genotype_share):
        share, largest = 100 * found.shares[name], 100 * settings.largest_genotype_share
        lines.append(f"{name} makes {share:.0f} % of the set, more than {largest:.0f} %: plant others beside it.")
    return lines
