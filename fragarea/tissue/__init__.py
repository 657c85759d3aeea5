"""Window to live, bleached, dead and other; outline polygons in mm."""

from fragarea.tissue.outlines import trace_outlines
from fragarea.tissue.records import Surface, TissueMap, TissueOutlines
from fragarea.tissue.segment import segment_tissue, segment_windows

__all__ = ["Surface", "TissueMap", "TissueOutlines", "segment_tissue", "segment_windows", "trace_outlines"]
