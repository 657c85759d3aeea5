"""The installed program in a shell: pipes, full disks, colours, locales."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

import pytest

from tests.cli.samples import PAD_PHOTO, SAMPLES, shell


def test_reader_of_a_pipe_may_leave_early(measured_nursery: Path) -> None:
    for words in (("table", measured_nursery, "--budget"), ("doubts",)):
        done = shell(*words, text='"$@" | head -n 1')
        assert done.returncode == 0
        assert len(done.stdout.splitlines()) == 1
        assert done.stderr == ""


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full on this system")
def test_full_disk_is_told_in_a_sentence(measured_nursery: Path) -> None:
    for words in (("table", measured_nursery), ("doubts",)):
        done = shell(*words, text='"$@" > /dev/full')
        assert done.returncode == 1
        assert "No space left on device" in done.stderr
        assert "Traceback" not in done.stderr


def test_output_is_utf8_whatever_the_locale(measured_nursery: Path) -> None:
    done = shell("table", measured_nursery, LC_ALL="C", PYTHONUTF8="0", PYTHONIOENCODING="ascii")
    assert done.returncode == 0
    assert "±" in done.stdout
    assert "cm²" in done.stdout


def test_no_colour_codes_where_there_is_no_terminal_or_none_are_wanted(measured_nursery: Path) -> None:
    plain = shell("table", measured_nursery)
    assert "\x1b" not in plain.stdout
    assert shell("table", measured_nursery, NO_COLOR="1", COLUMNS="200").stdout == plain.stdout


def test_time_zone_of_the_machine_changes_no_date() -> None:
    photo = SAMPLES / "nursery" / "photos" / PAD_PHOTO
    words = ("measure", "--json", "--site-kind", "pad", photo)
    here, there = (shell(*words, TZ=zone) for zone in ("UTC", "Pacific/Kiritimati"))
    assert here.stdout == there.stdout
    assert json.loads(here.stdout)["taken_at"].startswith("2023-05-13T")


def test_progress_and_refusals_stay_off_standard_output(tmp_path: Path) -> None:
    absent = tmp_path / "Fotoğraf 1.jpg"
    done = shell("measure", "--json", "--site-kind", "pad", absent)
    assert done.returncode == 3
    assert json.loads(done.stdout)["photo"] == absent.name
    assert absent.name in done.stderr


def test_version_is_told() -> None:
    done = shell("--version")
    assert done.returncode == 0
    assert done.stdout.startswith("fragarea, version ")


@pytest.mark.skipif(os.name != "posix", reason="a file name of raw bytes")
def test_file_name_that_is_no_text_is_measured_like_any_other(tmp_path: Path) -> None:
    odd = os.fsencode(tmp_path) + b"/pad\xff.jpg"
    Path(os.fsdecode(odd)).write_bytes((SAMPLES / "nursery" / "photos" / PAD_PHOTO).read_bytes())
    programs = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    done = shell(text="cd '" + str(tmp_path) + "' && fragarea measure --json --site-kind pad *.jpg", PATH=programs)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["fragments"]
