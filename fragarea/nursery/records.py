"""What the user keeps: the nursery, its sites, its fragments and where they stand."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from zoneinfo import ZoneInfo

from fragarea.nursery.outplanting import Outplanting
from fragarea.sites.records import SiteKind


@dataclass(frozen=True)
class HeightRule:
    """Height of the visible tissue edge above the plug top for one species, perhaps up to an age.

    Attributes
    ----------
    species : str
    age_days_max : float or None
        Oldest age since cutting for which the rule holds; None for any age.
    edge_height_mm, edge_height_u_mm : float
        Height, and its standard uncertainty.
    """

    species: str
    age_days_max: float | None
    edge_height_mm: float
    edge_height_u_mm: float


@dataclass(frozen=True)
class Site:
    """A tray, pad or single plug as nursery.toml describes it.

    Attributes
    ----------
    name : str
        Also the name of its folder under photos/.
    kind : SiteKind
    reference : str
        Name or file of the printed reference; empty for none.
    plug_mm, plug_u_mm : float
    rows, columns : int or None
    pitch_mm : float or None
    reference_offset_mm : float or None
    reference_offset_u_mm : float
    tag_id : int or None
        Tag that names this site, 100 or above.
    places_mm : tuple of (label, x_mm, y_mm)
        Described places of a pad, reference axes.
    """

    name: str
    kind: SiteKind
    reference: str
    plug_mm: float
    plug_u_mm: float
    rows: int | None = None
    columns: int | None = None
    pitch_mm: float | None = None
    reference_offset_mm: float | None = None
    reference_offset_u_mm: float = 0.5
    tag_id: int | None = None
    places_mm: tuple[tuple[str, float, float], ...] = ()


@dataclass(frozen=True)
class Nursery:
    """The settings of a nursery folder.

    Attributes
    ----------
    folder : Path
        Where nursery.toml lies.
    name : str
    zone : ZoneInfo or None
        Time zone of photos that carry none.
    edge_height_mm, edge_height_u_mm : float
        Where no height rule fits.
    sites : tuple of Site
    heights : tuple of HeightRule
    different_genotypes : tuple of (genotype, genotype)
        Names that look like two spellings of one but are not.
    outplanting : Outplanting
        When fragments are ready, when nothing goes out, what may be cut.
    """

    folder: Path
    name: str
    zone: ZoneInfo | None
    edge_height_mm: float
    edge_height_u_mm: float
    sites: tuple[Site, ...]
    heights: tuple[HeightRule, ...] = ()
    different_genotypes: tuple[tuple[str, str], ...] = ()
    outplanting: Outplanting = field(default_factory=Outplanting)

    def site(self, name: str) -> Site | None:
        """The site of this name, or None."""
        return next((site for site in self.sites if site.name == name), None)


@dataclass(frozen=True)
class Fragment:
    """One line of the fragments table; texts are empty and the rest None where the table says nothing."""

    fragment: str
    species: str
    genotype: str
    broodstock: str = ""
    cut_on: date | None = None
    plug_mm: float | None = None


@dataclass(frozen=True)
class Placement:
    """Where a fragment stands, from one date to another.

    Attributes
    ----------
    fragment, site : str
    row, column : int or None
        On a tray, from 1.
    x_mm, y_mm : float or None
        On a pad, reference axes.
    place : str
        On a pad whose places nursery.toml describes: the label.
    since : date
        First day there.
    until : date or None
        First day no longer there; None while it still stands there.
    """

    fragment: str
    site: str
    since: date
    until: date | None = None
    row: int | None = None
    column: int | None = None
    x_mm: float | None = None
    y_mm: float | None = None
    place: str = ""

    def holds_on(self, day: date) -> bool:
        """Whether the fragment stands there on `day`: `since` included, `until` not."""
        return self.since <= day and (self.until is None or day < self.until)


@dataclass(frozen=True)
class Tables:
    """The two tables of a nursery; empty where there is no file yet."""

    fragments: tuple[Fragment, ...]
    placements: tuple[Placement, ...]

    def fragment(self, name: str) -> Fragment | None:
        """The fragment of this name, or None."""
        return next((fragment for fragment in self.fragments if fragment.fragment == name), None)
