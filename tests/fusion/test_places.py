"""Places of an undescribed pad: shown as found, written into nursery.toml once confirmed."""

from __future__ import annotations

import tomllib
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from shapely import MultiPolygon

from fragarea.errors import SettingsProblem
from fragarea.logbook import open_logbook, record
from fragarea.nursery import load_nursery
from fragarea.nursery.site_places import with_places
from fragarea.sites.records import SiteDescription, SiteKind
from tests.cli.samples import run
from tests.fusion.pads import disc, hexagonal
from tests.fusion.test_view import place
from tests.logbook.samples import measured

TOML = """# ours
name = "Pads (invented)"
plug_mm = 25.0

[sites."Pad d'été"]
kind = "pad"  # cement

[sites.PAD-2]
kind = "pad"
places = [{ label = "1", x_mm = 1.0, y_mm = 2.0 }]

[[heights]]
species = "invented"
edge_height_mm = 1.0
edge_height_u_mm = 0.2
"""
PAD = "Pad d'été"
CENTRES = hexagonal(30.0)


@pytest.fixture
def nursery(tmp_path: Path) -> Path:
    """A pad of ten plugs, photographed twice; the first photo shows one rim less, both show turf beside the plugs."""
    (tmp_path / "nursery.toml").write_text(TOML, encoding="utf-8")
    with open_logbook(tmp_path / "logbook.sqlite") as logbook:
        for number in range(2):
            shown = [
                place(str(label), centre, MultiPolygon([disc(centre, 6)]))
                for label, centre in enumerate(CENTRES[: 9 + number], start=1)
            ]
            turf = place("patch 1", (0.0, 90.0), MultiPolygon([disc((0.0, 90.0), 6)]))
            photo = measured(
                str(number),
                site=SiteDescription(kind=SiteKind.PAD, name=PAD),
                photo=f"{number}.jpg",
                taken_at=datetime(2030, 1, 5, 10) + timedelta(days=30 * number),
                fragments=(*shown, type(turf)(**{**vars(turf), "plug_radius_mm": None})),
            )
            record(logbook, photo, path=f"photos/{PAD}/{number}.jpg")
    return tmp_path


def test_places_are_shown_and_nothing_is_written_before_they_are_confirmed(nursery: Path) -> None:
    result = run("places", nursery, "--site", PAD)
    assert result.exit_code == 0, result.output
    assert "9 plugs, 30.0 mm apart, on photos/Pad d'été/0.jpg of 2030-01-05" in result.output
    assert "give --confirm" in result.output
    assert (nursery / "nursery.toml").read_text(encoding="utf-8") == TOML


def test_confirmed_places_are_added_and_the_rest_of_the_file_stays(nursery: Path) -> None:
    result = run("places", nursery, "--site", PAD, "--on", "2030-02-04", "--confirm")
    assert result.exit_code == 0, result.output
    assert "placements.csv" in result.output
    text = (nursery / "nursery.toml").read_text(encoding="utf-8")
    assert text.startswith(TOML)
    site = load_nursery(nursery).site(PAD)
    assert site is not None
    assert [label for label, _, _ in site.places_mm] == [str(number) for number in range(1, 11)]
    assert [x for _, x, _ in site.places_mm] == pytest.approx([x for x, _ in CENTRES], abs=0.01)
    again = run("places", nursery, "--site", PAD)
    assert again.exit_code == 1
    assert "has 10 places already" in again.output


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--site", "PAD-9"), "no pad of this name in nursery.toml. Known pads: Pad d'été, PAD-2."),
        (("--site", "PAD-2"), "has 1 places already"),
        (("--site", PAD, "--on", "2031-01-01"), "no photo of 2031-01-01 shows the rims of its plugs"),
    ],
)
def test_what_cannot_be_done_is_told(nursery: Path, words: tuple[str, ...], told: str) -> None:
    result = run("places", nursery, *words)
    assert result.exit_code == 1
    assert told in result.output


def test_line_ends_and_other_sites_are_kept() -> None:
    content = TOML.replace("\n", "\r\n").encode()
    added = with_places(content, PAD, [("Ä 1", 1.0, 2.0)], found="by hand")
    assert b"\n" not in added.replace(b"\r\n", b"")
    sites = tomllib.loads(added.decode())["sites"]
    assert sites[PAD]["places"] == [{"label": "Ä 1", "x_mm": 1.0, "y_mm": 2.0}]
    assert sites["PAD-2"]["places"] == [{"label": "1", "x_mm": 1.0, "y_mm": 2.0}]


def test_a_site_written_on_one_line_is_told_how_to_be_written() -> None:
    content = b'name = "x"\nsites = { PAD-1 = { kind = "pad" } }\n'
    with pytest.raises(SettingsProblem, match=r"section of its own, \[sites"):
        with_places(content, "PAD-1", [("1", 1.0, 2.0)], found="by hand")
