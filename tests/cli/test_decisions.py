"""Exchanges accepted, set aside and taken back, and measurements marked wrong, as a worker types them."""

from __future__ import annotations

import csv
import math
import shutil
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import openpyxl
import pytest

from fragarea.batch import compare_histories, find_photos, plan_batch
from fragarea.batch.describe import describe, names_on
from fragarea.batch.records import Job
from fragarea.decisions import accept_exchange, plan_exchange
from fragarea.decisions import exchanges as deciding
from fragarea.decisions.table import replace_table
from fragarea.errors import LogbookProblem
from fragarea.logbook import (
    current_measurements,
    edits_of,
    exchange_decisions_of,
    measurements_of,
    open_logbook,
    record,
)
from fragarea.measurement import MeasureSettings
from fragarea.nursery import load_nursery, load_tables
from tests.cli.samples import SAMPLES, hashes, make_nursery, run
from tests.logbook.samples import TAKEN, TRAY, fragment, measured

DAY = "2026-03-21"
SAID = ("--by", "Ana", "--because", "washed plugs")
TOML = """name = "Discs (invented)"
[sites.TRAY-1]
kind = "tray"
rows = 3
columns = 5
pitch_mm = 27.0
[sites.TRAY-2]
kind = "tray"
[sites.PAD-1]
kind = "pad"
"""
PLACES = [(row, column) for row in (1, 2, 3) for column in range(1, 6)]
NAMES = ["Été 1", "F 2", *(f"F{number}" for number in range(3, 16))]


def write_tables(folder: Path, *, xlsx: bool = False) -> Path:
    """Placements of all fragments on TRAY-1, one on another tray and one on a pad."""
    rows: list[list[object]] = [["fragment", "site", "row", "column", "x_mm", "y_mm", "from", "to", "notes"]]
    rows += [
        [name, "TRAY-1", row, column, None, None, date(2026, 3, 1), None, "first"]
        for name, (row, column) in zip(NAMES, PLACES, strict=True)
    ]
    rows += [
        ["G1", "TRAY-2", 1, 1, None, None, date(2026, 3, 1)],
        ["G2", "PAD-1", None, None, 1, 1, date(2026, 3, 1)],
    ]
    rows += [["G3", "PAD-1", None, None, 30, 1, date(2026, 3, 1)]]
    if xlsx:
        path = folder / "placements.xlsx"
        book = openpyxl.Workbook()
        for row in rows:
            book.active.append(row)
        book.save(path)
        return path
    path = folder / "placements.csv"
    with path.open("w", encoding="cp1252", newline="") as file:
        csv.writer(file, delimiter=";").writerows(rows)
    return path


def make_discs(folder: Path, *, xlsx: bool = False) -> Path:
    """A tray of discs that grow alike, four weekly visits; from the third on the first two stand exchanged."""
    folder.mkdir(parents=True)
    (folder / "nursery.toml").write_text(TOML)
    lines = [f"{name},invented,G1" for name in (*NAMES, "G1", "G2", "G3")]
    (folder / "fragments.csv").write_text("\n".join(["fragment,species,genotype", *lines]) + "\n", encoding="utf-8")
    write_tables(folder, xlsx=xlsx)
    nursery = load_nursery(folder)
    tables = load_tables(nursery)
    job = Job(nursery, tables, MeasureSettings())
    with open_logbook(folder / "logbook.sqlite") as logbook:
        for week in range(4):
            taken = TAKEN + timedelta(weeks=week)
            radius = {place: 5.0 + 0.3 * number + 0.05 * week for number, place in enumerate(PLACES)}
            radius[1, 2] += 1.0
            if week >= 2:
                radius[1, 1], radius[1, 2] = radius[1, 2], radius[1, 1]
            shown = tuple(
                fragment(place, math.pi * r**2, bleached_mm2=0.0, dead_mm2=0.0) for place, r in radius.items()
            )
            described = describe(job, "TRAY-1", taken.date())
            made = measured(
                f"{week}",
                taken_at=taken,
                photo=f"{week}.jpg",
                fragments=shown,
                site=described.site,
                settings=described.settings,
            )
            names = names_on(tables, "TRAY-1", taken.date())
            record(logbook, made, path=f"photos/TRAY-1/{week}.jpg", names=names)
        compare_histories(logbook)
    return folder


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_discs(tmp_path_factory.mktemp("made") / "Pépinière d'été")


