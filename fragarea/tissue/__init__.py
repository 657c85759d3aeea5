"""Window to live, bleached, dead and other; outline polygons in mm."""

from fragarea.tissue.calibration import AS_LEARNED, TissueCalibration
from fragarea.tissue.outlines import trace_outlines
from fragarea.tissue.records import Surface, TissueMap, TissueOutlines
from fragarea.tissue.segment import segment_tissue, segment_windows

__all__ = [
    "AS_LEARNED",
    "Surface",
    "TissueCalibration",
    "TissueMap",
    "TissueOutlines",
    "segment_tissue",
    "segment_windows",
    "trace_outlines",
]
