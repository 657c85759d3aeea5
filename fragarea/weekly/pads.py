"""The section on pads: how far those that were photographed have fused."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fragarea.fusion_tables import summary_lines
from fragarea.weekly.records import Pads, Section

if TYPE_CHECKING:
    from fragarea.weekly.album import Album
    from fragarea.weekly.sections import Week


def pads(week: Week, album: Album) -> Section | None:
    """Progress of every pad of these days, in sentences; no section where none was photographed."""
    if week.pads is None or not week.pads.pads:
        return None
    return Section("pads", "Fusion of pads", Pads(tuple(summary_lines(week.pads))))
