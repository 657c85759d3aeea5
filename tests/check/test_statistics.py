"""Photos of known areas judged against a tolerance."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from fragarea.check import CheckResult, KnownMeasurement, Verdict, check_lines, judge, summary_sentence

NOMINAL = {"disc100": 100.0, "square400": 400.0}


def _photos(errors: dict[str, list[tuple[str, float]]], u_rel: float = 0.002) -> list[KnownMeasurement]:
    """Every shape with the same relative error in each photo of (group, error)."""
    return [
        KnownMeasurement(photo, group, shape_id, nominal * (1 + error), nominal, nominal * u_rel)
        for photo, given in errors.items()
        for group, error in given
        for shape_id, nominal in NOMINAL.items()
    ]


def test_one_photo_gives_a_bias_and_says_what_it_cannot_tell() -> None:
    result = judge(_photos({"a.jpg": [("mon", 0.003)]}))
    assert result.bias_rel == pytest.approx(0.003)
    assert result.bias_u_rel == pytest.approx(0.002)
    assert (result.s_r_rel, result.s_reproducibility_rel) == (None, None)
    assert result.verdict is Verdict.PASSES
    assert any("Repeatability unknown" in note for note in result.notes)
    assert any("Reproducibility unknown" in note for note in result.notes)


def test_repeatability_and_reproducibility_are_those_of_the_layout() -> None:
    # Worked by hand: groups (0, 2), (4, 6) per mille: s_r^2 = 2, means 1 and 5, s_d^2 = 16, n = 2, s_L^2 = 7.
    photos = {"1": [("mon", 0.0)], "2": [("mon", 0.002)], "3": [("tue", 0.004)], "4": [("tue", 0.006)]}
    result = judge(_photos(photos))
    assert result.s_r_rel == pytest.approx(math.sqrt(2) * 1e-3)
    assert result.s_reproducibility_rel == pytest.approx(3e-3)
    # ISO 5725: r = 2.8 s_r, R = 2.8 s_R.
    assert result.repeatability_limit_rel == pytest.approx(2.8 * math.sqrt(2) * 1e-3)
    assert result.reproducibility_limit_rel == pytest.approx(8.4e-3)
    assert (result.photos, result.groups, result.notes) == (4, 2, ())
    # Standard error of the mean of 0, 2, 4, 6 is sqrt(20/3) / 2; the areas' own uncertainty beside it.
    assert result.bias_u_rel == pytest.approx(math.hypot(2e-3, math.sqrt(20 / 3) / 2 * 1e-3))


def test_groups_of_unequal_size_and_missing_shapes_are_taken_as_they_are() -> None:
    measurements = _photos({"1": [("mon", 0.001)], "2": [("mon", 0.002)], "3": [("tue", 0.003)]})
    result = judge(measurements[1:], expected=("disc100", "square400", "star150"))
    assert [(shape.shape_id, shape.photos) for shape in result.shapes] == [("disc100", 2), ("square400", 3)]
    assert result.missing == ("star150",)
    assert any("star150" in note for note in result.notes)
    assert result.s_r_rel is not None
    assert result.s_reproducibility_rel is not None
    assert result.s_reproducibility_rel >= result.s_r_rel


@pytest.mark.parametrize(
    ("error", "u_rel", "verdict"),
    [
        (0.003, 0.002, Verdict.PASSES),
        (-0.003, 0.002, Verdict.PASSES),
        (0.03, 0.002, Verdict.FAILS),
        (-0.03, 0.002, Verdict.FAILS),
        (0.019, 0.004, Verdict.CANNOT_TELL),
        (0.0, 0.05, Verdict.CANNOT_TELL),
    ],
)
def test_verdict_allows_for_the_uncertainty(error: float, u_rel: float, verdict: Verdict) -> None:
    # JCGM 106: Phi((T - b)/u) - Phi((-T - b)/u) against 0.95 and 0.05, with T = 2 %.
    assert judge(_photos({"a": [("mon", error)]}, u_rel)).verdict is verdict


def test_one_bad_shape_fails_the_check_though_the_mean_passes() -> None:
    measurements = [
        KnownMeasurement("a", "g", "disc100", 95.0, 100.0, 0.2),
        *(KnownMeasurement("a", "g", f"disc{n}", 100.0, 100.0, 0.2) for n in range(9)),
    ]
    result = judge(measurements)
    assert abs(result.bias_rel) < 0.01
    assert result.verdict is Verdict.FAILS
    assert "Outside the tolerance on their own: disc100." in result.notes


def test_agreement_limits_hold_95_per_cent_of_new_areas() -> None:
    # Drawn: errors of sd 0.4 % about 0.3 %; 2000 values, so the share scatters by 0.005.
    rng = np.random.default_rng(3)
    errors = rng.normal(0.003, 0.004, 2000)
    result = judge([KnownMeasurement(str(i), "g", "d", 100 * (1 + e), 100.0, 0.2) for i, e in enumerate(errors)])
    assert result.agreement_low_rel is not None
    assert result.agreement_high_rel is not None
    new = rng.normal(0.003, 0.004, 20_000)
    inside = (new > result.agreement_low_rel) & (new < result.agreement_high_rel)
    assert inside.mean() == pytest.approx(0.95, abs=0.015)


def test_bias_interval_holds_the_true_bias_when_all_shapes_of_a_photo_err_together() -> None:
    # Drawn 500 times: one photo, a common error of sd u. 1.96 u must hold 95 % (share scatters by 0.01).
    rng = np.random.default_rng(5)
    inside = 0
    for error in rng.normal(0, 0.002, 500):
        result = judge(_photos({"a": [("g", 0.004 + error)]}, 0.002))
        inside += abs(result.bias_rel - 0.004) < 1.96 * result.bias_u_rel
    assert inside / 500 == pytest.approx(0.95, abs=0.03)


def test_result_survives_json() -> None:
    result = judge(_photos({"a": [("g", 0.003)], "b": [("h", 0.001)]}), expected=(*NOMINAL, "star150"))
    assert CheckResult.from_dict(json.loads(json.dumps(result.to_dict()))) == result


@pytest.mark.parametrize("damage", [{"verdict": "maybe"}, {"shapes": 3}, {"extra": 1}, {"shapes": [{"a": 1}]}])
def test_damaged_result_is_refused(damage: dict[str, object]) -> None:
    data = judge(_photos({"a": [("g", 0.003)]})).to_dict()
    with pytest.raises(ValueError, match=r"maybe|not a stored check result"):
        CheckResult.from_dict({**data, **damage})


def test_missing_field_is_refused() -> None:
    data = judge(_photos({"a": [("g", 0.003)]})).to_dict()
    del data["bias_rel"]
    with pytest.raises(ValueError, match="bias_rel"):
        CheckResult.from_dict(data)


def test_summary_sentence() -> None:
    result = judge(_photos({"a": [("g", 0.003)]}))
    day = date(2026, 3, 1)
    assert summary_sentence(result, day) == "last check: 2026-03-01, bias +0.3 %"
    # what rounds to nothing has no sign of its own
    assert summary_sentence(replace(result, bias_rel=-0.0002), day) == "last check: 2026-03-01, bias +0.0 %"
    assert summary_sentence(replace(result, bias_rel=-0.0006), day).endswith("bias -0.1 %")
    failed = replace(result, verdict=Verdict.FAILS)
    assert summary_sentence(failed, day).endswith("bias +0.3 %, fails the tolerance of 2 %")
    unsure = replace(result, verdict=Verdict.CANNOT_TELL)
    assert summary_sentence(unsure, day).endswith("cannot tell whether within 2 %")


def test_lines_hold_every_shape_figure_and_note() -> None:
    result = judge(_photos({"a": [("g", 0.003)]}))
    lines = check_lines(result)
    assert [line.split()[0] for line in lines[1:3]] == list(NOMINAL)
    text = "\n".join(lines)
    for words in ("mean bias +0.30 %", "s_r unknown", "s_R unknown", "agreement limits", "verdict at 2 %: passes"):
        assert words in text
    assert lines[-len(result.notes) :] == result.notes
    assert "mean bias +0.00 %" in "\n".join(check_lines(replace(result, bias_rel=-0.00002)))


@pytest.mark.parametrize(
    ("measurements", "words"),
    [
        ([], "no known area"),
        ([KnownMeasurement("a", "g", "d", 1.0, 0.0, 0.1)], "nominal positive"),
        ([KnownMeasurement("a", "g", "d", math.nan, 1.0, 0.1)], "finite"),
        ([KnownMeasurement("a", "g", "d", 1.0, 1.0, 0.1)] * 2, "measured twice"),
    ],
)
def test_what_cannot_be_judged_is_refused(measurements: list[KnownMeasurement], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        judge(measurements)


def test_tolerance_must_be_positive() -> None:
    with pytest.raises(ValueError, match="tolerance_rel"):
        judge(_photos({"a": [("g", 0.0)]}), tolerance_rel=0.0)
