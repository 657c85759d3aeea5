"""nursery.toml: found, read and checked."""

from __future__ import annotations

import tomllib
import zoneinfo
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from fragarea.errors import SettingsProblem
from fragarea.nursery.outplanting import parse_outplanting
from fragarea.nursery.records import HeightRule, Nursery, Site
from fragarea.nursery.section import SETTINGS_FILE, Section
from fragarea.nursery.words import did_you_mean, fault_in_name, tidy
from fragarea.sites.records import SiteDescription, SiteKind

FIRST_SITE_TAG = 100
LAST_SITE_TAG = 586  # the tag family has 587 tags

_MAX_FILE_BYTES = 1_000_000
_DEFAULTS = SiteDescription(kind=SiteKind.TRAY)

_TOP_KEYS = (
    *("name", "time_zone", "reference", "plug_mm", "plug_u_mm", "reference_offset_mm", "reference_offset_u_mm"),
    *("edge_height_mm", "edge_height_u_mm", "sites", "heights", "different_genotypes"),
    "outplanting",
)
_SITE_KEYS = (
    *("kind", "reference", "rows", "columns", "pitch_mm", "plug_mm", "plug_u_mm", "reference_offset_mm"),
    *("reference_offset_u_mm", "tag", "places"),
)
_HEIGHT_KEYS = ("species", "age_days_max", "edge_height_mm", "edge_height_u_mm")
_PLACE_KEYS = ("label", "x_mm", "y_mm")
_KINDS = (SiteKind.TRAY, SiteKind.PAD, SiteKind.SINGLE)


def find_nursery(folder: str | Path) -> Path:
    """Return the nearest folder, this one or one above, that holds nursery.toml.

    Raises
    ------
    SettingsProblem
        If there is none.
    """
    start = Path(folder).resolve()
    for candidate in (start, *start.parents):
        if (candidate / SETTINGS_FILE).is_file():
            return candidate
    raise SettingsProblem(
        f"{folder}: no {SETTINGS_FILE} here or in a folder above. Make one with: fragarea start {folder}"
    )


def load_nursery(folder: str | Path) -> Nursery:
    """Read the nursery that `folder` belongs to.

    Parameters
    ----------
    folder : str or Path
        The nursery folder or one inside it.

    Raises
    ------
    SettingsProblem
        If there is no nursery.toml, it is not valid TOML, or a key or value is wrong; the text names the key, and the
        nearest known one where it is unknown.
    """
    root = find_nursery(folder)
    path = root / SETTINGS_FILE
    try:
        if path.stat().st_size > _MAX_FILE_BYTES:
            raise SettingsProblem(f"{SETTINGS_FILE}: larger than {_MAX_FILE_BYTES} bytes, so it is some other file.")
        data = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise SettingsProblem(f"{SETTINGS_FILE}: cannot be read ({error.strerror}).") from error
    except UnicodeDecodeError as error:
        raise SettingsProblem(f"{SETTINGS_FILE}: not UTF-8 text; save it as UTF-8.") from error
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise SettingsProblem(f"{SETTINGS_FILE}: not valid TOML ({error}).") from error
    return parse_nursery(data, folder=root)


def parse_nursery(data: Mapping[str, Any], *, folder: Path) -> Nursery:
    """Check the content of nursery.toml and make it a record.

    Raises
    ------
    SettingsProblem
    """
    top = Section(data, "", _TOP_KEYS)
    usual = _usual(top)
    sites = tuple(_site(name, section, usual) for name, section in top.tables("sites").items())
    _check_unique([site.name.casefold() for site in sites], "two sites are named {!r} but for capitals")
    _check_unique([site.tag_id for site in sites if site.tag_id is not None], "two sites have the tag {}")
    return Nursery(
        folder=folder,
        name=top.text("name", "") or folder.name,
        zone=_zone(top.text("time_zone", "")),
        edge_height_mm=top.number("edge_height_mm", _DEFAULTS.edge_height_mm, low=-5, high=50),
        edge_height_u_mm=top.number("edge_height_u_mm", _DEFAULTS.edge_height_u_mm, low=0, high=20),
        sites=sites,
        heights=tuple(_height(part) for part in top.parts("heights", _HEIGHT_KEYS)),
        different_genotypes=_pairs(top),
        outplanting=parse_outplanting(top),
    )


def _usual(top: Section) -> Site:
    """What the file says for all sites; the reference stays empty where it says none."""
    return _measures(top, Site("", SiteKind.TRAY, "", _DEFAULTS.plug_mm, _DEFAULTS.plug_u_mm))


