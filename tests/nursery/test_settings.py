"""nursery.toml: what it may hold, and what is said about what it may not."""

from __future__ import annotations

import dataclasses
from contextlib import suppress
from datetime import date
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fragarea.errors import SettingsProblem
from fragarea.nursery import (
    Fragment,
    Placement,
    Tables,
    edge_height,
    find_nursery,
    load_nursery,
    load_tables,
    reference_file,
    site_description,
    start_nursery,
)
from fragarea.nursery.settings import parse_nursery
from fragarea.sites.records import SiteDescription, SiteKind

FULL = """
name = "Lagoon nursery"
time_zone = "Pacific/Palau"
reference = "frame-280x220"
plug_mm = 25.4
plug_u_mm = 0.2
edge_height_mm = 0.6
edge_height_u_mm = 0.25
different_genotypes = [["Reef A1", "Reef A-1"]]

[sites.TRAY-1]
kind = "tray"
rows = 5
columns = 8
pitch_mm = 32.0
reference_offset_mm = 4
tag = 101

[sites."Pad é"]
kind = "pad"
plug_mm = 22
places = [{ label = "1", x_mm = 95.2, y_mm = 66.7 }, { label = "2", x_mm = 125, y_mm = 66.7 }]

[sites.PLUG-1]
kind = "single"
reference = "own.json"

[[heights]]
species = "Genus alba"
age_days_max = 30
edge_height_mm = 4.0
edge_height_u_mm = 1.5

[[heights]]
species = "Genus alba"
age_days_max = 90
edge_height_mm = 2.0
edge_height_u_mm = 1.0

[[heights]]
species = "Genus alba"
edge_height_mm = 0.8
edge_height_u_mm = 0.3
"""


def _load(folder: Path, text: str | bytes):
    (folder / "nursery.toml").write_bytes(text if isinstance(text, bytes) else text.encode())
    return load_nursery(folder)


def _complaint(folder: Path, text: str | bytes) -> str:
    with pytest.raises(SettingsProblem) as caught:
        _load(folder, text)
    return str(caught.value)


def test_every_setting_reaches_the_description_of_its_site(tmp_path):
    nursery = _load(tmp_path, FULL)
    assert (nursery.name, nursery.zone) == ("Lagoon nursery", ZoneInfo("Pacific/Palau"))
    assert site_description(nursery, "TRAY-1") == SiteDescription(
        kind=SiteKind.TRAY,
        name="TRAY-1",
        reference="frame-280x220",
        plug_mm=25.4,
        plug_u_mm=0.2,
        rows=5,
        columns=8,
        pitch_mm=32.0,
        reference_offset_mm=4.0,
        reference_offset_u_mm=0.5,
        edge_height_mm=0.6,
        edge_height_u_mm=0.25,
    )
    pad = site_description(nursery, "Pad é")
    assert (pad.kind, pad.plug_mm) == (SiteKind.PAD, 22.0)
    assert pad.places_mm == (("1", 95.2, 66.7), ("2", 125.0, 66.7))
    assert pad.reference_offset_mm is None
    assert nursery.site("TRAY-1").tag_id == 101
    assert nursery.different_genotypes == (("Reef A1", "Reef A-1"),)


def test_an_almost_empty_file_gives_the_usual_values(tmp_path):
    nursery = _load(tmp_path, '[sites.T]\nkind = "tray"\n[sites.S]\nkind = "single"')
    assert nursery.name == tmp_path.name
    assert nursery.zone is None
    assert site_description(nursery, "T") == SiteDescription(kind=SiteKind.TRAY, name="T")
    assert site_description(nursery, "S").reference == "card-80x50"


def test_a_site_overrules_the_nursery(tmp_path):
    text = 'plug_mm = 25\nreference_offset_mm = 2\n[sites.A]\nkind = "tray"\n[sites.B]\nkind = "tray"\nplug_mm = 30\n'
    nursery = _load(tmp_path, text + "reference_offset_mm = -1.5\nreference_offset_u_mm = 0.2")
    a, b = site_description(nursery, "A"), site_description(nursery, "B")
    assert (a.plug_mm, a.reference_offset_mm, a.reference_offset_u_mm) == (25, 2, 0.5)
    assert (b.plug_mm, b.reference_offset_mm, b.reference_offset_u_mm) == (30, -1.5, 0.2)


