"""Extension of genotypes and their differences: simulated truth, small data, sentences."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from benchmarks.nurseries import Plan, simulate
from fragarea.growth import (
    ErrorPart,
    Method,
    contrast_sentence,
    contrasts,
    genotype_growth,
    genotype_sentence,
    growth_curve,
    holm,
)
from tests.growth.samples import disc, history, true_histories, true_series


def grown(name: str, genotype: str, radius_mm: float, speed: float, visits: int = 5, u_mm2: float = 1.0):
    points = [disc(30.4375 * i, radius_mm + speed * i, u_mm2) for i in range(visits)]
    return growth_curve(history(points, name, genotype))


def test_discs_that_grow_alike_give_their_extension_back() -> None:
    # exact geometry: every fragment extends 0.4 mm a month; abs 1e-5: the search for the variances stops there
    growth = genotype_growth([grown(f"F{i}", "G1", 4 + 0.3 * i, 0.4) for i in range(7)]).genotypes[0]
    assert growth.extension_mm_per_month == pytest.approx(0.4, abs=1e-5)
    assert growth.method is Method.OWN
    assert (growth.fragments, growth.points) == (7, 35)


def test_intervals_of_simulated_nurseries_cover_the_truth() -> None:
    # 60 nurseries of 40 fragments: 240 intervals, of which 95 % should hold; 0.905 is three binomial deviations below
    rng = np.random.default_rng(20)
    plan = Plan()
    held, estimates = [], []
    for _ in range(60):
        growth = genotype_growth([growth_curve(one) for one in simulate(plan, rng)])
        for one, truth in zip(growth.genotypes, plan.extensions_mm_per_month, strict=True):
            held.append(one.low_mm_per_month <= truth <= one.high_mm_per_month)
            estimates.append(one.extension_mm_per_month / truth)
    assert np.mean(held) > 0.905
    assert np.mean(estimates) == pytest.approx(1.0, abs=0.02)


def test_equal_genotypes_are_seldom_told_apart() -> None:
    # family-wise 5 %: more than 9 of 60 would come up once in a thousand times
    rng = np.random.default_rng(21)
    plan = replace(Plan(), extensions_mm_per_month=(0.5,) * 4)
    alarms = sum(
        any(pair.shown for pair in contrasts(genotype_growth([growth_curve(one) for one in simulate(plan, rng)])))
        for _ in range(60)
    )
    assert alarms <= 9


def test_true_areas_of_a_rendered_tray_give_each_genotype_within_a_tenth() -> None:
    truth = true_series("dev/tray_a")
    growth = genotype_growth([growth_curve(one) for one in true_histories(truth)])
    for one in growth.genotypes:
        mean = truth["genotypes"][one.genotype]["mean_radial_extension_mm_per_month"]
        assert one.extension_mm_per_month == pytest.approx(mean, rel=0.1)
        assert one.low_mm_per_month < mean < one.high_mm_per_month


def test_a_common_print_makes_the_interval_wider_and_no_contrast() -> None:
    # exact: an error of 4 % in every area is 2 % of every extension, and of every difference
    def curves(parts):
        return [
            growth_curve(
                history(
                    [disc(30.4375 * i, 5 + k / 9 + s * i, parts=parts(5 + k / 9 + s * i)) for i in range(5)],
                    f"{g}{k}",
                    g,
                )
            )
            for g, s in (("G1", 0.4), ("G2", 0.8))
            for k in range(7)
        ]

    own = genotype_growth(curves(lambda r: (ErrorPart(0.02 * math.pi * r * r),)))
    shared = genotype_growth(
        curves(lambda r: (ErrorPart(0.02 * math.pi * r * r), ErrorPart(0.04 * math.pi * r * r, "print")))
    )
    for before, after, speed in zip(own.genotypes, shared.genotypes, (0.4, 0.8), strict=True):
        more = after.extension_u_mm_per_month**2 - before.extension_u_mm_per_month**2
        assert math.sqrt(more) == pytest.approx(0.02 * speed, rel=1e-3)
    pair, alone = contrasts(shared)[0], contrasts(own)[0]
    more = pair.difference_u_mm_per_month**2 - alone.difference_u_mm_per_month**2
    assert math.sqrt(more) == pytest.approx(0.02 * 0.4, rel=1e-3)


@pytest.mark.parametrize("visits", [2, 3, 5])
@pytest.mark.parametrize("fragments", [0, 1, 2, 3, 5, 6])
def test_small_data_give_a_simpler_estimate_or_say_that_they_are_not_enough(visits: int, fragments: int) -> None:
    rng = np.random.default_rng(visits * 10 + fragments)
    curves = [grown(f"F{i}", "G1", rng.uniform(4, 6), rng.normal(0.5, 0.05), visits) for i in range(fragments)]
    curves.append(grown("lonely", "G1", 5, 0.5, visits=1))
    (growth,) = genotype_growth(curves).genotypes
    assert growth.fragments == fragments
    if fragments < 2:
        assert growth.method is Method.TOO_FEW
        assert math.isnan(growth.extension_mm_per_month)
        assert "not enough" in genotype_sentence(growth)
    else:
        assert growth.method in (Method.MEANS, Method.OWN)
        assert growth.low_mm_per_month < growth.extension_mm_per_month < growth.high_mm_per_month
        assert growth.extension_mm_per_month == pytest.approx(0.5, abs=0.2)
    if visits == 2 and fragments >= 2:
        assert growth.method is Method.MEANS


def test_two_visits_of_three_fragments_give_the_t_interval_of_their_rates() -> None:
    # by hand: rates 0.4, 0.5, 0.6; mean 0.5, s = 0.1, t(0.975; 2) = 4.302653 (Student's table)
    curves = [grown(f"F{i}", "G1", 5, speed, visits=2, u_mm2=0.01) for i, speed in enumerate((0.4, 0.5, 0.6))]
    (growth,) = genotype_growth(curves).genotypes
    assert growth.extension_mm_per_month == pytest.approx(0.5)
    assert growth.high_mm_per_month - 0.5 == pytest.approx(4.302653 * 0.1 / math.sqrt(3), rel=1e-6)


def test_a_model_that_does_not_converge_falls_back_and_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    from fragarea.growth import genotypes

    def stuck(blocks):
        raise np.linalg.LinAlgError("singular")

    monkeypatch.setattr(genotypes, "fit_mixed", stuck)
    (growth,) = genotype_growth([grown(f"F{i}", "G1", 5, 0.4 + 0.01 * i) for i in range(7)]).genotypes
    assert growth.method is Method.MEANS
    assert growth.fell_back
    assert "did not converge" in genotype_sentence(growth)


def test_fragments_without_a_genotype_are_compared_with_none() -> None:
    curves = [grown(f"{g}{i}", g, 5, 0.4 + 0.01 * i) for g in ("", "G1", "G2") for i in range(6)]
    growth = genotype_growth(curves)
    assert [one.genotype for one in growth.genotypes] == ["", "G1", "G2"]
    assert genotype_sentence(growth.genotypes[0]).startswith("Fragments without a genotype extend")
    assert [{pair.faster, pair.slower} for pair in contrasts(growth)] == [{"G1", "G2"}]


def test_holm_as_published() -> None:
    # the fifteen p-values of Benjamini & Hochberg 1995; Holm rejects three at 5 %
    p = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.324, 0.4262, 0.5719, 0.6528, 0.759]
    corrected = holm([*p, 1.0])
    expected = [0.0015, 0.0056, 0.0247, 0.114, 0.2211, 0.278, 0.278, 0.278, 0.3213]
    assert corrected[:9] == pytest.approx(expected, abs=1e-9)
    assert sum(one < 0.05 for one in corrected) == 3
    assert holm([*p[::-1]])[::-1] == pytest.approx(holm(p))
    assert holm([]) == []


def test_sentences_say_which_is_faster_and_by_how_much() -> None:
    rng = np.random.default_rng(1)
    curves = [
        grown(f"{g}{i}", g, 5, rng.normal(speed, 0.03)) for g, speed in (("G1", 0.3), ("G3", 0.6)) for i in range(8)
    ]
    growth = genotype_growth(curves)
    (pair,) = contrasts(growth)
    assert contrast_sentence(pair).startswith("G3 extends 0.")
    assert "faster than G1, 95 % 0." in contrast_sentence(pair)
    alike = replace(pair, p_holm=0.4, low_mm_per_month=-0.02)
    assert contrast_sentence(alike).startswith("G3 and G1 cannot be told apart: difference 0.")
    assert "95 % −0.020 to" in contrast_sentence(alike)
    assert genotype_sentence(growth.genotypes[0]).startswith("G1 extends 0.")
