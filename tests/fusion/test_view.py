"""Fusion from a logbook, by the view and the command: names, days, moves from tray to pad, what is remembered."""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path

import pytest
import shapely
from openpyxl import load_workbook
from shapely import MultiPolygon

from fragarea import fusion_view
from fragarea.area.records import AreaEstimate, BudgetTerm
from fragarea.doubts import Doubt
from fragarea.fusion import FusionRules, PairState
from fragarea.fusion_view import view_fusion
from fragarea.growth import read_record
from fragarea.logbook import Logbook, current_measurements, mark_wrong, open_logbook, record
from fragarea.measurement import FragmentMeasurement, FragmentStatus, PhotoMeasurement
from fragarea.nursery import load_nursery, load_tables
from fragarea.sites.records import SiteDescription, SiteKind
from tests.cli.samples import run
from tests.fusion.pads import disc, hexagonal, split
from tests.logbook.samples import fragment, measured

TAKEN = datetime(2030, 1, 5, 10, 0)
CENTRES = hexagonal(30.0)[:5]
NAMES = [f"Ä {number}" for number in range(1, 6)]
TOML = """name = "Discs (invented)"
time_zone = "UTC"
reference = "frame-280x220"
plug_mm = 25.0

[sites.TRAY-1]
kind = "tray"
rows = 2
columns = 5
pitch_mm = 27.0

[sites."Pad à l'été"]
kind = "pad"

[sites.PAD-2]
kind = "pad"
"""
PAD = "Pad à l'été"


def place(
    label: str, centre: tuple[float, float], live: MultiPolygon, edge_u_mm: float = 0.03
) -> FragmentMeasurement:
    terms = (
        BudgetTerm("scale", 0.003 * live.area, True),
        BudgetTerm("outline", edge_u_mm * live.length, False),
    )
    u = (terms[0].u_mm2 ** 2 + terms[1].u_mm2 ** 2) ** 0.5
    return FragmentMeasurement(
        position=None,
        label=label,
        centre_mm=centre,
        plug_radius_mm=12.5,
        status=FragmentStatus.LIVE if live.area > 2 else FragmentStatus.MISSING,
        live=AreaEstimate(live.area, u, 1.96 * u, terms),
        bleached_mm2=0.0,
        dead_mm2=0.0,
        outline_live=live,
        outline_bleached=MultiPolygon(),
        outline_dead=MultiPolygon(),
        edge_height_mm=0.5,
        confidence=0.9,
    )


def pad_photo(
    radius_mm: float,
    months: float,
    *,
    described: bool = True,
    hours: float = 0.0,
    loose: bool = False,
    site: str = PAD,
) -> PhotoMeasurement:
    """A pad of five discs of one radius."""
    live = shapely.union_all([disc(centre, radius_mm) for centre in CENTRES])
    labels = NAMES if described else [str(number) for number in range(1, 6)]
    shown = [place(*one) for one in zip(labels, CENTRES, split(live, CENTRES), strict=True)]
    if loose:
        shown.append(place("patch 1", (0.0, 90.0), MultiPolygon([disc((0.0, 90.0), 12.0)])))
    places = tuple((name, *centre) for name, centre in zip(NAMES, CENTRES, strict=True)) if described else ()
    taken = TAKEN + timedelta(days=30 * months, hours=hours)
    key = f"{site}{radius_mm}{months}{hours}{described}"
    return measured(
        key,
        site=SiteDescription(kind=SiteKind.PAD, name=site, places_mm=places),
        photo=f"={radius_mm}.jpg",
        taken_at=taken,
        fragments=tuple(shown),
        mm_per_px=0.2,
    )


def keep(logbook: Logbook, photo: PhotoMeasurement, *, named: bool = True) -> int:
    names = {name: name for name in NAMES} if named else {}
    return record(logbook, photo, path=f"photos/{photo.site.name}/{photo.sha256[:8]}.jpg", names=names)


