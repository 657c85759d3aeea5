"""What is new or changed is found by content, settings and placements; the rest is passed over unread."""

from __future__ import annotations

import os
import time
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from fragarea.batch import find_photos, plan_batch, planning
from fragarea.batch.describe import describe, job_hash, print_check_on
from fragarea.logbook import Refusal, current_measurements, known_hashes, open_logbook, record, record_refusal
from fragarea.measurement import MeasureSettings
from fragarea.reference.layout import calibration_folder
from fragarea.reference.lens import LensProfile
from tests.batch.fakes import NURSERY, PLACEMENTS, job_for, make_nursery, measure_text, write_photo

DAY = "2026-03-07"
LENS = LensProfile("phone", "", "", 0.75, 0.8, (0.0, 0.0), (0.1, 0.0, 0.0, 0.0, 0.0), 0.001, 0.2, 9, 0.9, DAY)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return make_nursery(tmp_path, {f"TRAY-1/{DAY} a.jpg": "area 1", f"TRAY-1/{DAY} b.jpg": "area 2"})


@pytest.fixture
def logbook(folder: Path):
    with open_logbook(folder / "logbook.sqlite") as opened:
        yield opened


def plan(folder: Path, logbook, *, again: bool = False, **changes):
    return plan_batch(find_photos([folder / "photos"]), logbook, job_for(folder, **changes), again=again)


def measure_all(folder: Path, logbook, **changes) -> None:
    """What running the plan would record, without workers."""
    job = job_for(folder, **changes)
    for task in plan(folder, logbook, **changes).tasks:
        record(logbook, measure_text(task, job), path=task.path, also_at=task.also_at)


def due(folder: Path, logbook, **changes) -> list[str]:
    return [task.path for task in plan(folder, logbook, **changes).tasks]


A, B = f"photos/TRAY-1/{DAY} a.jpg", f"photos/TRAY-1/{DAY} b.jpg"


def test_all_is_new_at_first_and_nothing_once_measured(folder, logbook):
    assert due(folder, logbook) == [A, B]
    measure_all(folder, logbook)
    after = plan(folder, logbook)
    assert (after.tasks, after.unchanged, after.duplicates) == ((), 2, ())
    assert due(folder, logbook, again=True) == [A, B]


def test_a_second_run_opens_no_photo(folder, logbook, monkeypatch):
    measure_all(folder, logbook)
    monkeypatch.setattr(planning, "photo_hash", None)  # any use of it would fail
    assert plan(folder, logbook).unchanged == 2


def test_a_photo_with_new_bytes_of_the_same_length_is_new(folder, logbook):
    measure_all(folder, logbook)
    write_photo(folder, f"TRAY-1/{DAY} a.jpg", "area 9")
    assert due(folder, logbook) == [A]


def test_a_photo_touched_but_not_changed_is_not_new(folder, logbook):
    measure_all(folder, logbook)
    os.utime(folder / A, (time.time() - 100, time.time() - 100))
    assert due(folder, logbook) == []


def test_the_time_of_a_file_changed_just_now_is_not_trusted(folder, logbook):
    (folder / A).write_text("area 3")
    plan(folder, logbook)
    assert set(known_hashes(logbook)) == {B}


def test_a_photo_renamed_within_its_site_is_not_new_and_keeps_both_names(folder, logbook):
    measure_all(folder, logbook)
    (folder / A).rename(folder / "photos" / "TRAY-1" / f"{DAY} renamed.jpg")
    assert due(folder, logbook) == []
    copies = plan(folder, logbook)
    assert (copies.unchanged, copies.duplicates) == (2, ())


def test_a_photo_renamed_to_another_date_is_measured_for_it_where_only_its_name_tells_the_date(folder, logbook):
    write_photo(folder, "TRAY-1/undated.jpg", "area 3")
    measure_all(folder, logbook)
    (folder / A).rename(folder / "photos" / "TRAY-1" / "2026-03-14 a.jpg")
    (folder / B).rename(folder / "photos" / "TRAY-1" / "b.jpg")  # what the old name told is kept
    (folder / "photos" / "TRAY-1" / "undated.jpg").rename(folder / "photos" / "TRAY-1" / "2026-03-21.jpg")
    assert due(folder, logbook) == ["photos/TRAY-1/2026-03-14 a.jpg", "photos/TRAY-1/2026-03-21.jpg"]
    measure_all(folder, logbook)
    days = {one.path: one.measurement.taken_at.day for one in current_measurements(logbook)}
    assert days == {"photos/TRAY-1/2026-03-14 a.jpg": 14, "photos/TRAY-1/2026-03-21.jpg": 21, B: 7}
    assert due(folder, logbook) == []


