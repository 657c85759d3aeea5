"""One page for a batch or a visit, in one file that opens from a mail attachment."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path, PurePosixPath
from urllib.parse import quote

from fragarea.doubts import DOUBTS, Doubt, DoubtKind
from fragarea.measurement import FragmentStatus
from fragarea.report.pictures import jpeg_bytes, reduced, write_whole
from fragarea.report.rounding import format_area, round_area
from fragarea.report.rows import ReportRow, Visit, sum_area, visit_order, visits_of
from fragarea.report.strokes import Image
from fragarea.report.words import CAUTIONS, LOOK, by_weight, needs_look, place_words, when_words

THUMBNAIL_QUALITY = 78
_FEW_PHOTOS = 30
# an attachment much over 10 MB is often refused: at these widths a picture takes about 150 and 75 kB
_WIDTH_PX = {"few": 720, "many": 480}


@dataclass(frozen=True)
class PagePhoto:
    """A measured photo on the page.

    Attributes
    ----------
    photo : str
        File name.
    site : str
    visit_on : date or None
    taken_at : datetime or None
    doubts : tuple of Doubt
        About the whole photo.
    picture : str
        Where its overlay lies, relative to the page, with ``/``; empty when there is none.
    thumbnail_jpeg : bytes
        Put into the page itself (see :func:`thumbnail`); empty for none.
    """

    photo: str
    site: str
    visit_on: date | None
    taken_at: datetime | None
    doubts: tuple[Doubt, ...]
    picture: str = ""
    thumbnail_jpeg: bytes = b""


@dataclass(frozen=True)
class RefusedPhoto:
    """A photo that could not be measured.

    Attributes
    ----------
    photo, cause, remedy : str
        As in :class:`fragarea.errors.PhotoProblem`.
    """

    photo: str
    cause: str
    remedy: str


@dataclass(frozen=True)
class ReportPage:
    """What a page shows.

    Attributes
    ----------
    nursery : str
    made_at : datetime
    software_version : str
    rows : tuple of ReportRow
    photos : tuple of PagePhoto
    refused : tuple of RefusedPhoto
    sheets : tuple of (site, visit_on, relative path)
        Pages of contact sheets.
    last_check : str
        Sentence on the last known-area check; empty when there was none.
    """

    nursery: str
    made_at: datetime
    software_version: str
    rows: tuple[ReportRow, ...]
    photos: tuple[PagePhoto, ...]
    refused: tuple[RefusedPhoto, ...] = ()
    sheets: tuple[tuple[str, date | None, str], ...] = ()
    last_check: str = ""


def thumbnail(overlay: Image, photos_on_page: int) -> bytes:
    """A reduced overlay as JPEG, smaller when the page holds many photos."""
    width = _WIDTH_PX["few" if photos_on_page <= _FEW_PHOTOS else "many"]
    rows, columns = overlay.shape[:2]
    return jpeg_bytes(reduced(overlay, round(max(rows, columns) * width / columns)), quality=THUMBNAIL_QUALITY)


def write_page(page: ReportPage, path: Path) -> None:
    """Write :func:`render_page` to a file as UTF-8; raises SettingsProblem when it cannot be written."""
    write_whole(path, render_page(page).encode("utf-8"))


def render_page(page: ReportPage) -> str:
    """The page as HTML.

    Parameters
    ----------
    page : ReportPage

    Returns
    -------
    str
        A whole document without scripts, needing no other file: its pictures are inside it and link to the large
        ones beside it. All text of users and photos is escaped.
    """
    # loaded only when a page is written: measuring alone starts without it
    from fragarea.report.templating import page_style, rendered

    visits = _visits(page)
    kinds = _doubt_lines(page, visits)
    return rendered(
        "fragarea.report",
        "report.html",
        page=page,
        style=page_style(),
        counts=_counts(page),
        look_first=[line for line in kinds if line.kind.weight >= LOOK],
        notes=[line for line in kinds if line.kind.weight < LOOK],
        visits=[_shown(number, visit, page) for number, visit in enumerate(visits, start=1)],
        cautions=CAUTIONS,
    )


@dataclass(frozen=True)
class _DoubtLine:
    """A kind of doubt with the visits that have it: (number of the visit, its title, who carries it)."""

    kind: DoubtKind
    where: tuple[tuple[int, str, str], ...]


@dataclass(frozen=True)
class _Figure:
    """A photo with where its large picture lies; an empty link for none."""

    words: str
    doubts: str
    link: str
    thumbnail_jpeg: bytes


@dataclass(frozen=True)
class _Cell:
    """A value; label and unit stand beside it where there is no room for headings."""

    value: str
    look: str
    label: str
    unit: str


@dataclass(frozen=True)
class _Line:
    """The row of a fragment, and what is said below it."""

    name: str
    look: bool
    cells: tuple[_Cell, ...]
    words: str


@dataclass(frozen=True)
class _Table:
    """Areas of a visit; headings as (words, look)."""

    headings: tuple[tuple[str, str], ...]
    lines: tuple[_Line, ...]
    total: tuple[_Cell, ...]


@dataclass(frozen=True)
class _ShownVisit:
    """One visit as the page shows it."""

    number: int
    title: str
    facts: str
    sheets: tuple[tuple[str, str], ...]
    figures: tuple[_Figure, ...]
    table: _Table | None


def _visits(page: ReportPage) -> tuple[Visit, ...]:
    """All visits with rows or photos: a photo on which no fragment was found is shown too."""
    with_rows = visits_of(page.rows)
    known = {(visit.site, visit.on) for visit in with_rows}
    bare = {(photo.site, photo.visit_on) for photo in page.photos} - known
    visits = [*with_rows, *(Visit(site, on, ()) for site, on in bare)]
    return tuple(sorted(visits, key=lambda visit: visit_order(visit.site, visit.on)))


def _counts(page: ReportPage) -> list[tuple[int, str, str]]:
    """Number, words and look of the large figures at the top."""
    doubtful = {row.sha256 for row in page.rows if row.needs_look or needs_look(row.photo_doubts)}
    counts = [
        (len(page.photos), "measured", "good"),
        (len(doubtful), "to look at", "look" if doubtful else "good"),
        (len(page.refused), "refused", "refused" if page.refused else "good"),
    ]
    return [(number, f"{'photo' if number == 1 else 'photos'} {words}", look) for number, words, look in counts]


def _doubt_lines(page: ReportPage, visits: Sequence[Visit]) -> list[_DoubtLine]:
    """Every kind of doubt on the page, the heaviest first."""
    carriers: dict[str, dict[int, list[str]]] = {}

    def carry(doubt: Doubt, number: int, who: str) -> None:
        carriers.setdefault(doubt.key, {}).setdefault(number, []).append(who)

    for number, visit in enumerate(visits, start=1):
        for photo in _photos_of(visit, page):
            for doubt in photo.doubts:
                carry(doubt, number, f"whole photo {photo.photo}")
        for row in visit.rows:
            for doubt in row.doubts:
                carry(doubt, number, row.name)
    lines = [
        _DoubtLine(
            DOUBTS[key], tuple((number, visits[number - 1].title, ", ".join(who)) for number, who in where.items())
        )
        for key, where in carriers.items()
    ]
    return sorted(lines, key=lambda line: -line.kind.weight)


def _shown(number: int, visit: Visit, page: ReportPage) -> _ShownVisit:
    measured = [row for row in visit.rows if row.status is not FragmentStatus.MISSING]
    look = sum(row.needs_look for row in visit.rows)
    total = format_area(*sum_area(visit.rows))
    facts = f"{len(measured)} measured, {look} to look at, live tissue {total} in all" if visit.rows else ""
    wrong = sum(row.marked_wrong for row in visit.rows)
    facts += f" without {wrong} marked wrong" if wrong else ""
    sheets = [path for site, on, path in page.sheets if (site, on) == (visit.site, visit.on)]
    return _ShownVisit(
        number=number,
        title=visit.title,
        facts=facts,
        sheets=tuple(
            (f"Contact sheet {i}" if len(sheets) > 1 else "Contact sheet", _link(path))
            for i, path in enumerate(sheets, start=1)
        ),
        figures=tuple(_figure(photo) for photo in _photos_of(visit, page)),
        table=_table(visit) if visit.rows else None,
    )


def _photos_of(visit: Visit, page: ReportPage) -> list[PagePhoto]:
    return [photo for photo in page.photos if (photo.site, photo.visit_on) == (visit.site, visit.on)]


def _figure(photo: PagePhoto) -> _Figure:
    return _Figure(
        words=f"{photo.photo}, {when_words(photo.taken_at)}",
        doubts=", ".join(doubt.kind.title for doubt in by_weight(photo.doubts)),
        link=_link(photo.picture) if photo.picture else "",
        thumbnail_jpeg=photo.thumbnail_jpeg,
    )


def _link(relative: str) -> str:
    """A relative path as a link that can only be a file beside the page."""
    return "./" + quote(str(PurePosixPath(relative)), safe="/")


_HEADINGS = {
    "place": "",
    "genotype": "",
    "live, cm²": "number live",
    "bleached, cm²": "number",
    "dead, cm²": "number",
    "of plug, %": "number",
}


def _table(visit: Visit) -> _Table:
    rows = [_row_values(row) for row in visit.rows]
    shown = [name for name in _HEADINGS if name == "live, cm²" or any(values[name] for values in rows)]
    total = dict.fromkeys(shown, "") | {"live, cm²": " ± ".join(round_area(*sum_area(visit.rows)))}
    return _Table(
        headings=tuple((name, _HEADINGS[name]) for name in shown),
        lines=tuple(
            _Line(row.name, row.needs_look, _cells(values, shown), _row_words(row))
            for row, values in zip(visit.rows, rows, strict=True)
        ),
        total=_cells(total, shown),
    )


def _row_words(row: ReportRow) -> str:
    words = [row.status.value] if row.status is FragmentStatus.PARTLY_DEAD else []
    return "; ".join([*words, *(str(doubt) for doubt in by_weight(row.doubts))])


def _row_values(row: ReportRow) -> dict[str, str]:
    gone = row.status in (FragmentStatus.MISSING, FragmentStatus.DEAD)
    # a position is short and stays on one line; a label is a person's text of any length
    place = place_words(row.place) if isinstance(row.place, str) else place_words(row.place).replace(" ", "\u00a0")
    cover = row.plug_coverage_percent
    return {
        "place": place if place_words(row.place) != row.name else "",
        "genotype": row.genotype,
        "live, cm²": row.status.value if gone else " ± ".join(round_area(row.live_mm2, row.live_expanded_mm2)),
        "bleached, cm²": _plain(row.bleached_mm2),
        "dead, cm²": _plain(row.dead_mm2),
        "of plug, %": f"{cover:.0f}" if cover is not None and not gone else "",
    }


def _cells(values: dict[str, str], shown: Sequence[str]) -> tuple[_Cell, ...]:
    return tuple(_cell(values[name], name) for name in shown)


def _cell(value: str, heading: str) -> _Cell:
    label, _, unit = heading.partition(", ")
    return _Cell(value, _HEADINGS[heading], label if value else "", unit if value[:1].isdigit() else "")


def _plain(area_mm2: float) -> str:
    return f"{area_mm2 / 100:.2f}" if area_mm2 >= 0.5 else ""
