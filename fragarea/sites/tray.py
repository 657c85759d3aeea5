"""The plugs of a tray, position by position."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fragarea.doubts import Doubt
from fragarea.sites.grid import (
    GridExtent,
    Lattice,
    assign_cells,
    fit_lattice,
    place_grid,
    refine_lattice,
    without_stray_edges,
)
from fragarea.sites.heights import plug_spacing, plug_top
from fragarea.sites.records import PlugSighting, SiteView
from fragarea.sites.rims import RimFits
from fragarea.sites.scene import (
    CLEAR_RIM,
    EXPECTED_SCORE,
    RIM_SHARE,
    Scene,
    joined,
    sighting,
    take,
    unfitted,
    view_of,
)

MOST_DISCS = 160
# How far a plug may stand from its position.
SHIFT_MM = 4.0


def find_tray(scene: Scene) -> SiteView:
    """Every position of a tray, with the plug that stands there or without."""
    site = scene.site
    points, scores = scene.candidates(MOST_DISCS)
    lattice = fit_lattice(points, scores**2, plug_mm=site.plug_mm, pitch_mm=site.pitch_mm)
    if lattice is None:
        lattice = Lattice(points[0] if len(points) else np.zeros(2), site.pitch_mm or 1.1 * site.plug_mm, 0.0)
    chosen, cells = assign_cells(lattice, points, scores)
    fits = scene.rims(points[chosen])
    good = scene.is_plug(fits, scores[chosen])
    if not good.any():
        top = plug_top(take(fits, good), scene.height_mm, scene.plane, site)
        return view_of(scene, (), top, (Doubt("grid_unsure", "no plug was found"),))
    found = take(fits, good)
    lattice = refine_lattice(lattice, found.centres_mm, np.ones(len(found.on_rim)))
    chosen, cells = assign_cells(lattice, found.centres_mm, found.on_rim)
    spacing = plug_spacing(found.centres_mm[chosen], cells, lattice.pitch_mm, site.pitch_mm)
    top = plug_top(found, scene.height_mm, scene.plane, site, spacing)
    cells = without_stray_edges(cells, found.on_rim[chosen] >= CLEAR_RIM)
    extent = _extent(scene, lattice, cells)
    found = _second_guess(scene, lattice, found)
    plugs = _positions(scene, lattice.shifted(extent.first_column, extent.first_row), extent, found)
    return view_of(scene, plugs, top, (Doubt("grid_unsure", extent.unsure),) if extent.unsure else ())


def _extent(scene: Scene, lattice: Lattice, cells: npt.NDArray[np.intp]) -> GridExtent:
    opening = scene.layout.window_mm if scene.layout is not None else None
    low, high = (np.min(opening, axis=0), np.max(opening, axis=0)) if opening else (None, None)
    return place_grid(
        lattice,
        cells,
        columns=scene.site.columns,
        rows=scene.site.rows,
        middle_mm=None if low is None or high is None else (low + high) / 2,
        half_size_mm=None if low is None or high is None else (high - low) / 2,
    )


def _second_guess(scene: Scene, lattice: Lattice, found: RimFits) -> RimFits:
    """Rims found poorly are fitted again from their places on the grid: a disc may have been drawn to its shadow."""
    poor = np.nonzero(found.on_rim < RIM_SHARE)[0]
    places = lattice.to_mm(np.round(lattice.to_cells(found.centres_mm[poor])))
    again = scene.rims(places)
    better = scene.quality(again) > scene.quality(take(found, poor))
    order = np.arange(len(found.on_rim))
    order[poor[better]] = len(order) + np.nonzero(better)[0]
    return take(joined(found, again), order)


def _positions(scene: Scene, lattice: Lattice, extent: GridExtent, found: RimFits) -> tuple[PlugSighting, ...]:
    """Every position of the tray, row by row; where no plug was sure, a second look at the place itself."""
    chosen, cells = assign_cells(lattice, found.centres_mm, found.on_rim)
    at = {(int(row) + 1, int(column) + 1): int(index) for index, (column, row) in zip(chosen, cells, strict=True)}
    every = [(row, column) for row in range(1, extent.rows + 1) for column in range(1, extent.columns + 1)]
    empty = [position for position in every if position not in at]
    places = lattice.to_mm([(column - 1, row - 1) for row, column in empty])
    points, scores = scene.near(places, SHIFT_MM)
    again = scene.rims(points)
    rim = scene.is_plug(again, scores) & (np.hypot(*(again.centres_mm - places).T) < SHIFT_MM)
    second = {position: index for index, position in enumerate(empty)}
    plugs = []
    for position in every:
        if position in at:
            plugs.append(sighting(found, at[position], position=position))
            continue
        index = second[position]
        if rim[index]:
            plugs.append(sighting(again, index, position=position))
        else:
            present = bool(scores[index] >= EXPECTED_SCORE)
            plugs.append(unfitted(places[index], position=position, present=present))
    return tuple(plugs)