def test_a_photo_that_carries_its_date_keeps_it_whatever_its_name(folder, logbook):
    job = job_for(folder)
    for task in plan(folder, logbook).tasks:
        record(logbook, replace(measure_text(task, job), taken_at_source="exif"), path=task.path)
    (folder / A).rename(folder / "photos" / "TRAY-1" / "2026-03-14 a.jpg")
    assert due(folder, logbook) == []


def test_a_photo_moved_to_another_site_is_measured_for_it(folder, logbook):
    measure_all(folder, logbook)
    moved = folder / "photos" / "TRAY-2" / f"{DAY} a.jpg"
    moved.parent.mkdir()
    (folder / A).rename(moved)
    assert due(folder, logbook) == [f"photos/TRAY-2/{DAY} a.jpg"]


def test_the_same_photo_twice_is_measured_once(folder, logbook):
    write_photo(folder, "TRAY-1/copy.jpg", "area 1")
    first = plan(folder, logbook)
    assert [(task.path, task.also_at) for task in first.tasks] == [(A, ("photos/TRAY-1/copy.jpg",)), (B, ())]
    assert first.duplicates == (("photos/TRAY-1/copy.jpg", A),)
    measure_all(folder, logbook)
    write_photo(folder, "TRAY-1/0 earlier in the alphabet.jpg", "area 1")
    later = plan(folder, logbook)
    assert (later.tasks, later.unchanged, len(later.duplicates)) == ((), 2, 2)


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("pitch_mm = 27.0", "pitch_mm = 28.0"),
        ('name = "Invented"', 'name = "Invented"\nedge_height_mm = 1.5'),
        ('name = "Invented"', 'name = "Invented"\nplug_mm = 20.0'),
    ],
)
def test_a_nursery_described_otherwise_is_measured_again(folder, logbook, before, after):
    measure_all(folder, logbook)
    (folder / "nursery.toml").write_text(NURSERY.replace(before, after))
    assert due(folder, logbook) == [A, B]


def test_a_new_name_of_the_nursery_changes_nothing(folder, logbook):
    measure_all(folder, logbook)
    (folder / "nursery.toml").write_text(NURSERY.replace("Invented", "Renamed"))
    assert due(folder, logbook) == []


def test_a_nursery_moved_elsewhere_is_not_measured_again(tmp_path):
    old, new = (
        make_nursery(tmp_path / "old", {f"TRAY-1/{DAY} a.jpg": "area 1", "TRAY-9/b.jpg": "x"}),
        tmp_path / "new",
    )
    with open_logbook(old / "logbook.sqlite") as logbook:
        job = job_for(old)
        task, refused = plan(old, logbook).tasks
        record(logbook, measure_text(task, job), path=task.path)
        reason = Refusal("b.jpg", "no site", "Move it", "SiteNotFound")
        record_refusal(logbook, reason, path=refused.path, sha256=refused.sha256, settings_hash=job_hash(job))
    old.rename(new)
    with open_logbook(new / "logbook.sqlite") as logbook:
        moved = plan(new, logbook)
    assert (moved.tasks, moved.unchanged, len(moved.refused_before)) == ((), 1, 1)


def test_mended_placements_measure_the_days_they_speak_of(folder, logbook):
    write_photo(folder, "TRAY-1/2025-12-31 c.jpg", "area 3")
    write_photo(folder, f"TRAY-2/{DAY} d.jpg", "area 4")
    measure_all(folder, logbook)
    (folder / "placements.csv").write_text(PLACEMENTS.replace("F1,TRAY-1,1,1", "F1,TRAY-1,3,3"))
    assert due(folder, logbook) == [A, B]


