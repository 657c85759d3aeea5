"""Overlays, contact sheets and the page: made from the logbook and the photos, and made again at will."""

from __future__ import annotations

import os
import re
import shutil
import signal
from dataclasses import replace
from datetime import UTC, datetime
from html import unescape
from pathlib import Path
from urllib.parse import unquote

import cv2
import pytest

from fragarea.errors import FragareaError
from fragarea.logbook import open_logbook
from fragarea.nursery import load_nursery, load_tables
from fragarea.nursery_view import NurseryView, logbook_path, view_nursery
from fragarea.publish import count_visits, publish
from tests.cli.samples import PAD_PHOTO, REFUSED_PHOTO, TRAY_PHOTO, hashes, make_nursery, run

MADE_AT = datetime(2026, 3, 7, 10, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two measured photos and a refused one; nothing drawn yet."""
    folder = make_nursery(tmp_path_factory.mktemp("publish") / "Récif 1", TRAY_PHOTO, PAD_PHOTO, REFUSED_PHOTO)
    assert run("measure", folder, "--no-report").exit_code == 3
    assert not (folder / "reports").exists()
    return folder


@pytest.fixture
def nursery(original: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(original, tmp_path / original.name))


@pytest.fixture(scope="module")
def drawn(original: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same with its reports drawn; only to be looked at."""
    folder = Path(shutil.copytree(original, tmp_path_factory.mktemp("drawn") / original.name))
    draw(folder)
    return folder


def view(folder: Path) -> NurseryView:
    settings = load_nursery(folder)
    with open_logbook(logbook_path(settings), create=False) as logbook:
        return view_nursery(logbook, settings, load_tables(settings))


def draw(folder: Path, **changes):
    seen = view(folder)
    options = {"last_check": seen.last_check, "made_at": MADE_AT, **changes}
    return publish(folder, "Récif 1", seen.stored, seen.rows, seen.refused, **options)


def page_of(folder: Path) -> str:
    return (folder / "reports" / "report.html").read_text(encoding="utf-8")


def test_an_overlay_a_photo_and_sheets_a_visit_are_written(nursery: Path) -> None:
    published = draw(nursery)
    assert len(published.overlays) == 2
    assert {path.parent.name for path in published.overlays} == {"TRAY-1", "PAD-1"}
    assert len(published.sheets) >= 2
    assert published.not_drawn == ()
    for path in (*published.overlays, *published.sheets):
        picture = cv2.imread(str(path))
        assert picture is not None
        assert min(picture.shape[:2]) > 300


def test_pages_of_an_earlier_longer_contact_sheet_are_taken_away(nursery: Path) -> None:
    written = draw(nursery).sheets
    last = max(path for path in written if path.name.startswith("TRAY-1"))
    stem, _, number = last.stem.rpartition("_")
    left_over = [last.with_name(f"{stem}_{int(number) + more}.jpg") for more in (1, 2)]
    other = last.with_name(f"{stem}_my own.jpg")
    for path in (*left_over, other):
        path.write_bytes(last.read_bytes())
    assert draw(nursery).sheets == written
    assert not any(path.exists() for path in left_over)
    assert other.exists()
    assert all(path.exists() for path in written)


def test_page_links_to_pictures_that_are_there(drawn: Path) -> None:
    links = [unquote(unescape(link)) for link in re.findall(r'(?:href|src)="([^"#:]+)"', page_of(drawn))]
    assert links
    assert all((drawn / "reports" / link).is_file() for link in links)


def test_page_shows_every_fragment_and_every_refusal(drawn: Path) -> None:
    page = page_of(drawn)
    for number in range(1, 41):
        assert f"P{number:02d}" in page
    assert "Only 1 of 12 tags of frame-280x220 seen" in page
    assert Path(REFUSED_PHOTO).name in page


def test_page_needs_no_network(drawn: Path) -> None:
    page = page_of(drawn)
    assert re.findall(r'(?:href|src|url)\s*[=(]\s*["\']?(?:https?:)?//', page) == []


def test_reports_are_made_again_after_they_were_deleted(nursery: Path, drawn: Path) -> None:
    before = hashes(drawn / "reports")
    shutil.copytree(drawn / "reports", nursery / "reports")
    shutil.rmtree(nursery / "reports")
    result = run("report", nursery, "--workers", "2")
    assert result.exit_code == 0
    after = hashes(nursery / "reports")
    assert after.keys() == before.keys()
    pictures = [name for name in before if name.endswith(".jpg")]
    assert {name: after[name] for name in pictures} == {name: before[name] for name in pictures}


def test_photos_and_logbook_keep_every_measurement_when_reports_go(nursery: Path) -> None:
    photos, rows = hashes(nursery / "photos"), view(nursery).rows
    draw(nursery)
    shutil.rmtree(nursery / "reports")
    assert hashes(nursery / "photos") == photos  # byte for byte as copied from the camera
    assert view(nursery).rows == rows


def test_photo_that_is_gone_is_told_and_its_numbers_stay(nursery: Path) -> None:
    (nursery / "photos" / PAD_PHOTO).unlink()
    result = run("report", nursery)
    assert result.exit_code == 0
    assert f"not drawn: {Path(PAD_PHOTO).name}: there is no such file" in result.stderr
    assert "1 overlays" in result.output
    page = page_of(nursery)
    assert "A01" in page  # a fragment of the pad
    assert len(list((nursery / "reports" / "overlays").rglob("*.jpg"))) == 1


def test_photo_that_changed_since_is_not_drawn_under_old_outlines(nursery: Path) -> None:
    shutil.copy(nursery / "photos" / TRAY_PHOTO, nursery / "photos" / PAD_PHOTO)
    published = draw(nursery)
    (told,) = published.not_drawn
    assert "has changed since it was measured" in told
    assert "Measure it again" in told


def test_visits_are_counted_as_they_are_drawn(nursery: Path) -> None:
    calls: list[tuple[int, int]] = []
    draw(nursery, on_progress=lambda done, total: calls.append((done, total)))
    assert calls == [(1, 2), (2, 2)]
    assert count_visits(view(nursery).stored) == 2


def test_place_that_cannot_be_written_is_told(nursery: Path) -> None:
    (nursery / "reports").write_text("a file where the folder should be", encoding="utf-8")
    with pytest.raises((FragareaError, OSError)):
        draw(nursery)
    result = run("report", nursery)
    assert result.exit_code == 1
    assert "reports" in result.stderr
    assert "Traceback" not in result.output


def test_only_chosen_visits_are_drawn(nursery: Path) -> None:
    result = run("report", nursery, "--site", "PAD-1")
    assert result.exit_code == 0
    assert [path.parent.name for path in (nursery / "reports" / "overlays").rglob("*.jpg")] == ["PAD-1"]


def test_ctrl_c_ends_drawing_after_the_visits_in_hand(nursery: Path) -> None:
    """Signals sent to this process as a terminal does; the drawing processes end with it."""
    pad = view(nursery).stored[0]
    site = pad.measurement.site
    visits = [
        replace(pad, measurement=replace(pad.measurement, site=replace(site, name=f"PAD-{number}")))
        for number in range(6)
    ]
    told: list[tuple[int, int]] = []

    def press(done: int, total: int) -> None:
        told.append((done, total))
        if done == 1:
            os.kill(os.getpid(), signal.SIGINT)

    with pytest.raises(KeyboardInterrupt):
        publish(
            *(nursery, "Récif 1", visits, (), ()),
            last_check="",
            made_at=MADE_AT,
            workers=2,
            on_progress=press,
        )
    drawn = list((nursery / "reports" / "overlays").rglob("*.jpg"))
    assert 1 <= len(told) <= 3  # one is done, and at most two were in hand
    assert len(drawn) == len(told)
    assert not (nursery / "reports" / "report.html").exists()


def overlays(folder: Path) -> set[str]:
    return {path.parent.name for path in (folder / "reports" / "overlays").rglob("*.jpg")}


def test_what_an_earlier_run_left_undrawn_is_drawn_by_the_next_measure(nursery: Path) -> None:
    first = run("measure", nursery)  # all was measured before, with --no-report
    assert "0 of them to measure" in first.output
    assert overlays(nursery) == {"TRAY-1", "PAD-1"}
    assert Path(REFUSED_PHOTO).name in page_of(nursery)
    written = (nursery / "reports" / "report.html").stat().st_mtime_ns
    assert "page:" not in run("measure", nursery).output  # nothing is new since
    assert (nursery / "reports" / "report.html").stat().st_mtime_ns == written

    shutil.rmtree(nursery / "reports" / "overlays" / "PAD-1")
    assert "1 overlays" in run("measure", nursery).output
    assert overlays(nursery) == {"TRAY-1", "PAD-1"}
    (nursery / "reports" / "report.html").unlink()
    assert "2 overlays" in run("measure", nursery).output


def test_an_overlay_older_than_its_measurement_is_drawn_again_unless_the_photo_is_gone(nursery: Path) -> None:
    run("measure", nursery)
    assert run("measure", nursery / "photos" / PAD_PHOTO, "--again", "--no-report").exit_code == 0
    again = run("measure", nursery)
    assert "1 overlays" in again.output
    (nursery / "photos" / PAD_PHOTO).unlink()
    shutil.rmtree(nursery / "reports" / "overlays" / "PAD-1")
    assert "page:" not in run("measure", nursery).output


def test_a_refused_photo_that_was_deleted_leaves_the_page(nursery: Path) -> None:
    (nursery / "photos" / REFUSED_PHOTO).unlink()
    assert run("report", nursery).exit_code == 0
    assert Path(REFUSED_PHOTO).name not in page_of(nursery)


def test_refused_photos_of_other_sites_and_days_are_not_on_a_chosen_page(nursery: Path) -> None:
    name = Path(REFUSED_PHOTO).name
    for choice, shown in (
        (("--site", "PAD-1"), False),
        (("--site", "TRAY-1"), True),
        (("--since", "2025-05-09"), True),
        (("--since", "2025-05-10"), False),  # its EXIF date is 2025-05-09
        (("--until", "2025-05-08"), False),
    ):
        assert run("report", nursery, *choice).exit_code == 0
        assert (name in page_of(nursery)) is shown, choice
