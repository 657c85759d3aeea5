import numpy as np
import pytest

from fragarea.reference.layout import load_reference
from fragarea.sites.discs import find_discs, score_discs
from fragarea.sites.overview import look_over, search_region_mm
from fragarea.sites.scene import LEAST_SCORE
from tests.sites.drawn import ALGAE, SIZE, Disc, Drawing, camera, draw


def found_mm(photo, drawing, **options):
    overview = look_over(photo, drawing.pose, drawing.layout, 25.0)
    places, scores = find_discs(score_discs(overview, 12.5, **options), 12.5, LEAST_SCORE)
    return drawing.pose.to_plane(overview.photo_px(places), 0.0) if len(places) else places, scores


def test_light_and_dark_discs_are_found_on_mid_ground():
    drawing = Drawing(camera(), (Disc(70, 70), Disc(150, 110, colour=ALGAE)), ground=(0.25, 0.25, 0.25))
    points, scores = found_mm(draw(drawing), drawing)
    for disc in drawing.discs:
        # exact geometry; 0.8 mm is a pixel of the overview
        assert np.hypot(*(points[:2] - (disc.x_mm, disc.y_mm)).T).min() < 0.8
    assert (scores[:2] > 0.5).all()


def test_noise_alone_has_no_disc():
    drawing = Drawing(camera(), (), noise=0.01)
    points, _ = found_mm(draw(drawing), drawing)
    assert len(points) == 0


@pytest.mark.parametrize("radius_mm", [6.0, 20.0])
def test_discs_of_another_size_score_low(radius_mm):
    drawing = Drawing(camera(), (Disc(120, 90, radius_mm),))
    _, scores = found_mm(draw(drawing), drawing)
    assert scores.max(initial=0.0) < 0.33


def test_disc_alone_on_a_grating_beats_the_grating():
    drawing = Drawing(camera(), (Disc(121, 87),), grating_mm=14.0)
    points, scores = found_mm(draw(drawing), drawing, alone=True)
    assert np.hypot(*(points[0] - (121, 87))) < 1.0
    assert scores[0] > 1.2 * scores[1]


def test_overview_knows_which_pixel_it_shows():
    pose = camera(tilt_deg=10.0, k1=-0.1)
    drawing = Drawing(pose, ())
    overview = look_over(np.zeros((SIZE[1], SIZE[0], 3), np.uint8), pose, drawing.layout, 25.0)
    points = np.random.default_rng(1).uniform(5, 150, (30, 2))
    assert overview.overview_px(overview.photo_px(points)) == pytest.approx(points, abs=1e-9)


def test_region_is_the_opening_of_a_frame_or_the_view_around_a_card():
    pose = camera()
    low, high = search_region_mm((SIZE[1], SIZE[0], 3), pose, load_reference("frame-280x220"))
    assert [*low, *high] == [14, 14, 236, 176]
    low, high = search_region_mm((SIZE[1], SIZE[0], 3), pose, load_reference("card-80x50"))
    corners = pose.to_plane([(0, 0), (SIZE[0] - 1, 0), (SIZE[0] - 1, SIZE[1] - 1), (0, SIZE[1] - 1)], 0.0)
    assert low == pytest.approx(corners.min(axis=0))
    assert high == pytest.approx(np.minimum(corners.max(axis=0), (30 + 220, 15 + 220)))
