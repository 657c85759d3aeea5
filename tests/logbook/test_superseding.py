"""Measuring again adds a row and supersedes; nothing is overwritten or deleted."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import threading
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from fragarea.logbook import (
    Refusal,
    current_measurements,
    current_refusals,
    known_photos,
    measurements_of,
    open_logbook,
    record,
    record_names,
    record_refusal,
    unsound,
)
from fragarea.measurement import MeasureSettings
from tests.logbook.samples import TAKEN, content_of, measured

ROOT = Path(__file__).parents[2]
OTHER = MeasureSettings(print_factor=1.01, print_checked=True)
BLURRED = Refusal("IMG_0412.jpg", "the photo is blurred", "Retake it", "ViewUnusable")
VANISHED = Refusal("IMG_0412.jpg", "there is no such file", "Check its name", "UnreadablePhoto", try_again=True)


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "logbook.sqlite"


@pytest.fixture
def logbook(file: Path):
    with open_logbook(file) as opened:
        yield opened


def counts(file: Path) -> dict[str, int]:
    return {name: len(rows) for name, rows in content_of(file).items()}


def test_new_settings_add_a_measurement_and_keep_the_old_one_untouched(logbook, file):
    first = record(logbook, measured())
    before = content_of(file)
    second = record(logbook, measured(settings=OTHER))
    after = content_of(file)
    old, new = measurements_of(logbook, measured().sha256)
    assert (old.measurement_id, old.is_current, old.supersedes) == (first, False, None)
    assert (new.measurement_id, new.is_current, new.supersedes) == (second, True, first)
    assert replace(old.measurement, plane=None) == replace(measured(), plane=None)
    assert [one.measurement_id for one in current_measurements(logbook)] == [second]
    for table in ("fragment_measurements", "outlines", "doubts", "photos"):
        assert set(before[table]) <= set(after[table])


def test_the_same_measurement_twice_is_one_row_unless_asked_again(logbook, file):
    first = record(logbook, measured())
    once = content_of(file)
    assert record(logbook, measured()) == first
    assert content_of(file) == once
    again = record(logbook, measured(), again=True)
    assert again != first
    assert [one.supersedes for one in measurements_of(logbook, measured().sha256)] == [None, first]


def test_a_newer_program_or_another_date_supersedes_too(logbook):
    first = record(logbook, measured(), software_version="0.1.0")
    second = record(logbook, measured(), software_version="0.2.0")
    third = record(logbook, measured(taken_at=TAKEN + timedelta(days=1)), software_version="0.2.0")
    chain = [(one.measurement_id, one.supersedes) for one in measurements_of(logbook, measured().sha256)]
    assert chain == [(first, None), (second, first), (third, second)]


def test_a_refusal_under_new_settings_supersedes_a_measurement(logbook):
    first = record(logbook, measured())
    record_refusal(logbook, BLURRED, sha256=measured().sha256, settings_hash="new")
    assert current_measurements(logbook) == []
    assert [one.refusal for one in current_refusals(logbook)] == [BLURRED]
    third = record(logbook, measured(settings=OTHER))
    assert [one.measurement_id for one in current_measurements(logbook)] == [third]
    assert current_refusals(logbook) == []
    assert first in [one.measurement_id for one in measurements_of(logbook, measured().sha256)]


def test_a_refusal_to_try_again_leaves_what_was_measured(logbook, file):
    first = record(logbook, measured())
    record_refusal(logbook, VANISHED, sha256=measured().sha256)
    assert [one.measurement_id for one in current_measurements(logbook)] == [first]
    assert counts(file)["measurements"] == 2
    assert known_photos(logbook)[measured().sha256].refusal is None


def test_the_same_refusal_twice_is_one_row(logbook, file):
    for _ in range(2):
        record_refusal(logbook, BLURRED, path="a.jpg", sha256="a" * 64, settings_hash="h")
        record_refusal(logbook, VANISHED, path="b.jpg")
    assert counts(file)["measurements"] == 2
    record_refusal(logbook, BLURRED, path="a.jpg", sha256="a" * 64, settings_hash="other")
    assert counts(file)["measurements"] == 3
    assert len(current_refusals(logbook)) == 2


def test_a_file_that_can_be_read_at_last_supersedes_its_refusal(logbook):
    refused = record_refusal(logbook, VANISHED, path="photos/a.jpg")
    record(logbook, measured(), path="photos/a.jpg")
    assert current_refusals(logbook) == []
    assert current_measurements(logbook)[0].supersedes == refused


def test_a_second_name_of_a_content_is_kept_as_a_name(logbook, file):
    record(logbook, measured(), path="photos/a.jpg", also_at=["photos/copy.jpg"])
    record_names(logbook, {measured().sha256: ["photos/a.jpg", "photos/third.jpg"], "f" * 64: ["unknown.jpg"]})
    known = known_photos(logbook)
    assert known[measured().sha256].paths == {"photos/a.jpg", "photos/copy.jpg", "photos/third.jpg"}
    assert list(known) == [measured().sha256]
    assert counts(file)["measurements"] == 1


def test_a_photo_refused_before_it_was_decoded_learns_its_size_later(logbook, file):
    record_refusal(logbook, BLURRED, sha256=measured().sha256)
    record(logbook, measured())
    assert current_measurements(logbook)[0].measurement.width_px == 1600


def test_a_row_that_fails_half_way_leaves_nothing_of_its_photo(logbook, file):
    record(logbook, measured("first"))
    before = content_of(file)
    broken = replace(measured("second").fragments[0], centre_mm=(float("nan"), 0.0))  # a column that must not be null
    with pytest.raises(Exception, match="NOT NULL"):
        record(logbook, measured("second", fragments=(measured().fragments[0], broken)))
    assert content_of(file) == before


# forks, so that the libraries are loaded once; each child dies before one more statement, the last one at none
DIES = """
import os, signal, sys
import sqlalchemy as sa
from fragarea.logbook import open_logbook, record
from tests.logbook.samples import content_of, measured