@pytest.fixture
def discs(made: Path, tmp_path: Path) -> Path:
    return shutil.copytree(made, tmp_path / made.name)


def exported(folder: Path) -> dict[tuple[str, str, str], dict[str, str]]:
    """Rows of the export by photo and place."""
    target = folder / "areas.csv"
    assert run("export", folder, "--to", target, "--replace").exit_code == 0
    with target.open(encoding="utf-8", newline="") as file:
        return {(row["photo"], row["row"], row["column"]): row for row in csv.DictReader(file)}


def names_at(folder: Path) -> list[str]:
    """Who stands at row 1, column 1 on each visit."""
    return [exported(folder)[f"{week}.jpg", "1", "1"]["fragment"] for week in range(4)]


def exchange(folder: Path, *words: str, on: str = DAY, said: tuple[str, ...] = SAID) -> str:
    result = run("exchange", folder, *words, "--on", on, *said)
    assert result.exit_code == 0, result.output
    return result.output


def refused(folder: Path, *words: str) -> str:
    """The output of a command that is refused, and changes nothing."""
    before = hashes(folder)
    result = run(*words)
    assert result.exit_code in (1, 2), result.output
    after = {name: value for name, value in hashes(folder).items() if not name.startswith("logbook")}
    assert after == {name: value for name, value in before.items() if not name.startswith("logbook")}
    with open_logbook(folder / "logbook.sqlite") as logbook:
        assert exchange_decisions_of(logbook) == []
    return " ".join(result.output.split())


def test_open_exchanges_are_listed_with_odds_and_commands_to_paste(discs: Path) -> None:
    result = run("exchange", discs)
    assert result.exit_code == 0, result.output
    assert f"TRAY-1, {DAY}: F 2 and Été 1 may have changed places (odds " in result.output
    assert f"'F 2' 'Été 1' --on {DAY} --by NAME --because WHY --as-recorded" in result.output
    assert "may have changed places (F 2 and Été 1, odds" in exported(discs)["2.jpg", "1", "1"]["doubts"]


def test_dry_run_shows_lines_and_photos_and_changes_nothing(discs: Path) -> None:
    before = hashes(discs)
    shown = exchange(discs, "Été 1", "F 2", "--dry-run")
    assert "line 2: Été 1, TRAY-1 row 1 column 1, from 2026-03-01: ends on 2026-03-21" in shown
    assert "new line: F 2, TRAY-1 row 1 column 1, from 2026-03-21" in shown
    assert "2 photos (photos/TRAY-1/2.jpg, photos/TRAY-1/3.jpg)" in shown
    assert hashes(discs)["placements.csv"] == before["placements.csv"]
    assert names_at(discs) == ["Été 1"] * 4


