"""Killing a batch at any moment loses no finished photo, and the same command goes on to the same end."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from pathlib import Path

import psutil
import pytest

from fragarea.batch.records import INTERRUPTED_EXIT, REFUSED_EXIT
from fragarea.logbook import open_logbook, unsound
from tests.batch.fakes import make_nursery
from tests.logbook.samples import content_of

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork and POSIX signals")

ROOT = Path(__file__).parents[2]
KILLS = 20


class Runner:
    """A process that runs batches in children of its own."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-W", "error", "-m", "tests.batch.runner"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=ROOT,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},  # no thread may be running when it forks
            start_new_session=True,
        )

    def start(self, folder: Path, workers: int = 1) -> int:
        """Begin a batch; returns the process to kill."""
        self._process.stdin.write(f"{folder}\t{workers}\n")
        self._process.stdin.flush()
        word, pid = self.line()
        assert word == "start"
        return pid

    def line(self) -> tuple[str, int]:
        """Next thing that it tells; waits for it."""
        words = self._process.stdout.readline().split()
        assert words, self._process.stderr.read()
        return words[0], int(words[1])

    def to_end(self) -> tuple[int, int]:
        """Photos told as recorded from here on, and how the batch ended."""
        told = 0
        while (heard := self.line())[0] == "done":
            told += 1
        return told, heard[1]

    def close(self) -> str:
        """End it; returns what it wrote to standard error."""
        return self._process.communicate(timeout=60)[1]


@pytest.fixture
def runner():
    made = Runner()
    yield made
    made.close()


def photos() -> dict[str, str]:
    """A tray over weeks, with a jump of an area, refusals, a copy, and one that crashes its worker at the end."""
    made = {}
    for number in range(80):
        area = 300.0 if number == 40 else 100.0
        made[f"TRAY-{1 + number % 2}/2026-0{1 + number // 28}-{1 + number % 28:02d} {number:02d}.jpg"] = (
            f"area {area}\nwait {0.002 * (1 + number % 7)}\n{number}"
        )
    made["TRAY-1/2026-03-01 blurred.jpg"] = "refuse"
    made["TRAY-1/copy of 00.jpg"] = made["TRAY-1/2026-01-01 00.jpg"]
    made["nowhere.jpg"] = "area 1"
    made["TRAY-2/2026-05-01 crash.jpg"] = "crash"
    return made


def recorded(folder: Path) -> int:
    """Photos measured or refused in the logbook."""
    file = folder / "logbook.sqlite"
    if not file.exists():
        return 0
    connection = sqlite3.connect(file)
    try:
        return int(connection.execute("SELECT count(*) FROM measurements").fetchone()[0])
    except sqlite3.OperationalError:
        return 0  # killed before the tables were made
    finally:
        connection.close()


def test_twenty_kills_end_with_the_rows_of_an_undisturbed_run(tmp_path, runner):
    quiet, killed = make_nursery(tmp_path / "quiet", photos()), make_nursery(tmp_path / "killed", photos())
    runner.start(quiet, workers=2)
    assert runner.to_end() == (len(photos()) - 1, REFUSED_EXIT)

    moments, told, ends = random.Random(20), 0, []
    for number in range(KILLS):
        pid = runner.start(killed, workers=2 if number % 5 == 4 else 1)
        # every fourth while it plans or starts its workers, the others some photos and milliseconds later
        wanted = 0 if number % 4 == 0 else moments.randint(1, 5)
        seen = sum(runner.line()[0] == "done" for _ in range(wanted))
        time.sleep(moments.uniform(0.0, 0.03 if wanted else 0.5))
        os.kill(pid, signal.SIGKILL)
        more, end = runner.to_end()
        ends.append(end)
        told += seen + more
        assert recorded(killed) >= told, "a photo was told as done and is not in the logbook"
    assert ends == [-signal.SIGKILL] * KILLS
    assert 20 < recorded(killed) < len(photos()) - 1, "the kills did not fall inside the batch"

    runner.start(killed, workers=2)
    assert runner.to_end()[1] == REFUSED_EXIT
    assert content_of(killed / "logbook.sqlite") == content_of(quiet / "logbook.sqlite")
    for folder in (quiet, killed):
        with open_logbook(folder / "logbook.sqlite") as logbook:
            assert unsound(logbook) == ()


def test_workers_of_a_killed_batch_end_by_themselves(tmp_path, runner):
    folder = make_nursery(tmp_path, {f"TRAY-1/{number}.jpg": f"wait 0.3\n{number}" for number in range(9)})
    pid = runner.start(folder, workers=2)
    assert runner.line() == ("done", 1)
    workers = psutil.Process(pid).children(recursive=True)
    assert len(workers) >= 2
    os.kill(pid, signal.SIGKILL)
    runner.to_end()
    _, alive = psutil.wait_procs(workers, timeout=20)
    assert alive == []


def test_ctrl_c_keeps_what_is_finished_and_says_how_much_is_left(tmp_path, runner):
    texts = {f"TRAY-1/{number:02d}.jpg": f"wait 0.05\n{number}" for number in range(30)}
    folder = make_nursery(tmp_path, texts)
    pid = runner.start(folder, workers=2)
    for _ in range(3):
        runner.line()
    for process in [psutil.Process(pid), *psutil.Process(pid).children(recursive=True)]:
        process.send_signal(signal.SIGINT)  # as a terminal does
    more, end = runner.to_end()
    assert end == INTERRUPTED_EXIT
    assert recorded(folder) == 3 + more < len(texts)
    runner.start(folder)
    assert runner.to_end() == (len(texts) - 3 - more, 0)
    assert recorded(folder) == len(texts)
    assert runner.close() == ""


def test_ctrl_c_while_workers_start_leaves_no_trace(tmp_path, runner):
    folder = make_nursery(tmp_path, {"TRAY-1/a.jpg": "area 1", "TRAY-1/b.jpg": "area 2"})
    pid = runner.start(folder, workers=2)
    process, patience = psutil.Process(pid), time.monotonic() + 30
    while not (children := process.children(recursive=True)) and time.monotonic() < patience:
        time.sleep(0.002)
    for one in [*children, process]:
        one.send_signal(signal.SIGINT)
    told, end = runner.to_end()
    assert (told, end) in [(0, INTERRUPTED_EXIT), (1, INTERRUPTED_EXIT), (2, 0)]
    assert runner.close() == ""


def test_a_batch_in_another_thread_runs_without_a_handler_for_ctrl_c(tmp_path):
    from tests.batch.runner import run

    folder = make_nursery(tmp_path, {"TRAY-1/a.jpg": "area 1"})
    summaries = []
    thread = threading.Thread(target=lambda: summaries.append(run(folder, 1)))
    thread.start()
    thread.join()
    assert summaries[0].measured == ("photos/TRAY-1/a.jpg",)
