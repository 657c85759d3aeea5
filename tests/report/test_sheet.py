from dataclasses import replace

import numpy as np
import pytest
from shapely import MultiPolygon, Point, box

from fragarea.doubts import Doubt
from fragarea.report.sheet import FULL_PX_PER_MM, PAGE_PX, cut_item, draw_contact_sheet
from fragarea.report.strips import ALARM, PAPER
from tests.report.scene import HEIGHT, WIDTH, drawn, fragment, measured, pose, tray

RED = (250, 10, 10)


def square_scene(side_mm: float):
    """A red square on the tissue's plane, in a tilted view: a pixel is red when its middle lies in the square."""
    item = fragment(None, "1", centre_mm=(140.0, 110.0), outline_live=MultiPolygon(), edge_height_mm=6.0)
    photo = replace(measured((item,)), plane=pose(tilt_deg=12.0))
    pixels = drawn(measured(()))
    grid = np.stack(np.meshgrid(np.arange(WIDTH), np.arange(HEIGHT)), axis=-1).reshape(-1, 2)
    inside = (np.abs(photo.plane.to_plane(grid, 6.0) - item.centre_mm) < side_mm / 2).all(axis=1)
    pixels[inside.reshape(HEIGHT, WIDTH)] = RED
    return pixels, photo, item


def red_pixels(image: np.ndarray) -> np.ndarray:
    return (image[..., 0] > 130) & (image[..., 1] < 130)


def test_cut_piece_is_true_to_scale_on_the_plane_of_the_edge():
    # exact geometry: 15 mm at 12 px/mm is 180 px on both axes, whatever the tilt; a photo pixel is 0.22 mm, 2.7 px
    pixels, photo, item = square_scene(15.0)
    red = red_pixels(cut_item(pixels, photo, item, "1").window.pixels)
    for axis in (0, 1):
        assert red.any(axis=axis).sum() == pytest.approx(15 * FULL_PX_PER_MM, abs=3)
    assert red.sum() == pytest.approx((15 * FULL_PX_PER_MM) ** 2, rel=0.01)


def test_all_pieces_of_a_sheet_share_one_scale_and_its_bar_is_five_millimetres():
    pixels, photo, item = square_scene(10.0)
    large = fragment(None, "2", centre_mm=(60.0, 110.0), outline_live=MultiPolygon([box(30, 80, 90, 140)]))
    items = [cut_item(pixels, photo, one, one.label) for one in (item, large)]
    (page,) = draw_contact_sheet(items, title="TRAY-1")
    red = red_pixels(page)
    side_px = red[:-100].any(axis=0).sum()  # without the key at the foot
    white = (page > 235).all(axis=2)
    runs = [max(len(run) for run in "".join("x" if v else " " for v in row).split() or [""]) for row in white]
    bar_px = max(length for length in set(runs) if runs.count(length) >= 5)
    # a photo pixel, 0.22 mm, blurs the square's edges
    assert side_px / bar_px == pytest.approx(10.0 / 5.0, rel=0.04)


