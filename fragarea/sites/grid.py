"""Rows and columns of a tray from the discs found."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fragarea.reference.plane import FloatArray

IndexArray = npt.NDArray[np.intp]

# A tray lies in the frame turned by no more than this.
MOST_TURN_DEG = 20.0
TURN_STEP_DEG = 2.0
# Without a given pitch: from plugs that touch to plugs that stand this many diameters apart.
MOST_PITCH_DIAMETERS = 2.6
# A given pitch may look larger or smaller by this, from the height of the plug tops and the camera.
PITCH_SLACK = 0.05
# A plug belongs to a position when its middle is no farther from it than this share of the pitch, or this many mm.
OFF_PLACE_PITCHES = 0.22
OFF_PLACE_MM = 6.0
# An outer row or column with fewer plugs than this share may be chance, or its neighbour may be wholly empty.
THIN_EDGE = 0.4
# The surest discs find the grid; the rest only fill it.
MOST_TRIAL_DISCS = 80


@dataclass(frozen=True, eq=False)
class Lattice:
    """A square grid: position ``(column, row)`` is at ``origin_mm + matrix @ (column, row)``.

    Attributes
    ----------
    origin_mm : ndarray, shape (2,)
    pitch_mm : float
    turn_rad : float
        Angle from the reference's x axis to the rows.
    """

    origin_mm: FloatArray
    pitch_mm: float
    turn_rad: float

    @property
    def matrix(self) -> FloatArray:
        """Steps along rows and columns, mm, as columns of a matrix."""
        across, down = np.cos(self.turn_rad), np.sin(self.turn_rad)
        return self.pitch_mm * np.array([[across, -down], [down, across]])

    def to_mm(self, cells: npt.ArrayLike) -> FloatArray:
        """Middles ``(n, 2)`` of positions ``(column, row)``."""
        flat = np.asarray(cells, dtype=float).reshape(-1, 2)
        return np.asarray(self.origin_mm + flat @ self.matrix.T, dtype=float)

    def to_cells(self, points_mm: npt.ArrayLike) -> FloatArray:
        """Columns and rows ``(n, 2)``, with fractions, of points in mm."""
        flat = np.asarray(points_mm, dtype=float).reshape(-1, 2)
        return np.asarray((flat - self.origin_mm) @ np.linalg.inv(self.matrix).T, dtype=float)

    def shifted(self, column: int, row: int) -> Lattice:
        """The same grid counted from another position."""
        return Lattice(self.to_mm([(column, row)])[0], self.pitch_mm, self.turn_rad)


def fit_lattice(
    points_mm: npt.ArrayLike, weights: npt.ArrayLike, *, plug_mm: float, pitch_mm: float | None = None
) -> Lattice | None:
    """The square grid that most discs stand on.

    Parameters
    ----------
    points_mm : array_like, shape (n, 2)
        Middles of discs in reference axes; some may be false.
    weights : array_like, shape (n,)
        How sure each is.
    plug_mm : float
        Plug diameter, the least pitch.
    pitch_mm : float, optional
        Pitch by the tray's description.

    Returns
    -------
    Lattice or None
        None when fewer than two discs, or one without a given pitch, are there.

    Notes
    -----
    For each trial pitch and turn the discs' places modulo the pitch are summed as unit vectors; a grid makes them
    agree (a periodogram in two directions). The best trial is refined by least squares on the discs near it.
    """
    points = np.asarray(points_mm, dtype=float).reshape(-1, 2)
    sure = np.asarray(weights, dtype=float).ravel()
    if len(points) < 2:
        if len(points) == 0 or pitch_mm is None:
            return None
        return Lattice(points[0], float(pitch_mm), 0.0)
    most = np.argsort(-sure, kind="stable")[:MOST_TRIAL_DISCS]
    return refine_lattice(_best_trial(points[most], sure[most], plug_mm, pitch_mm), points, sure)


def refine_lattice(lattice: Lattice, points_mm: npt.ArrayLike, weights: npt.ArrayLike) -> Lattice:
    """Fit a grid that is nearly right to the discs near its positions, by least squares."""
    points = np.asarray(points_mm, dtype=float).reshape(-1, 2)
    sure = np.asarray(weights, dtype=float).ravel()
    before = None
    for _ in range(4):
        chosen, cells = assign_cells(lattice, points, sure)
        if len(chosen) < 2:
            return lattice
        if before is not None and np.array_equal(chosen, before[0]) and np.array_equal(cells, before[1]):
            break
        before = chosen, cells
        lattice = _least_squares(points[chosen], cells.astype(float), sure[chosen], lattice)
    return lattice


def assign_cells(lattice: Lattice, points_mm: npt.ArrayLike, weights: npt.ArrayLike) -> tuple[IndexArray, IndexArray]:
    """Give each disc at most one position and each position at most one disc.

    Parameters
    ----------
    lattice : Lattice
    points_mm : array_like, shape (n, 2)
    weights : array_like, shape (n,)
        The surer disc wins a position.

    Returns
    -------
    chosen : ndarray of int, shape (m,)
        Indices of the discs that stand on the grid.
    cells : ndarray of int, shape (m, 2)
        Their (column, row), counted from the lattice's origin.
    """
    places = lattice.to_cells(points_mm)
    cells = np.round(places).astype(int)
    near = np.hypot(*(places - cells).T) <= min(OFF_PLACE_PITCHES, OFF_PLACE_MM / lattice.pitch_mm)
    order = np.argsort(-np.asarray(weights, dtype=float), kind="stable")
    order = order[near[order]]
    taken: dict[tuple[int, int], int] = {}
    for index, (column, row) in zip(order.tolist(), cells[order].tolist(), strict=True):
        taken.setdefault((column, row), index)
    chosen = np.array(sorted(taken.values()), dtype=np.intp)
    return chosen, cells[chosen].astype(np.intp)


@dataclass(frozen=True)
class GridExtent:
    """Which positions of a lattice belong to the tray.

    Attributes
    ----------
    first_column, first_row : int
        Lattice position of row 1, column 1.
    columns, rows : int
    unsure : str
        Why the choice is in doubt; empty when it is not.
    """

    first_column: int
    first_row: int
    columns: int
    rows: int
    unsure: str = ""


def place_grid(
    lattice: Lattice,
    cells: npt.ArrayLike,
    *,
    columns: int | None,
    rows: int | None,
    middle_mm: npt.ArrayLike | None,
    half_size_mm: npt.ArrayLike | None,
) -> GridExtent:
    """Find the first row and column.

    Parameters
    ----------
    lattice : Lattice
    cells : array_like of int, shape (n, 2)
        Lattice positions (column, row) at which plugs were found.
    columns, rows : int or None
        Size by the tray's description.
    middle_mm, half_size_mm : array_like, shape (2,), or None
        Middle and half size of the opening in which the tray lies; None off a frame.

    Returns
    -------
    GridExtent
    """
    found = np.asarray(cells, dtype=int).reshape(-1, 2)
    low, high = found.min(axis=0), found.max(axis=0)
    seen = high - low + 1
    if columns is None or rows is None:
        wanted = np.where([columns is None, rows is None], seen, [columns or 0, rows or 0])
        reasons = [_thin_edges(found)] if columns is None and rows is None else []
    else:
        wanted, reasons = np.array([columns, rows]), []
        if (seen > wanted).any() and (seen <= wanted[::-1]).all():
            wanted = wanted[::-1]
            reasons.append(f"the tray seems turned by a quarter: {wanted[1]} rows of {wanted[0]} along the reference")
    first = np.zeros(2, dtype=int)
    for axis in (0, 1):
        first[axis], reason = _first_along(axis, found, int(wanted[axis]), lattice, middle_mm, half_size_mm)
        reasons.append(reason)
    unsure = "; ".join(reason for reason in reasons if reason)
    return GridExtent(int(first[0]), int(first[1]), int(wanted[0]), int(wanted[1]), unsure)


def _first_along(
    axis: int,
    found: IndexArray,
    wanted: int,
    lattice: Lattice,
    middle_mm: npt.ArrayLike | None,
    half_size_mm: npt.ArrayLike | None,
) -> tuple[int, str]:
    """First lattice index of `wanted` lines along one axis, and why it is in doubt."""
    word = ("columns", "rows")[axis]
    low, high = int(found[:, axis].min()), int(found[:, axis].max())
    if high - low + 1 >= wanted:
        starts = np.arange(low, high - wanted + 2)
        inside = [np.sum((found[:, axis] >= s) & (found[:, axis] < s + wanted)) for s in starts]
        best = int(starts[int(np.argmax(inside))])
        extra = f"{high - low + 1} {word} seen, {wanted} described" if len(starts) > 1 else ""
        return best, extra
    starts = np.arange(high - wanted + 1, low + 1)
    if middle_mm is None or half_size_mm is None:
        return int(starts[len(starts) // 2]), f"only {high - low + 1} of {wanted} {word} hold plugs"
    other = float(found[:, 1 - axis].mean())
    spots = [(s + (wanted - 1) / 2, other) if axis == 0 else (other, s + (wanted - 1) / 2) for s in starts]
    off = np.abs((lattice.to_mm(spots) - np.asarray(middle_mm, dtype=float))[:, axis])
    # The whole tray, plugs included, must fit into the opening.
    room = float(np.asarray(half_size_mm, dtype=float)[axis]) - (wanted - 1) / 2 * lattice.pitch_mm
    fits = off <= room
    order = np.argsort(off, kind="stable")
    best, second = order[0], order[1]
    if fits.sum() == 1 and fits[best]:
        return int(starts[best]), ""
    clear = off[second] - off[best] > 0.5 * lattice.pitch_mm and fits.sum() > 0
    reason = "" if clear else f"only {high - low + 1} of {wanted} {word} hold plugs"
    return int(starts[best]), reason


def without_stray_edges(cells: IndexArray, clear: npt.NDArray[np.bool_]) -> IndexArray:
    """Cells without outer rows and columns that a few unclear discs alone would add to the tray.

    Parameters
    ----------
    cells : ndarray of int, shape (n, 2)
        (column, row) of each disc.
    clear : ndarray of bool, shape (n,)
        Whether the disc's rim is beyond doubt.

    Returns
    -------
    ndarray of int, shape (m, 2)
    """
    left, sure = cells, clear
    stray = True
    while stray and len(left):
        stray = False
        low, high = left.min(axis=0), left.max(axis=0)
        for axis, edge in ((0, low[0]), (0, high[0]), (1, low[1]), (1, high[1])):
            on_edge = left[:, axis] == edge
            across = int(high[1 - axis] - low[1 - axis] + 1)
            if on_edge.sum() < THIN_EDGE * across and not sure[on_edge].any():
                left, sure = left[~on_edge], sure[~on_edge]
                stray = True
                break
    return left


def _thin_edges(found: IndexArray) -> str:
    """Why the bounding box of the plugs may not be the tray: an outer row or column that is mostly empty."""
    low, high = found.min(axis=0), found.max(axis=0)
    size = high - low + 1
    for axis, word in ((0, "column"), (1, "row")):
        for edge, name in ((low[axis], "first"), (high[axis], "last")):
            count = int(np.sum(found[:, axis] == edge))
            if size[axis] > 1 and count < THIN_EDGE * size[1 - axis]:
                return f"{name} {word} holds {count} of {size[1 - axis]} plugs"
    return ""


def _best_trial(points: FloatArray, sure: FloatArray, plug_mm: float, pitch_mm: float | None) -> Lattice:
    middle = points.mean(axis=0)
    local = points - middle
    turns = np.radians(np.arange(-MOST_TURN_DEG, MOST_TURN_DEG + 0.1, TURN_STEP_DEG))
    pitches = _trial_pitches(local, plug_mm, pitch_mm)
    along = np.stack([np.cos(turns), np.sin(turns)], axis=1) @ local.T
    across = np.stack([-np.sin(turns), np.cos(turns)], axis=1) @ local.T
    waves = (2 * np.pi / pitches)[:, None, None]
    sums = [_wave_sum((waves * side).astype(np.float32), sure.astype(np.float32)) for side in (along, across)]
    strength = np.abs(sums[0]) ** 2 + np.abs(sums[1]) ** 2
    best = _coarsest_good(strength, pitches)
    turn, pitch = float(turns[best[1]]), float(pitches[best[0]])
    phase = np.array([np.angle(s[best]) for s in sums]) * pitch / (2 * np.pi)
    spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return Lattice(middle + spin @ phase, pitch, turn)


def _wave_sum(phases: npt.NDArray[np.float32], sure: npt.NDArray[np.float32]) -> npt.NDArray[np.complex64]:
    """Weighted sum of unit vectors over the last axis."""
    return np.asarray(np.cos(phases) @ sure + 1j * (np.sin(phases) @ sure), np.complex64)


def _trial_pitches(local: FloatArray, plug_mm: float, pitch_mm: float | None) -> FloatArray:
    if pitch_mm is not None:
        return pitch_mm * (1 + np.linspace(-PITCH_SLACK, PITCH_SLACK, 9))
    # A step may put the outermost plugs off by a tenth of a pitch and no more.
    reach = max(float(np.abs(local).max()), plug_mm)
    step = max(0.15 * plug_mm * plug_mm / reach, 0.2)
    return np.arange(0.97 * plug_mm, MOST_PITCH_DIAMETERS * plug_mm, step)


def _coarsest_good(strength: FloatArray, pitches: FloatArray) -> tuple[int, int]:
    """The best trial; where a grid of twice the pitch does as well, that one.

    Every grid is also a grid of half its pitch.
    """
    best = np.unravel_index(int(strength.argmax()), strength.shape)
    double = np.abs(pitches - 2 * pitches[best[0]]) < 0.04 * pitches[best[0]]
    if double.any():
        rows = np.nonzero(double)[0]
        part = strength[rows]
        row, turn = np.unravel_index(int(part.argmax()), part.shape)
        if part[row, turn] > 0.9 * strength[best]:
            return int(rows[row]), int(turn)
    return int(best[0]), int(best[1])


def _least_squares(points: FloatArray, cells: FloatArray, sure: FloatArray, before: Lattice) -> Lattice:
    """Similarity from positions to mm, as complex numbers: ``z = origin + step * w``."""
    z, w = points[:, 0] + 1j * points[:, 1], cells[:, 0] + 1j * cells[:, 1]
    share = sure / sure.sum()
    z_mean, w_mean = (share * z).sum(), (share * w).sum()
    spread = (share * np.abs(w - w_mean) ** 2).sum()
    if spread < 1e-9:
        return before
    step = (share * (z - z_mean) * np.conj(w - w_mean)).sum() / spread
    origin = z_mean - step * w_mean
    return Lattice(np.array([origin.real, origin.imag]), float(np.abs(step)), float(np.angle(step)))
