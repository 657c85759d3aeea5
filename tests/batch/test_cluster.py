"""A Dask cluster, named by its scheduler, measures the same."""

from __future__ import annotations

import builtins
import socket
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import distributed
import pytest

from fragarea.batch import find_photos, plan_batch, run_batch
from fragarea.errors import SettingsProblem
from fragarea.logbook import open_logbook
from tests.batch.fakes import job_for, make_nursery, measure_text
from tests.cli.samples import PAD_PHOTO, run
from tests.cli.samples import make_nursery as cli_nursery
from tests.logbook.samples import content_of

TEXTS = {f"TRAY-1/2026-03-{1 + number:02d}.jpg": f"area {100 + number}" for number in range(8)} | {
    "TRAY-1/blurred.jpg": "refuse",
    "TRAY-1/fault.jpg": "fault",
}


def batch(folder: Path, **options):
    with open_logbook(folder / "logbook.sqlite") as logbook:
        job = job_for(folder)
        plan = plan_batch(find_photos([folder / "photos"]), logbook, job)
        return run_batch(plan, logbook, job, measure=measure_text, **options)


@contextmanager
def cluster() -> Iterator[str]:
    """A small cluster; gives its scheduler's address."""
    with (
        warnings.catch_warnings(),
        distributed.LocalCluster(
            n_workers=1, threads_per_worker=2, processes=False, dashboard_address=None, protocol="tcp"
        ) as made,
    ):
        yield made.scheduler_address


@pytest.mark.filterwarnings("default")
def test_a_cluster_records_what_this_machine_records(tmp_path):
    here, there = make_nursery(tmp_path / "here", TEXTS), make_nursery(tmp_path / "there", TEXTS)
    with cluster() as address:
        summary = batch(there, scheduler=address)
    assert (len(summary.measured), len(summary.refused)) == (8, 2)
    batch(here)
    assert content_of(here / "logbook.sqlite") == content_of(there / "logbook.sqlite")


@pytest.mark.filterwarnings("default")
def test_a_photo_that_takes_too_long_is_refused_and_the_rest_goes_on(tmp_path):
    folder = make_nursery(tmp_path, {"TRAY-1/slow.jpg": "wait 4", **{f"TRAY-1/{n}.jpg": f"area {n}" for n in (1, 2)}})
    with cluster() as address:
        summary = batch(folder, scheduler=address, photo_timeout_s=0.5)
    assert summary.refused_paths == ("photos/TRAY-1/slow.jpg",)
    assert [one.kind for one in summary.refused] == ["too slow"]
    assert len(summary.measured) == 2


@pytest.mark.filterwarnings("default")
def test_the_command_measures_on_the_cluster_that_is_named(tmp_path):
    folder = cli_nursery(tmp_path / "n", PAD_PHOTO)
    with cluster() as address:
        result = run("measure", folder, "--scheduler", address, "--no-report")
    assert result.exit_code == 0, result.output
    assert "measured 1," in result.output


def test_an_address_where_nobody_answers_is_told(tmp_path, monkeypatch):
    monkeypatch.setattr("fragarea.batch.cluster.CONNECT_S", 0.5)
    with socket.socket() as closed:  # a port that is taken but not listened at
        closed.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{closed.getsockname()[1]}"
        with pytest.raises(SettingsProblem, match=f"No Dask scheduler answers at {address}"):
            batch(make_nursery(tmp_path, TEXTS), scheduler=address)


def test_without_the_package_the_way_to_install_it_is_told(tmp_path, monkeypatch):
    real = builtins.__import__

    def without(name, *given, **named):
        if name == "distributed":
            raise ImportError(name)
        return real(name, *given, **named)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(SettingsProblem, match=r"pip install 'fragarea\[cluster\]'"):
        batch(make_nursery(tmp_path, TEXTS), scheduler="tcp://127.0.0.1:1")
