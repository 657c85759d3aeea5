from dataclasses import replace

import numpy as np
import pytest

from fragarea.reference import compare_scales
from fragarea.sites import SiteDescription, SiteKind
from fragarea.sites.heights import RIM_EXCESS_MM, plug_spacing, plug_top, rim_size
from fragarea.sites.rims import RimFits
from tests.sites.drawn import camera

POSE = camera(height_mm=400.0, tilt_deg=0.0)


def rims_at(height_mm, *, count=40, scatter_mm=0.02, fitted_at_mm=0.0, surround=0.05, seed=1):
    """Rims of 25 mm plugs whose tops lie at a height, as they look on another plane."""
    # exact geometry: D / (D - z) in length (similar triangles)
    radius = 12.5 * (400 - fitted_at_mm) / (400 - height_mm) + RIM_EXCESS_MM
    radii = radius + scatter_mm * np.random.default_rng(seed).standard_normal(count)
    flat = np.full(count, 0.03)
    return RimFits(
        np.zeros((count, 2)), radii, flat, flat, flat, flat, np.ones(count), np.ones(count), flat * 0 + surround, flat
    )


def site(**options):
    return SiteDescription(SiteKind.TRAY, **options)


@pytest.mark.parametrize("height_mm", [-14.0, -8.0, 6.0, 12.0])
def test_many_rims_that_agree_tell_the_height(height_mm):
    top = plug_top(rims_at(height_mm), 0.0, POSE, site())
    assert top.source == "rims"
    # what is believed draws a little towards none; the uncertainty allows for it
    assert abs(top.height_mm) < abs(height_mm) + 0.3
    assert abs(top.height_mm - height_mm) < 1.2 * top.u_mm < 2.0
    assert [d.key for d in top.doubts] == ["offset_from_rims"]
    assert f"{top.height_mm:.1f} mm is used" in str(top.doubts[0])


@pytest.mark.parametrize("height_mm", [0.0, 1.0, -1.0])
def test_height_that_may_be_none_is_drawn_towards_none(height_mm):
    top = plug_top(rims_at(height_mm), 0.0, POSE, site())
    assert 0.1 * abs(height_mm) <= abs(top.height_mm) + 0.1 <= abs(height_mm) + 0.2
    assert top.doubts == ()
    assert 0.5 < top.u_mm < 1.0


def normal(x, u):
    return np.exp(-0.5 * (x / u) ** 2) / u


def test_belief_and_rims_are_combined_after_bayes():
    # by numerical integration of belief (0.5 mm, one in five 5 mm) times likelihood: exact to the grid
    grid_mm = np.linspace(-60, 60, 24001)
    belief = 0.8 * normal(grid_mm, 0.5) + 0.2 * normal(grid_mm, 5.0)
    for height in (-9.0, -1.5, 0.5, 2.5, 4.0, 6.0):
        size = rim_size(rims_at(height), site())
        seen_mm = 400 - 400 / size.scale
        seen_u = (400 - seen_mm) * size.scale_u / size.scale
        after = belief * normal(grid_mm - seen_mm, seen_u)
        mean = (after * grid_mm).sum() / after.sum()
        top = plug_top(rims_at(height), 0.0, POSE, site())
        assert top.height_mm == pytest.approx(mean, abs=1e-3)
        assert top.u_mm == pytest.approx(np.sqrt((after * (grid_mm - mean) ** 2).sum() / after.sum()), abs=1e-3)


def test_a_tiny_change_of_size_changes_the_height_a_little_everywhere():
    # A print correction of 0.13 % looks like 0.52 mm of height at 400 mm (similar triangles). It moves the height by
    # no more than twice that, wherever it falls, and its uncertainty by no more than it.
    heights = np.arange(-20.0, 20.0, 0.26)
    tops = [plug_top(rims_at(height), 0.0, POSE, site()) for height in heights]
    steps = np.diff([top.height_mm for top in tops])
    assert steps.min() > 0
    assert steps.max() < 2 * 0.26
    assert np.abs(np.diff([top.u_mm for top in tops])).max() < 0.26


def test_the_interval_covers_heights_that_are_as_believed():
    # drawn from what is believed: 0.5 mm about none, one in five 5 mm
    rng = np.random.default_rng(7)
    inside = []
    for seed in range(400):
        height = rng.normal(0, 5.0 if rng.random() < 0.2 else 0.5)
        size_u = rim_size(rims_at(height), site()).scale_u
        fits = rims_at(height, seed=seed)
        fits = replace(fits, radii_mm=fits.radii_mm * (1 + rng.normal(0, size_u)))
        top = plug_top(fits, 0.0, POSE, site())
        inside.append(abs(top.height_mm - height) < 1.96 * top.u_mm)
    # binomial: 95 % +- 3 standard deviations of 400 draws
    assert 0.917 < np.mean(inside) < 0.983


def test_given_height_is_kept_and_the_rims_scale_is_told_beside_it():
    top = plug_top(
        rims_at(4.0, fitted_at_mm=4.0), 4.0, POSE, site(reference_offset_mm=4.0, reference_offset_u_mm=0.2)
    )
    assert (top.height_mm, top.u_mm, top.source) == (4.0, 0.2, "given")
    assert top.rim_scale == pytest.approx(1.0, abs=0.002)
    wrong = plug_top(rims_at(14.0), 0.0, POSE, site(reference_offset_mm=0.0))
    # exact geometry: 400 / 386
    assert wrong.rim_scale == pytest.approx(400 / 386, abs=0.002)


