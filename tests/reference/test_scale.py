from dataclasses import replace

import cv2
import numpy as np
import pytest

from fragarea.doubts import Doubt
from fragarea.errors import ReferenceNotFound, ViewUnusable
from fragarea.photo.records import CameraInfo
from fragarea.reference import LensProfile, PhotoScale, find_scale, load_reference, solve_pose
from fragarea.reference.plane import CameraPose
from tests.reference.drawn import SIZE, camera, draw, sightings

FRAME = load_reference("frame-280x220")
CARD = load_reference("card-80x50")
PHONE = CameraInfo(focal_equiv_mm=36 * 400 / 380)


def solve(tags, layout=FRAME, **options) -> PhotoScale:
    settings = {"photo_name": "tray.jpg", "camera": PHONE, "image_size": SIZE, **options}
    return solve_pose(tags, layout, settings.pop("image_size"), settings.pop("camera"), **settings)


def keys(scale: PhotoScale) -> set[str]:
    return {doubt.key for doubt in scale.doubts}


def area_errors(true: CameraPose, scale: PhotoScale, height_mm: float = 0.0) -> np.ndarray:
    """Relative area errors of 20 mm squares over the window; exact geometry."""
    x, y = np.meshgrid(np.linspace(25, 225, 6), np.linspace(25, 165, 5))
    corners = np.stack([x, y], -1).reshape(-1, 1, 2) + np.array([(-10, -10), (10, -10), (10, 10), (-10, 10)])
    seen = scale.plane.to_plane(true.project(corners.reshape(-1, 2), height_mm), height_mm).reshape(-1, 4, 2)
    x, y = seen[..., 0], seen[..., 1]
    return 0.5 * (x * np.roll(y, -1, 1) - y * np.roll(x, -1, 1)).sum(axis=1) / 400 - 1


LENSES = [(0.0, 0.0), (-0.08, 0.02), (0.03, 0.01)]


@pytest.mark.parametrize(("k1", "k2"), LENSES)
@pytest.mark.parametrize("tilt_deg", [0.0, 5.0, 14.0])
def test_exact_corners_give_areas_to_a_hundredth_of_a_percent(tilt_deg, k1, k2):
    # The corners come from OpenCV's own projectPoints (outside check).
    pose = camera(FRAME, tilt_deg=tilt_deg, k1=k1, k2=k2)
    scale = solve(sightings(FRAME, pose))
    assert np.abs(area_errors(pose, scale)).max() < 1e-4
    assert np.abs(area_errors(pose, scale, 1.0)).max() < 1e-4  # where tissue edges are
    # Without tilt the tags do not tell the focal length; EXIF does, to a share of its 3 %.
    assert scale.plane.camera_height_mm == pytest.approx(pose.camera_height_mm, rel=0.01 if tilt_deg == 0 else 1e-3)
    assert scale.plane.tilt_deg == pytest.approx(pose.tilt_deg, abs=0.02)
    assert scale.lens_source == "tags"
    assert scale.tags_used == tuple(range(12))
    assert scale.doubts == ()


@pytest.mark.parametrize(
    ("height_mm", "tissue_mm", "percent"),
    [(300, 5, 3.419), (300, 10, 7.015), (500, 10, 4.123), (500, 20, 8.507), (1000, 10, 2.030), (300, -10, -6.348)],
)
def test_tissue_off_the_reference_plane_looks_larger_or_smaller_by_the_known_factor(height_mm, tissue_mm, percent):
    # Exact geometry, (Z / (Z - d))^2: the table of exact factors for a reference below or above the tissue.
    pose = camera(FRAME, height_mm=height_mm, tilt_deg=0.0)
    scale = solve(sightings(FRAME, pose))
    square = np.array([(115, 85), (135, 85), (135, 105), (115, 105)], dtype=float)
    x, y = scale.plane.to_plane(pose.project(square, tissue_mm), 0.0).T
    area = 0.5 * (np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))
    assert 100 * (area / 400 - 1) == pytest.approx(percent, abs=2e-3)