def test_doubtful_fragments_come_first_then_places_in_order():
    photo = measured()
    pixels = drawn(photo)
    items = [cut_item(pixels, photo, f, "x") for f in reversed(photo.fragments)]
    first = draw_contact_sheet(items, title="TRAY-1")[0]
    calm = draw_contact_sheet([i for i in items if not i.fragment.doubts], title="TRAY-1")[0]

    def alarmed(page):
        return (np.abs(page.astype(int) - ALARM) <= 6).all(axis=2)

    top = first.shape[0] // 4
    assert alarmed(first[:top, : PAGE_PX // 2]).sum() > 100
    assert not alarmed(first[top:]).any()
    assert not alarmed(calm).any()


def test_no_fragment_is_lost_between_pages():
    photo = measured()
    pixels = drawn(photo)
    pages = draw_contact_sheet([cut_item(pixels, photo, f, "x") for f in photo.fragments], title="TRAY-1")
    assert len(pages) > 1
    assert all(page.shape[1] == PAGE_PX for page in pages)
    # every tile has one bar: five rows and more of pure white of the same length
    bars = 0
    for page in pages:
        white = (page[:, :, 2] > 235) & (page.min(axis=2) > 235)
        starts = 0
        for column in range(0, PAGE_PX, 400):
            runs = white[:, column + 30 : column + 60].all(axis=1)
            starts += int((np.diff(np.concatenate([[0], runs.astype(int)])) == 1).sum())
        bars += starts
    assert bars == len(tray())


def test_sheet_without_fragments_is_one_page():
    assert len(draw_contact_sheet([], title="TRAY-1", notes=[Doubt("blur")])) == 1


def test_measurement_read_back_without_its_plane_is_refused():
    with pytest.raises(ValueError, match="measure the photo again"):
        cut_item(np.zeros((9, 9, 3), np.uint8), measured(plane=None), fragment(), "x")


def test_fragment_at_the_edge_of_the_photo_is_cut_without_trouble():
    photo = measured()
    pixels = drawn(photo)
    for centre in ((-400.0, -400.0), (900.0, 110.0)):
        item = cut_item(pixels, photo, fragment((1, 1), centre_mm=centre, outline_live=MultiPolygon()), "x")
        assert (item.window.pixels == PAPER).all()


def test_dead_scrap_far_from_the_tissue_does_not_make_the_tiles_small():
    photo = measured()
    whole = photo.fragments[10]
    x, y = whole.centre_mm

    def side_mm(scrap):
        item = cut_item(drawn(photo), photo, replace(whole, outline_dead=MultiPolygon([scrap])), "x")
        return item.window.pixels.shape[0] * item.window.mm_per_px

    plain = cut_item(drawn(photo), photo, whole, "x")
    assert side_mm(Point(x + 40, y).buffer(2)) == plain.window.pixels.shape[0] * plain.window.mm_per_px
    # what touches the tissue is shown
    assert side_mm(Point(x, y).buffer(20).difference(whole.outline_live)) == pytest.approx(2 * (20 + 2), abs=0.2)


def test_outline_beyond_its_tile_does_not_run_over_the_next():
    photo = measured()
    near, beside = photo.fragments[10:12]
    x, y = near.centre_mm
    scrap = MultiPolygon([box(x + 14, y - 3, x + 40, y + 3)])
    items = [
        cut_item(drawn(photo), photo, one, name)
        for one, name in ((replace(near, outline_dead=scrap), "a"), (near, "a"), (beside, "b"))
    ]
    with_scrap, without = (draw_contact_sheet([one, items[2]], title="TRAY-1")[0] for one in items[:2])
    changed = np.flatnonzero((with_scrap != without).any(axis=(0, 2)))
    width = items[0].window.pixels.shape[1] * items[0].window.mm_per_px
    shown = round(width * min(FULL_PX_PER_MM, 800 / width)) + 24  # the picture of the left tile and its paddings
    assert changed.size > 0
    assert changed.max() < shown


def test_speck_is_shown_with_its_surroundings():
    photo = measured()
    speck = fragment(
        None,
        "patch 1",
        centre_mm=(125.0, 95.0),
        outline_live=MultiPolygon([Point(125, 95).buffer(1)]),
        plug_radius_mm=None,
    )
    item = cut_item(drawn(photo), photo, speck, "patch 1")
    assert item.window.pixels.shape[0] * item.window.mm_per_px == pytest.approx(2 * (0.6 * 12.5 + 2.0), abs=0.2)


def test_tissue_of_any_extent_is_cut_at_a_size_that_fits_memory():
    photo = measured()
    wide = fragment((1, 1), outline_live=MultiPolygon([box(-5000, -5000, 9000, 9000)]))
    item = cut_item(drawn(photo), photo, wide, "x")
    assert max(item.window.pixels.shape) <= 1601
    assert len(draw_contact_sheet([item], title="TRAY-1")) == 1
