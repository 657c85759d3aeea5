"""Tags found in a photo, with sub-pixel corners."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from fragarea.reference.codes import CELLS_ACROSS
from fragarea.reference.edges import refine_squares
from fragarea.reference.layout import ReferenceLayout
from fragarea.reference.plane import FloatArray
from fragarea.reference.reading import SquareReadings, read_squares
from fragarea.reference.squares import ReducedImage, find_dark_squares, find_squares_below, reductions, to_grey

# Widths over which paper and ink are told apart, in pixels of the reduced image; tags 12 to 60 wide are found. The
# quick search passes over the holes of most gratings, which are many and smaller than tags.
QUICK_BLOCK_PX, QUICK_DARKER_BY, QUICK_SIDE_PX = 31, 25, 15
THOROUGH_BLOCKS_PX, THOROUGH_DARKER_BY = (31, 61, 17), 7
THOROUGH_LEVELS = (30, 45, 65, 90, 125)
# No search in images of more pixels than this: the smallest tags at the coarsest scale that is measured, 12 mm at 3
# pixels a mm, are still wide enough in the half-size image of a photo of 16 megapixels, and larger photos have larger
# tags.
FINEST_SEARCH_PX = 4.1e6
# The family's codes differ in at least 11 bits. A tag that the reference has may be less clean than any other.
WRONG_BITS_LAYOUT, WRONG_BITS_OTHER = 3, 1
# Tags foreseen from others are read with this many pixels of slack against the lens.
LENS_SLACK_PX = 12.0
# Refined corners further than this from the first guess, in cells, belong to something else.
LARGEST_MOVE_CELLS = 1.5
# Below this many pixels a bit is read at full size.


@dataclass(frozen=True, eq=False)
class TagSighting:
    """One tag seen in a photo.

    Attributes
    ----------
    tag_id : int
    corners_px : ndarray, shape (4, 2)
        Top left, top right, bottom right, bottom left of the upright tag.
    corner_u_px : float
        Standard uncertainty of one coordinate of a corner.
    blur_px : float
        Standard deviation of the spread of its edges, in the direction where it is larger; nan when not known.
    """

    tag_id: int
    corners_px: FloatArray
    corner_u_px: float = 0.03
    blur_px: float = float("nan")

    @property
    def side_px(self) -> float:
        """Mean length of its sides."""
        return float(np.linalg.norm(np.roll(self.corners_px, -1, axis=0) - self.corners_px, axis=1).mean())


@dataclass(frozen=True, eq=False)
class _Found:
    tag_id: int
    quad: FloatArray
    wrong_bits: int


def find_tags(pixels: npt.NDArray[np.uint8], layout: ReferenceLayout | None = None) -> tuple[TagSighting, ...]:
    """Find the tags of family 36h11 in a photo.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3) or (rows, columns)
        sRGB or grey, upright.
    layout : ReferenceLayout, optional
        The reference that is looked for: tags that were missed at first are sought where the others say they must
        be, and where too few are found the search is repeated more thoroughly.

    Returns
    -------
    tuple of TagSighting
        In order of id; tags that are not of the reference (ids from 100 name trays and pads) among them. The same id
        may appear twice where two references are in view.

    Raises
    ------
    ValueError
        If `pixels` is not an 8-bit image.
    """
    _check_pixels(pixels)
    images = reductions(pixels)
    found: list[_Found] = []
    sightings: list[TagSighting] = []
    for image in _searchable(images):
        found = _without_doubles(found + _search(images[0], _likely_squares(image), layout))
        sightings = _complete(pixels, images[0], found, layout)
        if _enough(sightings, layout):
            break
    else:
        sightings = _thorough(pixels, images, found, layout)
    return tuple(sorted(sightings, key=lambda tag: (tag.tag_id, tuple(tag.corners_px[0]))))


def _check_pixels(pixels: npt.NDArray[np.uint8]) -> None:
    grey = pixels.ndim == 2
    if pixels.dtype != np.uint8 or not (grey or (pixels.ndim == 3 and pixels.shape[2] == 3)):
        raise ValueError(f"pixels must be uint8 of shape (rows, columns[, 3]); got {pixels.dtype} {pixels.shape}")


def _enough(sightings: list[TagSighting], layout: ReferenceLayout | None) -> bool:
    if layout is None:
        return len(sightings) >= 2
    ours = {tag.tag_id for tag in sightings} & {tag.tag_id for tag in layout.tags}
    return 2 * len(ours) > len(layout.tags)


def _searchable(images: list[ReducedImage]) -> list[ReducedImage]:
    """From coarse to fine; the coarsest always."""
    coarse_first = images[::-1]
    return [image for image in coarse_first if image.grey.size <= FINEST_SEARCH_PX] or coarse_first[:1]


def _likely_squares(image: ReducedImage) -> FloatArray:
    return find_dark_squares(
        image, block_px=QUICK_BLOCK_PX, darker_by=QUICK_DARKER_BY, least_side_px=QUICK_SIDE_PX, enclosing=True
    )


def _search(reading: ReducedImage, quads: FloatArray, layout: ReferenceLayout | None) -> list[_Found]:
    return _accepted(read_squares(reading, quads), quads, layout) if len(quads) else []


def _accepted(readings: SquareReadings, quads: FloatArray, layout: ReferenceLayout | None) -> list[_Found]:
    ours = np.array([tag.tag_id for tag in layout.tags] if layout else [], dtype=int)
    allowed = np.where(np.isin(readings.tag_ids, ours), WRONG_BITS_LAYOUT, WRONG_BITS_OTHER)
    found = [
        _Found(
            int(readings.tag_ids[k]),
            np.roll(quads[readings.index[k]], -int(readings.turns[k]), axis=0),
            int(readings.wrong_bits[k]),
        )
        for k in np.flatnonzero(readings.wrong_bits <= allowed)
    ]
    return _without_doubles(found)


def _without_doubles(found: list[_Found]) -> list[_Found]:
    """One square a tag: a border has an outer and an inner outline, and searches overlap."""
    kept: list[_Found] = []
    for one in sorted(found, key=lambda tag: (tag.wrong_bits, -_extent(tag.quad))):
        middle = one.quad.mean(axis=0)
        if all(
            one.tag_id != other.tag_id or np.hypot(*(middle - other.quad.mean(axis=0))) > 0.5 * _extent(other.quad)
            for other in kept
        ):
            kept.append(one)
    return kept


def _extent(quad: FloatArray) -> float:
    return float(np.ptp(quad, axis=0).max())


def _complete(
    pixels: npt.NDArray[np.uint8], reading: ReducedImage, found: list[_Found], layout: ReferenceLayout | None
) -> list[TagSighting]:
    """Refine what was found, then look where tags are missing."""
    sightings = _refined(pixels, found)
    if layout is None:
        return sightings
    missing = _foreseen(sightings, layout, pixels.shape[1], pixels.shape[0])
    if missing:
        readings = read_squares(reading, np.array([tag.quad for tag in missing]))
        right = [
            missing[i]
            for i, tag_id, turn, wrong in zip(
                readings.index, readings.tag_ids, readings.turns, readings.wrong_bits, strict=True
            )
            if tag_id == missing[i].tag_id and turn == 0 and wrong <= WRONG_BITS_LAYOUT
        ]
        sightings += _refined(pixels, right)
    return sightings


def _foreseen(sightings: list[TagSighting], layout: ReferenceLayout, width: int, height: int) -> list[_Found]:
    """Where the missing tags of the reference must be by those seen, if inside the photo."""
    seen = [tag for tag in sightings if layout.tag(tag.tag_id) is not None]
    missing = [tag for tag in layout.tags if tag.tag_id not in {other.tag_id for other in seen}]
    if len(seen) < 2 or not missing:
        return []
    plane = np.concatenate([tag.corners_mm() for one in seen if (tag := layout.tag(one.tag_id))])
    image = np.concatenate([tag.corners_px for tag in seen])
    homography, _ = cv2.findHomography(plane, image, cv2.RANSAC, LENS_SLACK_PX)
    if homography is None:
        return []
    quads = [cv2.perspectiveTransform(tag.corners_mm()[None], homography)[0] for tag in missing]
    return [
        _Found(tag.tag_id, np.asarray(quad, dtype=float), 0)
        for tag, quad in zip(missing, quads, strict=True)
        if np.isfinite(quad).all() and (quad > 1).all() and (quad < [width - 2, height - 2]).all()
    ]


def _refined(pixels: npt.NDArray[np.uint8], found: list[_Found]) -> list[TagSighting]:
    if not found:
        return []
    quads = np.array([tag.quad for tag in found])
    refined = refine_squares(pixels, quads)
    moved = np.linalg.norm(refined.corners_px - quads, axis=2).max(axis=1)
    cell = np.linalg.norm(np.roll(quads, -1, axis=1) - quads, axis=2).mean(axis=1) / CELLS_ACROSS
    good = refined.good & (moved < LARGEST_MOVE_CELLS * cell)
    return [
        TagSighting(
            tag_id=found[i].tag_id,
            corners_px=refined.corners_px[i],
            corner_u_px=float(refined.corner_u_px[i]),
            blur_px=float(refined.blur_px[i]),
        )
        for i in np.flatnonzero(good)
    ]


def _thorough(
    pixels: npt.NDArray[np.uint8], images: list[ReducedImage], found: list[_Found], layout: ReferenceLayout | None
) -> list[TagSighting]:
    """Search every size in several ways, from coarse to fine, until enough is found."""
    full = ReducedImage(to_grey(pixels), 1)
    sightings: list[TagSighting] = []
    for image in _searchable([full, *images]):
        searches = [
            find_dark_squares(image, block_px=block, darker_by=THOROUGH_DARKER_BY) for block in THOROUGH_BLOCKS_PX
        ]
        searches += [find_squares_below(image, level) for level in THOROUGH_LEVELS]
        for quads in searches:
            found = _without_doubles(found + _search(full, quads, layout))
        sightings = _complete(pixels, full, found, layout)
        if _enough(sightings, layout):
            break
    return sightings
