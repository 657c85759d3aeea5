import cv2
import numpy as np
import pytest

from fragarea.sites import (
    PlugRim,
    PlugSighting,
    SiteDescription,
    SiteKind,
    SiteView,
    cut_windows,
    default_mm_per_px,
    rim_at_height,
)
from fragarea.sites.rims import linear_table
from fragarea.sites.windows import photo_mm_per_px, rectify
from tests.sites.drawn import SIZE, Disc, Drawing, camera, draw

SPOT_PX = 2.0


def spots_at(points_px):
    """A photo of soft white spots, each drawn around its exact place."""
    photo = np.zeros((SIZE[1], SIZE[0]))
    y, x = np.mgrid[0 : SIZE[1], 0 : SIZE[0]]
    for place in points_px:
        photo += 250 * np.exp(-0.5 * ((x - place[0]) ** 2 + (y - place[1]) ** 2) / SPOT_PX**2)
    return np.repeat(np.round(photo).astype(np.uint8)[:, :, None], 3, axis=2)


def spot_mm(window, near_mm, reach_mm=3.0):
    """Centre of mass of the spot near a place of a window."""
    middle = np.round(window.to_px([near_mm])[0]).astype(int)
    reach = int(reach_mm / window.mm_per_px)
    top, left = middle[1] - reach, middle[0] - reach
    part = window.pixels[top : top + 2 * reach + 1, left : left + 2 * reach + 1, 0].astype(float)
    y, x = np.mgrid[0 : part.shape[0], 0 : part.shape[1]]
    return window.to_mm([((part * x).sum() / part.sum() + left, (part * y).sum() / part.sum() + top)])[0]


def opencv_pixels(pose, points_mm, height_mm):
    space = np.column_stack([points_mm, np.full(len(points_mm), -height_mm)])
    rvec, _ = cv2.Rodrigues(pose.rotation)
    pixels, _ = cv2.projectPoints(space, rvec, pose.translation_mm, pose.camera_matrix, pose.distortion)
    return pixels.reshape(-1, 2)


def view(plugs=(), height_mm=0.0, region=(14.0, 14.0, 236.0, 176.0)):
    return SiteView(tuple(plugs), height_mm, 0.5, "given", region_mm=region)


@pytest.mark.parametrize(
    ("tilt_deg", "k1", "height_mm", "mm_per_px"),
    [(0.0, 0.0, 0.0, 0.2), (12.0, -0.15, 4.5, 0.2), (8.0, 0.1, 0.5, 0.31), (12.0, -0.15, 4.5, 0.7)],
)
def test_windows_show_what_opencv_projects_there(tilt_deg, k1, height_mm, mm_per_px):
    # Outside check: cv2.projectPoints says where in the photo a point of the plane is seen. 0.02 mm is a tenth of a
    # window pixel; where the photo is reduced (0.7 mm) the centre of a spot of few pixels is found less well.
    pose = camera(tilt_deg=tilt_deg, k1=k1)
    places = np.array([(40, 40), (125, 95), (210, 40), (40, 150), (210, 150), (90, 60.0)])
    photo = spots_at(opencv_pixels(pose, places, height_mm))
    site = SiteDescription(SiteKind.PAD, edge_height_mm=0.5)
    (window,) = cut_windows(photo, pose, view(height_mm=height_mm - 0.5), site, mm_per_px=mm_per_px)
    assert window.height_mm == pytest.approx(height_mm)
    off = np.array([spot_mm(window, place) - place for place in places])
    assert np.abs(off).max() < (0.02 if mm_per_px < 0.5 else 0.06)


def test_each_present_plug_has_one_window_around_its_rim():
    pose = camera(tilt_deg=10.0)
    rim = PlugRim((60.0, 60.0), 12.6)
    plugs = [
        PlugSighting((1, 1), (60.0, 60.0), rim, True),
        PlugSighting((1, 2), (87.0, 60.0), None, False),
        PlugSighting((1, 3), (114.0, 60.0), None, True),
    ]
    photo = draw(Drawing(pose, (Disc(60, 60), Disc(114, 60))))
    site = SiteDescription(SiteKind.TRAY, edge_height_mm=1.0)
    first, second = cut_windows(photo, pose, view(plugs, height_mm=4.0), site)
    assert first.height_mm == 5.0
    assert first.mm_per_px == 0.25
    # 12.5 mm of plug and 4 mm around it on both sides
    assert first.pixels.shape[:2] == pytest.approx((132, 132), abs=2)
    assert first.to_mm([(0, 0)])[0] == pytest.approx((60 - 16.5, 60 - 16.5), abs=0.2)
    assert first.rim == rim_at_height(rim, pose, 4.0, 5.0)
    assert second.rim is None
    wide, _ = cut_windows(photo, pose, view(plugs, height_mm=4.0), site, margin_mm=8.0)
    assert wide.pixels.shape[0] - first.pixels.shape[0] == pytest.approx(32, abs=1)
    assert first.to_px(first.to_mm([(3.0, 4.0)])) == pytest.approx(np.array([(3.0, 4.0)]))


