"""How far a pad is, with what redrawn edges make of it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from fragarea.fusion.edges import Floats
from fragarea.fusion.pairs import FUSED, Pairs
from fragarea.fusion.records import Figure, PairState, Progress
from fragarea.fusion.tissue import SPECK_MM2, Tissue, connected


def figure(value: float, drawn: npt.NDArray[Any]) -> Figure:
    """A figure with standard deviation and 95 % interval of its draws."""
    low, high = np.quantile(drawn, [0.025, 0.975])
    return Figure(float(value), float(drawn.std(ddof=1)), float(min(low, value)), float(max(high, value)))


def progress_of(
    tissue: Tissue,
    pairs: Pairs,
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
    pairs : Pairs
    drawn : ndarray of float64, shape (parts, draws)
        Areas of the parts of the tissue in each draw, in mm2.
    hull_mm2, covered_mm2 : float
        Area of the hull of the plugs, and of the live tissue in it.
    covered_drawn : ndarray of float64, shape (draws,)
        The latter in each draw.
    factor : ndarray of float64, shape (draws,)
        Error of the scale in each draw, as a factor of areas.
    """
    count = int(pairs.one_genotype.sum())
    nowhere = Figure(math.nan, math.nan, math.nan, math.nan)
    fused = pairs.states.count(PairState.FUSED)
    fused_drawn = (pairs.drawn[pairs.one_genotype] == FUSED).sum(axis=0)
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
        border_pairs=pairs.states.count(PairState.BORDER),
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


def _patches_drawn(tissue: Tissue, pairs: Pairs, drawn: Floats) -> tuple[Floats, Floats]:
    """Area of the largest patch and number of patches in each draw: patches join and part where pairs do."""
    count, draws = drawn.shape
    if count == 0:
        return np.zeros(draws), np.zeros(draws)
    number = {(int(a), int(b)): k for k, (a, b) in enumerate(pairs.index) if pairs.one_genotype[k]}
    always = np.ones(draws, dtype=bool)
    joined = []  # part, part, whether joined in each draw
    for one, other in tissue.links.tolist():
        a, b = sorted((int(tissue.fragment[one]), int(tissue.fragment[other])))
        k = number.get((a, b), -1)
        held = k >= 0 and tissue.home[a] == tissue.home[b] and pairs.neck_mm[k] > 0
        joined.append((one, other, pairs.necks_mm[k] > 0 if held else always))
    closing = [(a, b, k) for (a, b), k in number.items() if pairs.gap_mm[k] > 0 and (pairs.gaps_mm[k] <= 0).any()]
    if not closing and all(when.all() for _, _, when in joined):
        # patches are the measured ones in every draw
        whole = np.zeros((int(tissue.patch.max()) + 1, draws))
        np.add.at(whole, tissue.patch, drawn)
        return whole.max(axis=0), (whole >= SPECK_MM2).sum(axis=0).astype(float)
    joined += [(_main_part(tissue, a), _main_part(tissue, b), pairs.gaps_mm[k] <= 0) for a, b, k in closing]
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