def test_accepting_gives_measurements_the_right_names_and_undo_gives_all_back(discs: Path) -> None:
    table, rows = (discs / "placements.csv").read_bytes(), exported(discs)
    run("exchange", discs)
    doubted = exported(discs)
    assert "done" in exchange(discs, "Été 1", "F 2")
    assert names_at(discs) == ["Été 1", "Été 1", "F 2", "F 2"]
    lines = (discs / "placements.csv").read_text(encoding="cp1252").splitlines()
    assert lines[1:3] == [
        "Été 1;TRAY-1;1;1;;;2026-03-01;2026-03-21;first",
        "F 2;TRAY-1;1;2;;;2026-03-01;2026-03-21;first",
    ]
    assert lines[-2:] == [
        "F 2;TRAY-1;1;1;;;2026-03-21;;washed plugs (Ana)",
        "Été 1;TRAY-1;1;2;;;2026-03-21;;washed plugs (Ana)",
    ]
    (former,) = (discs / "former-tables").iterdir()
    assert former.read_bytes() == table
    # areas stay with their place on the photo; only names move, and nothing is doubted any more
    for key, row in exported(discs).items():
        assert row["live_area_cm2"] == rows[key]["live_area_cm2"]
        assert "changed places" not in row["doubts"]
    assert "Decided" in run("exchange", discs).output
    assert "No fragments seem to have changed places" in run("exchange", discs).output
    back = exchange(discs, "F 2", "Été 1", "--undo", said=("--by", "Bo", "--because", "wrong tray"))
    assert "taken back" in back
    assert (discs / "placements.csv").read_bytes() == table
    assert exported(discs) == doubted


def test_nothing_is_measured_again_and_nothing_is_overwritten(discs: Path) -> None:
    def hashes_due() -> list[bool]:
        """Whether each photo was measured with other settings than measuring now would use."""
        nursery = load_nursery(discs)
        job = Job(nursery, load_tables(nursery), MeasureSettings())
        with open_logbook(discs / "logbook.sqlite") as logbook:
            return [
                one.measurement.settings_hash != describe(job, "TRAY-1", one.measurement.taken_at.date()).hash
                for one in current_measurements(logbook)
            ]

    assert hashes_due() == [False] * 4
    exchange(discs, "Été 1", "F 2")
    assert hashes_due() == [False] * 4
    with open_logbook(discs / "logbook.sqlite") as logbook:
        last = current_measurements(logbook)[-1]
        old, new = measurements_of(logbook, last.measurement.sha256)
        assert (old.fragment_names[:2], new.fragment_names[:2]) == (("Été 1", "F 2"), ("F 2", "Été 1"))
        assert new.supersedes == old.measurement_id
        (edit,) = edits_of(logbook, old.fragment_ids[0])
        assert (edit.new_fragment, edit.edited_by, edit.reason) == ("F 2", "Ana", "washed plugs")
    exchange(discs, "Été 1", "F 2", "--undo")
    assert hashes_due() == [False] * 4


def test_workbook_of_placements_is_changed_and_restored(tmp_path: Path) -> None:
    folder = make_discs(tmp_path / "xlsx", xlsx=True)
    before = (folder / "placements.xlsx").read_bytes()
    exchange(folder, "Été 1", "F 2")
    assert names_at(folder) == ["Été 1", "Été 1", "F 2", "F 2"]
    last = [cell.value for cell in openpyxl.load_workbook(folder / "placements.xlsx").active[21]]
    assert (last[0], last[2], last[3], f"{last[6]:%Y-%m-%d}", last[7:]) == (
        "Été 1", 1, 2, DAY, [None, "washed plugs (Ana)"],
    )  # fmt: skip
    exchange(folder, "Été 1", "F 2", "--undo")
    assert (folder / "placements.xlsx").read_bytes() == before


def test_a_table_that_is_a_link_stays_one(discs: Path, tmp_path: Path) -> None:
    shared = tmp_path / "shared placements.csv"
    (discs / "placements.csv").rename(shared)
    (discs / "placements.csv").symlink_to(shared)
    exchange(discs, "Été 1", "F 2")
    assert (discs / "placements.csv").is_symlink()
    assert "2026-03-21;;washed plugs (Ana)" in shared.read_text(encoding="cp1252")


