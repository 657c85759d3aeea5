"""Which files are written for printing, and writing them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from fragarea.check.sheet import KnownAreaSheet, known_sheets, load_sheet
from fragarea.errors import SettingsProblem
from fragarea.reference.layout import ReferenceLayout, known_references, load_reference
from fragarea.sheets.objects import PrintedObject, reference_object, shapes_alone, shapes_in_reference
from fragarea.sheets.pages import known_area_pages, reference_pages
from fragarea.sheets.paper import paper_named
from fragarea.sheets.pdf import pdf_bytes
from fragarea.sheets.svg import svg_text

FORMATS = ("pdf", "svg", "both")


@dataclass(frozen=True)
class PrintFile:
    """A file to write.

    Attributes
    ----------
    name : str
        File name.
    content : bytes
    what : str
        What it is, in a few words.
    """

    name: str
    content: bytes
    what: str


def print_files(
    *,
    references: Sequence[str | Path] | None = None,
    known_areas: bool = True,
    paper: str = "a4",
    file_format: str = "both",
    made_on: date,
) -> tuple[PrintFile, ...]:
    """Files that print references and known-area sheets at exact size.

    Parameters
    ----------
    references : sequence of str or Path, optional
        Names or JSON files; all that come with the project by default.
    known_areas : bool
        Whether to add the known-area sheets that come with the project.
    paper : str
        ``"a4"``, ``"letter"``, ``"a3"`` or ``"tabloid"``.
    file_format : str
        ``"pdf"`` for pages of that paper, ``"svg"`` for the thing itself at its own size, or ``"both"``.
    made_on : date

    Returns
    -------
    tuple of PrintFile

    Raises
    ------
    SettingsProblem
        If a reference, paper or format is not known, two references have one name, or a thing cannot be printed.
    """
    if file_format not in FORMATS:
        raise SettingsProblem(f"format {file_format!r} is not known. Use one of {', '.join(FORMATS)}.")
    layouts = [load_reference(one) for one in (known_references() if references is None else references)]
    files: list[PrintFile] = []
    for layout in layouts:
        files += _reference_files(layout, paper, file_format, made_on)
    for name in known_sheets() if known_areas else ():
        files += _known_area_files(load_sheet(name), paper, file_format, made_on)
    _check_names(files)
    return tuple(files)


def write_files(files: Sequence[PrintFile], folder: Path, *, replace: bool = False) -> tuple[Path, ...]:
    """Write files into a folder, which is made if need be.

    Raises
    ------
    SettingsProblem
        If a file is already there and `replace` is False (then none is written), or the folder cannot be written.
    """
    there = [file.name for file in files if (folder / file.name).exists()]
    if there and not replace:
        raise SettingsProblem(
            f"{folder}: {', '.join(there)} already there. Use another folder, or --replace to write over."
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for file in files:
            (folder / file.name).write_bytes(file.content)
    except OSError as error:
        raise SettingsProblem(f"{folder}: cannot be written ({error.strerror}). Use another folder.") from error
    return tuple(folder / file.name for file in files)


def _reference_files(layout: ReferenceLayout, paper: str, file_format: str, made_on: date) -> list[PrintFile]:
    name = _file_name(layout.name)
    files = []
    if file_format != "svg":
        chosen = paper_named(paper)
        pages = reference_pages(layout, chosen, made_on)
        content = pdf_bytes(pages, f"{layout.name}, {chosen.title}")
        files.append(
            PrintFile(f"{name}-{chosen.name}.pdf", content, f"reference, {_count(len(pages))} {chosen.title}")
        )
    if file_format != "pdf":
        files.append(_svg_file(name, reference_object(layout), "reference"))
    return files


def _known_area_files(sheet: KnownAreaSheet, paper: str, file_format: str, made_on: date) -> list[PrintFile]:
    layout = load_reference(sheet.reference)
    name = _file_name(sheet.name)
    files = []
    if file_format != "svg":
        chosen = paper_named(paper)
        pages = known_area_pages(sheet, layout, chosen, made_on)
        content = pdf_bytes(pages, f"{sheet.name}, {chosen.title}")
        what = f"known-area sheet for {layout.name}, {_count(len(pages))} {chosen.title}"
        files.append(PrintFile(f"{name}-{chosen.name}.pdf", content, what))
    if file_format != "pdf":
        files.append(_svg_file(name, shapes_in_reference(sheet, layout), "known areas with their reference"))
        if layout.window_mm:
            files.append(_svg_file(f"{name}-shapes", shapes_alone(sheet, layout), "known areas alone"))
    return files


def _svg_file(name: str, thing: PrintedObject, what: str) -> PrintFile:
    width, height = thing.size_mm
    description = f"{what.capitalize()}: {width:g} x {height:g} mm at 100 %. One unit of the drawing is 1 mm."
    return PrintFile(f"{name}.svg", svg_text(thing, description).encode(), f"{what}, {width:g} x {height:g} mm")


def _count(pages: int) -> str:
    return "1 page" if pages == 1 else f"{pages} pages"


def _file_name(name: str) -> str:
    """The name with only letters, digits, dots and dashes, so that it names a file in this folder everywhere."""
    kept = "".join(letter if letter.isalnum() or letter in "-." else "-" for letter in name).strip(".-")
    return kept or "sheet"


def _check_names(files: Sequence[PrintFile]) -> None:
    names = [file.name.casefold() for file in files]
    twice = next((name for number, name in enumerate(names) if name in names[:number]), None)
    if twice:
        raise SettingsProblem(f"two things to print would both be written to {twice}. Give each its own name.")