def test_print_or_diameter_that_is_wrong_disagrees_with_a_given_height():
    # plugs of 24.5 mm described as 25 mm, or a print 2 % too large: rims 2 % too small
    fits = rims_at(0.0)
    small = replace(fits, radii_mm=(fits.radii_mm - RIM_EXCESS_MM) / 1.02 + RIM_EXCESS_MM)
    given = site(reference_offset_mm=0.0, reference_offset_u_mm=0.5)
    for seen, disagree in ((fits, False), (small, True)):
        top = plug_top(seen, 0.0, POSE, given)
        told = compare_scales(1.0, 0.001, top.rim_scale, top.rim_scale_u, names=("frame", "rims"))
        assert (told is not None) is disagree
    # a height that is hardly known explains it
    loose = plug_top(small, 0.0, POSE, site(reference_offset_mm=0.0, reference_offset_u_mm=8.0))
    assert compare_scales(1.0, 0.001, loose.rim_scale, loose.rim_scale_u, names=("frame", "rims")) is None


def grid(pitch_mm, *, off_mm=0.1, turn_rad=0.1):
    """Middles of a 5 x 8 tray as the camera shows them, and their (column, row)."""
    cells = np.array([(column, row) for row in range(5) for column in range(8)])
    spin = np.array([[np.cos(turn_rad), -np.sin(turn_rad)], [np.sin(turn_rad), np.cos(turn_rad)]])
    return pitch_mm * cells @ spin.T + off_mm * np.random.default_rng(3).standard_normal((40, 2)), cells


def test_spacing_of_the_plugs_narrows_the_height():
    seen = 27.0 * 400 / 394  # exact geometry: plug tops at 6 mm
    spacing = plug_spacing(*grid(seen), seen, 27.0)
    assert spacing.scale == pytest.approx(400 / 394)
    # 0.1 mm of play over 40 plugs tells far better than the pitch itself is known
    assert spacing.scale_u == pytest.approx(0.002, rel=0.1)
    alone, both = (plug_top(rims_at(6.0), 0.0, POSE, site(), told) for told in (None, spacing))
    assert both.u_mm < 0.7 * alone.u_mm
    assert abs(both.height_mm - 6.0) < abs(alone.height_mm - 6.0)
    assert [d.key for d in both.doubts] == ["offset_from_rims"]


def test_spacing_that_contradicts_the_rims_tells_that_the_diameter_is_wrong():
    # plugs of 24 mm described as 25 mm: rims 4 % too small, spacing right
    fits = rims_at(0.0)
    small = replace(fits, radii_mm=(fits.radii_mm - RIM_EXCESS_MM) * 0.96 + RIM_EXCESS_MM)
    spacing = plug_spacing(*grid(27.0), 27.0, 27.0)
    told = plug_top(small, 0.0, POSE, site(), spacing)
    assert "scale_disagrees" in [d.key for d in told.doubts]
    assert "plug rims -4.0 % against the tray's pitch" in " ".join(map(str, told.doubts))
    # the rims alone would say 400 - 400 / 0.96 = -16.7 mm
    assert abs(told.height_mm) < 0.5 * abs(plug_top(small, 0.0, POSE, site()).height_mm)
    given = plug_top(small, 0.0, POSE, site(reference_offset_mm=0.0), spacing)
    assert [d.key for d in given.doubts] == ["scale_disagrees"]


def test_spacing_tells_nothing_without_a_pitch_or_of_few_plugs():
    middles, cells = grid(27.0)
    assert plug_spacing(middles, cells, 27.0, None) is None
    assert plug_spacing(middles[:5], cells[:5], 27.0, 27.0) is None


def test_few_rims_or_rims_that_disagree_leave_a_doubt():
    few = plug_top(rims_at(12.0, count=5), 0.0, POSE, site())
    assert [d.key for d in few.doubts] == ["offset_unsure"]
    apart = plug_top(rims_at(25.0, scatter_mm=0.4), 0.0, POSE, site())
    assert [d.key for d in apart.doubts] == ["offset_unsure"]


def test_plugs_whose_diameter_is_less_sure_tell_less():
    sure, unsure = (plug_top(rims_at(6.0), 0.0, POSE, site(plug_u_mm=u)) for u in (0.05, 1.0))
    assert (sure.source, unsure.source) == ("rims", "assumed")
    assert unsure.height_mm < 0.5 * sure.height_mm
    assert unsure.u_mm > 1.5 * sure.u_mm


def test_surroundings_as_light_as_the_plug_make_the_rim_less_sure():
    dark, light = (rim_size(rims_at(0.0, surround=s), site()) for s in (0.02, 0.6))
    assert light.scale_u > 2 * dark.scale_u


def test_no_rims_no_camera_height_no_evidence():
    # 0.5 mm in four cases, 5 mm in one: sqrt(0.8 * 0.25 + 0.2 * 25) = 2.28 mm
    none = plug_top(rims_at(0.0, count=0), 0.0, POSE, site())
    assert (none.height_mm, none.u_mm, none.source) == (0.0, pytest.approx(np.sqrt(5.2)), "assumed")
    assert np.isnan(none.rim_scale)

    class Flat:
        camera_height_mm = None
        tilt_deg = None

    flat = plug_top(rims_at(12.0), 0.0, Flat(), site())
    assert (flat.height_mm, flat.source, flat.doubts) == (0.0, "assumed", ())


def test_without_a_printed_reference_the_scale_lies_on_the_plug_tops():
    top = plug_top(rims_at(12.0), 0.0, POSE, site(reference="", reference_offset_u_mm=0.3))
    assert (top.height_mm, top.u_mm, top.source, top.doubts) == (0.0, 0.3, "assumed", ())
