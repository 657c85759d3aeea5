"""Fusion on pads: contacts, patches, gaps and progress.

``records``       pairs, patches and progress of a visit: what everything else about fusion is made of
``registration``  visits of one pad laid over each other by their plugs
``neighbours``    which plugs are neighbours
``edges``         edges of tissue, and draws of how far off they may be
``necks``         the narrowest passage of tissue between two plugs
``tissue``        what a photo holds: parts, patches, whose they are
``pairs``         gap and neck of each pair of neighbours
``progress``      how far a pad is
``visits``        a photo becomes a visit
``course``        visits in order of time: lasting borders, setbacks
``packing``       a visit as bytes and back
``speeds``        how fast the edges on pads advance
``forecast``      when neighbours meet and fuse and pads close, and how earlier forecasts did
``survival``      times to contact and fusion between two visits, by groups

The last three are imported by their own names: they bring in growth and statistics.
"""

from __future__ import annotations

from fragarea.fusion.course import history_of, setbacks
from fragarea.fusion.neighbours import Layout, layouts_of, neighbours
from fragarea.fusion.packing import FORM, pack, unpack
from fragarea.fusion.records import (
    Figure,
    FusionRules,
    PadFragment,
    PadHistory,
    PadVisit,
    PairState,
    PairVisit,
    Patch,
    Progress,
    Setback,
)
from fragarea.fusion.registration import Motion, register
from fragarea.fusion.tissue import PadPhoto, PhotoFragment
from fragarea.fusion.visits import visit_of

__all__ = [
    "FORM",
    "Figure",
    "FusionRules",
    "Layout",
    "Motion",
    "PadFragment",
    "PadHistory",
    "PadPhoto",
    "PadVisit",
    "PairState",
    "PairVisit",
    "Patch",
    "PhotoFragment",
    "Progress",
    "Setback",
    "history_of",
    "layouts_of",
    "neighbours",
    "pack",
    "register",
    "setbacks",
    "unpack",
    "visit_of",
]
