"""Every photo of a plan ends in the logbook, measured or refused with a reason, whatever happens to workers."""

from __future__ import annotations

import pickle
import shutil
import time
from datetime import date
from itertools import pairwise
from pathlib import Path

import pytest

from fragarea.batch import PhotoTask, find_photos, plan_batch, run_batch
from fragarea.batch.local import LocalCrew
from fragarea.batch.records import REFUSED_EXIT
from fragarea.errors import FragareaError, LogbookProblem
from fragarea.logbook import (
    PrintCheck,
    add_print_check,
    current_measurements,
    current_refusals,
    measurements_of,
    open_logbook,
)
from tests.batch.fakes import NURSERY, PLACEMENTS, job_for, make_nursery, measure_text, write_photo
from tests.logbook.samples import content_of


def batch(folder: Path, *, again: bool = False, changes: dict | None = None, **options):
    """Plan and run, as the command does."""
    with open_logbook(folder / "logbook.sqlite") as logbook:
        job = job_for(folder, **(changes or {}))
        plan = plan_batch(find_photos([folder / "photos"]), logbook, job, again=again)
        return run_batch(plan, logbook, job, measure=measure_text, **options)


def stored(folder: Path):
    with open_logbook(folder / "logbook.sqlite", create=False) as logbook:
        return current_measurements(logbook)


def refusals(folder: Path) -> dict[str, str]:
    with open_logbook(folder / "logbook.sqlite", create=False) as logbook:
        return {one.path: one.refusal.cause for one in current_refusals(logbook)}


def test_each_kind_of_fault_refuses_its_photo_alone(tmp_path):
    folder = make_nursery(
        tmp_path,
        {
            "TRAY-1/a good.jpg": "area 1",
            "TRAY-1/b blurred.jpg": "refuse",
            "TRAY-1/c crash.jpg": "crash",
            "TRAY-1/d good.jpg": "area 2",
            "TRAY-1/e fault.jpg": "fault",
            "TRAY-1/f starve.jpg": "starve",
            "TRAY-1/g setting.jpg": "misconfigure",
            "TRAY-1/h hang.jpg": "hang",
            "TRAY-1/i good.jpg": "area 3",
            "TRAY-1/j interrupt.jpg": "interrupt\narea 4",
            "TRAY-9/nowhere.jpg": "area 5",
        },
    )
    told = []
    summary = batch(
        folder, workers=2, photo_timeout_s=1.5, on_progress=lambda done, total: told.append((done, total))
    )
    assert sorted(one.path for one in stored(folder)) == [
        "photos/TRAY-1/a good.jpg",
        "photos/TRAY-1/d good.jpg",
        "photos/TRAY-1/i good.jpg",
        "photos/TRAY-1/j interrupt.jpg",
    ]
    expected = {
        "photos/TRAY-1/b blurred.jpg": "the photo is blurred",
        "photos/TRAY-1/c crash.jpg": (
            "the program that measures it was stopped by the system, perhaps for want of memory"
        ),
        "photos/TRAY-1/e fault.jpg": "the program failed on it (ZeroDivisionError: a mistake of the program)",
        "photos/TRAY-1/f starve.jpg": "there was not enough memory for it",
        "photos/TRAY-1/g setting.jpg": "reference 'x' is not known",
        "photos/TRAY-1/h hang.jpg": "measuring took longer than 2 seconds",
        "photos/TRAY-9/nowhere.jpg": "no site is named after its folder 'TRAY-9'",
    }
    assert refusals(folder) == expected
    assert sorted(summary.refused_paths) == sorted(expected)
    assert {path: one.cause for path, one in zip(summary.refused_paths, summary.refused, strict=True)} == expected
    assert len(summary.measured) == 4
    assert (summary.left, summary.interrupted, summary.exit_code) == (0, False, REFUSED_EXIT)
    assert told == [(number, 11) for number in range(1, 12)]


