"""The words on the sheets: how to print, cut, glue, check and use what is on them."""

from __future__ import annotations

import math

import numpy as np

from fragarea.reference.layout import ReferenceLayout, TagLayout
from fragarea.sheets.flow import Note, numbered
from fragarea.sheets.objects import PrintedObject
from fragarea.sheets.paper import LINE_MM

# The line C-D serves better than a print-check length shorter than this.
SHORT_MM = 120.0
GLUED_TOLERANCE_MM = 0.5
GREY_NOTE = Note("The grey patches are nominal: printers differ. No size depends on them.")


def reference_notes(thing: PrintedObject, *, pieces: int) -> tuple[Note, ...]:
    """What to do with a printed reference, in order."""
    layout = _layout_of(thing)
    glue = _gluing(pieces) if pieces > 1 else _one_piece(thing)
    return (
        Note(f"How to make {layout.name}", "heading"),
        *numbered(
            [
                f"Measure the line C–D at the edge of {'each' if pieces > 1 else 'this'} page with a steel ruler: "
                f"{LINE_MM:.1f} mm. If it is not, print again without any scaling.",
                *([_cutting(thing)] if pieces == 1 else [_cutting(thing), *glue]),
                *(glue if pieces == 1 else []),
            ]
        ),
        *_distances(layout, glued=pieces > 1),
        *print_check_notes(thing),
        *_use(thing),
    )


def _cutting(thing: PrintedObject) -> str:
    window = " Cut out the window and keep this text." if thing.window else ""
    return f"Cut along the grey lines.{window} Leave the white margin of every tag: tags need it to be found."


BOARD = (
    "on a flat, stiff, waterproof board (plastic foam board, 3 mm or more). A bent board bends the scale: look "
    "along it."
)


def _gluing(pieces: int) -> list[str]:
    joining = (
        "Glue piece 2 on the hatched flaps of piece 1: its cut edge on the dashed lines, its outer and inner edges "
        "in line with those of the flap."
        if pieces == 2
        else "Glue the pieces in the order of their numbers: each cut edge on the dashed lines of the piece before "
        "it, outer and inner edges in line with those of the hatched flap."
    )
    return [joining, f"Glue the whole {BOARD} Cut its window free."]


def _one_piece(thing: PrintedObject) -> list[str]:
    rest = "Cut its window free." if thing.window else "A card may be laminated instead."
    return [f"Glue it {BOARD} {rest}"]


def _distances(layout: ReferenceLayout, *, glued: bool) -> tuple[Note, ...]:
    pairs = distances_to_measure(layout)
    when = "Check it after gluing" if glued else "Check the print"
    return (
        Note(when, "heading"),
        Note(
            "Measure from the left edge of one tag to the left edge of the other (upright: top edge to top edge; "
            "slanting: corner to the same corner). This is the distance of their centres."
        ),
        *(
            Note(f"tag {first.tag_id} to tag {second.tag_id}", "row", f"{length:.1f} mm")
            for first, second, length in pairs
        ),
        Note(
            f"Each must agree to {GLUED_TOLERANCE_MM:.1f} mm, and the two slanting ones with each other: "
            f"otherwise {'glue again' if glued else 'use another printer'}."
        ),
    )


def distances_to_measure(layout: ReferenceLayout) -> tuple[tuple[TagLayout, TagLayout, float], ...]:
    """Sides and diagonals between the tags nearest to the four corners, with nominal lengths in mm.

    Every joint is crossed by some of them, and equal diagonals show that the whole is square.
    """
    xy = np.array([tag.centre_mm for tag in layout.tags])
    low, high = xy.min(axis=0), xy.max(axis=0)
    corners = ((low[0], low[1]), (high[0], low[1]), (high[0], high[1]), (low[0], high[1]))
    four = [min(layout.tags, key=lambda tag: math.dist(tag.centre_mm, corner)) for corner in corners]
    pairs = [(0, 1), (3, 2), (0, 3), (1, 2), (0, 2), (1, 3)]
    seen: dict[tuple[int, int], tuple[TagLayout, TagLayout, float]] = {}
    for a, b in pairs:
        first, second = four[a], four[b]
        if first != second:
            key = (min(first.tag_id, second.tag_id), max(first.tag_id, second.tag_id))
            seen.setdefault(key, (first, second, math.dist(first.centre_mm, second.centre_mm)))
    return tuple(seen.values())


def print_check_notes(thing: PrintedObject) -> tuple[Note, ...]:
    """How to enter the print check."""
    layout = _layout_of(thing)
    nominal = layout.print_check_mm
    first, second = layout.print_check_tags
    marks = f"from mark A to mark B (on the edge, beside tags {first} and {second})"
    ends = marks if thing.check_marks else f"from tag {first} to tag {second}"
    if nominal < SHORT_MM:
        measured = f"Measure the line C–D three times, before you cut (A–B, {nominal:.0f} mm, is short for a ruler)."
        command = f"fragarea print-check {layout.name} --line {_example(LINE_MM)}"
    else:
        measured = f"Measure {ends} three times, to half a millimetre, when all is dry: {nominal:.1f} mm."
        command = f"fragarea print-check {layout.name} {_example(nominal)}"
    return (
        Note("Tell the program", "heading"),
        Note(f"{measured} Type what you read, for instance:"),
        Note(command, "command"),
    )


def _example(nominal_mm: float) -> str:
    return " ".join(f"{nominal_mm + extra:.1f}" for extra in (0.5, 0.0, 0.5))


def _use(thing: PrintedObject) -> tuple[Note, ...]:
    layout = _layout_of(thing)
    lie = "Lay it around the tray or pad" if layout.window_mm else "Lay it flat beside the plug"
    return (
        Note("Use", "heading"),
        Note(
            f"{lie}, at the height of the plug tops, or enter how much higher the plug tops are "
            "(reference_offset_mm). Wipe the tags dry, take the photo from straight above with every tag in view. "
            "Measure again every few months, and after it was soaked or lay in the sun: paper swells and shrinks."
        ),
        *([GREY_NOTE] if layout.grey_patches else []),
    )


def known_area_notes(layout: ReferenceLayout) -> tuple[Note, ...]:
    """What to do with a known-area sheet, in order."""
    return (
        Note("How to check the whole way from photo to area", "heading"),
        *numbered(
            [
                "Print, and check the line C–D. Glue the sheet flat on a stiff board. Shapes alone lie, or are "
                f"glued, in the window of {layout.name}: flat, and level with its tags.",
                "Ink spreads: 0.05 mm on every edge makes a disc of 100 mm² 1.8 % larger. Measure the widest disc "
                "across with a caliper and compare it with the table.",
                "Take at least five photos, as you take those of your corals: same camera, height and light. Turn "
                "the sheet between them. Then type:",
                Note(f"fragarea check --reference {layout.name} PHOTOS", "command"),
            ]
        ),
    )


def _layout_of(thing: PrintedObject) -> ReferenceLayout:
    if thing.layout is None:
        raise ValueError(f"{thing.name} carries no reference")
    return thing.layout
