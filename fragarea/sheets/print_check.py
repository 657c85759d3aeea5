"""How large a print came out: its length on a ruler over the length it should have.

Notes
-----
The factor is ``f = mean(readings) / nominal``. Its relative standard uncertainty combines, by JCGM 100:2008, 4.3 and
5.1.2, three effects that are independent of each other:

* scatter of repeated readings, type A: ``s / sqrt(n)`` (4.2.3); nothing for a single reading;
* reading to a step ``d`` at both ends of the length, type B: ``d / sqrt(12)`` each (F.2.2.1);
* the ruler itself, type B: rectangular within its limit of error ``e``, ``e / sqrt(3)`` (4.3.7).

Repeated readings of one length share the ruler and its step, so the last two do not shrink with their number.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, stdev

from fragarea.errors import SettingsProblem

# A ruler with millimetre lines, read to half a line.
RULER_STEP_MM = 0.5
# Class II rule up to 1 m: 0.3 mm + 0.2 mm (UK SI 2016/1153, schedule 1I, table 1, after Directive 2014/32/EU).
RULER_LIMIT_MM = 0.5
# "Fit to page" shrinks by 3 to 6 %; no printer at actual size is this far off (common practice, no source).
MOST_OFF = 0.03
# Readings of one length that lie further apart are not readings of one length.
SPREAD_MM, SPREAD_REL = 1.5, 0.01


@dataclass(frozen=True)
class PrintCorrection:
    """What a print check says.

    Attributes
    ----------
    factor : float
        Measured over nominal length.
    u_rel : float
        Its relative standard uncertainty.
    mean_mm : float
        Mean of the readings.
    """

    factor: float
    u_rel: float
    mean_mm: float

    @property
    def differs(self) -> bool:
        """Whether the print differs from nominal by more than twice the uncertainty."""
        return abs(self.factor - 1.0) > 2 * self.u_rel


def ruler_u_mm(step_mm: float = RULER_STEP_MM, limit_mm: float = RULER_LIMIT_MM) -> float:
    """Standard uncertainty of one length read on a ruler, without the scatter of repeated readings.

    Parameters
    ----------
    step_mm : float
        Step to which each end is read.
    limit_mm : float
        Largest error of the ruler over the length.

    Returns
    -------
    float
        In mm.

    Raises
    ------
    SettingsProblem
        If a value is negative or not finite, or both are zero.
    """
    for what, value in (("step", step_mm), ("limit of error", limit_mm)):
        if not (math.isfinite(value) and value >= 0):
            raise SettingsProblem(f"the {what} of the ruler must be a number of mm from 0; got {value}.")
    if step_mm == 0 and limit_mm == 0:
        raise SettingsProblem("the ruler's step and limit of error cannot both be 0; no ruler is perfect.")
    return math.sqrt(2 * step_mm**2 / 12 + limit_mm**2 / 3)


def print_correction(
    nominal_mm: float, readings_mm: Sequence[float], *, reading_u_mm: float | None = None
) -> PrintCorrection:
    """Factor by which a print is larger than described, from one or more readings of a length on it.

    Parameters
    ----------
    nominal_mm : float
        The length as described.
    readings_mm : sequence of float
        At least one reading.
    reading_u_mm : float, optional
        Standard uncertainty of a reading from the ruler alone; `ruler_u_mm()` by default.

    Returns
    -------
    PrintCorrection

    Raises
    ------
    SettingsProblem
        If there is no reading, one is not finite, not positive or more than 3 % off, or they lie too far apart.
    ValueError
        If `nominal_mm` is not positive or `reading_u_mm` negative, or either is not finite.
    """
    reading_u_mm = ruler_u_mm() if reading_u_mm is None else reading_u_mm
    if not (math.isfinite(nominal_mm) and nominal_mm > 0):
        raise ValueError(f"nominal_mm must be positive; got {nominal_mm}")
    if not (math.isfinite(reading_u_mm) and reading_u_mm >= 0):
        raise ValueError(f"reading_u_mm must be a number from 0; got {reading_u_mm}")
    readings = [float(reading) for reading in readings_mm]
    if not readings:
        raise SettingsProblem("no reading given. Measure the length at least once; three times is better.")
    for reading in readings:
        _check_plausible(reading, nominal_mm)
    spread = max(readings) - min(readings)
    if spread > max(SPREAD_MM, SPREAD_REL * nominal_mm):
        raise SettingsProblem(f"the readings lie {spread:.1f} mm apart. Measure the same length again.")
    mean = fmean(readings)
    scatter_mm = stdev(readings) / math.sqrt(len(readings)) if len(readings) > 1 else 0.0
    return PrintCorrection(mean / nominal_mm, math.hypot(scatter_mm, reading_u_mm) / nominal_mm, mean)


def _check_plausible(reading_mm: float, nominal_mm: float) -> None:
    if not math.isfinite(reading_mm) or reading_mm <= 0:
        raise SettingsProblem(f"a reading must be a length in mm; got {reading_mm}.")
    off = reading_mm / nominal_mm - 1
    if abs(off) <= MOST_OFF:
        return
    if 9.5 < nominal_mm / reading_mm < 10.5:
        raise SettingsProblem(f"{reading_mm:g} mm instead of {nominal_mm:g} mm: was it read in cm? Type it in mm.")
    if 24 < nominal_mm / reading_mm < 27:
        raise SettingsProblem(
            f"{reading_mm:g} mm instead of {nominal_mm:g} mm: was it read in inches? Type it in mm."
        )
    raise SettingsProblem(
        f"{reading_mm:g} mm instead of {nominal_mm:g} mm is {100 * off:+.1f} %. Was it printed “fit to page”? "
        "Print again at 100 % (“actual size”), or read the ruler again."
    )


def reading_in_mm(words: str) -> float:
    """A length as a person types it: a decimal point or comma, perhaps with "mm" behind it.

    Raises
    ------
    SettingsProblem
        If it is no number.
    """
    plain = words.strip().lower().removesuffix("mm").strip().replace(",", ".")
    try:
        return float(plain)
    except ValueError:
        raise SettingsProblem(f"{words!r} is not a length. Type it in mm, such as 250.5 or 250,5.") from None