@pytest.mark.parametrize("workers", [2, 3])
def test_the_rows_are_the_same_whatever_the_number_of_workers(tmp_path, workers):
    texts = {
        f"TRAY-{1 + number % 2}/2026-03-{1 + number:02d}.jpg": f"area {100 + number}\nwait {0.004 * (number % 5)}"
        for number in range(20)
    }
    texts["TRAY-1/2026-04-01.jpg"] = "area 900"
    one, many = make_nursery(tmp_path / "one", texts), make_nursery(tmp_path / "many", texts)
    assert batch(one, workers=1).exit_code == batch(many, workers=workers).exit_code == 0
    assert content_of(one / "logbook.sqlite") == content_of(many / "logbook.sqlite")
    jumps = [part.doubts for photo in stored(many) for part in photo.measurement.fragments if part.doubts]
    assert [[doubt.key for doubt in doubts] for doubts in jumps] == [["area_jump"]]


def test_only_what_is_new_or_changed_is_measured(tmp_path):
    folder = make_nursery(tmp_path, {"TRAY-1/a.jpg": "area 1", "TRAY-1/b.jpg": "area 2", "TRAY-1/c.jpg": "refuse"})
    first = batch(folder)
    assert (len(first.measured), len(first.refused), first.unchanged) == (2, 1, 0)
    second = batch(folder)
    assert (second.measured, second.refused, second.unchanged) == ((), (), 2)
    assert [(path, one.cause) for path, one in second.refused_before] == [
        ("photos/TRAY-1/c.jpg", "the photo is blurred")
    ]
    assert second.exit_code == first.exit_code == REFUSED_EXIT
    write_photo(folder, "TRAY-1/b.jpg", "area 22")
    write_photo(folder, "TRAY-1/d.jpg", "area 4")
    third = batch(folder)
    assert sorted(third.measured) == ["photos/TRAY-1/b.jpg", "photos/TRAY-1/d.jpg"]
    assert third.unchanged == 1


def test_again_measures_all_and_supersedes(tmp_path):
    folder = make_nursery(tmp_path, {"TRAY-1/a.jpg": "area 1"})
    batch(folder)
    (before,) = stored(folder)
    assert batch(folder, again=True).measured == ("photos/TRAY-1/a.jpg",)
    (after,) = stored(folder)
    assert after.supersedes == before.measurement_id
    with open_logbook(folder / "logbook.sqlite") as logbook:
        assert len(measurements_of(logbook, before.measurement.sha256)) == 2


def test_whatever_changes_a_measurement_supersedes_it_and_leaves_the_old_rows_as_they_were(tmp_path):
    folder = make_nursery(tmp_path, {"TRAY-1/2026-03-07.jpg": "area 1"})
    file, frame = folder / "logbook.sqlite", "frame-280x220"
    batch(folder)
    before = [content_of(file)]

    def again_after(**options) -> None:
        assert batch(folder, **options).measured == ("photos/TRAY-1/2026-03-07.jpg",)
        assert batch(folder, **options).measured == ()
        before.append(content_of(file))

    (folder / "nursery.toml").write_text(NURSERY.replace("pitch_mm = 27.0", "pitch_mm = 27.0\nplug_mm = 20.0"))
    again_after()
    (folder / "placements.csv").write_text(PLACEMENTS.replace("F1,TRAY-1,1,1", "F1,TRAY-1,2,2"))
    again_after()
    with open_logbook(file) as logbook:
        add_print_check(logbook, PrintCheck(frame, 250.0, (250.5,), 1.002, 4e-4, date(2026, 3, 8), "someone"))
    again_after(changes={"prints": ((frame, date(2026, 3, 8), 1.002, 4e-4),)})

    (last,) = stored(folder)
    assert (last.measurement.settings.print_factor, last.measurement.site.plug_mm) == (1.002, 20.0)
    assert last.fragment_names == (None, "F2")
    with open_logbook(file) as logbook:
        chain = measurements_of(logbook, last.measurement.sha256)
    assert [one.supersedes for one in chain] == [None, *(one.measurement_id for one in chain[:-1])]
    assert [one.is_current for one in chain] == [False, False, False, True]
    for earlier, later in pairwise(before):
        for table in ("fragment_measurements", "outlines", "doubts", "photos"):
            assert set(earlier[table]) <= set(later[table])


