"""Worked examples of survival and of many comparisons, by the libraries that do them."""

from __future__ import annotations

import numpy as np
import pytest

from fragarea.growth import holm

lifelines = pytest.importorskip("lifelines")
pytestmark = pytest.mark.filterwarnings("ignore:Starting with pandas version 4")  # from lifelines itself

# Weeks in remission of 42 children, 6-MP against placebo (Freireich et al. 1963, Blood 21:699); those that were still
# in remission when last seen are censored
SIX_MP = (
    [6, 6, 6, 7, 10, 13, 16, 22, 23, 6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35],
    [True] * 9 + [False] * 12,
)
PLACEBO = ([1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23], [True] * 21)

# Benjamini & Hochberg 1995, J. R. Statist. Soc. B 57:289-300, section 3.2: fifteen p-values of one trial
P_VALUES = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240]
P_VALUES += [0.4262, 0.5719, 0.6528, 0.7590, 1.0]


def test_kaplan_meier_of_the_remission_trial() -> None:
    # S(t) as printed in text books on survival; medians 23 and 8 weeks
    six_mp = lifelines.KaplanMeierFitter().fit(*SIX_MP)
    placebo = lifelines.KaplanMeierFitter().fit(*PLACEBO)
    survival = six_mp.survival_function_at_times([6, 7, 10, 13, 16, 22, 23]).to_numpy()
    assert survival == pytest.approx([0.8571, 0.8067, 0.7529, 0.6902, 0.6275, 0.5378, 0.4482], abs=6e-5)
    assert (six_mp.median_survival_time_, placebo.median_survival_time_) == (23, 8)


def test_kaplan_meier_is_the_product_of_those_left() -> None:
    # exact: 18 of 21 go on after week 6, then 16 of 17 at risk in week 7, and 14 of 15 in week 10
    six_mp = lifelines.KaplanMeierFitter().fit(*SIX_MP)
    expected = [18 / 21, 18 / 21 * 16 / 17, 18 / 21 * 16 / 17 * 14 / 15]
    assert six_mp.survival_function_at_times([6, 7, 10]).to_numpy() == pytest.approx(expected, rel=1e-12)


def test_log_rank_of_the_remission_trial() -> None:
    # chi-square 16.7929 with one degree of freedom, p 4.169e-5
    (t1, e1), (t2, e2) = SIX_MP, PLACEBO
    found = pytest.importorskip("lifelines.statistics").logrank_test(t1, t2, e1, e2)
    assert found.test_statistic == pytest.approx(16.7929, abs=6e-5)
    assert found.p_value == pytest.approx(4.169e-5, abs=6e-9)


def test_proportional_hazards_of_the_remission_trial() -> None:
    # Efron's ties: 1.5721 (standard error 0.4124), ratio of hazards 4.82
    pandas = pytest.importorskip("pandas")
    (t1, e1), (t2, e2) = SIX_MP, PLACEBO
    table = pandas.DataFrame({"weeks": np.r_[t1, t2], "ended": np.r_[e1, e2], "placebo": [0] * 21 + [1] * 21})
    cox = lifelines.CoxPHFitter().fit(table, "weeks", "ended")
    assert cox.params_["placebo"] == pytest.approx(1.5721, abs=6e-5)
    assert cox.standard_errors_["placebo"] == pytest.approx(0.4124, abs=6e-5)
    assert cox.hazard_ratios_["placebo"] == pytest.approx(4.82, abs=6e-3)


def test_holm_of_fifteen_p_values() -> None:
    # three are below 5 % after correction, as after Bonferroni's; the first nine to the digits worked out by hand
    corrected = holm(P_VALUES)
    expected = [0.0015, 0.0056, 0.0247, 0.114, 0.2211, 0.278, 0.278, 0.278, 0.3213]
    assert corrected[:9] == pytest.approx(expected, abs=1e-12)
    assert sum(one <= 0.05 for one in corrected) == 3
    assert sum(15 * one <= 0.05 for one in P_VALUES) == 3
    multitest = pytest.importorskip("statsmodels.stats.multitest")
    assert corrected == pytest.approx(multitest.multipletests(P_VALUES, method="holm")[1], abs=1e-12)
