"""What the weekly report shows: one record a section, each shown by the template of its name."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime

from markupsafe import Markup


@dataclass(frozen=True)
class Picture:
    """A fragment on a photo with its outlines.

    Attributes
    ----------
    key : str
        Under which the page keeps it.
    about : str
        What it shows, for those who cannot see it.
    """

    key: str
    about: str


@dataclass(frozen=True)
class Taken:
    """What became of a picture.

    Attributes
    ----------
    jpeg : bytes
        Empty where there is none.
    why_not : str
        Why there is none.
    """

    jpeg: bytes = b""
    why_not: str = ""


@dataclass(frozen=True)
class Shot:
    """A picture with what was measured on it.

    Attributes
    ----------
    picture : Picture
    on : date
    words : str
        Area with its uncertainty, or the state that stands in its place.
    """

    picture: Picture
    on: date
    words: str


@dataclass(frozen=True)
class VisitLine:
    """One site on one day.

    Attributes
    ----------
    site : str
    on : date
    photos, measured, to_look_at : int
        Photos, fragments found on them, and those of them with a doubt that asks for a look.
    live : str
        Live tissue of all, with its uncertainty.
    """

    site: str
    on: date
    photos: int
    measured: int
    to_look_at: int
    live: str


@dataclass(frozen=True)
class Refused:
    """A photo that could not be measured, why, and what to do."""

    photo: str
    cause: str
    remedy: str


@dataclass(frozen=True)
class Photographed:
    """What was photographed.

    Attributes
    ----------
    visits : tuple of VisitLine
    refused : tuple of Refused
    not_visited : tuple of str
        Sites without a photo on these days, and when each had its last.
    notes : tuple of str
        Late and undated photos.
    """

    visits: tuple[VisitLine, ...]
    refused: tuple[Refused, ...] = ()
    not_visited: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Changed:
    """What changed since the last report.

    Attributes
    ----------
    since : str
        Which report that was; empty for the first one.
    lines : tuple of str
    """

    since: str
    lines: tuple[str, ...] = ()


@dataclass(frozen=True)
class Concerned:
    """A fragment to look at.

    Attributes
    ----------
    fragment, genotype, site : str
    findings : tuple of str
        Gravest first.
    is_new : bool
        Whether the last report had it not on its list.
    now : Shot
    before : Shot or None
    """

    fragment: str
    genotype: str
    site: str
    findings: tuple[str, ...]
    is_new: bool
    now: Shot
    before: Shot | None


@dataclass(frozen=True)
class LookFirst:
    """Losses and bleaching.

    Attributes
    ----------
    concerns : tuple of Concerned
        Gravest first, those photographed on the days of the report.
    without_pictures : tuple of str
        Further ones that are only named, with what was seen.
    earlier : tuple of str
        Signs at a last visit before these days.
    advice : str
    """

    concerns: tuple[Concerned, ...]
    without_pictures: tuple[str, ...] = ()
    earlier: tuple[str, ...] = ()
    advice: str = ""


@dataclass(frozen=True)
class Exchange:
    """Fragments that may have changed places.

    Attributes
    ----------
    words : str
    pairs : tuple of (str, Shot, Shot)
        Fragment by the record, at the visit before and at the visit that is doubted.
    """

    words: str
    pairs: tuple[tuple[str, Shot, Shot], ...] = ()


@dataclass(frozen=True)
class Exchanges:
    """Possible exchanges, and what to do about them."""

    exchanges: tuple[Exchange, ...]
    earlier: tuple[str, ...]
    advice: str


@dataclass(frozen=True)
class GenotypeLine:
    """Growth of one genotype, in numbers and then.

    Attributes
    ----------
    genotype : str
    fragments, points : int
    extension, interval : str
        mm/month; empty where there is no estimate.
    before : str
        Of the last report, with its interval.
    note : str
        How it was estimated, or why not.
    """

    genotype: str
    fragments: int
    points: int
    extension: str
    interval: str
    before: str
    note: str


@dataclass(frozen=True)
class Growth:
    """Growth of the genotypes.

    Attributes
    ----------
    lines : tuple of GenotypeLine
    plot, narrow_plot : Markup
        SVG of our own for wide and for narrow pages; empty for none.
    sentences : tuple of str
    more_comparisons : int
        Comparisons that are not told.
    left_out : str
    """

    lines: tuple[GenotypeLine, ...]
    plot: Markup
    narrow_plot: Markup
    sentences: tuple[str, ...]
    more_comparisons: int
    left_out: str

    @property
    def compared(self) -> bool:
        """Whether the last report had an estimate for any of them."""
        return any(line.before for line in self.lines)


@dataclass(frozen=True)
class PadPictures:
    """A pad over all its visits.

    Attributes
    ----------
    site : str
    strip : bytes
        Its visits side by side, as JPEG.
    progress : Markup
        Curves of progress, as an SVG element.
    """

    site: str
    strip: bytes
    progress: Markup


@dataclass(frozen=True)
class Pads:
    """How far pads have fused.

    Attributes
    ----------
    lines : tuple of str
        In sentences.
    pictures : tuple of PadPictures
        Of some of them.
    without_pictures : int
        Pads of these days that are shown in no picture, to keep the file small.
    """

    lines: tuple[str, ...]
    pictures: tuple[PadPictures, ...] = ()
    without_pictures: int = 0


@dataclass(frozen=True)
class Check:
    """The last known-area check, and whether it is time for another."""

    words: str
    is_due: bool


@dataclass(frozen=True)
class DoubtLine:
    """One kind of doubt.

    Attributes
    ----------
    title, seen, do : str
    where : tuple of str
        Visits with the fragments that carry it.
    """

    title: str
    seen: str
    do: str
    where: tuple[str, ...]


@dataclass(frozen=True)
class Doubts:
    """Doubts of these days: those that ask for a look, and notes."""

    look: tuple[DoubtLine, ...]
    notes: tuple[DoubtLine, ...]


@dataclass(frozen=True)
class Tile:
    """One fragment as a small picture.

    Attributes
    ----------
    name, genotype : str
    picture : Picture
    words : str
        Area with its uncertainty, or its state.
    change : tuple of str
        What became of it since its visit before, and when that was; empty where there is none.
    look : bool
        Whether a doubt asks for a look.
    doubts : tuple of str
    """

    name: str
    genotype: str
    picture: Picture
    words: str
    change: tuple[str, ...]
    look: bool
    doubts: tuple[str, ...] = ()


@dataclass(frozen=True)
class SiteTiles:
    """The fragments of a site at its last visit of these days."""

    title: str
    tiles: tuple[Tile, ...]


@dataclass(frozen=True)
class Fragments:
    """Every fragment, as far as there is room.

    Attributes
    ----------
    sites : tuple of SiteTiles
    left_out : str
        How many are not shown, and where they are listed; empty for none.
    """

    sites: tuple[SiteTiles, ...]
    left_out: str = ""


@dataclass(frozen=True)
class PullLine:
    """A fragment or pad that is ready.

    Attributes
    ----------
    place, name, genotype : str
    area : str
        With its uncertainty.
    note : str
        What else to know before it goes out.
    """

    place: str
    name: str
    genotype: str
    area: str
    note: str


@dataclass(frozen=True)
class PullSite:
    """What is ready at one site, in order of place."""

    site: str
    lines: tuple[PullLine, ...]


@dataclass(frozen=True)
class CutGoal:
    """What to cut today for a goal.

    Attributes
    ----------
    title : str
    header : tuple of str
    rows : tuple of tuple of str
    sentences : tuple of str
    """

    title: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    sentences: tuple[str, ...]


@dataclass(frozen=True)
class ToOutplant:
    """What is ready, what will be, and what to cut.

    Attributes
    ----------
    sites : tuple of PullSite
    more : int
        What is ready beside and not listed, to keep the page short.
    days : tuple of str
        For which numbers are forecast.
    stock : tuple of (str, tuple of str)
        The nursery and its genotypes, with a number and its ranges for each of the days.
    sentences : tuple of str
        States, cautions, and how good such forecasts were.
    goals : tuple of CutGoal
    advice : str
    """

    sites: tuple[PullSite, ...]
    more: int
    days: tuple[str, ...]
    stock: tuple[tuple[str, tuple[str, ...]], ...]
    sentences: tuple[str, ...]
    goals: tuple[CutGoal, ...]
    advice: str


@dataclass(frozen=True)
class Section:
    """One section of the page.

    Attributes
    ----------
    key : str
        Name of its template, ``templates/KEY.html``, and its anchor.
    title : str
    content : object
        What its template shows, under the name ``it``.
    """

    key: str
    title: str
    content: object


@dataclass(frozen=True)
class WeeklyPage:
    """The whole report.

    Attributes
    ----------
    nursery : str
    since, until : date
        First and last day.
    made_at : datetime
    software_version : str
    counts : tuple of (number, words, look)
        What stands in large figures at the top; `look` is ``"good"``, ``"look"`` or ``"refused"``.
    sections : tuple of Section
    pictures : mapping of key to Taken
    cautions : tuple of str
    """

    nursery: str
    since: date
    until: date
    made_at: datetime
    software_version: str
    counts: tuple[tuple[int, str, str], ...] = ()
    sections: tuple[Section, ...] = ()
    pictures: Mapping[str, Taken] = field(default_factory=dict)
    cautions: tuple[str, ...] = ()
