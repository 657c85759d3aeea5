"""A known-area check in words."""

from __future__ import annotations

from datetime import date

from fragarea.check.precision import Verdict
from fragarea.check.statistics import CheckResult


def _percent(share: float, decimals: int, sign: str = "") -> str:
    """A share in per cent. What rounds to nothing has no minus before it, for nobody can say which sign it has."""
    return f"{100 * share:{sign}z.{decimals}f} %"


def summary_sentence(result: CheckResult, checked_on: date) -> str:
    """One line to show beside later measurements: ``last check: 2026-03-01, bias +0.3 %``.

    A verdict other than "passes" is said as well.
    """
    line = f"last check: {checked_on.isoformat()}, bias {_percent(result.bias_rel, 1, '+')}"
    if result.verdict is Verdict.PASSES:
        return line
    tolerance = f"{100 * result.tolerance_rel:g} %"
    if result.verdict is Verdict.FAILS:
        return f"{line}, fails the tolerance of {tolerance}"
    return f"{line}, cannot tell whether within {tolerance}"


def check_lines(result: CheckResult) -> tuple[str, ...]:
    """The whole check as lines of plain text: one a shape, then the figures over all shapes, verdict and notes."""

    def percent(value: float | None, sign: str = "") -> str:
        return "unknown" if value is None else _percent(value, 2, sign)

    shapes = (
        f"{s.shape_id:<14}{s.nominal_mm2:9.2f}{s.photos:8d}{percent(s.bias_rel, '+'):>11}{percent(s.bias_u_rel):>10}"
        f"{percent(s.s_r_rel):>10}{percent(s.s_reproducibility_rel):>10}  {s.verdict}"
        for s in result.shapes
    )
    return (
        f"{'shape':<14}{'mm2':>9}{'photos':>8}{'bias':>11}{'u(bias)':>10}{'s_r':>10}{'s_R':>10}",
        *shapes,
        f"photos {result.photos}, groups {result.groups}",
        f"mean bias {percent(result.bias_rel, '+')}, standard uncertainty {percent(result.bias_u_rel)}",
        f"repeatability s_r {percent(result.s_r_rel)}, limit r {percent(result.repeatability_limit_rel)}",
        f"reproducibility s_R {percent(result.s_reproducibility_rel)}, "
        f"limit R {percent(result.reproducibility_limit_rel)}",
        f"95 % agreement limits {percent(result.agreement_low_rel, '+')} "
        f"to {percent(result.agreement_high_rel, '+')}",
        f"verdict at {100 * result.tolerance_rel:g} %: {result.verdict} "
        f"(probability of conforming {result.conformity:.3f})",
        *result.notes,
    )
