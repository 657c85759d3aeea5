"""The pattern of a tag as one area in millimetres."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
from shapely import MultiPolygon, Polygon, box, union_all
from shapely.affinity import affine_transform

from fragarea.reference.layout import TagLayout

# AprilTag 36h11: 6 x 6 cells of data inside a black border of one cell.
CELLS = 8


def tag_cells(tag_id: int) -> npt.NDArray[np.bool_]:
    """Cells of an AprilTag 36h11, black border included.

    Parameters
    ----------
    tag_id : int
        0 to 586.

    Returns
    -------
    ndarray of bool, shape (8, 8)
        True where the cell is black; the first row is the top of the upright tag.

    Raises
    ------
    ValueError
        If the family has no such tag.
    """
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    count = len(family.bytesList)
    if not 0 <= tag_id < count:
        raise ValueError(f"tag_id must be 0 to {count - 1}; got {tag_id}")
    return np.asarray(cv2.aruco.generateImageMarker(family, tag_id, CELLS, borderBits=1) == 0)


def tag_area(tag: TagLayout) -> Polygon | MultiPolygon:
    """Black part of a tag in reference axes.

    The cells are merged, because neighbouring squares filled one by one show hairlines between them on many printers.
    """
    rows, columns = np.nonzero(tag_cells(tag.tag_id))
    merged = union_all(box(columns, rows, columns + 1, rows + 1))
    cell_mm = tag.side_mm / CELLS
    left, top = (centre - tag.side_mm / 2 for centre in tag.centre_mm)
    return affine_transform(merged, [cell_mm, 0, 0, cell_mm, left, top])


def quiet_box(tag: TagLayout, cells: float = 1.0) -> Polygon:
    """The tag with a white margin of some cells, which a detector needs around it."""
    reach = tag.side_mm / 2 + cells * tag.side_mm / CELLS
    x, y = tag.centre_mm
    return box(x - reach, y - reach, x + reach, y + reach)