def test_a_print_check_or_another_lens_measures_again(folder, logbook):
    measure_all(folder, logbook, lens=LENS)
    assert due(folder, logbook, lens=LENS) == []
    refitted = replace(LENS, distortion=(0.2, 0.0, 0.0, 0.0, 0.0))
    assert due(folder, logbook, lens=refitted) == [A, B]
    assert due(folder, logbook, lens=LENS, prints=(("frame-280x220", date(2026, 1, 1), 1.002, 4e-4),)) == [A, B]
    assert due(folder, logbook, lens=LENS, prints=(("card-80x50", date(2026, 1, 1), 1.002, 4e-4),)) == []
    assert due(folder, logbook, lens=LENS, settings=MeasureSettings(print_u_rel=0.001)) == [A, B]


def test_the_print_check_that_held_on_the_day_corrects_a_photo():
    first, second = ("card", date(2026, 1, 1), 1.002, 4e-4), ("card", date(2026, 6, 1), 0.999, 4e-4)
    other = ("frame", date(2026, 2, 1), 1.01, 4e-4)
    checks = (second, other, first)
    assert print_check_on(checks, "card", date(2025, 12, 1)) == first  # nobody had measured that print before
    assert print_check_on(checks, "card", date(2026, 5, 31)) == first
    assert print_check_on(checks, "card", date(2026, 6, 1)) == second
    assert print_check_on(checks, "card", None) == second
    assert print_check_on(checks, "sheet", date(2026, 6, 1)) is None


def test_a_new_prints_check_does_not_measure_older_photos_again(folder, logbook):
    checked = ("frame-280x220", date(2026, 1, 1), 1.002, 4e-4)
    measure_all(folder, logbook, prints=(checked,))
    later = ("frame-280x220", date(2099, 1, 1), 1.004, 4e-4)
    assert due(folder, logbook, prints=(checked, later)) == []


def test_a_print_check_holds_for_a_reference_that_a_file_describes(folder, logbook):
    frame = (calibration_folder() / "frame-280x220.json").read_text(encoding="utf-8")
    (folder / "own frame.json").write_text(frame.replace('"frame-280x220"', '"our frame"'), encoding="utf-8")
    own = 'pitch_mm = 27.0\nreference = "own frame.json"'
    (folder / "nursery.toml").write_text(NURSERY.replace("pitch_mm = 27.0", own), encoding="utf-8")
    measure_all(folder, logbook)
    check = (date(2026, 1, 1), 1.002, 4e-4)
    assert due(folder, logbook, prints=(("own frame.json", *check),)) == []
    assert due(folder, logbook, prints=(("our frame", *check),)) == [A, B]


def test_a_date_given_by_the_user_is_kept_until_another_is_given(folder, logbook):
    write_photo(folder, "TRAY-1/undated.jpg", "area 5")
    given = datetime(2026, 4, 1, 9, tzinfo=UTC)
    measure_all(folder, logbook, taken_at=given)
    assert due(folder, logbook) == []
    assert due(folder, logbook, taken_at=given) == []
    assert len(due(folder, logbook, taken_at=datetime(2026, 4, 2, 9))) == 3
    assert {one.measurement.taken_at for one in current_measurements(logbook)} == {given}


def test_a_site_given_by_the_user_is_kept_where_no_folder_names_one(folder, logbook):
    write_photo(folder, "loose.jpg", "area 6")
    measure_all(folder, logbook, site="TRAY-1")
    assert due(folder, logbook) == []
    assert due(folder, logbook, site="TRAY-2") == [A, B, "photos/loose.jpg"]


def refuse(folder: Path, logbook, **changes) -> None:
    job = job_for(folder)
    task = plan(folder, logbook).tasks[0]
    reason = Refusal("a.jpg", "the photo is blurred", "Retake it", "ViewUnusable", **changes)
    record_refusal(logbook, reason, path=task.path, sha256=task.sha256, settings_hash=job_hash(job))


def test_a_refused_photo_rests_until_something_changes(folder, logbook):
    refuse(folder, logbook)
    resting = plan(folder, logbook)
    assert [task.path for task in resting.tasks] == [B]
    assert [(path, refusal.cause) for path, refusal in resting.refused_before] == [(A, "the photo is blurred")]
    assert resting.unchanged == 0
    (folder / "nursery.toml").write_text(NURSERY + "[sites.TRAY-3]\nkind = 'tray'\n")
    assert due(folder, logbook) == [A, B]


def test_a_refused_photo_is_tried_by_a_new_version(folder, logbook, monkeypatch):
    refuse(folder, logbook)
    monkeypatch.setattr(planning, "__version__", "99.0")
    assert due(folder, logbook) == [A, B]


