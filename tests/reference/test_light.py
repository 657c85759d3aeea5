import numpy as np
import pytest

from fragarea.photo.records import CameraInfo
from fragarea.reference import Light, light_from_patches, load_reference, solve_pose
from fragarea.reference.linear import linear_luminance, srgb_to_linear
from tests.reference.drawn import SIZE, camera, draw, sightings, to_srgb

FRAME = load_reference("frame-280x220")
POSE = camera(FRAME)
SCALE = solve_pose(sightings(FRAME, POSE), FRAME, SIZE, CameraInfo(), photo_name="a.jpg")


@pytest.fixture(scope="module")
def grey_light():
    """Linear light of a drawn photo in white light, full exposure."""
    return srgb_to_linear()[draw(FRAME, POSE)]


@pytest.mark.parametrize("tint", [(1.0, 1.0, 1.0), (1.3, 1.0, 0.6), (0.5, 1.1, 1.2)])
@pytest.mark.parametrize("exposure", [0.3, 0.7])
def test_patches_tell_the_tint_and_the_exposure(grey_light, tint, exposure):
    photo = to_srgb(grey_light * np.array(tint) * exposure)
    light = light_from_patches(photo, SCALE, FRAME)
    assert light.valid
    # The light that fell on the patches, undone: gains times exposure are its reciprocal (exact geometry).
    assert np.array(light.gains) * light.exposure == pytest.approx(1 / (np.array(tint) * exposure), rel=0.03)
    assert np.prod(light.gains) == pytest.approx(1.0)


def test_a_covered_patch_does_not_matter():
    blot = (117.0, -8.0, 133.0, 8.0, 0.02)
    light = light_from_patches(draw(FRAME, POSE, blots_mm=(blot,), exposure=0.5), SCALE, FRAME)
    assert light.valid
    assert light.exposure == pytest.approx(2.0, rel=0.05)


def test_patches_out_of_view_or_overexposed_give_no_light(grey_light):
    assert light_from_patches(np.full((50, 60, 3), 90, np.uint8), SCALE, FRAME) == Light()
    assert light_from_patches(np.full((SIZE[1], SIZE[0], 3), 255, np.uint8), SCALE, FRAME) == Light()
    assert not light_from_patches(to_srgb(grey_light * 0), SCALE, FRAME).valid


def test_srgb_values_become_light_by_the_standards_formula():
    # IEC 61966-2-1: 0.04045 is where the straight part ends; 188 is nearest to half the light.
    light = srgb_to_linear()
    assert light[0] == 0.0
    assert light[255] == 1.0
    assert light[10] == pytest.approx(10 / 255 / 12.92)
    assert light[188] == pytest.approx(0.5029, abs=1e-4)
    white = np.full((2, 3, 3), 188, np.uint8)
    assert linear_luminance(white) == pytest.approx(np.full((2, 3), 0.5029), abs=1e-4)
    assert linear_luminance(white[..., 0]) == pytest.approx(np.full((2, 3), 0.5029), abs=1e-4)


@pytest.mark.parametrize("factor", [0.9, 1.1])
def test_patches_of_a_print_of_another_size_are_read_where_they_lie(grey_light, factor):
    photo = to_srgb(grey_light * 0.5)
    scale = solve_pose(sightings(FRAME, POSE), FRAME, SIZE, CameraInfo(), photo_name="a.jpg", print_factor=factor)
    light, same = light_from_patches(photo, scale, FRAME.printed(factor)), light_from_patches(photo, SCALE, FRAME)
    assert light.exposure == pytest.approx(same.exposure, rel=1e-3)
    assert light.gains == pytest.approx(same.gains, rel=1e-3)
