import numpy as np
import pytest

from fragarea.sites import SiteDescription, SiteKind
from fragarea.sites.heights import RIM_EXCESS_MM, plug_top, rim_size
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


@pytest.mark.parametrize("height_mm", [-8.0, 6.0, 12.0])
def test_many_rims_that_agree_tell_the_height(height_mm):
    top = plug_top(rims_at(height_mm), 0.0, POSE, site())
    assert top.source == "rims"
    assert abs(top.height_mm - height_mm) < 0.3 < top.u_mm
    assert [d.key for d in top.doubts] == ["offset_from_rims"]
    assert top.rim_scale == 1.0


@pytest.mark.parametrize("height_mm", [0.0, 1.0, -1.0])
def test_height_that_may_be_none_is_taken_as_none_with_a_wider_uncertainty(height_mm):
    top = plug_top(rims_at(height_mm), 0.0, POSE, site())
    assert (top.height_mm, top.source, top.doubts) == (0.0, "assumed", ())
    assert top.u_mm >= 0.5
    assert top.u_mm > abs(height_mm) / 2


def test_given_height_is_kept_and_the_rims_scale_is_told_beside_it():
    top = plug_top(
        rims_at(4.0, fitted_at_mm=4.0), 4.0, POSE, site(reference_offset_mm=4.0, reference_offset_u_mm=0.2)
    )
    assert (top.height_mm, top.u_mm, top.source) == (4.0, 0.2, "given")
    assert top.rim_scale == pytest.approx(1.0, abs=0.002)
    wrong = plug_top(rims_at(14.0), 0.0, POSE, site(reference_offset_mm=0.0))
    # exact geometry: 400 / 386
    assert wrong.rim_scale == pytest.approx(400 / 386, abs=0.002)


def test_few_rims_or_rims_that_disagree_leave_a_doubt():
    few = plug_top(rims_at(12.0, count=5), 0.0, POSE, site())
    assert (few.height_mm, few.source) == (0.0, "assumed")
    assert [d.key for d in few.doubts] == ["offset_unsure"]
    assert few.u_mm > 4.0
    apart = plug_top(rims_at(25.0, scatter_mm=0.4), 0.0, POSE, site())
    assert [d.key for d in apart.doubts] == ["offset_unsure"]


def test_plugs_whose_diameter_is_less_sure_tell_less():
    sure, unsure = (plug_top(rims_at(6.0), 0.0, POSE, site(plug_u_mm=u)) for u in (0.05, 1.0))
    assert sure.source == "rims"
    assert unsure.source == "assumed"


def test_surroundings_as_light_as_the_plug_make_the_rim_less_sure():
    dark, light = (rim_size(rims_at(0.0, surround=s), site()) for s in (0.02, 0.6))
    assert light.scale_u > 2 * dark.scale_u


def test_no_rims_no_camera_height_no_evidence():
    none = plug_top(rims_at(0.0, count=0), 0.0, POSE, site())
    assert (none.height_mm, none.u_mm, none.source) == (0.0, 0.5, "assumed")
    assert np.isnan(none.rim_scale)

    class Flat:
        camera_height_mm = None
        tilt_deg = None

    flat = plug_top(rims_at(12.0), 0.0, Flat(), site())
    assert (flat.height_mm, flat.source, flat.doubts) == (0.0, "assumed", ())
