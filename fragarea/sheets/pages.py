"""Pages of a reference or a known-area sheet: pieces at exact size, joints, notes, tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

from shapely import box

from fragarea import __version__
from fragarea.check.sheet import KnownAreaSheet
from fragarea.reference.layout import ReferenceLayout
from fragarea.sheets.areas import areas_page_items
from fragarea.sheets.drafts import Draft, form_that_holds, object_drafts
from fragarea.sheets.drawing import Page
from fragarea.sheets.flow import Note, flow
from fragarea.sheets.notes import known_area_notes, reference_notes
from fragarea.sheets.objects import reference_object, shapes_alone, shapes_in_reference
from fragarea.sheets.paper import PageFormat, Paper, furniture

NOTE_PT = 8.5


def reference_pages(layout: ReferenceLayout, paper: Paper, made_on: date) -> tuple[Page, ...]:
    """Pages that print a reference at exact size.

    Parameters
    ----------
    layout : ReferenceLayout
    paper : Paper
    made_on : date
        Printed at the foot of each page.

    Returns
    -------
    tuple of Page
        One page when it fits, otherwise one a piece; further pages for notes that found no room.

    Raises
    ------
    SettingsProblem
        If the layout cannot be printed, or cannot be cut to fit the paper.
    """
    return _numbered(_reference_drafts(layout, paper), layout.name, made_on)


def known_area_pages(sheet: KnownAreaSheet, layout: ReferenceLayout, paper: Paper, made_on: date) -> tuple[Page, ...]:
    """Pages that print a known-area sheet at exact size.

    First the shapes with their reference around them, where one page holds both; then the shapes alone, for the
    window of the reference; then, where no page holds both, the reference in pieces; last the table of areas.

    Raises
    ------
    SettingsProblem
        If reference or shapes cannot be printed.
    """
    together = shapes_in_reference(sheet, layout)
    whole = form_that_holds(together, paper)
    drafts = object_drafts(together, paper, "shapes with reference") if whole else []
    if layout.window_mm:
        alone = shapes_alone(sheet, layout)
        drafts += object_drafts(alone, paper, f"shapes alone, for the window of {layout.name}")
    if not whole:
        drafts += _reference_drafts(layout, paper)
    drafts.append(_areas_draft(sheet, layout, paper))
    return _numbered(drafts, sheet.name, made_on)


def _areas_draft(sheet: KnownAreaSheet, layout: ReferenceLayout, paper: Paper) -> Draft:
    form = PageFormat(paper, landscape=False)
    items, used = areas_page_items(sheet, layout, form.room)
    left, _, right, bottom = form.room.bounds
    column = box(left, used, right, bottom)
    return _with_notes([Draft(form, f"{sheet.name}: nominal areas", items, (column,))], known_area_notes(layout))[0]


def _reference_drafts(layout: ReferenceLayout, paper: Paper) -> list[Draft]:
    thing = reference_object(layout)
    drafts = object_drafts(thing, paper, "")
    return _with_notes(drafts, reference_notes(thing, pieces=len(drafts)))


def _with_notes(drafts: Sequence[Draft], notes: Sequence[Note]) -> list[Draft]:
    """Notes set in the columns of the pages in turn; what is left over goes on pages of its own."""
    done: list[Draft] = []
    for draft in drafts:
        items = draft.items
        for column in draft.columns:
            set_items, notes = flow(notes, column, NOTE_PT)
            items += set_items
        done.append(replace(draft, items=items, columns=()))
    while notes:
        form = PageFormat(drafts[0].form.paper, landscape=False)
        items, notes = flow(notes, form.room, NOTE_PT)
        done.append(Draft(form, "Notes", items))
    return done


def _numbered(drafts: Sequence[Draft], name: str, made_on: date) -> tuple[Page, ...]:
    pages = []
    for number, draft in enumerate(drafts, start=1):
        form = draft.form
        place = f"{form.paper.title}, page {number} of {len(drafts)}"
        foot = f"fragarea {__version__}   file {name}   made on {made_on.isoformat()}   all lengths in mm"
        items = (*furniture(form, title=draft.title, place=place, foot=foot), *draft.items)
        pages.append(Page(form.width_mm, form.height_mm, items))
    return tuple(pages)
