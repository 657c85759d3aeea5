"""Printable references and known-area sheets at exact size, and the check of what the printer made of them.

``drawing``, ``typeface``   what is on a page, in mm; the embedded typeface
``tags``, ``labels``        tags as areas; small words kept away from them
``objects``                 the printed things, in reference axes
``pieces``, ``joints``      cutting what is larger than the paper; flaps and lines to glue by
``paper``, ``flow``         paper formats, heading and ruler line; notes set in columns
``notes``, ``areas``        the words on the sheets; the table of nominal areas
``drafts``, ``pages``       things and notes placed on pages
``pdf``, ``svg``, ``files`` the same drawing as files
``print_check``             the correction from a length measured on the print
"""

from fragarea.sheets.files import PrintFile, print_files, write_files
from fragarea.sheets.paper import LINE_MM, PAPERS
from fragarea.sheets.print_check import (
    PrintCorrection,
    print_correction,
    reading_in_mm,
    ruler_u_mm,
)

__all__ = [
    "LINE_MM",
    "PAPERS",
    "PrintCorrection",
    "PrintFile",
    "print_correction",
    "print_files",
    "reading_in_mm",
    "ruler_u_mm",
    "write_files",
]
