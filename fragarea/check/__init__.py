"""The known-area check: what the whole path says about shapes whose areas are known.

``sheet``       the shapes and their nominal areas, from geometry
``outlines``    the shapes found in a photo, with sub-pixel edges
``statistics``  bias, repeatability, reproducibility, agreement and a verdict
"""

from fragarea.check.sheet import KnownAreaSheet, KnownShape, load_sheet, nominal_mm2, polygon_mm

__all__ = ["KnownAreaSheet", "KnownShape", "load_sheet", "nominal_mm2", "polygon_mm"]