@pytest.fixture
def nursery(tmp_path: Path) -> Path:
    """Five fragments of two genotypes that moved from a tray to a pad, and grew together."""
    folder = tmp_path / "Récif de l'été"
    folder.mkdir()
    (folder / "nursery.toml").write_text(TOML, encoding="utf-8")
    lines = [f"{name},invented,{'G1' if number < 3 else 'G2'}" for number, name in enumerate(NAMES)]
    (folder / "fragments.csv").write_text("\n".join(["fragment,species,genotype", *lines]) + "\n", encoding="utf-8")
    moved = date(2030, 1, 3)
    lines = [f"{name},TRAY-1,1,{number},,,2029-10-01,{moved}" for number, name in enumerate(NAMES, start=1)]
    lines += [f"{name},{PAD},,,{x},{y},{moved}," for name, (x, y) in zip(NAMES, CENTRES, strict=True)]
    header = "fragment,site,row,column,x_mm,y_mm,from,to"
    (folder / "placements.csv").write_text("\n".join([header, *lines]) + "\n", encoding="utf-8")
    with open_logbook(folder / "logbook.sqlite") as logbook:
        for months, radius in ((0, 12.0), (6, 14.0), (12, 16.0)):
            keep(logbook, pad_photo(radius, months))
    return folder


def look(folder: Path, **choice):
    nursery = load_nursery(folder)
    with open_logbook(folder / "logbook.sqlite") as logbook:
        return view_fusion(logbook, load_tables(nursery), **choice)


def test_a_pad_is_followed_from_pieces_to_patches(nursery: Path) -> None:
    (pad,) = look(nursery).pads
    assert pad.site == PAD
    assert [visit.progress.patches.value for visit in pad.visits] == [5, 5, 2]
    assert [visit.spacing_mm for visit in pad.visits] == pytest.approx([30.0] * 3)
    last = {pair.names: pair.state for pair in pad.visits[-1].pairs}
    assert last["Ä 1", "Ä 2"] is PairState.FUSED
    assert last["Ä 2", "Ä 5"] is PairState.BORDER
    # exact geometry: discs of 14 mm at 30 mm are 2 mm apart
    assert [pair.gap_mm for pair in pad.visits[1].pairs] == pytest.approx([2.0] * len(pad.visits[1].pairs), abs=1e-3)


def test_days_limit_what_is_shown_and_not_what_it_rests_on(nursery: Path) -> None:
    whole = look(nursery).pads[0]
    part = look(nursery, since=date(2030, 6, 1), until=date(2030, 12, 1)).pads[0]
    assert part.visits == (whole.visits[1],)


def test_the_last_photo_of_a_day_stands_for_it(nursery: Path) -> None:
    with open_logbook(nursery / "logbook.sqlite") as logbook:
        keep(logbook, pad_photo(14.5, 6, hours=2))
    assert [visit.photo for visit in look(nursery).pads[0].visits] == ["=12.0.jpg", "=14.5.jpg", "=16.0.jpg"]


def test_a_photo_with_a_fragment_that_a_person_marked_wrong_does_not_count(nursery: Path) -> None:
    with open_logbook(nursery / "logbook.sqlite") as logbook:
        record_id = keep(logbook, pad_photo(15.5, 8))
        stored = next(one for one in current_measurements(logbook) if one.measurement_id == record_id)
        mark_wrong(logbook, stored.fragment_ids[:1], marked_by="K. Example", reason="glare")
    assert [visit.photo for visit in look(nursery).pads[0].visits] == ["=12.0.jpg", "=14.0.jpg", "=16.0.jpg"]


def test_tissue_that_grows_on_no_plug_is_left_out(nursery: Path) -> None:
    with open_logbook(nursery / "logbook.sqlite") as logbook:
        keep(logbook, pad_photo(16.2, 13, loose=True))
    visit = look(nursery).pads[0].visits[-1]
    assert [one.fragment for one in visit.fragments] == NAMES
    assert visit.progress.patches.value == 2


