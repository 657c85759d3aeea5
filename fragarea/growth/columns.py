"""Areas over time of many fragments as columns: what a nursery's whole record is computed from at once."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields, replace
from datetime import date, datetime
from typing import Any

import numpy as np
import numpy.typing as npt

from fragarea.growth.records import AreaPoint, FragmentHistory
from fragarea.growth.shared import Array
from fragarea.measurement import FragmentStatus

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

OWN = -1
"""Source of an error that nothing else shares."""

_EPOCH = datetime(1970, 1, 1)


@dataclass(frozen=True, eq=False)
class AreaColumns:
    """The points of many fragments, a row each, in order of fragment and time.

    Attributes
    ----------
    heads : tuple of FragmentHistory
        The fragments, without their points.
    fragment : ndarray of int64, shape (n,)
        Number of each row's fragment in `heads`, ascending.
    day : ndarray of float64, shape (n,)
        When it was taken, in days since 1970 by the camera's clock.
    area_mm2, dead_mm2 : ndarray of float64, shape (n,)
    rim_share : ndarray of float64, shape (n,)
        nan where it is not known.
    missing, dead, cut_off, touches_neighbour, beyond_rim, marked_wrong : ndarray of bool, shape (n,)
        Status and doubts.
    part_u_mm2 : ndarray of float64, shape (n, k)
        Parts of each area's uncertainty.
    part_source : ndarray of int64, shape (n, k)
        Where the error of each part comes from: `OWN`, or a number. A row names a source once at most.
    """

    heads: tuple[FragmentHistory, ...]
    fragment: Ints
    day: Array
    area_mm2: Array
    dead_mm2: Array
    rim_share: Array
    missing: Bools
    dead: Bools
    cut_off: Bools
    touches_neighbour: Bools
    beyond_rim: Bools
    marked_wrong: Bools
    part_u_mm2: Array
    part_source: Ints

    def __len__(self) -> int:
        return len(self.fragment)

    def rows(self, chosen: Any) -> AreaColumns:
        """Some rows; the heads stay."""
        arrays = {field.name: getattr(self, field.name)[chosen] for field in fields(self) if field.name != "heads"}
        return replace(self, **arrays)


def columns_of(histories: Iterable[FragmentHistory]) -> AreaColumns:
    """Histories as columns.

    Parameters
    ----------
    histories : iterable of FragmentHistory

    Returns
    -------
    AreaColumns
        Fragments in the order given.
    """
    whole = tuple(histories)
    points = [point for history in whole for point in history.points]
    parts, numbers = [_parts(point) for point in points], {"": OWN}
    widest = max((len(one) for one in parts), default=0)
    u, source = np.zeros((len(points), widest)), np.full((len(points), widest), OWN, dtype=np.int64)
    for row, one in enumerate(parts):
        for k, (name, size) in enumerate(one):
            u[row, k], source[row, k] = size, numbers.setdefault(name, len(numbers) - 1)
    return AreaColumns(
        heads=tuple(replace(history, points=()) for history in whole),
        fragment=np.repeat(np.arange(len(whole)), [len(history.points) for history in whole]),
        day=np.array([day_of(point.taken_at) for point in points], dtype=float),
        area_mm2=np.array([point.area_mm2 for point in points], dtype=float),
        dead_mm2=np.array([point.dead_mm2 for point in points], dtype=float),
        rim_share=np.array([np.nan if p.rim_share is None else p.rim_share for p in points], dtype=float),
        missing=np.array([point.status is FragmentStatus.MISSING for point in points], dtype=bool),
        dead=np.array([point.status is FragmentStatus.DEAD for point in points], dtype=bool),
        cut_off=np.array(["cut_off" in point.doubts for point in points], dtype=bool),
        touches_neighbour=np.array(["touches_neighbour" in point.doubts for point in points], dtype=bool),
        beyond_rim=np.array(["beyond_rim" in point.doubts for point in points], dtype=bool),
        marked_wrong=np.array([point.marked_wrong for point in points], dtype=bool),
        part_u_mm2=u,
        part_source=source,
    )


def day_of(moment: datetime | date) -> float:
    """Days since 1970 by the camera's clock.

    Examples
    --------
    >>> day_of(datetime(1970, 1, 2, 12)), day_of(date(1970, 1, 3))
    (1.5, 2.0)
    """
    if not isinstance(moment, datetime):
        moment = datetime.combine(moment, datetime.min.time())
    return (moment.replace(tzinfo=None) - _EPOCH).total_seconds() / 86_400


def _parts(point: AreaPoint) -> list[tuple[str, float]]:
    """Parts of a point's uncertainty; those with one source are one error."""
    named: dict[str, float] = {}
    own = [("", part.u_mm2) for part in point.parts if not part.source]
    for part in point.parts:
        if part.source:
            named[part.source] = named.get(part.source, 0.0) + part.u_mm2
    return [*own, *named.items()]