@pytest.mark.parametrize(("tilt_deg", "factor"), [(5, 0.99619), (10, 0.98481), (20, 0.93969)])
def test_a_flat_piece_tilted_off_the_plane_looks_smaller_by_the_cosine(tilt_deg, factor):
    # cos(tilt), exact geometry for a far camera; at 300 mm and 10 degrees perspective adds 0.984874 against 0.984808.
    pose = camera(FRAME, height_mm=300.0, tilt_deg=0.0, turn_deg=0.0)
    scale = solve(sightings(FRAME, pose))
    turn = np.radians(tilt_deg)
    local = np.array([(-10, -10), (10, -10), (10, 10), (-10, 10)], dtype=float)
    space = np.column_stack([local[:, 0] + 125, local[:, 1] * np.cos(turn) + 95, local[:, 1] * np.sin(turn)])
    seen = np.concatenate([pose.project([p[:2]], p[2]) for p in space])
    x, y = scale.plane.to_plane(seen, 0.0).T
    area = 0.5 * (np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))
    assert area / 400 == pytest.approx(factor, abs=4e-4)
    if tilt_deg == 10:
        assert area / 400 == pytest.approx(0.984874, abs=2e-5)


def test_focal_length_is_told_by_the_tags_where_the_camera_was_tilted():
    pose = camera(FRAME, tilt_deg=12.0)
    scale = solve(sightings(FRAME, pose, noise_px=0.03), camera=CameraInfo())
    assert scale.plane.camera_height_mm == pytest.approx(pose.camera_height_mm, rel=0.01)
    assert scale.camera_height_u_rel < 0.01


def test_focal_length_is_taken_from_exif_where_the_tags_cannot_tell():
    pose = camera(FRAME, tilt_deg=0.0)
    tags = sightings(FRAME, pose, noise_px=0.03)
    scale = solve(tags)
    assert scale.plane.camera_height_mm == pytest.approx(400, rel=0.03)
    assert scale.camera_height_u_rel == pytest.approx(0.03, abs=0.01)
    blind = solve(tags, camera=CameraInfo())
    assert blind.camera_height_u_rel > 0.1
    assert np.abs(area_errors(pose, blind)).max() < 1e-3  # lengths on the plane do not depend on it


@pytest.mark.parametrize("shift_mm", [0.5, 3.0, 40.0])
def test_one_bent_or_misread_tag_does_not_matter(shift_mm):
    pose = camera(FRAME, k1=-0.05)
    tags = sightings(FRAME, pose, noise_px=0.03)
    true = np.abs(area_errors(pose, solve(tags))).max()
    tags[4] = replace(tags[4], corners_px=tags[4].corners_px + np.array([shift_mm, -shift_mm / 2]) * SIZE[0] / 380)
    scale = solve(tags)
    assert np.abs(area_errors(pose, scale)).max() < true + 2e-4  # exact geometry
    assert scale.tags_used == (0, 1, 2, 3, 5, 6, 7, 8, 9, 10, 11)
    assert Doubt("tags_rejected", "tag 4") in scale.doubts
    assert scale.lens_source == "tags"


def test_two_bent_tags_do_not_matter():
    pose = camera(FRAME)
    tags = sightings(FRAME, pose, noise_px=0.03)
    tags[2] = replace(tags[2], corners_px=tags[2].corners_px + np.array([4.0, 3.0]))
    tags[7] = replace(tags[7], corners_px=tags[7].corners_px - [2.0, 5.0])
    scale = solve(tags)
    assert scale.tags_used == (0, 1, 3, 4, 5, 6, 8, 9, 10, 11)
    assert np.abs(area_errors(pose, scale)).max() < 1e-3  # exact geometry, corners good to 0.03 px


