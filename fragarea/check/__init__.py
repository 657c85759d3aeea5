"""The known-area check: what the whole path says about shapes whose areas are known.

``sheet``       the shapes and their nominal areas, from geometry
``light``       linear light, levels of paper and ink
``edges``       how this photo shows an edge, from the tags' own sides
``placing``     which dark patch is which shape
``outlines``    the shapes found in a photo, with sub-pixel edges
``precision``   repeatability, reproducibility, agreement, conformity
``statistics``  photos of known areas judged against a tolerance
``wording``     the result in words
"""

from fragarea.check.outlines import ShapeOutline, measure_shapes
from fragarea.check.precision import (
    Agreement,
    Precision,
    Verdict,
    agreement,
    conformity_probability,
    precision,
    verdict_of,
)
from fragarea.check.sheet import (
    KnownAreaSheet,
    KnownShape,
    known_sheets,
    load_sheet,
    nominal_mm2,
    polygon_mm,
    sheet_for,
)
from fragarea.check.statistics import CheckResult, KnownMeasurement, ShapeResult, judge
from fragarea.check.wording import check_lines, summary_sentence

__all__ = [
    "Agreement",
    "CheckResult",
    "KnownAreaSheet",
    "KnownMeasurement",
    "KnownShape",
    "Precision",
    "ShapeOutline",
    "ShapeResult",
    "Verdict",
    "agreement",
    "check_lines",
    "conformity_probability",
    "judge",
    "known_sheets",
    "load_sheet",
    "measure_shapes",
    "nominal_mm2",
    "polygon_mm",
    "precision",
    "sheet_for",
    "summary_sentence",
    "verdict_of",
]