def test_stopping_while_the_logbook_is_written_changes_neither(discs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before, nursery = (discs / "placements.csv").read_bytes(), load_nursery(discs)

    def replaced_then_stopped(table, content):
        replace_table(table, content)
        if content != before:
            raise KeyboardInterrupt

    monkeypatch.setattr(deciding, "replace_table", replaced_then_stopped)
    with open_logbook(discs / "logbook.sqlite") as logbook:
        plan = plan_exchange(logbook, nursery, ["Été 1", "F 2"], date(2026, 3, 21), by="Ana", because="x")
        with pytest.raises(KeyboardInterrupt):
            accept_exchange(logbook, nursery, plan)
        assert exchange_decisions_of(logbook) == []
    assert (discs / "placements.csv").read_bytes() == before
    assert names_at(discs) == ["Été 1"] * 4


def test_undo_after_other_lines_changed_takes_back_its_own_lines_only(discs: Path) -> None:
    path = discs / "placements.csv"
    table = path.read_text(encoding="cp1252")
    exchange(discs, "Été 1", "F 2")
    path.write_text(path.read_text(encoding="cp1252").replace(";first", ";second"), encoding="cp1252")
    exchange(discs, "Été 1", "F 2", "--undo")
    assert path.read_text(encoding="cp1252") == table.replace(";first", ";second")


def test_undo_of_lines_that_changed_since_is_refused_with_what_to_do(discs: Path) -> None:
    path = discs / "placements.csv"
    exchange(discs, "Été 1", "F 2")
    text = path.read_text(encoding="cp1252").replace(
        "F 2;TRAY-1;1;1;;;2026-03-21;;", "F 2;TRAY-1;1;1;;;2026-03-21;2026-05-01;"
    )
    path.write_text(text, encoding="cp1252")
    result = run("exchange", discs, "Été 1", "F 2", "--on", DAY, *SAID, "--undo")
    assert result.exit_code == 1
    assert "have been changed since" in result.output
    assert "former-tables/placements" in result.output
    assert path.read_text(encoding="cp1252") == text


def test_setting_aside_ends_the_doubt_and_keeps_who_and_why(discs: Path) -> None:
    table = (discs / "placements.csv").read_bytes()
    assert "stand as recorded" in exchange(discs, "F 2", "Été 1", "--as-recorded")
    assert (discs / "placements.csv").read_bytes() == table
    shown = run("exchange", discs).output
    assert "No fragments seem" in shown
    assert "right as recorded, said Ana" in shown
    assert "(washed plugs)" in shown
    assert "may have changed places" not in run("growth", discs).output
    exchange(discs, "Été 1", "F 2", "--undo")
    assert "may have changed places (odds" in run("exchange", discs).output
    assert "may have changed places (odds" in run("growth", discs).output


def test_an_exchange_that_only_a_person_saw_is_taken_at_their_word(discs: Path) -> None:
    shown = exchange(discs, "F3", "F4", "F5", on="2026-03-14")
    assert "your word counts" in shown
    rows = exported(discs)
    # F3 stands where F4 was, F4 where F5 was, F5 where F3 was
    assert [rows["1.jpg", "1", column]["fragment"] for column in "345"] == ["F5", "F3", "F4"]
    assert [rows["0.jpg", "1", column]["fragment"] for column in "345"] == ["F3", "F4", "F5"]
    # the outlines contradict it, but it is decided
    assert "F3" not in run("exchange", discs).output.split("Decided")[0]


@pytest.mark.parametrize(
    ("words", "on", "expected"),
    [
        (("Été 1", "F22"), DAY, "'F22' is not in the fragments table. Did you mean"),
        (
            ("Été 1", "F 2"),
            "2026-03-22",
            "not measured on 2026-03-22. Name a visit; the nearest: 2026-03-14, 2026-03-21",
        ),
        (("Été 1", "G1"), DAY, "do not stand on one tray on 2026-03-21 (Été 1 at TRAY-1, G1 at TRAY-2)"),
        (("G2", "G3"), DAY, "PAD-1 is a pad, not a tray"),
        (("Été 1", "F 2"), "2026-02-01", "Été 1 stands nowhere on 2026-02-01"),
        (("Été 1", "Été 1"), DAY, "two or more different fragments"),
        (("Été 1",), DAY, "two or more different fragments"),
        (("Été 1", "F 2", "--undo"), DAY, "nothing was decided about them"),
        (("Été 1", "F 2", "--undo", "--as-recorded"), DAY, "do not go together"),
        (("Été 1", "F 2", "--as-recorded", "--dry-run"), DAY, "nothing to show first"),
    ],
)
def test_wrong_input_is_refused_with_a_remedy(discs: Path, words: tuple[str, ...], on: str, expected: str) -> None:
    assert expected in refused(discs, "exchange", discs, *words, "--on", on, *SAID)


def test_who_and_why_are_asked_for_and_are_no_formula(discs: Path) -> None:
    names = ("Été 1", "F 2", "--on", DAY)
    assert "say who and why" in refused(discs, "exchange", discs, *names, "--by", "Ana")
    assert "for a formula" in refused(discs, "exchange", discs, *names, "--by", "Ana", "--because", "=1+1")
    assert "longer than 500" in refused(discs, "exchange", discs, *names, "--by", "Ana", "--because", "x" * 501)
    assert "--on DATE is needed" in refused(discs, "exchange", discs, "Été 1", "F 2", *SAID)
    assert "name the fragments too" in refused(discs, "exchange", discs, *SAID)


def test_what_was_decided_is_not_decided_twice(discs: Path) -> None:
    exchange(discs, "Été 1", "F 2")
    table = (discs / "placements.csv").read_bytes()
    for more in ((), ("--as-recorded",)):
        result = run("exchange", discs, "F 2", "Été 1", "--on", DAY, *SAID, *more)
        assert result.exit_code == 1
        assert "accepted already, by Ana (washed plugs). --undo takes it back." in " ".join(result.output.split())
    assert (discs / "placements.csv").read_bytes() == table


def test_photos_measured_by_older_placements_are_to_be_measured_first(discs: Path) -> None:
    # as after a change by hand, or a program killed at the worst moment
    path = discs / "placements.csv"
    text = path.read_text(encoding="cp1252")
    path.write_text(
        text.replace("Été 1;TRAY-1;1;1", "Été 1;TRAY-1;1;x")
        .replace("F 2;TRAY-1;1;2", "F 2;TRAY-1;1;1")
        .replace("1;x", "1;2"),
        encoding="cp1252",
    )
    assert "Run fragarea measure first" in refused(discs, "exchange", discs, "Été 1", "F 2", "--on", DAY, *SAID)


def test_table_and_logbook_change_together_or_not_at_all(discs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    nursery, before = load_nursery(discs), (discs / "placements.csv").read_bytes()

    def keeps_nothing(logbook, decision, *, before_commit, **changes):
        before_commit()
        raise LogbookProblem("the disk is full")

    with open_logbook(discs / "logbook.sqlite") as logbook:
        plan = plan_exchange(logbook, nursery, ["Été 1", "F 2"], date(2026, 3, 21), by="Ana", because="x")
        with monkeypatch.context() as patched:
            patched.setattr(deciding, "keep_exchange_decision", keeps_nothing)
            with pytest.raises(LogbookProblem):
                accept_exchange(logbook, nursery, plan)
        assert (discs / "placements.csv").read_bytes() == before
        # the table is changed by somebody else between planning and writing
        (discs / "placements.csv").write_bytes(before + b"\r\n")
        with pytest.raises(Exception, match="changed just now"):
            accept_exchange(logbook, nursery, plan)
        assert exchange_decisions_of(logbook) == []
        assert (discs / "placements.csv").read_bytes() == before + b"\r\n"
    assert names_at(discs) == ["Été 1"] * 4


def test_photos_that_would_measure_otherwise_are_measured_again(discs: Path) -> None:
    # the first two went on to another tray after the exchange; there the other plug diameter now counts
    lines = (discs / "fragments.csv").read_text(encoding="utf-8").replace("genotype\n", "genotype,plug_mm\n")
    lines = lines.replace("Été 1,invented,G1", "Été 1,invented,G1,19").replace(
        "F 2,invented,G1", "F 2,invented,G1,32"
    )
    (discs / "fragments.csv").write_text(lines, encoding="utf-8")
    path = discs / "placements.csv"
    text = path.read_text(encoding="cp1252").replace(
        "Été 1;TRAY-1;1;1;;;2026-03-01;;", "Été 1;TRAY-1;1;1;;;2026-03-01;2026-04-10;"
    )
    text = text.replace("G1;TRAY-2;1;1;;;2026-03-01", "G1;TRAY-2;1;1;;;2026-03-01;2026-04-01")
    path.write_text(text + "Été 1;TRAY-2;2;2;;;2026-04-10;;\r\n", encoding="cp1252")
    nursery = load_nursery(discs)
    tables = load_tables(nursery)
    job = Job(nursery, tables, MeasureSettings())
    described = describe(job, "TRAY-2", date(2026, 4, 11))
    photo = measured(
        "moved", taken_at=TAKEN + timedelta(weeks=5), fragments=(fragment((2, 2)),),
        site=described.site, settings=described.settings,
    )  # fmt: skip
    with open_logbook(discs / "logbook.sqlite") as logbook:
        record(logbook, photo, path="photos/TRAY-2/5.jpg", names={(2, 2): "Été 1"})
    shown = exchange(discs, "Été 1", "F 2")
    assert "1 photo (photos/TRAY-2/5.jpg): to be measured again" in shown
    assert "Été 1, TRAY-2 row 2 column 2, from 2026-04-10: now F 2" in shown


# marks


def mark(folder: Path, *words: str, on: str = DAY, said: tuple[str, ...] = SAID):
    return run("mark-wrong", folder, *words, "--on", on, *said)


def test_a_mark_stands_in_export_growth_and_list_until_undone(discs: Path) -> None:
    before = exported(discs)
    result = mark(discs, "F3")
    assert result.exit_code == 0, result.output
    assert "marked wrong: F3, 2.jpg, " in result.output
    rows = exported(discs)
    assert [key for key, row in rows.items() if row["marked_wrong"] == "yes"] == [("2.jpg", "1", "3")]
    row = rows["2.jpg", "1", "3"]
    assert row["doubts"] == "marked wrong (Ana: washed plugs)"
    assert row["live_area_cm2"] == before["2.jpg", "1", "3"]["live_area_cm2"]
    assert "1 marked wrong by a person" in run("growth", discs).output
    assert f"F3, TRAY-1, {DAY} (2.jpg): Ana: washed plugs" in run("mark-wrong", discs).output
    assert mark(discs, "F3", "--undo").exit_code == 0
    assert "No measurement is marked wrong." in run("mark-wrong", discs).output
    undone = exported(discs)
    assert {key: row["doubts"] for key, row in undone.items()} != {}
    assert all(row["marked_wrong"] == "no" for row in undone.values())


def test_a_mark_goes_with_the_area_when_names_are_exchanged(discs: Path) -> None:
    mark(discs, "Été 1")
    exchange(discs, "Été 1", "F 2")
    marked = [row for row in exported(discs).values() if row["marked_wrong"] == "yes"]
    assert [(row["photo"], row["row"], row["column"], row["fragment"]) for row in marked] == [
        ("2.jpg", "1", "1", "F 2")
    ]
    assert f"F 2, TRAY-1, {DAY}" in run("mark-wrong", discs).output


@pytest.mark.parametrize(
    ("words", "on", "expected"),
    [
        (("F33",), DAY, "'F33': nothing of this name was measured on 2026-03-21. Did you mean"),
        (("R1 C1",), DAY, "nothing of this name was measured"),
        (("F3", "--site", "TRAY-2"), DAY, "The nearest visits: 2026-03-14"),
        (("G1",), DAY, "G1 has not been measured with a date yet."),
        (("F3",), "2026-03-20", "F3 was not measured on 2026-03-20. The nearest visits: 2026-03-14, 2026-03-21"),
        (("F3", "--photo", "9.jpg"), DAY, "is on no such photo of 2026-03-21. It is on: 2.jpg."),
        (("F3", "--undo"), DAY, "is not marked wrong"),
    ],
)
def test_marks_that_cannot_be_made_are_refused(discs: Path, words: tuple[str, ...], on: str, expected: str) -> None:
    result = mark(discs, *words, on=on)
    assert result.exit_code == 1
    assert expected in " ".join(result.output.split())
    assert "No measurement is marked wrong." in run("mark-wrong", discs).output


def test_a_fragment_without_a_name_is_marked_by_its_place(tmp_path: Path) -> None:
    (tmp_path / "nursery.toml").write_text(TOML)
    with open_logbook(tmp_path / "logbook.sqlite") as logbook:
        record(logbook, measured(), path="a.jpg")
        other = measured("other", photo="b.jpg", site=replace(TRAY, name="TRAY-2"))
        record(logbook, other, path="b.jpg")
    result = mark(tmp_path, "R1 C2", on="2026-03-07")
    assert "R1 C2 is at several sites on 2026-03-07: TRAY-1, TRAY-2. Say which: --site NAME." in result.output
    assert mark(tmp_path, "R1 C2", "--site", "TRAY-2", on="2026-03-07").exit_code == 0
    assert "R1 C2, TRAY-2, 2026-03-07 (b.jpg): Ana: washed plugs" in run("mark-wrong", tmp_path).output


def test_a_mark_is_not_made_twice_and_asks_who_and_why(discs: Path) -> None:
    assert mark(discs, "F3").exit_code == 0
    assert "marked wrong already" in mark(discs, "F3").output
    assert "say who and why" in mark(discs, "F4", said=("--by", "Ana")).output
    assert "name the fragment too" in run("mark-wrong", discs, "--undo").output
    assert "--on DATE is needed" in run("mark-wrong", discs, "F3", *SAID).output


# photos


def test_the_exchange_of_the_sample_nursery_is_found_accepted_and_right(tmp_path: Path) -> None:
    photos = [f"TRAY-1/2025-{day} tray 1.jpg" for day in ("05-15", "06-05", "07-10")]
    folder = make_nursery(tmp_path / "sample", *photos)
    table = (folder / "placements.csv").read_bytes()
    result = run("measure", folder, "--workers", "2")
    assert result.exit_code == 0, result.output
    assert "may have changed places: P35 and P38 (TRAY-1, 2025-06-05, odds over" in result.output
    command = next(
        line.strip()
        for line in run("exchange", folder).output.splitlines()
        if "--as-recorded" not in line and "--by" in line
    )
    assert "P35 P38 --on 2025-06-05" in command
    assert "changed places" in exported(folder)["2025-06-05 tray 1.jpg", "5", "3"]["doubts"]
    exchange(folder, "P35", "P38", on="2025-06-05")
    nursery = load_nursery(folder)
    with open_logbook(folder / "logbook.sqlite") as logbook:
        job = Job(nursery, load_tables(nursery), MeasureSettings())
        plan = plan_batch(find_photos([folder / "photos"]), logbook, job)
    assert (len(plan.tasks), plan.unchanged) == (0, 3)
    # the areas that were drawn, from true_areas.csv
    with (SAMPLES / "true_areas.csv").open(encoding="utf-8", newline="") as file:
        true = {(row["photo"], row["fragment"]): float(row["live_mm2"]) for row in csv.DictReader(file)}
    for row in exported(folder).values():
        if row["fragment"] in ("P35", "P38"):
            expected = true[row["photo"], row["fragment"]] / 100
            assert float(row["live_area_cm2"]) == pytest.approx(expected, rel=0.05)
    exchange(folder, "P35", "P38", "--undo", on="2025-06-05")
    assert (folder / "placements.csv").read_bytes() == table