def test_a_history_goes_on_from_tray_to_pad(nursery: Path) -> None:
    names = {(1, number): name for number, name in enumerate(NAMES, start=1)}
    shown = tuple(fragment(position, 80.0) for position in names)
    tray = SiteDescription(kind=SiteKind.TRAY, name="TRAY-1", rows=2, columns=5, pitch_mm=27.0)
    with open_logbook(nursery / "logbook.sqlite") as logbook:
        photo = measured("tray", site=tray, taken_at=TAKEN - timedelta(days=60), fragments=shown)
        record(logbook, photo, path="photos/TRAY-1/1.jpg", names=names)
        record_of = read_record(logbook, load_tables(load_nursery(nursery)))
    history = {one.fragment: one for one in record_of.histories()}["Ä 1"]
    assert history.points[0].area_mm2 == 80.0
    assert len(history.points) == 4  # one on the tray, three on the pad
    assert history.site == PAD
    assert history.left_on is None
    assert [pad.site for pad in look(nursery).pads] == [PAD]


def test_an_undescribed_pad_is_told_with_what_to_do(nursery: Path) -> None:
    with open_logbook(nursery / "logbook.sqlite") as logbook:
        keep(logbook, pad_photo(12.0, 0, described=False, site="PAD-2"), named=False)
    result = run("fusion", nursery)
    assert result.exit_code == 0, result.output
    assert "PAD-2: the places of its plugs are not described" in result.output
    assert "fragarea places" in result.output


def test_places_without_a_fragment_are_named_by_their_place(nursery: Path) -> None:
    photo = pad_photo(12.0, 0, site="PAD-2")
    places = tuple((str(number), *centre) for number, centre in enumerate(CENTRES, start=1))
    shown = tuple(replace(one, label=label) for one, (label, _, _) in zip(photo.fragments, places, strict=True))
    with open_logbook(nursery / "logbook.sqlite") as logbook:
        keep(
            logbook,
            measured("p2", site=replace(photo.site, places_mm=places), fragments=shown, taken_at=TAKEN),
            named=False,
        )
    view = look(nursery, site="PAD-2")
    assert [one.fragment for one in view.pads[0].visits[0].fragments] == [f"place {n}" for n in range(1, 6)]
    assert view.nameless == tuple(("PAD-2", str(n)) for n in range(1, 6))
    assert "no fragment is recorded at place 1, 2, 3, 4, 5" in run("fusion", nursery).output


