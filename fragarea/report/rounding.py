"""An area and its uncertainty as a person reads them: rounded once, by a cited rule."""

from __future__ import annotations

import math
from decimal import Context, Decimal

# wide enough for any double at any decimal place
_WIDE = Context(prec=700)


def round_pair(value: float, uncertainty: float) -> tuple[str, str]:
    """Round a value and its uncertainty to the same decimal place.

    Parameters
    ----------
    value : float
        Finite.
    uncertainty : float
        Same unit, not negative; not finite when it is not known.

    Returns
    -------
    (str, str)
        Plain decimals, never with an exponent. An unknown uncertainty is ``"?"``, and the value then keeps three
        significant digits.

    Raises
    ------
    ValueError
        If the value is not finite or the uncertainty is negative.

    Notes
    -----
    The rule of the Particle Data Group: with the three leading digits of the uncertainty between 100 and 354 two
    digits are kept, between 355 and 949 one, and from 950 on it is rounded up to 1000 and two are kept. Never more
    than two significant digits, as JCGM 100:2008, 7.2.6 asks. Ties go to the even digit.

    References
    ----------
    Particle Data Group, Review of Particle Physics, Introduction, section "Rounding".
    """
    if not math.isfinite(value):
        raise ValueError(f"value must be finite; got {value}")
    if uncertainty < 0:
        raise ValueError(f"uncertainty must not be negative; got {uncertainty}")
    if not math.isfinite(uncertainty):
        return _quantized(value, _exponent(value, digits=3)), "?"
    if uncertainty == 0:
        return _quantized(value, _exponent(value, digits=3)), "0"
    exponent = _rule(uncertainty)
    return _quantized(value, exponent), _quantized(uncertainty, exponent)


def round_area(area_mm2: float, expanded_mm2: float) -> tuple[str, str]:
    """Round an area and its expanded uncertainty, both in mm2, and return them in cm2 (see :func:`round_pair`)."""
    return round_pair(_hundredth(area_mm2), _hundredth(expanded_mm2))


def format_area(area_mm2: float, expanded_mm2: float) -> str:
    """An area with its expanded uncertainty in cm2.

    Examples
    --------
    >>> format_area(140.2, 5.12)
    '1.40 ± 0.05 cm²'
    """
    value, uncertainty = round_area(area_mm2, expanded_mm2)
    return f"{value} ± {uncertainty} cm²"


def _rule(uncertainty: float) -> int:
    """Decimal place, as a power of ten, at which the rule rounds."""
    lead, exponent = f"{uncertainty:.2e}".split("e")
    two_digits = int(lead.replace(".", "")) <= 354
    return int(exponent) - (1 if two_digits else 0)


def _exponent(value: float, *, digits: int) -> int:
    if value == 0:
        return 1 - digits
    return int(f"{value:.{digits - 1}e}".split("e")[1]) - digits + 1


def _quantized(value: float, exponent: int) -> str:
    # repr, not the binary value: 2.675 is a tie for the reader although the double lies a little below
    exact = Decimal(repr(value))
    rounded = exact.quantize(Decimal(1).scaleb(exponent), context=_WIDE)
    return f"{abs(rounded) if rounded == 0 else rounded:f}"


def _hundredth(mm2: float) -> float:
    # by decimal shift, so that 267.5 mm2 is the tie 2.675 cm2 and not 2.6750000000000003
    return float(Decimal(repr(float(mm2))).scaleb(-2)) if math.isfinite(mm2) else mm2
