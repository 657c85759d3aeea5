"""A nursery's own corrected outlines: read, learned from, judged on those held back, and kept where they help.

``windows``  the data set of corrected windows, as files
``fit``      shifts of the tissue model that fit corrections, and whether they help
``stored``   the nursery's own shifts, in its folder
"""

from fragarea.adapt.fit import Adapted, Judgement, adapt, judge
from fragarea.adapt.stored import forget, load_calibration, save_calibration
from fragarea.adapt.windows import Correction, read_corrections, write_correction

__all__ = [
    "Adapted",
    "Correction",
    "Judgement",
    "adapt",
    "forget",
    "judge",
    "load_calibration",
    "read_corrections",
    "save_calibration",
    "write_correction",
]