def test_what_was_derived_is_remembered_and_void_when_rules_names_or_photos_change(
    nursery: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    derived: list[str] = []
    original = fusion_view.visit_of

    def noted(photo, *arguments, **options):
        derived.append(photo.photo)
        return original(photo, *arguments, **options)

    monkeypatch.setattr(fusion_view, "visit_of", noted)
    first = look(nursery)
    assert len(derived) == 3
    assert repr(look(nursery)) == repr(first)
    assert len(derived) == 3
    look(nursery, rules=FusionRules(neck_mm=2.0))
    assert len(derived) == 6
    look(nursery)
    assert len(derived) == 9  # the other rules took its place
    with open_logbook(nursery / "logbook.sqlite") as logbook:
        keep(logbook, pad_photo(16.2, 13))
    derived.clear()
    look(nursery)
    assert derived == ["=16.2.jpg"]  # three visits already told where the plugs stand, to the micrometre
    text = (nursery / "fragments.csv").read_text(encoding="utf-8").replace("G2", "G3")
    (nursery / "fragments.csv").write_text(text, encoding="utf-8")
    derived.clear()
    look(nursery)
    assert len(derived) == 4


def test_a_logbook_that_may_only_be_read_is_read(nursery: Path) -> None:
    whole = repr(look(nursery))
    tables = load_tables(load_nursery(nursery))
    with open_logbook(nursery / "logbook.sqlite") as logbook:
        reading = replace(logbook, read_only=True)
        assert repr(view_fusion(reading, tables)) == whole
        assert repr(view_fusion(reading, tables, rules=FusionRules(draws=50))) != whole


def test_several_processes_tell_the_same(nursery: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    alone = look(nursery, with_outlines=True)
    monkeypatch.setattr(fusion_view, "_WORTH_PROCESSES", 1)
    monkeypatch.setattr(fusion_view, "_TO_A_PROCESS", 1)
    assert repr(look(nursery, with_outlines=True, workers=2)) == repr(alone)


# the command


def test_the_command_shows_pads_and_pairs(nursery: Path) -> None:
    result = run("fusion", nursery, "--pairs", "--visits")
    assert result.exit_code == 0, result.output
    assert "2030-01-05" in result.output
    assert "Ä 1–Ä 2" in result.output
    assert f"{PAD}, 2030-12-31: 3 of 3 neighbour pairs fused; 3 at a border; 2 patches" in result.output


def test_tables_hold_every_visit_and_pair(nursery: Path) -> None:
    result = run("fusion", nursery, "--to", nursery / "pads.csv", "--decimal", ",")
    assert result.exit_code == 0, result.output
    with (nursery / "pads.csv").open(encoding="utf-8", newline="") as file:
        pads = list(csv.DictReader(file, delimiter=";"))
    with (nursery / "pads-pairs.csv").open(encoding="utf-8", newline="") as file:
        pairs = list(csv.DictReader(file, delimiter=";"))
    assert [row["fused_pairs"] for row in pads] == ["0", "0", "3"]
    assert float(pads[0]["bare_mm2"].replace(",", ".")) > 0
    assert len(pairs) == 3 * 6
    assert pads[2]["photo"] == "'=16.0.jpg"  # never a formula
    assert float(pairs[0]["gap_mm"].replace(",", ".")) == pytest.approx(6.0, abs=1e-3)
    again = run("fusion", nursery, "--to", nursery / "pads.csv")
    assert again.exit_code == 1
    assert "Give --replace" in again.output


def test_the_workbook_has_its_sheets_and_no_formula(nursery: Path) -> None:
    result = run("fusion", nursery, "--to", nursery / "pads.xlsx")
    assert result.exit_code == 0, result.output
    book = load_workbook(nursery / "pads.xlsx")
    assert book.sheetnames == ["Pads", "Pairs", "Patches", "Fragments", "Notes"]
    assert all(cell.data_type != "f" for sheet in book for row in sheet.iter_rows() for cell in row)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--site", "PAD-9"), "not described in nursery.toml. Known pads: Pad à l'été, PAD-2."),
        (("--site", "TRAY-1"), "not a pad"),
        (("--to", "pads.pdf"), "must end in .csv or .xlsx"),
        (("--neck-mm", "nan"), "not a number"),
        (("--neck-mm", "0"), "range"),
    ],
)
def test_wrong_choices_are_told(nursery: Path, words: tuple[str, str], told: str) -> None:
    result = run("fusion", nursery, *words)
    assert result.exit_code in (1, 2)
    assert told in result.output


def test_no_visit_in_the_days_is_told(nursery: Path) -> None:
    result = run("fusion", nursery, "--since", "2040-01-01")
    assert result.exit_code == 0
    assert "No measured pad for this choice" in result.output


def test_doubted_outlines_are_told_before_their_figures_are_trusted(nursery: Path) -> None:
    photo = pad_photo(16.4, 14)
    first = replace(photo.fragments[0], doubts=(Doubt("outline_unsure"), Doubt("touches_neighbour")))
    with open_logbook(nursery / "logbook.sqlite") as logbook:
        keep(logbook, replace(photo, fragments=(first, *photo.fragments[1:])))
    assert look(nursery).pads[0].visits[-1].fragments[0].doubts == ("outline_unsure",)
    result = run("fusion", nursery, "--pairs")
    of_pair = {name: line for line in result.output.splitlines() for name in NAMES if f"Ä 2–{name}" in line}
    assert "100?" in next(line for line in result.output.splitlines() if "Ä 1–Ä 2" in line)
    assert "100?" not in of_pair["Ä 3"]
    assert "look at =16.4.jpg before you trust these figures (outline unsure: Ä 1)" in result.output
