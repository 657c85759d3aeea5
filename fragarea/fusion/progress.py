"""How far a pad is, with what redrawn edges make of it."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from fragarea.fusion.edges import Floats
from fragarea.fusion.pairs import Pair
from fragarea.fusion.records import Figure, PairState, Progress
from fragarea.fusion.tissue import SPECK_MM2, Tissue, connected


def figure(value: float, drawn: Floats) -> Figure:
    """A figure with standard deviation and 95 % interval of its draws."""
    low, high = np.quantile(drawn, [0.025, 0.975])
    return Figure(float(value), float(drawn.std(ddof=1)), float(min(low, value)), float(max(high, value)))


def progress_of(
    tissue: Tissue,
    pairs: Sequence[Pair],
    drawn: Floats,
    *,
    hull_mm2: float,
    covered_mm2: float,
    covered_drawn: Floats,
    factor: Floats,
) -> Progress:
    """Progress of a pad.

    Parameters
    ----------
    tissue : Tissue
    pairs : sequence of Pair
    drawn : ndarray of float64, shape (parts, draws)
        Areas of the parts of the tissue in each draw, in mm2.
    hull_mm2, covered_mm2 : float
        Area of the hull of the plugs, and of the live tissue in it.
    covered_drawn : ndarray of float64, shape (draws,)
        The latter in each draw.
    factor : ndarray of float64, shape (draws,)
        Error of the scale in each draw, as a factor of areas.
    """
    can_fuse = [pair for pair in pairs if pair.one_genotype]
    count = len(can_fuse)
    nowhere = Figure(math.nan, math.nan, math.nan, math.nan)
    fused = sum(pair.state is PairState.FUSED for pair in can_fuse)
    fused_drawn = np.sum([pair.fused for pair in can_fuse], axis=0) if can_fuse else np.zeros(len(factor))
    total = float(tissue.area_mm2.sum())
    by_patch = np.bincount(tissue.patch, weights=tissue.area_mm2)
    largest, numbers = _patches_drawn(tissue, pairs, drawn)
    totals = drawn.sum(axis=0)
    bare = max(hull_mm2 - covered_mm2, 0.0)
    covered = np.clip(covered_drawn, 0.0, hull_mm2)
    return Progress(
        pairs=count,
        fused_pairs=figure(fused, fused_drawn),
        fused_share=figure(fused / count, fused_drawn / count) if count else nowhere,
        border_pairs=sum(pair.state is PairState.BORDER for pair in pairs),
        largest_share=(
            figure(float(by_patch.max()) / total, largest / np.maximum(totals, 1e-9)) if total > 0 else nowhere
        ),
        patches=figure(len(by_patch), numbers),
        hull_mm2=hull_mm2,
        bare_mm2=figure(bare, (hull_mm2 - covered) * factor),
        bare_share=figure(bare / hull_mm2, 1 - covered / hull_mm2),
        live_mm2=figure(total, totals),
        cover_share=figure(1 - bare / hull_mm2, covered / hull_mm2),
    )


def _patches_drawn(tissue: Tissue, pairs: Sequence[Pair], drawn: Floats) -> tuple[Floats, Floats]:
    """Area of the largest patch and number of patches in each draw: patches join and part where pairs do."""
    count, draws = drawn.shape
    if count == 0:
        return np.zeros(draws), np.zeros(draws)
    by_names = {(pair.a, pair.b): pair for pair in pairs if pair.one_genotype}
    joined = []  # part, part, whether joined in each draw
    for one, other in tissue.links.tolist():
        key = tuple(sorted((int(tissue.fragment[one]), int(tissue.fragment[other]))))
        pair = by_names.get((key[0], key[1]))
        if pair is None or tissue.home[pair.a] != tissue.home[pair.b] or pair.neck_mm == 0:
            joined.append((one, other, np.ones(draws, dtype=bool)))
        else:
            joined.append((one, other, pair.necks_mm > 0))
    for pair in by_names.values():
        if pair.gap_mm > 0 and (pair.gaps_mm <= 0).any():
            one, other = (_main_part(tissue, fragment) for fragment in (pair.a, pair.b))
            joined.append((one, other, pair.gaps_mm <= 0))
    rows, columns = [], []
    for one, other, when in joined:
        draw = np.flatnonzero(when)
        rows.append(draw * count + one)
        columns.append(draw * count + other)
    links = np.column_stack([np.concatenate(rows), np.concatenate(columns)]) if joined else np.empty((0, 2), int)
    patch = connected(draws * count, links).reshape(draws, count)
    areas = np.bincount(patch.ravel(), weights=drawn.T.ravel())
    of_draw = np.empty(len(areas), dtype=np.intp)
    of_draw[patch.ravel()] = np.repeat(np.arange(draws), count)
    largest = np.zeros(draws)
    np.maximum.at(largest, of_draw, areas)
    return largest, np.bincount(of_draw[areas >= SPECK_MM2], minlength=draws).astype(float)


def _main_part(tissue: Tissue, fragment: int) -> int:
    own = np.flatnonzero((tissue.fragment == fragment) & (tissue.patch == tissue.home[fragment]))
    return int(own[np.argmax(tissue.area_mm2[own])])