def test_rim_on_a_higher_plane_is_smaller_and_covers_the_same_pixels():
    # exact geometry: a circle seen at height a covers on the plane at height b the circle (D - b) / (D - a) as large
    pose = camera(height_mm=400.0, tilt_deg=0.0, turn_deg=0.0)
    rim = PlugRim((200.0, 95.0), 12.5)
    moved = rim_at_height(rim, pose, 0.0, 5.0)
    assert moved.radius_mm == pytest.approx(12.5 * 395 / 400, rel=1e-9)
    assert moved.centre_mm == pytest.approx((125 + 75 * 395 / 400, 95.0), rel=1e-9)
    assert rim_at_height(rim, pose, 2.0, 2.0) == rim


def test_window_of_described_pad_is_bounded_by_the_opening():
    pose = camera()
    photo = draw(Drawing(pose, ()))
    plugs = [PlugSighting(None, (40.0, 60.0), None, True, "1"), PlugSighting(None, (90.0, 60.0), None, True, "2")]
    site = SiteDescription(SiteKind.PAD, places_mm=(("1", 0.0, 0.0), ("2", 50.0, 0.0)))
    (window,) = cut_windows(photo, pose, view(plugs), site, margin_mm=20.0)
    rows, columns = window.pixels.shape[:2]
    low, high = window.to_mm([(0, 0), (columns - 1, rows - 1)])
    assert low == pytest.approx((14.0, 60 - 32.5), abs=0.2)
    assert high == pytest.approx((90 + 32.5, 60 + 32.5), abs=0.2)


def test_found_pad_and_known_area_sheet_have_the_whole_opening():
    pose = camera()
    photo = draw(Drawing(pose, ()))
    for kind, height in ((SiteKind.PAD, 0.5), (SiteKind.SHAPES, 0.0)):
        site = SiteDescription(kind)
        (window,) = cut_windows(photo, pose, view(), site)
        rows, columns = window.pixels.shape[:2]
        low, high = window.to_mm([(0, 0), (columns - 1, rows - 1)])
        assert [*low, *high] == pytest.approx([14, 14, 236, 176], abs=window.mm_per_px)
        assert window.height_mm == height
        assert window.rim is None


def test_known_area_sheet_is_cut_at_the_scale_of_the_photo():
    site = SiteDescription(SiteKind.SHAPES)
    near, far = camera(fov_mm=60.0), camera(fov_mm=290.0)
    assert default_mm_per_px(near, view(), site) == 0.1
    assert default_mm_per_px(far, view(), site) == pytest.approx(photo_mm_per_px(far, (125, 95), 0.0))
    assert default_mm_per_px(far, view(), SiteDescription(SiteKind.TRAY)) == 0.25


def test_photo_scale_is_field_of_view_over_pixels():
    # exact geometry: 290 mm over 1000 px, straight above
    assert photo_mm_per_px(camera(tilt_deg=0.0), (125, 95), 0.0) == pytest.approx(0.29)


def test_black_disc_keeps_its_area_when_light_is_interpolated_and_grows_when_values_are():
    # exact geometry: pi r^2; 0.2 % is 0.006 mm of radius
    pose = camera(tilt_deg=0.0, fov_mm=200.0)
    photo = draw(Drawing(pose, (Disc(125, 95, 6.0, colour=(0, 0, 0)),), ground=(1.0, 1.0, 1.0), noise=0.0))
    areas = []
    for linear in (True, False):
        part = rectify(
            photo, pose, origin_mm=(115, 85), size_px=(101, 101), mm_per_px=0.2, height_mm=0.0, linear_light=linear
        )
        areas.append(float((1 - linear_table()[part[:, :, 0]]).sum() * 0.04))
    assert areas[0] == pytest.approx(np.pi * 36, rel=2e-3)
    assert areas[1] > areas[0] * 1.002


def test_no_plug_and_no_region_give_no_window():
    pose = camera()
    photo = np.zeros((SIZE[1], SIZE[0], 3), np.uint8)
    assert cut_windows(photo, pose, view(), SiteDescription(SiteKind.TRAY)) == ()
    assert cut_windows(photo, pose, view(region=None), SiteDescription(SiteKind.PAD)) == ()


def test_window_beyond_the_photo_repeats_its_edge():
    pose = camera(tilt_deg=0.0, turn_deg=0.0)
    photo = np.full((SIZE[1], SIZE[0], 3), 90, np.uint8)
    outside = pose.to_plane([(-400.0, 100.0)], 0.0)[0]
    plug = PlugSighting(None, (float(outside[0]), float(outside[1])), None, True)
    (window,) = cut_windows(photo, pose, view([plug]), SiteDescription(SiteKind.SINGLE))
    assert (window.pixels == 90).all()


@pytest.mark.parametrize("mm_per_px", [0.0, -0.2])
def test_scale_must_be_positive(mm_per_px):
    photo = np.zeros((SIZE[1], SIZE[0], 3), np.uint8)
    with pytest.raises(ValueError, match="mm_per_px must be positive"):
        cut_windows(photo, camera(), view(), SiteDescription(SiteKind.PAD), mm_per_px=mm_per_px)
