"""Growth per fragment and genotype, losses of tissue, mix-ups: from areas over time to answers.

``records``   areas of one fragment over time, with the errors that they share
``columns``   the same of many fragments at once
``shared``    covariance through shared errors
``rates``     rates between visits and over any window
``loss``      whether an area fell by more than its uncertainty explains
``curve``     which points are growth, and why the others are left out
``healing``   the healing lag after cutting
``mixed``     linear mixed models with known measurement variances
``genotypes`` extension of every genotype
``contrasts`` which genotypes differ, in numbers and sentences
``health``    losses and bleaching: what to look at first
``mixups``    whether fragments changed places
``history``   the rim: from the logbook's rows to areas over time
``exchanges`` mix-ups that nobody decided about, and their doubts in the logbook
"""

from fragarea.growth.columns import AreaColumns, columns_of
from fragarea.growth.contrasts import Contrast, contrast_sentence, contrasts, genotype_sentence, holm
from fragarea.growth.curve import (
    KEPT,
    REASONS,
    CurveRules,
    GrowthCurve,
    LeftOut,
    count_left_out,
    curve_by_reasons,
    growth_curve,
    reasons_of,
)
from fragarea.growth.exchanges import doubt_exchanges, open_exchanges
from fragarea.growth.genotypes import (
    GenotypeGrowth,
    GenotypesGrowth,
    Method,
    genotype_growth,
    growth_of_columns,
)
from fragarea.growth.healing import HealingLag, estimate_lag
from fragarea.growth.health import ADVICE, Concern, Finding, Sign, look_first
from fragarea.growth.history import NurseryRecord, mixups_of, read_record
from fragarea.growth.loss import Loss, sudden_loss
from fragarea.growth.mixed import Block, MixedFit, fit_mixed
from fragarea.growth.mixups import MixUp, Seen, Shape, find_mixups, form_distance_mm, shape_of
from fragarea.growth.rates import GrowthRates, RadiusLine, radius_line, rates_between_visits, rates_over
from fragarea.growth.records import DAYS_PER_MONTH, AreaPoint, ErrorPart, FragmentHistory, days_between
from fragarea.growth.shared import area_covariance_mm4

__all__ = [
    "ADVICE",
    "DAYS_PER_MONTH",
    "KEPT",
    "REASONS",
    "AreaColumns",
    "AreaPoint",
    "Block",
    "Concern",
    "Contrast",
    "CurveRules",
    "ErrorPart",
    "Finding",
    "FragmentHistory",
    "GenotypeGrowth",
    "GenotypesGrowth",
    "GrowthCurve",
    "GrowthRates",
    "HealingLag",
    "LeftOut",
    "Loss",
    "Method",
    "MixUp",
    "MixedFit",
    "NurseryRecord",
    "RadiusLine",
    "Seen",
    "Shape",
    "Sign",
    "area_covariance_mm4",
    "columns_of",
    "contrast_sentence",
    "contrasts",
    "count_left_out",
    "curve_by_reasons",
    "days_between",
    "doubt_exchanges",
    "estimate_lag",
    "find_mixups",
    "fit_mixed",
    "form_distance_mm",
    "genotype_growth",
    "genotype_sentence",
    "growth_curve",
    "growth_of_columns",
    "holm",
    "look_first",
    "mixups_of",
    "open_exchanges",
    "radius_line",
    "rates_between_visits",
    "rates_over",
    "read_record",
    "reasons_of",
    "shape_of",
    "sudden_loss",
]
