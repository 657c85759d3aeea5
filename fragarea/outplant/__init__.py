"""Time to outplant: what is ready, when the rest will be, how many to cut.

``units``      what can go out: fragments, and pads as a whole
``readiness``  ready, not yet, excluded or unknown by the nursery's own rules
"""

from fragarea.outplant.readiness import State, Verdict, judge, judge_all
from fragarea.outplant.units import Unit, place_words, units_on

__all__ = ["State", "Unit", "Verdict", "judge", "judge_all", "place_words", "units_on"]
