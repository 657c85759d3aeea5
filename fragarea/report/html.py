"""One page for a batch or a visit, in one file that opens from a mail attachment."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from importlib.resources import files
from pathlib import Path, PurePosixPath
from urllib.parse import quote

from fragarea.doubts import DOUBTS, Doubt, DoubtKind
from fragarea.measurement import FragmentStatus
from fragarea.report.markup import Markup, element, joined
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
    visits = _visits(page)
    body = element(
        "main",
        _summary(page),
        _refusals(page.refused),
        _look_first(page, visits),
        _contents(visits),
        *(_visit(number, visit, page) for number, visit in enumerate(visits, start=1)),
        _notes(page, visits),
    )
    return "<!DOCTYPE html>\n" + element("html", _head(page), element("body", body, _footer(page)), lang="en") + "\n"


def _visits(page: ReportPage) -> tuple[Visit, ...]:
    """All visits with rows or photos: a photo on which no fragment was found is shown too."""
    with_rows = visits_of(page.rows)
    known = {(visit.site, visit.on) for visit in with_rows}
    bare = {(photo.site, photo.visit_on) for photo in page.photos} - known
    visits = [*with_rows, *(Visit(site, on, ()) for site, on in bare)]
    return tuple(sorted(visits, key=lambda visit: visit_order(visit.site, visit.on)))


def _head(page: ReportPage) -> Markup:
    style = (files("fragarea.report") / "page.css").read_text(encoding="utf-8")
    # no script, no other host: even markup that slipped through could do nothing
    policy = "default-src 'none'; img-src data:; style-src 'unsafe-inline'"
    return element(
        "head",
        element("meta", charset="utf-8"),
        element("meta", name="viewport", content="width=device-width, initial-scale=1"),
        element("meta", http_equiv="Content-Security-Policy", content=policy),
        element("title", f"{page.nursery or 'Nursery'}: live tissue areas"),
        element("style", Markup(style)),
    )


def _summary(page: ReportPage) -> Markup:
    doubtful = {row.sha256 for row in page.rows if row.needs_look or needs_look(row.photo_doubts)}
    counts = [
        (len(page.photos), "measured", "good"),
        (len(doubtful), "to look at", "look" if doubtful else "good"),
        (len(page.refused), "refused", "refused" if page.refused else "good"),
    ]
    check = page.last_check or "No known-area check yet: photograph the sheet of known areas once a month."
    return element(
        "header",
        element("h1", page.nursery or "Nursery"),
        element("p", f"Live tissue areas, made {when_words(page.made_at)}", class_="made"),
        element(
            "ul",
            *(
                element("li", element("b", str(n)), f" {_photos(n)} {words}", class_=look)
                for n, words, look in counts
            ),
            class_="counts",
        ),
        element("p", f"{check[:1].upper()}{check[1:]}", class_="check"),
    )


def _photos(number: int) -> str:
    return "photo" if number == 1 else "photos"


def _refusals(refused: Sequence[RefusedPhoto]) -> Markup:
    if not refused:
        return Markup()
    items = [
        element(
            "li",
            element("strong", photo.photo),
            element("span", f"{_sentence(photo.cause)} ", class_="cause"),
            element("span", _sentence(photo.remedy), class_="do"),
        )
        for photo in refused
    ]
    return element("section", element("h2", "Refused photos"), element("ul", *items, class_="cards refused"))


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}{'' if words.endswith('.') else '.'}"


def _carriers(page: ReportPage, visits: Sequence[Visit]) -> dict[str, list[tuple[int, str]]]:
    """Doubt -> (number of the visit, who carries it), in order of visits."""
    carriers: dict[str, list[tuple[int, str]]] = {}
    for number, visit in enumerate(visits, start=1):
        for photo in _photos_of(visit, page):
            for doubt in photo.doubts:
                carriers.setdefault(doubt.key, []).append((number, f"whole photo {photo.photo}"))
        for row in visit.rows:
            for doubt in row.doubts:
                carriers.setdefault(doubt.key, []).append((number, row.name))
    return carriers


def _look_first(page: ReportPage, visits: Sequence[Visit]) -> Markup:
    carriers = _carriers(page, visits)
    kinds = sorted((DOUBTS[key] for key in carriers if DOUBTS[key].weight >= LOOK), key=lambda kind: -kind.weight)
    if not kinds:
        return Markup()
    cards = [_doubt_card(kind, carriers[kind.key], visits) for kind in kinds]
    return element("section", element("h2", "Look at these first"), element("ul", *cards, class_="cards look"))


def _doubt_card(kind: DoubtKind, carriers: Iterable[tuple[int, str]], visits: Sequence[Visit]) -> Markup:
    by_visit: dict[int, list[str]] = {}
    for number, who in carriers:
        by_visit.setdefault(number, []).append(who)
    where = [
        element("li", element("a", visits[number - 1].title, href=f"#visit-{number}"), f": {', '.join(who)}")
        for number, who in by_visit.items()
    ]
    return element(
        "li",
        element("strong", _sentence(kind.title)[:-1]),
        element("span", _sentence(kind.seen), class_="cause"),
        element("span", _sentence(kind.do), class_="do"),
        element("ul", *where, class_="where"),
    )


def _contents(visits: Sequence[Visit]) -> Markup:
    if len(visits) < 2:
        return Markup()
    items = [element("li", element("a", v.title, href=f"#visit-{i}")) for i, v in enumerate(visits, start=1)]
    return element("nav", element("h2", "Sites and visits"), element("ul", *items))


def _visit(number: int, visit: Visit, page: ReportPage) -> Markup:
    measured = [row for row in visit.rows if row.status is not FragmentStatus.MISSING]
    look = sum(row.needs_look for row in visit.rows)
    total = format_area(*sum_area(visit.rows))
    facts = f"{len(measured)} measured, {look} to look at, live tissue {total} in all" if visit.rows else ""
    sheets = [path for site, on, path in page.sheets if (site, on) == (visit.site, visit.on)]
    links = [
        element("li", element("a", f"Contact sheet {i}" if len(sheets) > 1 else "Contact sheet", href=_link(path)))
        for i, path in enumerate(sheets, start=1)
    ]
    return element(
        "section",
        element("h2", visit.title),
        element("p", facts, class_="sum"),
        element("ul", *links, class_="links") if links else Markup(),
        element(
            "div",
            element("div", *(_figure(photo) for photo in _photos_of(visit, page)), class_="pictures"),
            element("div", _table(visit) if visit.rows else "No fragment was found."),
            class_="visit",
        ),
        id=f"visit-{number}",
    )


def _photos_of(visit: Visit, page: ReportPage) -> list[PagePhoto]:
    return [photo for photo in page.photos if (photo.site, photo.visit_on) == (visit.site, visit.on)]


def _figure(photo: PagePhoto) -> Markup:
    words = f"{photo.photo}, {when_words(photo.taken_at)}"
    doubts = [doubt.kind.title for doubt in by_weight(photo.doubts)]
    caption = element("figcaption", words, *([element("span", ", ".join(doubts), class_="doubts")] if doubts else []))
    if not photo.thumbnail_jpeg:
        return element("figure", element("a", words, href=_link(photo.picture)) if photo.picture else "", caption)
    source = "data:image/jpeg;base64," + base64.b64encode(photo.thumbnail_jpeg).decode("ascii")
    picture = element("img", src=source, alt=f"{words}: outlines, names and areas of its fragments", loading="lazy")
    shown = (
        element("a", picture, href=_link(photo.picture), title="open the large picture") if photo.picture else picture
    )
    return element("figure", shown, caption)


def _link(relative: str) -> str:
    """A relative path as a link that can only be a file beside the page."""
    return "./" + quote(str(PurePosixPath(relative)), safe="/")


_HEADINGS = {
    "place": None,
    "genotype": None,
    "live, cm²": "number live",
    "bleached, cm²": "number",
    "dead, cm²": "number",
    "of plug, %": "number",
}


def _table(visit: Visit) -> Markup:
    cells = [_row_cells(row) for row in visit.rows]
    shown = [name for name in _HEADINGS if name == "live, cm²" or any(cell[name] for cell in cells)]
    total = dict.fromkeys(shown, "") | {"live, cm²": " ± ".join(round_area(*sum_area(visit.rows)))}
    return element(
        "table",
        element(
            "thead",
            element(
                "tr",
                element("th", "fragment", scope="col"),
                *(element("th", name, class_=_HEADINGS[name], scope="col") for name in shown),
            ),
        ),
        element("tbody", *(_table_rows(row, cell, shown) for row, cell in zip(visit.rows, cells, strict=True))),
        element("tfoot", element("tr", element("th", "sum", scope="row"), *_cells(total, shown))),
    )


def _row_cells(row: ReportRow) -> dict[str, str]:
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


def _table_rows(row: ReportRow, cells: dict[str, str], shown: Sequence[str]) -> Markup:
    """The row of a fragment, and below it one of its doubts if it has any."""
    look = "look" if row.needs_look else None
    words = [row.status.value] if row.status is FragmentStatus.PARTLY_DEAD else []
    words += [str(doubt) for doubt in by_weight(row.doubts)]
    name = element("th", f"! {row.name}" if row.needs_look else row.name, scope="row", rowspan=2 if words else None)
    first = element(
        "tr", name, *_cells(cells, shown), class_=f"{look or ''} {'more' if words else ''}".strip() or None
    )
    if not words:
        return first
    return joined(first, element("tr", element("td", "; ".join(words), colspan=len(shown)), class_=look))


def _cells(values: dict[str, str], shown: Sequence[str]) -> list[Markup]:
    return [_cell(values[name], name) for name in shown]


def _cell(value: str, heading: str) -> Markup:
    # where there is no room for headings, label and unit stand beside the value: "bleached: 0.35 cm²"
    label, _, unit = heading.partition(", ")
    return element(
        "td",
        value,
        class_=_HEADINGS[heading],
        data_label=label if value else None,
        data_unit=unit if unit and value[:1].isdigit() else None,
    )


def _plain(area_mm2: float) -> str:
    return f"{area_mm2 / 100:.2f}" if area_mm2 >= 0.5 else ""


def _notes(page: ReportPage, visits: Sequence[Visit]) -> Markup:
    carriers = _carriers(page, visits)
    kinds = [DOUBTS[key] for key in carriers if DOUBTS[key].weight < LOOK]
    if not kinds:
        return Markup()
    cards = [_doubt_card(kind, carriers[kind.key], visits) for kind in kinds]
    return element("section", element("h2", "Notes"), element("ul", *cards, class_="cards"))


def _footer(page: ReportPage) -> Markup:
    how = "± is the expanded uncertainty at 95 %: scale, print, height, outline and lens together."
    return element(
        "footer",
        element("ul", element("li", how), *(element("li", caution) for caution in CAUTIONS)),
        element("p", joined("fragarea ", page.software_version)),
    )
