"""Invented nurseries of discs whose growth is known, as columns."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fragarea.growth import DAYS_PER_MONTH, FragmentHistory, reasons_of
from fragarea.growth.columns import AreaColumns
from fragarea.growth.curve import USUAL_RULES
from fragarea.outplant import Knowledge, Stand, learn

BASE_DAY = 22_000.0


@dataclass(frozen=True)
class World:
    """Discs, their genotypes and speeds, and the visits at which they are measured; `lost_day` is inf for never."""

    genotype: np.ndarray
    speed: np.ndarray
    start_mm: np.ndarray
    lost_day: np.ndarray
    visits: Sequence[float] = (0.0, 35.0, 70.0, 91.0, 126.0)
    scatter_mm: float = 0.0
    outline_rel: float = 0.01

    @property
    def names(self) -> list[tuple[str, str]]:
        return [(f"G{i}", "Genus alba") for i in range(int(self.genotype.max()) + 1)]


def world(speeds: Sequence[float], each: int = 8, *, spread: float = 0.0, seed: int = 1, **changes) -> World:
    """So many discs of each genotype; `spread` is the relative standard deviation of their speeds."""
    rng = np.random.default_rng(seed)
    genotype = np.repeat(np.arange(len(speeds)), each)
    own = np.asarray(speeds, dtype=float)[genotype] * (1 + spread * rng.standard_normal(len(genotype)))
    start = np.linspace(4, 7, len(genotype))
    return World(genotype, own, start, np.full(len(genotype), np.inf), **changes)


def columns_of_world(made: World, seed: int = 2) -> AreaColumns:
    rng = np.random.default_rng(seed)
    n, visits = len(made.genotype), np.asarray(made.visits)
    radius = made.start_mm[:, None] + made.speed[:, None] * visits / DAYS_PER_MONTH
    radius = radius + made.scatter_mm * rng.standard_normal(radius.shape)
    area = math.pi * radius**2 * (1 + made.outline_rel * rng.standard_normal(radius.shape))
    missing = visits[None, :] > made.lost_day[:, None]
    area = np.where(missing, 0.0, area).ravel()
    no = np.zeros(area.shape, dtype=bool)
    return AreaColumns(
        heads=tuple(FragmentHistory(f"F{i}", f"G{g}", (), "TRAY-1") for i, g in enumerate(made.genotype)),
        fragment=np.repeat(np.arange(n), len(visits)),
        day=np.tile(BASE_DAY + visits, n),
        area_mm2=area,
        dead_mm2=np.zeros(area.shape),
        rim_share=np.full(area.shape, np.nan),
        missing=missing.ravel(),
        dead=no,
        cut_off=no,
        touches_neighbour=no,
        beyond_rim=no,
        marked_wrong=no,
        part_u_mm2=(made.outline_rel * area)[:, None],
        part_source=np.full((len(area), 1), -1),
    )


def reasons_of_world(columns: AreaColumns) -> np.ndarray:
    n = len(columns.heads)
    return reasons_of(columns, USUAL_RULES, lag_days=np.zeros(n), exchanged_day=np.full(n, np.nan))


def learned(made: World, draws: int = 400, seed: int = 3, names=None) -> Knowledge:
    columns = columns_of_world(made)
    return learn(
        columns,
        reasons_of_world(columns),
        genotype=made.genotype,
        names=names or made.names,
        site=np.zeros(len(made.genotype), dtype=np.int64),
        sites=1,
        lags={},
        draws=draws,
        rng=np.random.default_rng(seed),
    )


def stand_of(made: World, knowledge: Knowledge, target_mm: float, **changes) -> Stand:
    """All discs of a world, to be of a radius."""
    lines = knowledge.speeds.lines
    n = len(lines.fragment)
    given = {
        "genotype": made.genotype[lines.fragment],
        "site": np.zeros(n, dtype=np.int64),
        "months": lines.months,
        "level_mm": lines.level_mm,
        "level_variance": lines.level_variance,
        "slope": lines.slope,
        "slope_variance": lines.slope_variance,
        "target_mm": np.full(n, target_mm),
        "target_noise_mm": np.full(n, target_mm / 2),
        "bound_days": np.zeros(n),
        "cut_months": np.full(n, -np.inf),
        "ready": np.zeros(n, dtype=bool),
        "pieces": np.ones(n, dtype=np.int64),
    }
    return Stand(**(given | changes))


def today_months(made: World) -> float:
    return (BASE_DAY + made.visits[-1]) / DAYS_PER_MONTH
