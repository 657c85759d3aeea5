"""Fusion as tables and sentences: for the terminal, as CSV and as a workbook. Units stand in the headers."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from datetime import datetime
from pathlib import Path

from rich.table import Table as RichTable

from fragarea.doubts import DOUBTS
from fragarea.errors import SettingsProblem
from fragarea.fusion import Figure, PadHistory, PadVisit, PairState, PairVisit
from fragarea.fusion_view import FusionView
from fragarea.report.plain_tables import Table, Value, terminal_table, write_table_csv, write_tables
from fragarea.report.spreadsheet import clean_text

SHEET_ROWS = 1_048_575
"""Rows of a sheet below its header (Office Open XML spreadsheets)."""

SURE = 0.95
"""A pair whose state is less probable than this is told by name."""

_MOST_LINES = 20  # sentences of one kind on a terminal; files hold all

_CM2 = 100.0


def notes(view: FusionView) -> tuple[str, ...]:
    """What the columns mean."""
    rules = view.rules
    return (
        "Neighbours: plugs joined by an edge of the Delaunay triangulation of their centres no longer than "
        f"{rules.reach:g} times the median edge. pairs counts those of one genotype: the ones that can fuse.",
        f"fused: one patch, and a neck at least {rules.neck_mm:g} mm wide. contact: outlines no farther apart than "
        f"{rules.contact_mm:g} mm. border: contact between genotypes, or edges no farther apart than "
        f"{rules.border_line_mm:g} mm for {rules.border_days:g} days without fusing.",
        "gap: shortest distance between the outlines of two fragments. neck: narrowest place of the widest way "
        "between the two plugs through the tissue of the two.",
        "bare: ground inside the convex hull of the plugs without live tissue, dead skeleton included. "
        "cover: the rest of it. Patches that grow on no plug do not count: turf, mostly.",
        "Once fused, an area belongs to its patch; where shared is yes, the area of a fragment is what lies nearest "
        "to its plug, an estimate.",
        f"Every _u_ is a standard uncertainty; low and high bound the 95 % interval, from {rules.draws} draws of the "
        "edges within their uncertainty. p_ is the share of draws in which a pair is in that state.",
    )


def pad_table(view: FusionView) -> Table:
    """One row a visit of a pad."""
    header = (
        *("site", "visit", "photo", "fragments", "spacing_mm", "pairs", "fused_pairs", "fused_percent"),
        *("fused_u_percent", "fused_low_percent", "fused_high_percent", "border_pairs", "patches", "patches_low"),
        *("patches_high", "largest_patch_percent", "largest_patch_u_percent", "largest_patch_low_percent"),
        *("largest_patch_high_percent", "hull_mm2", "bare_mm2", "bare_u_mm2", "bare_low_mm2", "bare_high_mm2"),
        *(
            "bare_percent",
            "bare_u_percent",
            "cover_percent",
            "cover_u_percent",
            "live_cm2",
            "live_u_cm2",
            "backwards",
        ),
    )
    return header, [_pad_row(visit) for pad in view.pads for visit in pad.visits]


def _pad_row(visit: PadVisit) -> tuple[Value, ...]:
    far = visit.progress
    return (
        visit.site,
        visit.day,
        visit.photo,
        len(visit.fragments),
        _known(visit.spacing_mm),
        far.pairs,
        int(far.fused_pairs.value),
        *_percent(far.fused_share),
        far.border_pairs,
        int(far.patches.value),
        int(far.patches.low),
        math.ceil(far.patches.high),
        *_percent(far.largest_share),
        far.hull_mm2,
        far.bare_mm2.value,
        far.bare_mm2.u,
        far.bare_mm2.low,
        far.bare_mm2.high,
        *_percent(far.bare_share)[:2],
        *_percent(far.cover_share)[:2],
        far.live_mm2.value / _CM2,
        far.live_mm2.u / _CM2,
        "; ".join(_setbacks(visit)),
    )


def pair_table(view: FusionView, *, last_only: bool = False) -> Table:
    """One row a pair of neighbours and visit, or only at the last visit of each pad."""
    header = (
        *("site", "visit", "fragment_a", "fragment_b", "genotype_a", "genotype_b", "plug_distance_mm", "state"),
        *("gap_mm", "gap_u_mm", "neck_mm", "neck_u_mm", "p_apart", "p_contact", "p_fused", "p_border"),
    )
    rows = [
        _pair_row(pair)
        for pad in view.pads
        for visit in (pad.visits[-1:] if last_only else pad.visits)
        for pair in visit.pairs
    ]
    return header, rows


def _pair_row(pair: PairVisit) -> tuple[Value, ...]:
    return (
        pair.site,
        pair.day,
        pair.fragment_a,
        pair.fragment_b,
        pair.genotype_a,
        pair.genotype_b,
        pair.distance_mm,
        pair.state.value,
        _known(pair.gap_mm),
        _known(pair.gap_u_mm),
        pair.neck_mm,
        pair.neck_u_mm,
        pair.p_apart,
        pair.p_contact,
        pair.p_fused,
        pair.p_border,
    )


def patch_table(view: FusionView) -> Table:
    """One row a patch and visit."""
    header = ("site", "visit", "patch", "genotype", "fragments", "live_cm2", "live_u_cm2")
    return header, [
        (
            visit.site,
            visit.day,
            patch.number,
            patch.genotype,
            " ".join(patch.fragments),
            patch.area_mm2 / _CM2,
            patch.area_u_mm2 / _CM2,
        )
        for pad in view.pads
        for visit in pad.visits
        for patch in visit.patches
    ]


def fragment_table(view: FusionView) -> Table:
    """One row a fragment and visit; areas of shared patches are estimates."""
    header: tuple[str, ...] = (
        "site",
        "visit",
        "fragment",
        "genotype",
        "status",
        "patch",
        "shared",
        "live_cm2",
        "live_u_cm2",
        "doubts",
    )
    return header, [
        (
            visit.site,
            visit.day,
            one.fragment,
            one.genotype,
            one.status.value,
            one.patch or None,
            "yes" if one.shared else "no",
            one.live_mm2 / _CM2,
            one.live_u_mm2 / _CM2,
            " ".join(one.doubts),
        )
        for pad in view.pads
        for visit in pad.visits
        for one in visit.fragments
    ]


def shown_pads(view: FusionView, *, every: bool) -> Table:
    """Pads for a terminal: the last visit of each, or every visit; ± is the expanded uncertainty (95 %)."""
    header = ("site", "visit", "fused", "border", "patches", "largest_%", "bare_mm²", "bare_%")
    rows: list[tuple[Value, ...]] = []
    for pad in view.pads:
        for visit in pad.visits if every else pad.visits[-1:]:
            far = visit.progress
            rows.append(
                (
                    visit.site,
                    visit.day,
                    f"{far.fused_pairs.value:.0f}/{far.pairs}",
                    far.border_pairs,
                    int(far.patches.value),
                    _shown(far.largest_share, 100, "±"),
                    _shown(far.bare_mm2, 1, "±"),
                    _shown(far.bare_share, 100, "±"),
                )
            )
    return header, rows


def shown_pairs(view: FusionView) -> Table:
    """Pairs at the last visit of each pad, for a terminal; ``?`` where the outline of one of the two is doubted."""
    header = ("site", "pair", "plugs_mm", "state", "sure_%", "gap_mm", "neck_mm")
    rows: list[tuple[Value, ...]] = []
    for pad in view.pads:
        doubted = {one.fragment for one in pad.visits[-1].fragments if one.doubts}
        for pair in pad.visits[-1].pairs:
            mark = "?" if doubted.intersection(pair.names) else ""
            rows.append(
                (
                    pair.site,
                    f"{pair.fragment_a}–{pair.fragment_b}",
                    f"{pair.distance_mm:.1f}",
                    pair.state.value,
                    f"{100 * pair.p_state:.0f}{mark}",
                    _length(pair.gap_mm, pair.gap_u_mm, "±"),
                    _length(pair.neck_mm, pair.neck_u_mm, "±") if pair.neck_mm else "",
                )
            )
    return header, rows


def _shown(figure: Figure, factor: float, between: str = " ± ") -> str:
    if math.isnan(figure.value):
        return "–"
    value, expanded = factor * figure.value, factor * 1.96 * figure.u
    digits = 0 if expanded >= 2 else 1
    if expanded < 0.05:
        return f"{value:.1f}"
    return f"{value:.{digits}f}{between}{expanded:.{digits}f}"


def _length(mm: float, u_mm: float, between: str = " ± ") -> str:
    if math.isnan(mm):
        return "no tissue"
    return f"{mm:.1f}{between}{1.96 * u_mm:.1f}" if mm or u_mm else "0"


def on_terminal(table: Table) -> RichTable:
    """A table for a terminal in which only the first column, the site, may be broken over lines."""
    shown = terminal_table(table)
    shown.collapse_padding = True
    for column in shown.columns[1:]:
        column.no_wrap = True
    return shown


def summary_lines(view: FusionView) -> list[str]:
    """What the last visits tell, in sentences: progress, pairs to look at, what went backwards, what is missing."""
    lines = _at_most([_sentence(pad) for pad in view.pads], "pads")
    lines += _at_most([line for pad in view.pads if (line := _doubted(pad.visits[-1]))], "pads with doubts")
    unsure = [_unsure(pair) for pad in view.pads for pair in pad.visits[-1].pairs if pair.p_state < SURE]
    lines += _at_most(unsure, "pairs that could be in another state")
    backwards = [
        f"{visit.site}, {visit.day}: {words}."
        for pad in view.pads
        for visit in pad.visits
        for words in _setbacks(visit)
    ]
    lines += _at_most(backwards, "figures that went backwards")
    nameless: dict[str, list[str]] = {}
    for site, label in view.nameless:
        nameless.setdefault(site, []).append(label)
    lines += [
        f"{site}: no fragment is recorded at place {', '.join(labels)}; say in placements.csv who stands there, or "
        "its genotype is not known."
        for site, labels in nameless.items()
    ]
    return [clean_text(line) for line in [*lines, *(f"{one.site}: {one.why}" for one in view.left_out)]]


def _doubted(visit: PadVisit) -> str:
    """Which outlines of a visit are doubted; empty for none."""
    why: dict[str, list[str]] = {}
    for one in visit.fragments:
        for key in one.doubts:
            why.setdefault(DOUBTS[key].title if key in DOUBTS else key, []).append(one.fragment)
    if not why:
        return ""
    parts = "; ".join(f"{title}: {', '.join(names)}" for title, names in why.items())
    return f"{visit.site}, {visit.day}: look at {visit.photo} before you trust these figures ({parts})."


def _at_most(lines: list[str], what: str) -> list[str]:
    if len(lines) <= _MOST_LINES:
        return lines
    return [*lines[:_MOST_LINES], f"... and {len(lines) - _MOST_LINES} more {what}; --to FILE.xlsx writes all."]


def _sentence(pad: PadHistory) -> str:
    visit = pad.visits[-1]
    far = visit.progress
    if math.isnan(far.largest_share.value):
        return f"{pad.site}, {visit.day}: no live tissue."
    parts = []
    if far.pairs:
        parts.append(f"{far.fused_pairs.value:.0f} of {far.pairs} neighbour pairs fused{_range(far.fused_pairs)}")
    else:
        parts.append("no two neighbours of one genotype, so nothing to fuse")
    if far.border_pairs:
        parts.append(f"{far.border_pairs} at a border")
    if far.patches.value > 1:
        largest = f"the largest with {_shown(far.largest_share, 100)} % of the live tissue"
        parts.append(f"{far.patches.value:.0f} patches, {largest}")
    else:
        parts.append("one patch")
    parts.append(f"bare gap {_shown(far.bare_mm2, 1)} mm², {_shown(far.bare_share, 100)} % of the hull of the plugs")
    return f"{pad.site}, {visit.day}: {'; '.join(parts)}."


def _range(figure: Figure) -> str:
    low, high = round(figure.low), round(figure.high)
    return f" (95 %: {low} to {high})" if low != high else ""


def _unsure(pair: PairVisit) -> str:
    others = {
        PairState.APART: pair.p_apart,
        PairState.CONTACT: pair.p_contact,
        PairState.FUSED: pair.p_fused,
        PairState.BORDER: pair.p_border,
    }
    likely = sorted((p, state.value) for state, p in others.items() if state is not pair.state)[-1]
    where = f"{pair.site}, {pair.day}: {pair.fragment_a} and {pair.fragment_b}"
    size = (
        f"neck {_length(pair.neck_mm, pair.neck_u_mm)}"
        if pair.neck_mm
        else f"gap {_length(pair.gap_mm, pair.gap_u_mm)}"
    )
    return f"{where} {pair.state.value}, {size} mm; {likely[1]} in {100 * likely[0]:.0f} % of redrawn outlines."


def _setbacks(visit: PadVisit) -> Iterator[str]:
    for one in visit.setbacks:
        who = " and ".join(one.fragments)
        if one.fragments:
            change = f"{one.before:.1f} mm before, {one.now:.1f} mm now"
        else:
            change = f"{100 * one.before:.1f} % before, {100 * one.now:.1f} % now"
        yield f"{who + ' ' if who else ''}{one.what} ({change}): {one.reason}"


def _known(value: float) -> float | None:
    return None if math.isnan(value) else value


def _percent(figure: Figure) -> tuple[float | None, ...]:
    return tuple(_known(100 * value) for value in (figure.value, figure.u, figure.low, figure.high))


def all_tables(view: FusionView) -> Mapping[str, Table]:
    """The sheets of a workbook."""
    return {
        "Pads": pad_table(view),
        "Pairs": pair_table(view),
        "Patches": patch_table(view),
        "Fragments": fragment_table(view),
    }


def write_fusion(
    view: FusionView,
    files: tuple[Path, ...],
    *,
    decimal: str,
    made_at: datetime,
    more: Mapping[str, Table] | None = None,
    more_notes: tuple[str, ...] = (),
) -> None:
    """Write the workbook, or pads and pairs as CSV.

    Parameters
    ----------
    view : FusionView
    files : tuple of Path
        One ``.xlsx``, or as many ``.csv`` as there are tables: pads, then pairs, then `more`.
    decimal : str
        Decimal sign of CSV files.
    made_at : datetime
    more : mapping of str to Table, optional
        Other tables, by title.
    more_notes : tuple of str
        What their columns mean.

    Raises
    ------
    SettingsProblem
        If a file cannot be written, or a sheet would have more rows than a workbook can hold.
    """
    if files[0].suffix.lower() != ".xlsx":
        for path, table in zip(files, (pad_table(view), pair_table(view), *(more or {}).values()), strict=True):
            write_table_csv(table, path, decimal=decimal)
        return
    tables = {**all_tables(view), **(more or {})}
    longest = max(len(rows) for _, rows in tables.values())
    if longest > SHEET_ROWS:
        raise SettingsProblem(
            f"{files[0]}: {longest} rows are more than a workbook holds ({SHEET_ROWS}). Write a CSV file, or choose "
            "fewer pads or days with --site, --since and --until."
        )
    write_tables(tables, files[0], notes=(*notes(view), *more_notes), made_at=made_at)