def test_a_photo_refused_for_a_passing_reason_is_tried_each_time(folder, logbook):
    refuse(folder, logbook, try_again=True)
    assert due(folder, logbook) == [A, B]


def test_a_site_described_no_longer_is_told_by_measuring(folder, logbook):
    measure_all(folder, logbook)
    (folder / "nursery.toml").write_text(NURSERY.replace("sites.TRAY-1", "sites.TRAY-7"))
    (folder / "placements.csv").unlink()
    assert due(folder, logbook) == [A, B]


def test_files_that_cannot_be_read_are_told_and_the_rest_is_planned(folder, logbook):
    (folder / "photos" / "TRAY-1" / "gone.jpg").symlink_to("nowhere")
    os.mkfifo(folder / "photos" / "TRAY-1" / "pipe.jpg")
    (folder / "photos" / "locked").mkdir()
    # as `find_photos` lists a folder that may not be opened
    files = [*find_photos([folder / "photos"]), folder / "never was.jpg", folder / "photos" / "locked"]
    planned = plan_batch(files, logbook, job_for(folder))
    assert [task.path for task in planned.tasks] == [A, B]
    assert {path: refusal.cause for path, refusal in planned.refused} == {
        "photos/TRAY-1/gone.jpg": "this link leads to a file that is not there",
        "photos/TRAY-1/pipe.jpg": "this is a pipe, socket or device, not a file",
        "never was.jpg": "there is no such file",
        "photos/locked": "this folder may not be opened by this user",
    }
    assert all(refusal.try_again for _, refusal in planned.refused)


def test_names_that_are_no_text_are_planned_and_remembered(folder, logbook):
    names = [b"\xff.jpg", b"\xfe.jpg", "Récif é 珊瑚\n.jpg".encode()]
    for number, name in enumerate(names):
        file = Path(os.fsdecode(os.fsencode(folder / "photos" / "TRAY-1") + b"/" + name))
        file.write_text(f"area {10 + number}")
        os.utime(file, (1e9, 1e9))
    measure_all(folder, logbook)
    assert plan(folder, logbook).unchanged == 5
    assert {"photos/TRAY-1/\\xff.jpg", "photos/TRAY-1/\\xfe.jpg"} < set(known_hashes(logbook))
    assert len(known_hashes(logbook)) == 5


def test_hashing_that_is_interrupted_is_not_lost(folder, logbook, monkeypatch):
    monkeypatch.setattr(planning, "REMEMBER_EVERY", 1)

    def photos():
        yield folder / A
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        plan_batch(photos(), logbook, job_for(folder))
    assert set(known_hashes(logbook)) == {A}


def test_the_hash_expected_is_the_hash_that_measuring_gives(folder, logbook):
    job = job_for(folder)
    task = plan(folder, logbook).tasks[0]
    measurement = measure_text(task, job)
    assert measurement.settings_hash == describe(job, "TRAY-1", measurement.taken_at.date()).hash


def test_the_same_photo_in_two_sites_folders_is_refused_for_the_second(folder, logbook):
    write_photo(folder, "TRAY-2/wrong.jpg", "area 1")
    write_photo(folder, "TRAY-1/copy.jpg", "area 1")
    planned = plan(folder, logbook)
    assert [(task.path, task.also_at) for task in planned.tasks] == [(A, ("photos/TRAY-1/copy.jpg",)), (B, ())]
    ((path, refusal),) = planned.refused
    assert path == "photos/TRAY-2/wrong.jpg"
    assert str(refusal) == (
        f"wrong.jpg: the same photo lies in {A}, and counts for that site. "
        "Delete it from the wrong folder and run the batch again."
    )
    assert planned.duplicates == (("photos/TRAY-1/copy.jpg", A),)
    assert plan(folder, logbook, site="TRAY-2").refused == ()  # the user says that all are of one site


def test_the_copy_that_is_left_is_measured_for_its_own_site(folder, logbook):
    write_photo(folder, f"TRAY-2/{DAY} wrong.jpg", "area 1")
    measure_all(folder, logbook)
    (folder / A).unlink()
    assert due(folder, logbook) == [f"photos/TRAY-2/{DAY} wrong.jpg"]
