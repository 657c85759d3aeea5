"""What the user keeps: nursery.toml, fragments and placements; see the package docstring of fragarea."""

from __future__ import annotations

from fragarea.nursery.describe import edge_height, placements_on, reference_file, site_description
from fragarea.nursery.expressions import Expression, ExpressionFault, parse_expression
from fragarea.nursery.fragments import read_fragments
from fragarea.nursery.outplanting import (
    MEASURES,
    ClosedTime,
    Colony,
    Goal,
    Outplanting,
    ReadinessRule,
    Substrate,
)
from fragarea.nursery.placements import load_tables, read_placements
from fragarea.nursery.records import Fragment, HeightRule, Nursery, Placement, Site, Tables
from fragarea.nursery.settings import find_nursery, load_nursery
from fragarea.nursery.site_choice import site_for_photo
from fragarea.nursery.starter import start_nursery

__all__ = [
    "MEASURES",
    "ClosedTime",
    "Colony",
    "Expression",
    "ExpressionFault",
    "Fragment",
    "Goal",
    "HeightRule",
    "Nursery",
    "Outplanting",
    "Placement",
    "ReadinessRule",
    "Site",
    "Substrate",
    "Tables",
    "edge_height",
    "find_nursery",
    "load_nursery",
    "load_tables",
    "parse_expression",
    "placements_on",
    "read_fragments",
    "read_placements",
    "reference_file",
    "site_description",
    "site_for_photo",
    "start_nursery",
]
