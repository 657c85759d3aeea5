"""The fragments table: every fragment, its species and its genotype."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from fragarea.errors import TableProblem
from fragarea.nursery.cells import Line
from fragarea.nursery.records import Fragment
from fragarea.nursery.spelling import Spelling, spelled_two_ways
from fragarea.nursery.table_file import Row, read_rows

NEEDED = ("fragment", "species", "genotype")
COLUMNS = ("fragment", "species", "genotype", "broodstock", "cut_on", "plug_mm")


def read_fragments(path: Path, *, different_genotypes: Iterable[tuple[str, str]] = ()) -> tuple[Fragment, ...]:
    """Read fragments.csv or fragments.xlsx.

    Parameters
    ----------
    path : Path
    different_genotypes : iterable of (name, name)
        Genotypes that look like two spellings of one but are not.

    Raises
    ------
    TableProblem
        With all faults of the table, line by line: missing or doubled names, names that a spreadsheet or a file
        system would act on, bad numbers and dates, and a genotype or species spelled two ways.
    """
    faults: list[str] = []
    rows = read_rows(path, needed=NEEDED, known=COLUMNS)
    lines = [(row.line, _fragment(row, faults)) for row in rows]
    faults += _doubled(lines)
    faults += _spellings([(line, one.genotype, one.species) for line, one in lines], "genotype", different_genotypes)
    # each species is its own kin: sibling species may differ by a letter, so only typing is compared
    faults += _spellings([(line, one.species, one.species) for line, one in lines], "species", ())
    if faults:
        raise TableProblem(path.name, in_line_order(faults))
    return tuple(fragment for _, fragment in lines)


def in_line_order(faults: list[str]) -> list[str]:
    """Faults sorted by the line number that each begins with."""
    return sorted(faults, key=lambda fault: int(fault.split()[1].rstrip(":")))


def _fragment(row: Row, faults: list[str]) -> Fragment:
    line = Line(row, faults)
    return Fragment(
        fragment=line.name("fragment"),
        species=line.text("species"),
        genotype=line.text("genotype"),
        broodstock=line.text("broodstock"),
        cut_on=line.day("cut_on"),
        plug_mm=line.number_in("plug_mm", low=3, high=200),
    )


def _doubled(lines: list[tuple[int, Fragment]]) -> list[str]:
    faults, first = [], dict[str, tuple[int, str]]()
    for line, one in lines:
        earlier_line, earlier = first.setdefault(one.fragment.casefold(), (line, one.fragment))
        if earlier_line == line or not one.fragment:
            continue
        if earlier == one.fragment:
            faults.append(f"line {line}: fragment {one.fragment!r} stands already in line {earlier_line}")
        else:
            both = f"{earlier!r} (line {earlier_line}) and {one.fragment!r}"
            faults.append(f"line {line}: fragments {both} differ only in capitals; give one another name")
    return faults


def _spellings(lines: list[tuple[int, str, str]], what: str, different: Iterable[tuple[str, str]]) -> list[str]:
    first = dict[str, Spelling]()
    for line, name, species in lines:
        if name:
            first.setdefault(name, Spelling(name, line, species))
    advice = "use one spelling"
    if what == "genotype":
        advice += ", or list the pair under different_genotypes in nursery.toml if they are two"
    return [
        f"line {later.line}: {what} {later.name!r} looks like {earlier.name!r} in line {earlier.line}; {advice}"
        for earlier, later in spelled_two_ways(list(first.values()), different)
    ]
