"""Time to outplant: what is ready, when the rest will be, how many to cut.

``units``      what can go out: fragments, and pads as a whole
``readiness``  ready, not yet, excluded or unknown by the nursery's own rules
``needs``      what is still lacking: an area, an age
``edge``       the plug's edge: free radius and covered area
``lines``      where each fragment's radius stands and how fast it grew
``speeds``     draws of growth: genotypes within species, spreads, scatter
``pace``       growth of the whole nursery that quickens and slows
``losses``     draws of loss rates
``knowledge``  all that a forecast draws from
``standing``   from verdicts to the rows of a forecast
``forecast``   dates of readiness and numbers by date
``stock``      ranges by date, times without outplanting, deadlines
``cutting``    how many to cut, what is safe, limits of colonies
``breadth``    shares of genotypes in a set
``backtest``   forecasts of the past against what came
"""

from fragarea.outplant.backtest import HORIZON_WORDS, Past, PastLine, back_test, past_lines
from fragarea.outplant.breadth import Breadth, breadth
from fragarea.outplant.cutting import (
    ColonyLimit,
    CutLine,
    CutPlan,
    Piece,
    assurance_of,
    colony_limits,
    pieces_needed,
    plan_cuts,
    ready_chance,
    safe_number,
    safe_with,
)
from fragarea.outplant.forecast import LEVELS, Forecast, Stand, forecast
from fragarea.outplant.knowledge import Knowledge, learn
from fragarea.outplant.needs import Needs, needs_of
from fragarea.outplant.readiness import State, Verdict, judge, judge_all
from fragarea.outplant.speeds import GenotypeSpeed
from fragarea.outplant.standing import Standing, standing
from fragarea.outplant.stock import Deadline, StockLine, day_or_none, deadlines, next_open, stock_lines, weekly
from fragarea.outplant.units import Unit, place_words, units_on

__all__ = [
    "HORIZON_WORDS",
    "LEVELS",
    "Breadth",
    "ColonyLimit",
    "CutLine",
    "CutPlan",
    "Deadline",
    "Forecast",
    "GenotypeSpeed",
    "Knowledge",
    "Needs",
    "Past",
    "PastLine",
    "Piece",
    "Stand",
    "Standing",
    "State",
    "StockLine",
    "Unit",
    "Verdict",
    "assurance_of",
    "back_test",
    "breadth",
    "colony_limits",
    "day_or_none",
    "deadlines",
    "forecast",
    "judge",
    "judge_all",
    "learn",
    "needs_of",
    "next_open",
    "past_lines",
    "pieces_needed",
    "place_words",
    "plan_cuts",
    "ready_chance",
    "safe_number",
    "safe_with",
    "standing",
    "stock_lines",
    "units_on",
    "weekly",
]
