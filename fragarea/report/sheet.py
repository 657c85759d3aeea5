"""The contact sheet of a visit: every fragment at one scale, the doubtful first."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image as PillowImage
from PIL import ImageDraw

from fragarea.doubts import Doubt
from fragarea.measurement import FragmentMeasurement, FragmentStatus, PhotoMeasurement
from fragarea.report.fonts import LINE, font, printable, shortened
from fragarea.report.overlay import BLEACHED_SHARE, reach_mm, rings_of
from fragarea.report.rounding import format_area
from fragarea.report.strips import ALARM, INK, PAPER, StripLine, draw_mark, key_strip, mark_width, text_strip
from fragarea.report.strokes import BLEACHED, DEAD, LIVE, Image, Points, draw_lines
from fragarea.report.words import area_or_state, by_weight, natural_key, needs_look, place_key, place_of, place_words
from fragarea.sites.records import Window

PAGE_PX = 1600  # wide; as high as this times the root of 2, the proportion of A4
TILES_ACROSS = (4, 3, 2)
FULL_PX_PER_MM = 12.0  # finest scale; tiles of 25 mm plugs take it up at four across
LARGEST_WINDOW_PX = 1600
MARGIN_MM = 2.0
LEAST_SHARE = 0.6  # of a plug: a speck is shown with what lies around it
NEAR_MM = 2.0  # a dead scrap farther from the live tissue would make all tiles small; the overlay shows it
SCALE_BAR_MM = 5.0
STROKE_PX = 2
TEXT_PX = 24
PAD_PX = 12
CAPTION_LINES = 4  # name, area, two lines of doubts and states


@dataclass(frozen=True, eq=False)
class SheetItem:
    """One fragment on a contact sheet.

    Attributes
    ----------
    window : Window
        Rectified piece of the photo on the plane of the tissue edge.
    fragment : FragmentMeasurement
    name : str
        Of the fragment; its place when no name is recorded.
    """

    window: Window
    fragment: FragmentMeasurement
    name: str


def cut_item(
    pixels: Image,
    measurement: PhotoMeasurement,
    fragment: FragmentMeasurement,
    name: str,
    *,
    half_mm: float | None = None,
) -> SheetItem:
    """Cut one fragment out of a photo for a contact sheet.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
        The upright photo.
    measurement : PhotoMeasurement
        With its plane.
    fragment : FragmentMeasurement
    name : str
    half_mm : float, optional
        Half the side of the piece; that of :func:`piece_half_mm` by default.

    Returns
    -------
    SheetItem
        Small, so that the items of a visit of many photos can be kept together.

    Raises
    ------
    ValueError
        If the measurement has no plane.
    """
    plane = measurement.plane
    if plane is None:
        raise ValueError("measurement.plane is None; measure the photo again to draw on it")
    half = piece_half_mm(measurement, fragment) if half_mm is None else half_mm
    px_per_mm = min(FULL_PX_PER_MM, LARGEST_WINDOW_PX / (2 * half))
    side = math.ceil(2 * half * px_per_mm)
    origin = (fragment.centre_mm[0] - half, fragment.centre_mm[1] - half)
    piece = rectified(
        pixels,
        lambda points_mm: plane.project(points_mm, fragment.edge_height_mm),
        origin_mm=origin,
        px_per_mm=px_per_mm,
        size_px=(side, side),
    )
    window = Window(piece, 1 / px_per_mm, origin, fragment.edge_height_mm)
    return SheetItem(window, fragment, name)


def piece_half_mm(measurement: PhotoMeasurement, fragment: FragmentMeasurement) -> float:
    """Half the side of the square around a fragment's middle that shows its plug, its tissue and a margin, in mm."""
    reach = reach_mm(fragment, measurement.site.plug_mm, dead_within_mm=NEAR_MM)
    return max(reach, LEAST_SHARE * measurement.site.plug_mm / 2) + MARGIN_MM