def test_one_lifted_corner_of_a_tag_does_not_matter():
    pose = camera(FRAME)
    tags = sightings(FRAME, pose, noise_px=0.03)
    lifted = tags[0].corners_px.copy()
    lifted[0] += (3.0, -2.0)
    tags[0] = replace(tags[0], corners_px=lifted)
    assert 0 not in solve(tags).tags_used


def test_one_bent_tag_of_a_card_does_not_matter():
    pose = camera(CARD, view_mm=140)
    tags = sightings(CARD, pose, noise_px=0.03)
    tags[2] = replace(tags[2], corners_px=tags[2].corners_px + np.array([5.0, 4.0]))
    scale = solve(tags, CARD)
    assert scale.tags_used == (20, 21, 23)
    assert scale.mm_per_px == pytest.approx(140 / SIZE[0], rel=3e-3)


def test_the_same_tag_on_a_second_frame_in_view_is_left_out():
    pose = camera(FRAME)
    tags = sightings(FRAME, pose, noise_px=0.03)
    other = replace(tags[3], corners_px=tags[3].corners_px + np.array([60.0, 5.0]))
    scale = solve([*tags[:4], other, *tags[4:]])
    assert scale.tags_used == tuple(range(12))
    assert np.abs(area_errors(pose, scale)).max() < 1e-3


def test_areas_follow_the_print_check_squared():
    tags = sightings(FRAME, camera(FRAME))
    nominal, checked = solve(tags), solve(tags, print_factor=0.99, print_u_rel=0.001)
    assert checked.mm_per_px / nominal.mm_per_px == pytest.approx(0.99, rel=1e-6)  # exact geometry
    assert (nominal.print_u_rel, checked.print_u_rel) == (0.0, 0.001)
    assert checked.plane.camera_height_mm == pytest.approx(0.99 * nominal.plane.camera_height_mm, rel=1e-4)


def test_a_reference_as_printed_gives_the_scale_of_its_print_check():
    tags = sightings(FRAME, camera(FRAME, tilt_deg=5.0))
    printed = FRAME.printed(1.02)
    assert printed.tags[0].side_mm == pytest.approx(1.02 * FRAME.tags[0].side_mm)
    assert printed.print_check_mm == pytest.approx(1.02 * FRAME.print_check_mm)
    one, other = solve(tags, print_factor=1.02), solve(tags, printed)
    assert other.mm_per_px == pytest.approx(one.mm_per_px)
    assert other.plane.camera_height_mm == pytest.approx(one.plane.camera_height_mm)


def test_spread_ink_changes_the_tags_but_not_the_scale():
    pose = camera(FRAME)
    grown = []
    for tag in sightings(FRAME, pose, noise_px=0.02):
        middle = tag.corners_px.mean(axis=0)
        grown.append(replace(tag, corners_px=middle + 1.01 * (tag.corners_px - middle)))
    assert np.abs(area_errors(pose, solve(grown))).max() < 1e-3  # the tags' areas grew by 2 %


def test_a_lens_profile_makes_up_for_missing_tags():
    pose = camera(CARD, view_mm=330)
    tags = sightings(CARD, pose, noise_px=0.1)
    profile = LensProfile("a", "", "", SIZE[1] / SIZE[0], 400 / 330, (0.0, 0.0), (0, 0, 0, 0, 0), 1e-3, 0.2, 9, 1)
    alone, helped = solve(tags, CARD), solve(tags, CARD, lens=profile)
    assert (alone.lens_source, helped.lens_source) == ("none", "profile")
    assert "lens_unknown" in keys(alone)
    assert "lens_unknown" not in keys(helped)
    assert helped.lens_u_rel < 0.2 * alone.lens_u_rel


def test_a_lens_profile_removes_a_strong_distortion():
    pose = camera(FRAME, k1=-0.25, k2=0.05)
    tags = sightings(FRAME, pose)[:3]
    strong = (-0.25, 0.05, 0.0, 0.0, 0.0)
    profile = LensProfile("a", "", "", SIZE[1] / SIZE[0], 400 / 380, (0.0, 0.0), strong, 1e-3, 0.2, 9, 1)
    assert np.abs(area_errors(pose, solve(tags, lens=profile))).max() < 1e-4  # exact geometry