def _measures(section: Section, usual: Site) -> Site:
    """`usual` with what a section says about plugs and reference."""
    offset_mm = usual.reference_offset_mm
    if "reference_offset_mm" in section.data:
        offset_mm = section.number("reference_offset_mm", 0, low=-200, high=200)
    return replace(
        usual,
        reference=section.text("reference", usual.reference),
        plug_mm=section.length("plug_mm", usual.plug_mm, low=3, high=200),
        plug_u_mm=section.number("plug_u_mm", usual.plug_u_mm, low=0, high=10),
        reference_offset_mm=offset_mm,
        reference_offset_u_mm=section.number("reference_offset_u_mm", usual.reference_offset_u_mm, low=0, high=50),
    )


def _site(raw_name: str, data: Any, usual: Site) -> Site:
    name = tidy(raw_name)
    if not name or (fault := fault_in_name(name)):
        raise SettingsProblem(f"{SETTINGS_FILE}: site {raw_name!r} {fault if name else 'has no name'}.")
    site = Section(data, f"sites.{raw_name}", _SITE_KEYS)
    site.needed("kind")
    kind = site.text("kind", "")
    if kind not in _KINDS:
        raise site.wrong("kind", "'tray', 'pad' or 'single'")
    _check_kind(site, SiteKind(kind))
    reference = usual.reference or ("card-80x50" if kind == SiteKind.SINGLE else _DEFAULTS.reference)
    return replace(
        _measures(site, replace(usual, reference=reference)),
        name=name,
        kind=SiteKind(kind),
        rows=site.whole("rows", low=1, high=100),
        columns=site.whole("columns", low=1, high=100),
        pitch_mm=site.length("pitch_mm", 1) if "pitch_mm" in site.data else None,
        tag_id=site.whole("tag", low=FIRST_SITE_TAG, high=LAST_SITE_TAG),
        places_mm=_places(site),
    )


def _check_kind(site: Section, kind: SiteKind) -> None:
    """Keys that mean nothing for this kind of site are mistakes."""
    for key, owner in (("rows", SiteKind.TRAY), ("columns", SiteKind.TRAY), ("pitch_mm", SiteKind.TRAY)):
        if key in site.data and kind is not owner:
            raise SettingsProblem(f"{SETTINGS_FILE}: {site.full(key)} belongs to a tray; this site is a {kind}.")
    if "places" in site.data and kind is not SiteKind.PAD:
        raise SettingsProblem(f"{SETTINGS_FILE}: {site.full('places')} belongs to a pad; this site is a {kind}.")
    if ("rows" in site.data) != ("columns" in site.data):
        raise SettingsProblem(f"{SETTINGS_FILE}: {site.where} needs both rows and columns, or neither.")


def _places(site: Section) -> tuple[tuple[str, float, float], ...]:
    places = []
    for place in site.parts("places", _PLACE_KEYS):
        for key in _PLACE_KEYS:
            place.needed(key)
        label = place.text("label", "")
        if not label or (fault := fault_in_name(label)):
            raise place.wrong("label", f"a name (this one {fault})" if label else "a name")
        x_mm, y_mm = (place.number(key, 0, low=-10_000, high=10_000) for key in ("x_mm", "y_mm"))
        places.append((label, x_mm, y_mm))
    _check_unique([place[0].casefold() for place in places], f"two places of {site.where} are named {{!r}}")
    return tuple(places)


def _height(part: Section) -> HeightRule:
    for key in ("species", "edge_height_mm", "edge_height_u_mm"):
        part.needed(key)
    age = part.number("age_days_max", 1, low=0, high=100_000, above=True) if "age_days_max" in part.data else None
    return HeightRule(
        species=part.text("species", ""),
        age_days_max=age,
        edge_height_mm=part.number("edge_height_mm", 0, low=-5, high=50),
        edge_height_u_mm=part.number("edge_height_u_mm", 0, low=0, high=20),
    )


def _pairs(top: Section) -> tuple[tuple[str, str], ...]:
    value = top.data.get("different_genotypes", [])
    good = isinstance(value, list) and all(
        isinstance(pair, list) and len(pair) == 2 and all(isinstance(name, str) for name in pair) for pair in value
    )
    if not good:
        raise top.wrong("different_genotypes", 'a list of pairs of names such as [["Reef A1", "Reef A-1"]]')
    return tuple((tidy(first), tidy(second)) for first, second in value)


def _zone(key: str) -> ZoneInfo | None:
    if not key:
        return None
    try:
        return ZoneInfo(key)
    # an unknown key, one that climbs out of the zone folder, or one that names a folder in it
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError) as error:
        advice = did_you_mean(key, sorted(zoneinfo.available_timezones()))
        raise SettingsProblem(f"{SETTINGS_FILE}: time_zone {key!r} is not known. {advice}") from error


def _check_unique(names: list[Any], message: str) -> None:
    twice = next((name for number, name in enumerate(names) if name in names[:number]), None)
    if twice is not None:
        raise SettingsProblem(f"{SETTINGS_FILE}: {message.format(twice)}.")