def test_records_are_frozen(tmp_path):
    nursery = _load(tmp_path, FULL)
    for record in (nursery, nursery.sites[0], nursery.heights[0]):
        with pytest.raises(dataclasses.FrozenInstanceError):
            record.name = "other"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("plug_m = 25", "key 'plug_m' is not known. Did you mean 'plug_mm'?"),
        ("timezone = 'UTC'", "key 'timezone' is not known. Did you mean 'time_zone'?"),
        ("[sites.T]\nkind='tray'\ncolums = 8", "key 'sites.T.colums' is not known. Did you mean 'columns'?"),
        ("[[heights]]\nspecie = 'x'", "key 'heights[1].specie' is not known. Did you mean 'species'?"),
        ("zzz = 1", "key 'zzz' is not known. Known: name, time_zone"),
        ("[sites.T]\nkind='pad'\nplaces=[{label='1', x=1, y_mm=2}]", "key 'sites.T.places[1].x' is not known"),
        ("[sites.T]\nrows = 5\ncolumns = 8", "sites.T.kind is missing"),
        ("[sites.T]\nkind = 'rack'", "sites.T.kind must be 'tray', 'pad' or 'single'; got 'rack'"),
        ("[sites.T]\nkind = 'shapes'", "must be 'tray', 'pad' or 'single'"),
        ("[sites.T]\nkind = 'tray'\nrows = 5", "sites.T needs both rows and columns"),
        (
            "[sites.T]\nkind = 'tray'\nrows = 0\ncolumns = 1",
            "sites.T.rows must be a whole number from 1 to 100; got 0",
        ),
        ("[sites.T]\nkind = 'tray'\nrows = 5.0\ncolumns = 1", "must be a whole number"),
        ("[sites.T]\nkind = 'tray'\nrows = true\ncolumns = 1", "must be a whole number"),
        ("[sites.T]\nkind = 'tray'\npitch_mm = 0", "sites.T.pitch_mm must be above 0"),
        ("[sites.T]\nkind = 'pad'\nrows = 5\ncolumns = 2", "sites.T.rows belongs to a tray; this site is a pad"),
        ("[sites.T]\nkind = 'tray'\nplaces = []", "sites.T.places belongs to a pad"),
        ("[sites.T]\nkind = 'tray'\ntag = 7", "sites.T.tag must be a whole number from 100"),
        ("[sites.A]\nkind='tray'\ntag=101\n[sites.B]\nkind='tray'\ntag=101", "two sites have the tag 101"),
        ("[sites.A]\nkind='tray'\n[sites.a]\nkind='tray'", "two sites are named 'a' but for capitals"),
        ("[sites.'../x']\nkind='tray'", "site '../x' begins with a full stop"),
        ("[sites.'a/b']\nkind='tray'", "holds '/', which cannot stand in a file name"),
        ("[sites.'=A1']\nkind='tray'", "a spreadsheet would take for a formula"),
        ("[sites.'']\nkind='tray'", "has no name"),
        ("plug_mm = 'wide'", "plug_mm must be a number; got 'wide'"),
        ("[sites.T]\nkind='tray'\nplug_mm = nan", "sites.T.plug_mm must be a number"),
        ("[sites.T]\nkind='tray'\nplug_mm = 2540", "must be above 3 and at most 200"),
        ("edge_height_u_mm = -1", "edge_height_u_mm must be at least 0"),
        ("name = 5", "name must be text in quotes"),
        ('name = "two\\nlines"', "name must be text in quotes on one line"),
        ("time_zone = 'Pacific/Palua'", "time_zone 'Pacific/Palua' is not known. Did you mean 'Pacific/Palau'?"),
        ("time_zone = '../../secret'", "time_zone '../../secret' is not known"),
        ("time_zone = 'Pacific'", "time_zone 'Pacific' is not known"),
        ("sites = 3", "sites must be written as [sites.NAME]"),
        ("[sites]\nT = 3", "sites.T must be a table of its own"),
        ("heights = 3", "heights must be a list of tables"),
        ("[[heights]]\nspecies = 'x'", "heights[1].edge_height_mm is missing"),
        ("different_genotypes = ['a', 'b']", "must be a list of pairs"),
        ("name = ", "not valid TOML"),
        ("a = 1\na = 2", "not valid TOML"),
        (b"name = '\xff'", "not UTF-8 text"),
    ],
)
def test_wrong_settings_are_named(tmp_path, text, words):
    complaint = _complaint(tmp_path, text)
    assert complaint.startswith("nursery.toml: ")
    assert words in complaint


