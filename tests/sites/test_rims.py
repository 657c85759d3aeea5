import cv2
import numpy as np
import pytest

from fragarea.sites.rims import ANGLES, cubic_terms, fit_rims, leans, linear_table, local_maps
from tests.sites.drawn import SIZE, Disc, Drawing, camera, draw, to_srgb


def test_local_map_agrees_with_the_camera_to_a_thousandth_of_a_pixel():
    # Outside check: OpenCV's projectPoints, behind CameraPose.project; a strongly bent lens at a corner.
    pose = camera(tilt_deg=12.0, k1=-0.2)
    middle = np.array([[40.0, 30.0]])
    maps = local_maps(pose, middle, 15.0, 2.0)
    turns = np.linspace(0, 2 * np.pi, 40)
    offsets = 15.0 * np.column_stack([np.cos(turns), np.sin(turns)])
    seen = cubic_terms(offsets / 15.0) @ maps[0]
    assert seen == pytest.approx(pose.project(middle + offsets, 2.0), abs=1e-3)


@pytest.mark.parametrize(("tilt_deg", "k1"), [(0.0, 0.0), (8.0, -0.05)])
def test_drawn_discs_are_measured_to_a_twentieth_of_a_millimetre(tilt_deg, k1):
    pose = camera(tilt_deg=tilt_deg, k1=k1, fov_mm=200)
    discs = [Disc(70, 70, tissue_radius_mm=6), Disc(100, 120, 12.7), Disc(160, 70, 12.3), Disc(150, 130, 12.5)]
    photo = draw(Drawing(pose, tuple(discs)))
    off = np.random.default_rng(2).uniform(-0.7, 0.7, (4, 2))
    truth = np.array([(d.x_mm, d.y_mm) for d in discs])
    fits = fit_rims(photo, pose, truth + off, 12.5, 0.0)
    # exact geometry; 0.05 mm is a quarter of a pixel here
    assert np.abs(fits.centres_mm - truth).max() < 0.05
    assert fits.radii_mm == pytest.approx([12.5, 12.7, 12.3, 12.5], abs=0.06)
    assert (fits.on_rim > 0.95).all()
    assert (fits.in_view == 1).all()


def test_disc_squeezed_to_nine_tenths_shows_its_flattening():
    # exact geometry: radii 12.5 and 11.25 differ by 1.25, half of it is 0.625
    pose = camera()
    photo = draw(Drawing(pose, (Disc(125, 95, squeeze=0.95, squeeze_deg=30), Disc(180, 95))))
    fits = fit_rims(photo, pose, [(125, 95), (180, 95)], 12.5, 0.0)
    assert fits.flattening_mm[0] == pytest.approx(12.5 * 0.05 / 2, abs=0.06)
    assert fits.flattening_mm[1] < 0.06


def test_rim_cut_by_the_edge_of_the_photo_is_fitted_from_what_is_left():
    pose = camera(turn_deg=0.0, tilt_deg=0.0, fov_mm=200)
    edge = pose.to_plane([(SIZE[0] - 1, SIZE[1] / 2)], 0.0)[0]
    disc = Disc(float(edge[0]) - 6.0, float(edge[1]))
    photo = draw(Drawing(pose, (disc,)))
    fits = fit_rims(photo, pose, [(disc.x_mm + 0.5, disc.y_mm)], 12.5, 0.0)
    # exact geometry; less than two thirds of the rim are left, so a pixel (0.2 mm) and not a tenth
    assert fits.centres_mm[0] == pytest.approx((disc.x_mm, disc.y_mm), abs=0.2)
    assert 0.3 < fits.in_view[0] < 0.8


def test_blur_moves_the_rim_by_less_than_a_third_of_what_it_smears():
    pose = camera(fov_mm=200)
    photo = draw(Drawing(pose, (Disc(105, 95), Disc(150, 120))))
    blurred = to_srgb(cv2.GaussianBlur(linear_table()[photo], (0, 0), 2.0))
    places = [(105, 95), (150, 120)]
    sharp, soft = (fit_rims(picture, pose, places, 12.5, 0.0) for picture in (photo, blurred))
    # 2 px are 0.4 mm; the last 15 % of the light of a blurred edge lie 1.04 sigma outside it (normal distribution)
    assert (soft.radii_mm - sharp.radii_mm < 0.3 * 1.04 * 0.4).all()
    assert (soft.softness_mm > 2 * sharp.softness_mm).all()


def test_lean_is_the_tangent_of_the_line_of_sight():
    # exact geometry: straight above, a point x from the foot leans by x / D outwards, here D = 400 - 1
    pose = camera(tilt_deg=0.0, turn_deg=0.0)
    assert leans(pose, np.array([[125.0 + 100.0, 95.0]]), 0.0)[0] == pytest.approx((100 / 399, 0.0), abs=1e-9)


def test_no_plugs_give_no_rims():
    fits = fit_rims(np.zeros((50, 50, 3), np.uint8), camera(), np.zeros((0, 2)), 12.5, 0.0)
    assert fits.centres_mm.shape == (0, 2)


def test_srgb_table_follows_the_standard():
    # IEC 61966-2-1:1999: linear below 0.04045, 0.5 in sRGB is 0.21404 of light
    table = linear_table()
    assert table[0] == 0
    assert table[255] == pytest.approx(1.0)
    assert np.interp(127.5, np.arange(256), table) == pytest.approx(0.21404, abs=1e-4)
    assert ANGLES % 4 == 0