def test_odd_names_are_measured_and_known_again(tmp_path):
    names = [
        "x" * 251 + ".jpg",  # 255 bytes, the longest that file systems take
        "two words  and é 珊瑚 🪸.jpg",
        "line\nbreak\tand tab.jpg",
        "-rf.jpg",
        'it\'s "quoted"; DROP TABLE photos;--.jpg',
        "100%s {0} [red].jpg",
        "a.jpg.jpg",
    ]
    folder = make_nursery(tmp_path, {f"TRAY-1/{name}": f"area {1 + number}" for number, name in enumerate(names)})
    assert batch(folder).exit_code == 0
    assert {one.path for one in stored(folder)} == {f"photos/TRAY-1/{name}" for name in names}
    later = batch(folder)
    assert (later.measured, later.unchanged) == ((), len(names))


def test_fragments_get_the_names_of_their_places_on_the_day(tmp_path):
    folder = make_nursery(tmp_path, {"TRAY-1/2026-03-07.jpg": "area 1", "TRAY-1/2025-03-07.jpg": "area 2"})
    batch(folder)
    assert [one.fragment_names for one in stored(folder)] == [(None, None), ("F1", "F2")]


def test_photos_that_ask_for_a_look_are_counted_and_mere_notes_are_not(tmp_path):
    # weights as in the table of doubts: blur 3, tags_rejected 1
    folder = make_nursery(
        tmp_path, {"TRAY-1/a.jpg": "doubt tags_rejected", "TRAY-1/b.jpg": "doubt blur", "TRAY-1/c.jpg": "area 3"}
    )
    summary = batch(folder)
    assert summary.doubtful == ("photos/TRAY-1/b.jpg",)
    assert len(summary.measured) == 3


def test_a_photo_that_vanishes_meanwhile_is_refused_for_now_and_keeps_what_was_measured(tmp_path):
    folder = make_nursery(tmp_path, {"TRAY-1/a.jpg": "vanish"})
    summary = batch(folder)
    assert [one.try_again for one in summary.refused] == [True]
    write_photo(folder, "TRAY-1/a.jpg", "vanish")
    assert batch(folder).refused_paths == ("photos/TRAY-1/a.jpg",)  # tried again, since it is there again


def test_a_file_that_cannot_be_read_is_refused_until_it_can(tmp_path):
    folder = make_nursery(tmp_path, {"TRAY-1/a.jpg": "area 1"})
    link = folder / "photos" / "TRAY-1" / "b.jpg"
    link.symlink_to(tmp_path / "elsewhere.jpg")
    summary = batch(folder)
    assert summary.measured == ("photos/TRAY-1/a.jpg",)
    assert refusals(folder) == {"photos/TRAY-1/b.jpg": "this link leads to a file that is not there"}
    (tmp_path / "elsewhere.jpg").write_text("area 2")
    assert batch(folder).measured == ("photos/TRAY-1/b.jpg",)
    assert refusals(folder) == {}


def test_a_plan_without_photos_starts_no_worker(tmp_path, monkeypatch):
    monkeypatch.setattr("fragarea.batch.running.LocalCrew", None)
    folder = make_nursery(tmp_path, {})
    (folder / "photos").mkdir()
    summary = batch(folder)
    assert (summary.measured, summary.exit_code) == ((), 0)