file, kills = sys.argv[1], 0
before = content_of(file)


def record_and_die(statements):
    left = [statements]

    def count(*_):
        left[0] -= 1
        if left[0] < 0:
            os.kill(os.getpid(), signal.SIGKILL)

    with open_logbook(file) as logbook:
        sa.event.listen(logbook.engine, "before_cursor_execute", count)
        sa.event.listen(logbook.engine, "commit", count)
        record(logbook, measured("second"))


while True:
    child = os.fork()
    if child == 0:
        record_and_die(kills)
        os._exit(0)
    status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    if status != -signal.SIGKILL:
        break
    kills += 1
    assert content_of(file) == before, kills
print(kills, status)
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork and POSIX signals")
def test_a_program_killed_between_any_two_statements_leaves_nothing_of_its_photo(logbook, file):
    record(logbook, measured("first"))
    ran = subprocess.run([sys.executable, "-c", DIES, str(file)], capture_output=True, text=True, cwd=ROOT)
    assert ran.returncode == 0, ran.stderr
    kills, status = map(int, ran.stdout.split())
    assert kills > len(("photos", "photo_names", "measurements", "fragment_measurements", "outlines", "doubts"))
    assert status == 0
    assert unsound(logbook) == ()
    stored = current_measurements(logbook)
    assert {one.measurement.sha256 for one in stored} == {measured("first").sha256, measured("second").sha256}


def test_two_programs_that_record_the_same_photos_at_once_keep_each_once(logbook, file):
    contents, gate, failures = [str(number) for number in range(12)], threading.Barrier(2), []

    def work(order):
        with open_logbook(file) as mine:
            gate.wait()
            try:
                for content in order:
                    record(mine, measured(content), path=f"{content}.jpg")
            except Exception as error:  # a thread's error would be lost
                failures.append(error)

    threads = [threading.Thread(target=work, args=(order,)) for order in (contents, contents[::-1])]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert sorted(one.path for one in current_measurements(logbook)) == sorted(f"{one}.jpg" for one in contents)
    assert counts(file)["measurements"] == len(contents)


def test_two_current_rows_of_one_photo_are_impossible(logbook, file):
    record(logbook, measured())
    record(logbook, measured(settings=OTHER))
    connection = sqlite3.connect(file)
    with pytest.raises(sqlite3.IntegrityError), connection:
        connection.execute("UPDATE measurements SET is_current = 1")
    connection.close()