def test_byte_order_mark_and_windows_line_ends_do_not_matter(tmp_path):
    text = b"\xef\xbb\xbf" + FULL.replace("\n", "\r\n").encode()
    assert len(_load(tmp_path, text).sites) == 3


def test_a_huge_file_is_refused(tmp_path):
    assert "larger than" in _complaint(tmp_path, b"#" * 2_000_000)


def test_deeply_nested_brackets_are_refused(tmp_path):
    assert "not valid TOML" in _complaint(tmp_path, "heights = " + "[" * 50_000)


def test_the_nursery_is_found_from_any_folder_inside(tmp_path):
    start_nursery(tmp_path / "n")
    inside = tmp_path / "n" / "photos" / "TRAY-1"
    assert find_nursery(inside) == find_nursery(tmp_path / "n") == (tmp_path / "n").resolve()
    with pytest.raises(SettingsProblem, match=r"no nursery\.toml here or in a folder above"):
        find_nursery(tmp_path)


def test_unknown_site_is_refused_with_the_nearest_name(tmp_path):
    nursery = _load(tmp_path, FULL)
    with pytest.raises(SettingsProblem, match=r"site 'TRAY1' is not described\. Did you mean 'TRAY-1'\?"):
        site_description(nursery, "TRAY1")


@pytest.mark.parametrize(
    ("species", "age_days", "expected"),
    [
        ("Genus alba", 10, (4.0, 1.5)),
        ("Genus alba", 30, (4.0, 1.5)),
        ("Genus alba", 31, (2.0, 1.0)),
        ("genus ALBA", 400, (0.8, 0.3)),
        ("Genus alba", None, (0.8, 0.3)),
        ("Genus nigra", 10, (0.6, 0.25)),
        ("", None, (0.6, 0.25)),
    ],
)
def test_edge_height_follows_species_and_age(tmp_path, species, age_days, expected):
    assert edge_height(_load(tmp_path, FULL), species, age_days) == expected


def _tables(*fragments: Fragment) -> Tables:
    places = [
        Placement(one.fragment, "TRAY-1", date(2026, 1, 1), row=1, column=number)
        for number, one in enumerate(fragments, start=1)
    ]
    return Tables(fragments, tuple(places))


def test_the_fragments_that_stand_there_set_height_and_plug(tmp_path):
    nursery = _load(tmp_path, FULL)
    young = Fragment("A", "Genus alba", "G1", cut_on=date(2026, 2, 25), plug_mm=20)
    tables = _tables(young)
    described = site_description(nursery, "TRAY-1", tables=tables, on=date(2026, 3, 7))
    assert (described.edge_height_mm, described.edge_height_u_mm, described.plug_mm) == (4.0, 1.5, 20)
    later = site_description(nursery, "TRAY-1", tables=tables, on=date(2027, 3, 7))
    assert later.edge_height_mm == 0.8
    before = site_description(nursery, "TRAY-1", tables=tables, on=date(2025, 3, 7))
    assert (before.edge_height_mm, before.plug_mm) == (0.6, 25.4)


def test_different_heights_give_their_mean_and_cover_their_spread(tmp_path):
    nursery = _load(tmp_path, FULL)
    tables = _tables(
        Fragment("A", "Genus alba", "G1", cut_on=date(2026, 2, 25), plug_mm=20),
        Fragment("B", "Genus nigra", "G2", plug_mm=25),
    )
    described = site_description(nursery, "TRAY-1", tables=tables, on=date(2026, 3, 7))
    # law of total variance, by hand: heights 4.0 and 0.6, u 1.5 and 0.25
    assert described.edge_height_mm == pytest.approx(2.3)
    assert described.edge_height_u_mm == pytest.approx(((1.5**2 + 0.25**2) / 2 + 1.7**2) ** 0.5)
    assert described.plug_mm == 25.4  # two sizes: the site's own