def outlined(item: SheetItem, size_px: int, *, stroke_px: int = STROKE_PX) -> Image:
    """The piece of a fragment at a size, with its outlines.

    Parameters
    ----------
    item : SheetItem
    size_px, stroke_px : int
        Side of the picture, and width of a bright stroke.

    Returns
    -------
    ndarray of uint8, shape (size_px, size_px, 3)
    """
    how = cv2.INTER_AREA if size_px <= item.window.pixels.shape[0] else cv2.INTER_CUBIC
    piece = np.asarray(cv2.resize(item.window.pixels, (size_px, size_px), interpolation=how), dtype=np.uint8)
    factor = size_px / item.window.pixels.shape[0]

    def place(ring: Points) -> Points:
        return (item.window.to_px(ring) + 0.5) * factor - 0.5

    fragment = item.fragment
    for look, shape in (
        (DEAD, fragment.outline_dead),
        (LIVE, fragment.outline_live),
        (BLEACHED, fragment.outline_bleached),
    ):
        draw_lines(piece, [place(ring) for ring in rings_of(shape)], look, width_px=stroke_px)
    return piece


def rectified(
    pixels: Image,
    to_px: Callable[[Points], Points],
    *,
    origin_mm: tuple[float, float],
    px_per_mm: float,
    size_px: tuple[int, int],
) -> Image:
    """A piece of a photo as seen straight from above.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
    to_px : callable
        From points in mm, shape (n, 2), to pixels of the photo.
    origin_mm : (float, float)
        The middle of the piece's first pixel.
    px_per_mm : float
    size_px : (int, int)
        Width and height of the piece.

    Returns
    -------
    ndarray of uint8, shape (height, width, 3)
        Dark where the photo does not reach.
    """
    # the camera's map is smooth: a coarse grid of it, interpolated, is exact to a few thousandths of a pixel
    across, down = (np.linspace(0.0, length - 1.0, 17) for length in size_px)
    grid = np.stack(np.meshgrid(across, down), axis=-1).reshape(-1, 2) / px_per_mm + origin_mm
    fine = _interpolated(to_px(grid).reshape(17, 17, 2), size_px)
    piece = cv2.remap(
        pixels, fine[..., 0], fine[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=PAPER
    )
    return np.asarray(piece, dtype=np.uint8)


def _interpolated(coarse: Points, size_px: tuple[int, int]) -> npt.NDArray[np.float32]:
    """A 17 x 17 map of pixels stretched to a width and height, its corners staying corners."""
    x, y = np.meshgrid(*(np.linspace(0.0, 16.0, length, dtype=np.float32) for length in size_px))
    where = np.where(np.isfinite(coarse), coarse, -1e6).astype(np.float32)
    return np.asarray(cv2.remap(where, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), dtype=np.float32)


def draw_contact_sheet(items: Sequence[SheetItem], *, title: str, notes: Sequence[Doubt] = ()) -> list[Image]:
    """Draw the contact sheet of a visit.

    Parameters
    ----------
    items : sequence of SheetItem
    title : str
        Site and date.
    notes : sequence of Doubt
        About whole photos of the visit, written once.

    Returns
    -------
    list of ndarray of uint8, shape (rows, 1600, 3)
        Pages, at least one. All tiles of all pages have the same scale, which a bar of 5 mm shows.
    """
    ordered = sorted(items, key=_order)
    side_mm = max((_side_mm(item) for item in ordered), default=25.0)
    across = _tiles_across(side_mm, len(ordered))
    tile_px = PAGE_PX // across
    px_per_mm = min(FULL_PX_PER_MM, (tile_px - 2 * PAD_PX) / side_mm)
    tiles = [_tile(item, tile_px, side_mm, px_per_mm) for item in ordered]
    rows = [_row(tiles[i : i + across]) for i in range(0, len(tiles), across)]
    per_page = max(1, int(PAGE_PX * math.sqrt(2) - 200) // max(1, rows[0].shape[0] if rows else 1))
    pages = [rows[i : i + per_page] for i in range(0, len(rows), per_page)] or [[]]
    return [_page(page, title, notes, number, len(pages), len(ordered)) for number, page in enumerate(pages, start=1)]


def _order(item: SheetItem) -> tuple[object, ...]:
    heaviest = max((doubt.kind.weight for doubt in item.fragment.doubts), default=0)
    calm = not needs_look(item.fragment.doubts)
    return calm, 0 if calm else -heaviest, place_key(item.fragment), natural_key(item.name)


def _side_mm(item: SheetItem) -> float:
    return item.window.pixels.shape[0] * item.window.mm_per_px


def _tiles_across(side_mm: float, count: int) -> int:
    """As many tiles as leave 9 pixels a mm, at least two; no more than there are."""
    most = next((n for n in TILES_ACROSS if PAGE_PX / n / side_mm >= 9.0), TILES_ACROSS[-1])
    return max(2, min(most, count))


def _tile(item: SheetItem, tile_px: int, side_mm: float, px_per_mm: float) -> Image:
    """A fragment with its outline, a scale bar and its caption."""
    high = round(side_mm * px_per_mm) + 8
    picture = np.empty((high, tile_px, 3), np.uint8)
    picture[:] = PAPER
    size = min(round(_side_mm(item) * px_per_mm), high, tile_px)
    left, top = min(PAD_PX, tile_px - size), (high - size) // 2
    picture[top : top + size, left : left + size] = outlined(item, size)
    _scale_bar(picture, px_per_mm, left + PAD_PX, top + size - 14)
    return np.vstack([picture, _caption(item, tile_px)])


def _scale_bar(picture: Image, px_per_mm: float, left: int, bottom: int) -> None:
    """A bar of 5 mm, white on black, labelled."""
    length = round(SCALE_BAR_MM * px_per_mm)
    cv2.rectangle(picture, (left - 3, bottom - 9), (left + length + 2, bottom + 2), (0, 0, 0), -1)
    cv2.rectangle(picture, (left, bottom - 6), (left + length - 1, bottom - 1), INK, -1)


def _caption(item: SheetItem, width_px: int) -> Image:
    """Name, area and doubts below a fragment."""
    step = round(TEXT_PX * LINE)
    strip = PillowImage.new("RGB", (width_px, CAPTION_LINES * step + 14), PAPER)
    draw = ImageDraw.Draw(strip)
    alarmed = needs_look(item.fragment.doubts)
    x = PAD_PX + (mark_width(TEXT_PX) if alarmed else 0)
    if alarmed:
        draw_mark(draw, (PAD_PX, 0), TEXT_PX, alarm=True)
    place = place_words(place_of(item.fragment))
    name = item.name if place in ("", item.name) else f"{item.name} · {place}"
    draw.text(
        (x, 0), _cut(name, width_px - x - PAD_PX, bold=True), ALARM if alarmed else INK, font=font(TEXT_PX, True)
    )
    for i, line in enumerate(_facts(item.fragment, alarmed), start=1):
        draw.text((PAD_PX, i * step), _cut(line, width_px - 2 * PAD_PX), INK, font=font(TEXT_PX))
    return np.array(strip)


def _facts(fragment: FragmentMeasurement, alarmed: bool) -> list[str]:
    area = area_or_state(fragment) or format_area(fragment.live.area_mm2, fragment.live.expanded_mm2)
    states = ["partly dead"] if fragment.status is FragmentStatus.PARTLY_DEAD else []
    if fragment.bleached_mm2 > BLEACHED_SHARE * fragment.live.area_mm2 > 0:
        states.append(f"bleached: {fragment.bleached_mm2 / 100:.2f} cm²")
    doubts = [d for d in by_weight(fragment.doubts) if needs_look([d]) or not alarmed]
    words = [*(doubt.kind.title for doubt in doubts), *states]
    room = CAPTION_LINES - 2
    if len(words) > room:
        words = [*words[: room - 1], f"and {len(words) - room + 1} more"]
    return [area, *words]


def _cut(text: str, width_px: float, *, bold: bool = False) -> str:
    return shortened(printable(text), font(TEXT_PX, bold), width_px)


def _row(tiles: Sequence[Image]) -> Image:
    row = np.empty((tiles[0].shape[0], PAGE_PX, 3), np.uint8)
    row[:] = PAPER
    for i, tile in enumerate(tiles):
        row[:, i * tile.shape[1] : (i + 1) * tile.shape[1]] = tile
    return row


def _page(rows: Sequence[Image], title: str, notes: Sequence[Doubt], number: int, pages: int, count: int) -> Image:
    page = f", page {number} of {pages}" if pages > 1 else ""
    noun = "fragment" if count == 1 else "fragments"
    lines = [StripLine(title, bold=True), StripLine(f"{count} {noun}{page}; doubtful first; the bar is 5 mm")]
    lines += [StripLine(f"{doubt.kind.title}: whole photo", mark=_mark(doubt)) for doubt in by_weight(notes)]
    head = text_strip(lines, PAGE_PX, TEXT_PX + 4)
    note = "planar area ± expanded uncertainty at 95 %"
    key = key_strip((LIVE, BLEACHED, DEAD), note, PAGE_PX, TEXT_PX, stroke_px=STROKE_PX)
    return np.vstack([head, *rows, key])


def _mark(doubt: Doubt) -> str:
    return "!" if needs_look([doubt]) else "-"
