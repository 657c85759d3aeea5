import cv2
import numpy as np
import pytest

from fragarea.reference import TagSighting, find_tags, load_reference
from fragarea.reference.codes import BIT_COUNT, match_codes, square_maps, turned_codes
from fragarea.reference.edges import refine_squares
from fragarea.reference.layout import TagLayout
from tests.reference.drawn import camera, draw, to_srgb

FRAME = load_reference("frame-280x220")
CARD = load_reference("card-80x50")


def corner_errors(found: tuple[TagSighting, ...], layout, pose) -> np.ndarray:
    """Errors ``(tags, 4, 2)`` in pixels of those tags that the layout has."""
    places = [(tag, layout.tag(tag.tag_id)) for tag in found]
    return np.array([tag.corners_px - pose.project(place.corners_mm(), 0.0) for tag, place in places if place])


@pytest.fixture(scope="module")
def frame_photo():
    pose = camera(FRAME)
    return draw(FRAME, pose, noise=0.004), pose


def test_corners_of_drawn_tags_are_right_to_a_twentieth_of_a_pixel(frame_photo):
    photo, pose = frame_photo
    found = find_tags(photo, FRAME)
    assert [tag.tag_id for tag in found] == list(range(12))
    # exact geometry
    errors = corner_errors(found, FRAME, pose)
    assert np.sqrt(np.mean(errors**2)) < 0.03
    assert np.abs(errors).max() < 0.1
    assert np.abs(errors.mean(axis=(0, 1))).max() < 0.01


@pytest.mark.parametrize("blur_px", [0.6, 1.5])
def test_tags_come_out_neither_larger_nor_smaller_whatever_the_blur(blur_px):
    # exact geometry; half-way in the file's sRGB values would make them 0.3 % smaller at a blur of 0.8 px
    # (own reckoning: sRGB half lies at a fifth of the light), so 0.05 % tells the two apart.
    pose = camera(FRAME, turn_deg=25)
    found = find_tags(draw(FRAME, pose, blur_px=blur_px), FRAME)
    true = [np.ptp(pose.project(FRAME.tag(tag.tag_id).corners_mm(), 0.0), axis=0) for tag in found]
    seen = [np.ptp(tag.corners_px, axis=0) for tag in found]
    assert np.mean(np.array(seen) / np.array(true)) == pytest.approx(1.0, abs=5e-4)


def test_one_tag_of_opencv_drawn_at_many_places_between_pixels_has_unbiased_corners():
    # Outside check: the tag's picture is OpenCV's own generateImageMarker.
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    marker = np.full((1200, 1200), 255, np.uint8)
    marker[200:1000, 200:1000] = cv2.aruco.generateImageMarker(family, 7, 800, borderBits=1)
    ink = 0.03 + 0.87 * (marker / 255.0).astype(np.float32)
    rng = np.random.default_rng(5)
    errors = []
    for _ in range(20):
        turn, scale = rng.uniform(0, 2 * np.pi), rng.uniform(0.07, 0.11)
        move = rng.uniform(95, 105, 2)
        matrix = scale * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        shift = move - matrix @ [599.5, 599.5]
        fine = np.hstack([8 * matrix, (8 * shift + 3.5)[:, None]])
        light = cv2.warpAffine(ink, fine, (1600, 1600), borderValue=0.3)
        light = cv2.GaussianBlur(cv2.resize(light, (200, 200), interpolation=cv2.INTER_AREA), (0, 0), 0.8)
        photo = to_srgb(np.repeat((light + rng.normal(0, 0.004, light.shape))[..., None], 3, axis=2))
        corners = (np.array([(199.5, 199.5), (999.5, 199.5), (999.5, 999.5), (199.5, 999.5)]) @ matrix.T) + shift
        (tag,) = find_tags(photo)
        assert tag.tag_id == 7
        errors.append(tag.corners_px - corners)
    assert np.sqrt(np.mean(np.square(errors))) < 0.05
    assert np.abs(np.mean(errors, axis=0)).max() < 0.04


@pytest.mark.parametrize("turn_deg", [0, 90, 135, 180, 270])
def test_corners_keep_their_names_when_the_reference_is_turned(turn_deg):
    pose = camera(CARD, turn_deg=turn_deg, view_mm=130)
    found = find_tags(draw(CARD, pose), CARD)
    assert [tag.tag_id for tag in found] == [20, 21, 22, 23]
    assert np.abs(corner_errors(found, CARD, pose)).max() < 0.1  # exact geometry


@pytest.mark.parametrize(
    ("changes", "worst_px"),
    [
        ({"exposure": 0.05, "noise": 0.0005}, 0.3),
        ({"noise": 0.03}, 0.4),
        ({"blur_px": 2.0}, 0.3),
    ],
    ids=["dark", "noisy", "blurred"],
)
def test_all_tags_are_found_in_poor_photos(changes, worst_px):
    pose = camera(FRAME)
    found = find_tags(draw(FRAME, pose, **changes), FRAME)
    assert [tag.tag_id for tag in found] == list(range(12))
    assert np.abs(corner_errors(found, FRAME, pose)).max() < worst_px


def test_the_smallest_tags_that_a_photo_may_have_are_found():
    # 12 mm tags at 3 pixels a mm, the coarsest scale that is measured: 36 pixels.
    pose = camera(CARD, view_mm=433)
    found = find_tags(draw(CARD, pose), CARD)
    assert [tag.tag_id for tag in found] == [20, 21, 22, 23]
    assert np.sqrt(np.mean(corner_errors(found, CARD, pose) ** 2)) < 0.05  # exact geometry