def test_a_pad_without_described_places_takes_them_from_its_placements(tmp_path):
    nursery = _load(tmp_path, '[sites.PAD]\nkind = "pad"')
    placement = Placement("A", "PAD", date(2026, 1, 1), x_mm=95.2, y_mm=66.7)
    tables = Tables((Fragment("A", "", "G1"),), (placement,))
    described = site_description(nursery, "PAD", tables=tables, on=date(2026, 3, 7))
    assert described.places_mm == (("A", 95.2, 66.7),)
    assert site_description(nursery, "PAD").places_mm == ()


def test_a_reference_file_lies_in_the_nursery_folder(tmp_path):
    nursery = _load(tmp_path, FULL)
    assert reference_file(nursery, "own.json") == str(nursery.folder / "own.json")
    assert reference_file(nursery, "frame-280x220") == "frame-280x220"


def test_a_started_nursery_can_be_read_and_measured(tmp_path):
    made = start_nursery(tmp_path / "new", 'Reef "A"\\B é')
    nursery = load_nursery(tmp_path / "new")
    assert nursery.name == 'Reef "A"\\B é'
    assert load_tables(nursery) == Tables((), ())
    assert site_description(nursery, "TRAY-1").kind is SiteKind.TRAY
    assert {path.name for path in made} == {"nursery.toml", "fragments.csv", "placements.csv", "TRAY-1"}
    assert all(path.exists() for path in made)


def test_every_setting_that_the_starter_suggests_is_known(tmp_path):
    start_nursery(tmp_path)
    path = tmp_path / "nursery.toml"
    lines = path.read_text("utf-8").splitlines()
    bare = [line.removeprefix("# ") if " = " in line or "[" in line or "]" in line else line for line in lines]
    path.write_text("\n".join(bare), "utf-8")
    nursery = load_nursery(tmp_path)
    assert [site.name for site in nursery.sites] == ["TRAY-1", "PAD-1", "PLUG-1"]
    assert nursery.sites[0].tag_id == 101
    assert len(nursery.sites[1].places_mm) == 2
    assert len(nursery.heights) == 1
    assert nursery.zone is not None
    assert nursery.different_genotypes


def test_starting_never_overwrites(tmp_path):
    (tmp_path / "fragments.csv").write_text("mine")
    (tmp_path / "placements.xlsx").write_text("mine too")
    start_nursery(tmp_path)
    assert (tmp_path / "fragments.csv").read_text() == "mine"
    assert not (tmp_path / "placements.csv").exists()
    (tmp_path / "nursery.toml").write_text("name = 'kept'")
    with pytest.raises(SettingsProblem, match=r"there is a nursery\.toml already"):
        start_nursery(tmp_path)
    assert (tmp_path / "nursery.toml").read_text() == "name = 'kept'"


def test_starting_refuses_hostile_names_and_files_in_the_way(tmp_path):
    with pytest.raises(SettingsProblem, match="formula"):
        start_nursery(tmp_path / "a", "=cmd()")
    with pytest.raises(SettingsProblem, match="invisible"):
        start_nursery(tmp_path / "a", "a\x1b[31m")
    assert not (tmp_path / "a").exists()
    (tmp_path / "file").touch()
    with pytest.raises(SettingsProblem, match="cannot be written"):
        start_nursery(tmp_path / "file")


JUNK = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=8)),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=8), inner, max_size=3)),
    max_leaves=6,
)
KEYS = st.sampled_from(["name", "sites", "heights", "plug_mm", "time_zone", "different_genotypes", "reference"])


@given(st.dictionaries(KEYS, JUNK, max_size=4))
def test_junk_settings_never_crash(data):
    with suppress(SettingsProblem):
        assert parse_nursery(data, folder=Path("n")).name
