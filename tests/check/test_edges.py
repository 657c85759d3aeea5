"""What the tags' own sides tell about a photo's edges, and the levels beside them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fragarea.check.edges import ASSUMED, edge_response, tone_excess
from fragarea.check.light import ink_coverage, linear_luma, local_plane
from tests.check.scenes import LAYOUT, PHONE, PLAIN, STRIPED, Scene, draw, tilted_pose

POSE = tilted_pose()


@pytest.mark.parametrize("blur_px", [0.7, 1.0, 1.4])
def test_plain_blur_leads_nowhere_and_is_measured(blur_px: float) -> None:
    # Drawn: Gaussian blur, on whole pixels and therefore narrower than its name when small; the pixel itself adds
    # 1/12 px2 of variance. A fifth of 0.5 px2 is 0.01 mm2 on any shape here.
    found = edge_response(linear_luma(draw(replace(PLAIN, blur_px=blur_px))), POSE, LAYOUT)
    assert found.sides >= 12
    # A lead of 0.05 is a hundredth of a pixel or two.
    assert abs(found.lead) < 0.05
    assert found.blur_px2 == pytest.approx(blur_px**2 + 1 / 12, rel=0.2)


def test_sharpening_leads_and_hides_the_blur() -> None:
    found = edge_response(linear_luma(draw(PHONE)), POSE, LAYOUT)
    assert found.lead > 0.1
    assert found.blur_px2 < 0.1


def test_stripes_leave_the_lead_as_it_is() -> None:
    even, striped = (edge_response(linear_luma(draw(camera)), POSE, LAYOUT) for camera in (PHONE, STRIPED))
    assert striped.lead == pytest.approx(even.lead, abs=0.06)


def test_photo_without_tags_falls_back_on_half_light() -> None:
    assert edge_response(linear_luma(draw(PLAIN, Scene(tags=False))), POSE, LAYOUT) == ASSUMED
    assert ASSUMED.share_missing(0.6, 0.05) == 0.0


def test_wrong_camera_is_not_believed() -> None:
    # The tags' sides are then read a millimetre off, beside the edges.
    wrong = replace(POSE, translation_mm=np.add(POSE.translation_mm, [1.0, 0.7, 0.0]))
    assert edge_response(linear_luma(draw(PHONE)), wrong, LAYOUT) == ASSUMED


@pytest.mark.parametrize(("paper", "ink"), [(0.66, 0.02), (0.66, 0.06), (0.3, 0.03), (0.9, 0.3)])
def test_tone_excess_is_what_gentle_sharpening_does(paper: float, ink: float) -> None:
    # Exact: on an edge much sharper than the sharpening is wide, the surroundings' mean tone is that of both sides.
    def tone(v: float) -> float:
        return 1.055 * v ** (1 / 2.4) - 0.055

    half, amount = (paper + ink) / 2, 1e-4
    sharpened = tone(half) + amount * (tone(half) - (tone(paper) + tone(ink)) / 2)
    light = ((sharpened + 0.055) / 1.055) ** 2.4
    share = (paper - light) / (paper - ink)
    assert float(tone_excess(paper, ink)) == pytest.approx((0.5 - share) / amount, rel=1e-3)


def test_grey_levels_are_linear_light() -> None:
    # IEC 61966-2-1: sRGB 188 is linear 0.5029; 255 is 1, 0 is 0.
    grey = np.array([[[188] * 3, [255] * 3, [0] * 3]], dtype=np.uint8)
    assert linear_luma(grey)[0] == pytest.approx([0.5029, 1.0, 0.0], abs=5e-5)


def test_a_sloping_level_goes_on_past_the_pixels_it_was_read_from() -> None:
    # Exact: a plane.
    y, x = np.mgrid[:60, :80].astype(float)
    level = 0.4 + 0.002 * x - 0.001 * y
    where = (x > 20) & (x < 60)
    found = local_plane(np.where(where, level, 9.0), where, 6.0)
    assert found[:, 12:68] == pytest.approx(level[:, 12:68], abs=2e-3)


def test_coverage_is_the_share_of_ink_in_uneven_light() -> None:
    # Exact geometry: a straight edge at x = 40.3 in light that doubles across the picture.
    x = np.tile(np.arange(80.0), (80, 1))
    share = np.clip(40.3 - x + 0.5, 0, 1)
    light = (0.3 + 0.3 * x / 80) * (1 - 0.9 * share)
    found = ink_coverage(light, share > 0.5)
    assert found.share[20:60] == pytest.approx(share[20:60], abs=0.005)
