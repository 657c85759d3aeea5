"""Fusion on pads: contacts, patches, gaps and progress.

``records``   pairs, patches and progress of a visit: what everything else about fusion is made of
"""

from __future__ import annotations

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

__all__ = [
    "Figure",
    "FusionRules",
    "PadFragment",
    "PadHistory",
    "PadVisit",
    "PairState",
    "PairVisit",
    "Patch",
    "Progress",
    "Setback",
]