def test_a_profile_of_another_camera_or_shape_is_not_used():
    tags = sightings(FRAME, camera(FRAME))
    profile = LensProfile("a", "", "one", SIZE[1] / SIZE[0], 1.0, (0.0, 0.0), (-0.3, 0, 0, 0, 0), 1e-3, 0.2, 9, 1)
    other = CameraInfo(model="other", focal_equiv_mm=PHONE.focal_equiv_mm)
    assert solve(tags, lens=profile, camera=other).lens_source == "tags"
    assert solve(tags, lens=replace(profile, aspect=0.5)).lens_source == "tags"


@pytest.mark.parametrize("layout", [FRAME, CARD], ids=["frame", "card"])
def test_the_interval_of_the_scale_holds_the_true_scale_as_often_as_it_says(layout):
    # Corners with noise of 0.1 px, lenses drawn from what is assumed about them: 95 % of 120 must hold, give or take
    # 4 % (two standard deviations of a binomial count); the interval is for the worst place, so more may.
    rng = np.random.default_rng(8)
    inside = []
    for seed in range(120):
        k1, k2 = rng.normal(0, 0.05), rng.normal(0, 0.02)
        view = 380 if layout is FRAME else 130
        pose = camera(layout, tilt_deg=rng.uniform(0, 12), k1=k1, k2=k2, view_mm=view)
        exif = CameraInfo(focal_equiv_mm=36 * 400 / view * float(np.exp(rng.normal(0, 0.03))))
        scale = solve(sightings(layout, pose, 0.1, seed), layout, camera=exif)
        at = pose.project([layout.centre_mm], 0.0) + np.array([(-3, -3), (3, -3), (3, 3), (-3, 3)])
        (x, y), (u, v) = scale.plane.to_plane(at, 0.0).T, pose.to_plane(at, 0.0).T
        ratio = (np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / (
            np.dot(u, np.roll(v, -1)) - np.dot(v, np.roll(u, -1))
        )
        inside.append(abs(np.sqrt(ratio) - 1) <= 1.96 * np.hypot(scale.scale_u_rel, scale.lens_u_rel))
    assert np.mean(inside) >= 0.91


def test_fewer_tags_leave_more_uncertainty_and_a_doubt():
    tags = sightings(FRAME, camera(FRAME), noise_px=0.05)
    whole, half = solve(tags), solve(tags[:5])
    total = [np.hypot(scale.scale_u_rel, scale.lens_u_rel) for scale in (whole, half)]
    assert total[1] > 2 * total[0]
    assert Doubt("few_tags", "5 of 12") in half.doubts


def test_no_tag_and_one_tag_are_refused_with_what_to_do():
    tags = sightings(FRAME, camera(FRAME))
    with pytest.raises(ReferenceNotFound, match=r"tray.jpg: none of the 12 tags of frame-280x220 seen"):
        solve([])
    with pytest.raises(
        ReferenceNotFound,
        match=r"only 1 of 12 tags of frame-280x220 seen; need 4 corners of at least 2 tags\. Retake",
    ):
        solve(tags[:1])
    with pytest.raises(ReferenceNotFound, match="only 1 of 12"):
        solve([tags[0], tags[0]])


def test_tags_of_another_reference_do_not_count():
    with pytest.raises(ReferenceNotFound, match="none of the 4 tags of card-80x50"):
        solve(sightings(FRAME, camera(FRAME)), CARD)


def test_tags_that_contradict_each_other_are_refused():
    tags = sightings(FRAME, camera(FRAME))[:2]
    tags[1] = replace(tags[1], corners_px=tags[1].corners_px @ np.array([[0.0, 1.0], [-1.0, 0.0]]) + [900, 200])
    with pytest.raises(ReferenceNotFound, match="do not fit together"):
        solve(tags)


def test_two_small_tags_at_one_edge_of_a_noisy_photo_do_not_fix_the_scale_far_away():
    tags = sightings(FRAME, camera(FRAME), noise_px=0.8)[:2]
    with pytest.raises(ReferenceNotFound, match="leave the scale uncertain by"):
        solve(tags)


def test_a_steep_view_is_refused_and_a_slanting_one_doubted():
    with pytest.raises(ViewUnusable, match="looked from 30 degrees off the vertical; 25 is the most"):
        solve(sightings(FRAME, camera(FRAME, tilt_deg=30.0, view_mm=450)))
    scale = solve(sightings(FRAME, camera(FRAME, tilt_deg=18.0)))
    assert Doubt("tilted", "18 degrees") in scale.doubts


def test_a_coarse_photo_is_refused():
    pose = camera(FRAME, view_mm=500)
    with pytest.raises(ViewUnusable, match=r"one mm covers only 2\.6 pixels; 3 are needed"):
        solve(sightings(FRAME, pose))


@pytest.mark.parametrize("across", [0.3, 0.6, 0.9, 0.96, 1.1, 2.5])
def test_a_squeezed_photo_is_refused_as_such(across):
    tags = sightings(FRAME, camera(FRAME, tilt_deg=7.0), noise_px=0.1)
    squeezed = [replace(tag, corners_px=tag.corners_px * (across, 1.0)) for tag in tags]
    side, share = ("width", across) if across < 1 else ("height", 1 / across)
    with pytest.raises(ViewUnusable, match=f"the photo is squeezed: its {side} was made about {share:.2f} times"):
        solve(squeezed, image_size=(round(across * SIZE[0]), SIZE[1]))


def test_a_photo_too_small_for_its_reference_is_told_so_where_its_tags_are_lost():
    # 280 x 220 mm at 3 pixels a mm
    small = r"none of the 12 tags .* seen; 640 x 1912 pixels are too few .* \(840 x 660 would just do\)"
    with pytest.raises(ViewUnusable, match=small):
        solve([], image_size=(640, 1912))
    with pytest.raises(ReferenceNotFound, match="need 4 corners"):
        solve([], image_size=(660, 840))


def test_small_tags_are_doubted():
    pose = camera(CARD, view_mm=400)
    assert Doubt("tags_small", "39 pixels") in solve(sightings(CARD, pose), CARD).doubts


def test_blur_is_doubted_and_strong_blur_refused():
    tags = sightings(FRAME, camera(FRAME))  # 0.29 mm a pixel
    assert "blur" not in keys(solve(tags))
    doubted = solve([replace(tag, blur_px=1.2) for tag in tags])
    assert Doubt("blur", "edges spread over 0.7 mm") in doubted.doubts
    with pytest.raises(ViewUnusable, match=r"edges are smeared over 2\.1 mm"):
        solve([replace(tag, blur_px=3.5) for tag in tags])


def test_a_drawn_photo_gives_its_scale():
    pose = camera(FRAME)
    scale = find_scale(draw(FRAME, pose, noise=0.004), FRAME, PHONE, photo_name="tray.jpg")
    assert np.abs(area_errors(pose, scale)).max() < 5e-4  # exact geometry; corners good to 0.03 px
    assert scale.rms_px < 0.05
    assert scale.reference == "frame-280x220"
    assert scale.method == "tags"


def test_areas_are_unchanged_when_the_photo_is_turned():
    photo = draw(FRAME, camera(FRAME), noise=0.004)
    upright = find_scale(photo, FRAME, PHONE, photo_name="a.jpg")
    turned = find_scale(
        np.ascontiguousarray(cv2.rotate(photo, cv2.ROTATE_90_CLOCKWISE)), FRAME, PHONE, photo_name="b.jpg"
    )
    assert turned.mm_per_px == pytest.approx(upright.mm_per_px, rel=2e-4)
    assert turned.plane.tilt_deg == pytest.approx(upright.plane.tilt_deg, abs=0.1)