def test_grey_photos_are_read(frame_photo):
    photo, pose = frame_photo
    found = find_tags(np.ascontiguousarray(photo[..., 0]), FRAME)
    assert len(found) == 12
    assert np.abs(corner_errors(found, FRAME, pose)).max() < 0.1


def test_a_tag_joined_to_the_dark_by_a_stain_is_found_where_the_others_say_it_is():
    # The stain runs from the frame's outer edge over the border of tag 4: no outline of the tag is left to see.
    stain = (255.0, 60.0, 266.0, 66.0, 0.05)
    photo = draw(FRAME, camera(FRAME), blots_mm=(stain,))
    assert 4 not in {tag.tag_id for tag in find_tags(photo)}
    assert 4 in {tag.tag_id for tag in find_tags(photo, FRAME)}


def test_a_covered_tag_is_not_invented():
    photo = draw(FRAME, camera(FRAME), blots_mm=((235.0, 45.0, 265.0, 80.0, 0.5),))
    assert [tag.tag_id for tag in find_tags(photo, FRAME)] == [0, 1, 2, 3, 5, 6, 7, 8, 9, 10, 11]


def test_tags_that_name_a_tray_are_reported_too():
    photo = draw(FRAME, camera(FRAME), more_tags=(TagLayout(123, 20.0, (60.0, 60.0)),))
    assert [tag.tag_id for tag in find_tags(photo, FRAME)] == [*range(12), 123]


def test_nothing_is_found_in_noise_or_in_a_tiny_picture():
    noise = np.random.default_rng(0).integers(0, 256, (600, 800, 3), dtype=np.uint8)
    assert find_tags(noise, FRAME) == ()
    assert find_tags(np.zeros((1, 1, 3), np.uint8), FRAME) == ()


def test_pixels_of_another_kind_are_a_programming_error():
    with pytest.raises(ValueError, match="pixels must be uint8"):
        find_tags(np.zeros((10, 10, 3)), FRAME)
    with pytest.raises(ValueError, match="pixels must be uint8"):
        find_tags(np.zeros((10, 10, 4), np.uint8), FRAME)


def test_blur_is_read_from_the_edges():
    # The drawn blur, with the pixel's own square (standard deviation 1/sqrt(12)) and the interpolation added to it.
    for blur_px in (1.0, 2.0):
        tags = find_tags(draw(FRAME, camera(FRAME), blur_px=blur_px), FRAME)
        assert np.median([tag.blur_px for tag in tags]) == pytest.approx(np.hypot(blur_px, 0.4), rel=0.15)


def test_uncertainty_of_corners_follows_the_noise():
    errors, claimed = [], []
    pose = camera(FRAME)
    for seed in range(3):
        found = find_tags(draw(FRAME, pose, noise=0.03, seed=seed), FRAME)
        errors.append(corner_errors(found, FRAME, pose))
        claimed += [tag.corner_u_px for tag in found]
    # exact geometry for the errors; a factor of two, for neighbouring profiles are not independent
    ratio = np.sqrt(np.mean(np.square(errors))) / np.sqrt(np.mean(np.square(claimed)))
    assert 0.5 < ratio < 2.0


def test_refining_no_squares_gives_none():
    assert len(refine_squares(np.zeros((50, 50, 3), np.uint8), np.zeros((0, 4, 2))).corners_px) == 0


def test_every_code_is_read_in_every_turn_with_three_bits_wrong():
    # The family differs in at least 11 bits (its name, 36h11; Wang and Olson 2016), so three wrong bits do no harm.
    codes = turned_codes()
    rng = np.random.default_rng(2)
    for turn in range(4):
        bits = codes[turn].copy()
        wrong = np.argsort(rng.random(bits.shape), axis=1)[:, :3]
        np.put_along_axis(bits, wrong, ~np.take_along_axis(bits, wrong, axis=1), axis=1)
        matches = match_codes(bits)
        assert (matches.tag_ids == np.arange(len(bits))).all()
        assert (matches.turns == turn).all()
        assert (matches.wrong_bits == 3).all()


def test_codes_are_those_of_opencvs_pictures():
    # Outside check: OpenCV's generateImageMarker, 10 pixels a cell.
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    picture = cv2.aruco.generateImageMarker(family, 42, 80, borderBits=1)
    assert (turned_codes()[0, 42] == (picture[15:75:10, 15:75:10] > 127).ravel()).all()
    assert turned_codes().shape == (4, 587, BIT_COUNT)


def test_a_homography_of_four_points_measures_a_quadrilateral():
    # Test vector: card corners (100,120) (880,150) (840,560) (130,500) px at (0,0) (60,0) (60,30) (0,30) mm; the
    # quadrilateral has 304.202695 mm2 (exact geometry, double precision).
    card_px = np.array([[(100, 120), (880, 150), (840, 560), (130, 500)]], dtype=float)
    card_mm = np.array([[(0, 0), (60, 0), (60, 30), (0, 30)]], dtype=float)
    to_mm = square_maps(card_mm)[0] @ np.linalg.inv(square_maps(card_px)[0])
    seen = np.array([(300, 200), (600, 220), (580, 400), (320, 380)], dtype=float)
    x, y = cv2.perspectiveTransform(seen[None], to_mm)[0].T
    area = 0.5 * abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))
    assert np.column_stack([x, y]) == pytest.approx(
        np.array([(16.2467, 5.1972), (39.9082, 5.6126), (38.8125, 18.9956), (17.4210, 18.8236)]), abs=1e-4
    )
    assert area == pytest.approx(304.202695, abs=1e-4)
