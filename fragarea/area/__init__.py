"""Outline to planar area and its uncertainty budget.

``polygon``      area of outlines
``propagation``  the law of propagation of uncertainty
``budget``       the budget of one area
``shares``       which part of a patch belongs to which plug
"""

from fragarea.area.budget import budget_lines, estimate_area, shared_covariance_mm4
from fragarea.area.polygon import polygon_area_mm2
from fragarea.area.propagation import combined_u, effective_dof, propagate
from fragarea.area.records import AreaEstimate, BudgetTerm
from fragarea.area.shares import Share, split_among_plugs

__all__ = [
    "AreaEstimate",
    "BudgetTerm",
    "Share",
    "budget_lines",
    "combined_u",
    "effective_dof",
    "estimate_area",
    "polygon_area_mm2",
    "propagate",
    "shared_covariance_mm4",
    "split_among_plugs",
]
