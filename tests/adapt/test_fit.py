"""Corrections shift the model where they agree on it, and only where that helps on corrections held back."""

from __future__ import annotations

import numpy as np
import pytest

from fragarea.adapt import adapt, judge
from fragarea.errors import SettingsProblem
from fragarea.tissue import AS_LEARNED, TissueCalibration, segment_windows
from tests.adapt.cases import corrections
from tests.tissue.scenes import drawn_window


def test_people_who_draw_further_out_are_followed():
    # Ten windows drawn 0.3 mm outside: by the prior of 0.15 mm and the scatter of 0.3 mm that are written in the
    # module, 10 / (10 + 4) of it is believed.
    learned = adapt(corrections(0.3))
    assert learned.better
    assert learned.calibration.edge_mm == pytest.approx(0.3 * 10 / 14, abs=0.06)
    assert learned.after.usual_error < 0.6 * learned.before.usual_error
    assert learned.gain_iou > 0.02


def test_people_who_agree_with_the_model_change_nothing():
    learned = adapt(corrections(0.0))
    assert not learned.better
    assert abs(learned.calibration.edge_mm) < 0.03


def test_what_is_in_use_must_be_beaten():
    # With the outlines already moved out, the same corrections bring nothing more.
    first = adapt(corrections(0.3)).calibration
    assert not adapt(corrections(0.3), first).better


@pytest.mark.parametrize("count", [4, 6])
def test_too_few_corrections_are_refused_plainly(count):
    with pytest.raises(SettingsProblem, match=f"{count} corrected windows of {count // 2} photos are too few"):
        adapt(corrections(0.3, count))


def test_outlines_move_out_by_what_is_asked():
    # Exact geometry: an outline moved out by d gains its length times d.
    window, _ = drawn_window(radius_mm=6.0, mm_per_px=0.25)
    (before,) = segment_windows([window])
    (after,) = segment_windows([window], calibration=TissueCalibration(edge_mm=0.2))
    assert after.live.area - before.live.area == pytest.approx(0.2 * before.live.length, rel=0.05)


def test_log_odds_shift_what_is_called_live():
    window, _ = drawn_window(radius_mm=6.0, mm_per_px=0.25)
    (never,) = segment_windows([window], calibration=TissueCalibration(live=-30.0, bleached=-30.0))
    assert never.live.is_empty


def test_judgement_is_that_of_shapely():
    # Outside check: overlap of the found outline with itself grown by 0.3 mm, by Shapely.
    (one,) = corrections(0.3)[:1]
    (found,) = segment_windows([one.window])
    grown = found.live.buffer(0.3)
    judged = judge([one], AS_LEARNED)
    assert judged.iou == pytest.approx([found.live.area / grown.area], abs=0.01)
    assert judged.area_error == pytest.approx([found.live.area / grown.area - 1], abs=0.01)
    assert judged.mean_iou == pytest.approx(judged.iou[0])


def test_windows_without_live_tissue_are_not_judged():
    (one,) = corrections(0.0)[:1]
    one.labels[:] = 0
    judged = judge([one], AS_LEARNED)
    assert len(judged.iou) == 0
    assert np.isnan(judged.usual_error)
    corrections.cache_clear()