def test_a_logbook_that_cannot_be_written_ends_the_batch_and_its_workers(tmp_path, monkeypatch):
    def full(*_args, **_options):
        raise LogbookProblem("logbook.sqlite: the disk is full.")

    folder = make_nursery(tmp_path, {f"TRAY-1/{number}.jpg": f"wait 0.1\n{number}" for number in range(9)})
    monkeypatch.setattr("fragarea.batch.running.record", full)
    crews = []
    monkeypatch.setattr(
        "fragarea.batch.running.LocalCrew", lambda *given: crews.append(LocalCrew(*given)) or crews[-1]
    )
    with pytest.raises(LogbookProblem, match="disk is full"):
        batch(folder, workers=2)
    assert crews[0]._workers == []


class Untakeable:
    """Pickles, and cannot be read back: a worker that gets it ends before it is ready."""

    def __reduce__(self):
        return (exec, ("raise SystemExit(7)",))


def test_workers_that_cannot_start_are_given_up_with_advice(tmp_path):
    folder = make_nursery(tmp_path, {"TRAY-1/a.jpg": "area 1"})
    job = job_for(folder, lens=Untakeable())
    assert pickle.dumps(job)
    began = time.monotonic()
    crew = LocalCrew(job, measure_text, 1, 60.0)
    task = PhotoTask(folder / "photos" / "TRAY-1" / "a.jpg", "photos/TRAY-1/a.jpg", "0" * 64)
    with pytest.raises(FragareaError, match=r"end as soon as they are started \(exit code 7\)"):
        list(crew.results([task], lambda: False))
    crew.dismiss()
    assert time.monotonic() - began < 60


def test_real_photos_give_the_same_digits_whatever_the_number_of_workers(tmp_path):
    samples = Path(__file__).parents[2] / "sample_images" / "nursery"
    for name in ("one", "two"):
        photos = tmp_path / name / "photos" / "TRAY-1"
        photos.mkdir(parents=True)
        shutil.copy(samples / "nursery.toml", tmp_path / name)
        for photo in sorted((samples / "photos" / "TRAY-1").glob("*.jpg"))[:3]:
            shutil.copy(photo, photos)
    for name, workers in (("one", 1), ("two", 2)):
        folder = tmp_path / name
        with open_logbook(folder / "logbook.sqlite") as logbook:
            job = job_for(folder)
            plan = plan_batch(find_photos([folder / "photos"]), logbook, job)
            summary = run_batch(plan, logbook, job, workers=workers)
        assert (len(summary.measured), len(summary.refused)) == (2, 1)  # the sample whose frame is cut off
    assert content_of(tmp_path / "one" / "logbook.sqlite") == content_of(tmp_path / "two" / "logbook.sqlite")


def test_a_copy_in_another_sites_folder_is_in_the_logbook_until_one_is_deleted(tmp_path):
    folder = make_nursery(tmp_path, {"TRAY-1/2026-03-07 a.jpg": "area 1", "TRAY-2/2026-03-07 b.jpg": "area 1"})
    summary = batch(folder)
    assert (summary.measured, summary.refused_paths) == (
        ("photos/TRAY-1/2026-03-07 a.jpg",),
        ("photos/TRAY-2/2026-03-07 b.jpg",),
    )
    assert summary.exit_code == batch(folder).exit_code == REFUSED_EXIT
    (folder / "photos/TRAY-1/2026-03-07 a.jpg").unlink()
    assert batch(folder).measured == ("photos/TRAY-2/2026-03-07 b.jpg",)
    assert refusals(folder) == {}
    assert [one.measurement.site.name for one in stored(folder)] == ["TRAY-2"]


def test_a_refusal_knows_its_site_by_its_folder(tmp_path):
    folder = make_nursery(tmp_path, {"TRAY-2/a.jpg": "refuse", "nowhere.jpg": "area 1"})
    batch(folder)
    with open_logbook(folder / "logbook.sqlite") as logbook:
        assert [one.path for one in current_refusals(logbook, site="TRAY-2")] == ["photos/TRAY-2/a.jpg"]
        assert current_refusals(logbook, site="TRAY-1") == []
        assert len(current_refusals(logbook)) == 2
