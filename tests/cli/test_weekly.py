"""The weekly report of a nursery: its numbers are those of the logbook, and it comes whatever is missing."""

from __future__ import annotations

import base64
import io
import re
import shutil
import sqlite3
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

import fragarea.logbook
from fragarea.growth.contrasts import rounded
from fragarea.growth_view import view_growth
from fragarea.logbook import StoredMeasurement, current_measurements, last_report, open_logbook, record
from fragarea.measurement import settings_hash
from fragarea.nursery import load_nursery, load_tables
from fragarea.photo import read_photo
from fragarea.report import format_area
from fragarea.weekly.album import ROOM_BYTES, Album
from tests.cli.samples import run
from tests.cli.test_growth import discs  # noqa: F401 - a fixture
from tests.logbook.samples import TAKEN, fragment, measured
from tests.report.scene import fragment as placed
from tests.report.scene import measured as drawn
from tests.weekly.test_page import SvgReader

TRAY_DAY, PAD_DAY = "2025-07-10", "2023-05-13"


@pytest.fixture
def nursery(measured_nursery: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(measured_nursery, tmp_path / measured_nursery.name))


def page_of(folder: Path, *words: str, code: int = 0) -> SvgReader:
    """Make a report and read it as a person would."""
    result = run("weekly", folder, *words)
    assert result.exit_code == code, result.output
    (told,) = re.findall(r"^weekly report, .*?: (.*) \([\d.]+ MB\)$", result.output, flags=re.MULTILINE)
    return SvgReader(Path(told).read_text(encoding="utf-8"))


def test_areas_on_the_page_are_those_of_the_logbook(nursery: Path) -> None:
    seen = page_of(nursery, "--since", TRAY_DAY).seen
    with sqlite3.connect(nursery / "logbook.sqlite") as connection:
        rows = connection.execute(
            "SELECT fragment, status, area_mm2, expanded_mm2 FROM fragment_measurements f"
            " JOIN measurements m ON m.id = f.measurement_id WHERE m.site = 'TRAY-1' AND m.is_current"
        ).fetchall()
    assert len(rows) == 40
    for name, status, area, expanded in rows:
        words = status if status in ("missing", "dead") else format_area(area, expanded)
        assert re.search(rf"\b{name} G\d {re.escape(words)}", seen), name


def test_growth_on_the_page_is_that_of_the_growth_command(discs: Path) -> None:  # noqa: F811
    seen = page_of(discs).seen
    with open_logbook(discs / "logbook.sqlite") as logbook:
        growth = view_growth(logbook, load_tables(load_nursery(discs)))
    told = run("growth", discs).output
    for one in growth.genotypes.genotypes:
        numbers = (one.extension_mm_per_month, one.low_mm_per_month, one.high_mm_per_month)
        best, low, high = rounded(numbers, one.extension_u_mm_per_month)
        assert f"{one.genotype} {best} ({low} to {high}) {one.fragments} ({one.points})" in seen
        assert f"{one.genotype} extends {best} mm/month, 95 % {low} to {high}" in told
    assert "mm/month faster than G1" in seen


def test_a_change_since_the_visit_before_is_that_of_the_discs(discs: Path) -> None:  # noqa: F811
    """Exact geometry: radius 4.2 + 0.2775 v mm at visit v of F11; standard uncertainties 0.6 (own photo) and 0.8."""
    seen = page_of(discs).seen
    radii = [4 + 0.2 + 0.3 * 0.925 * visit for visit in (3, 4)]
    grown = np.pi * (radii[1] ** 2 - radii[0] ** 2) / 100
    expanded = 1.96 * np.sqrt(2) / 100  # two areas, each with sqrt(0.6^2 + 0.8^2) = 1 mm2, nothing in common
    assert f"+{grown:.3f} ± {expanded:.3f} cm² since" in seen


def test_photos_that_are_gone_leave_grey_places_with_the_reason(discs: Path) -> None:  # noqa: F811
    reader = page_of(discs)
    assert not [tag for tag, _ in reader.tags if tag == "img"]
    assert "the photo is not there any more" in reader.seen
    assert "F28 G2, TRAY-1 Lost 0." in reader.seen


def test_pictures_of_now_and_before_stand_side_by_side_at_one_scale(nursery: Path) -> None:
    reader = page_of(nursery, "--since", PAD_DAY)
    images = [a for tag, a in reader.tags if tag == "img" and "side by side" not in a["alt"]]
    assert {a["width"] for a in images} == {"300", "160"}
    assert any(a["alt"].endswith("on 2025-07-10") for a in images)
    assert "Both pictures of a fragment have the same scale" in reader.seen


def test_a_pad_is_shown_over_time_within_its_room(nursery: Path) -> None:
    reader = page_of(nursery, "--since", PAD_DAY)
    (strip,) = [a for tag, a in reader.tags if tag == "img" and "side by side" in a["alt"]]
    jpeg = base64.b64decode(strip["src"].removeprefix("data:image/jpeg;base64,"))
    assert 20_000 < len(jpeg) <= 250_000
    assert Image.open(io.BytesIO(jpeg)).width > 500
    assert "Pairs fused" in " ".join(a.get("aria-label", "") for tag, a in reader.tags if tag == "svg")


def test_a_photo_that_changed_since_is_not_shown_under_old_outlines(nursery: Path) -> None:
    pad, tray = (
        next((nursery / "photos" / site).glob("*tray 1.jpg" if "T" in site[:1] else "*.jpg"))
        for site in ("PAD-1", "TRAY-1")
    )
    shutil.copy(pad, tray)
    assert "the photo has changed since" in page_of(nursery, "--since", TRAY_DAY).seen


def test_first_report_covers_a_week_and_the_next_what_came_since(discs: Path) -> None:  # noqa: F811
    visits = [(TAKEN + visit * timedelta(days=30.4375)).date() for visit in range(5)]
    first = page_of(discs, "--until", str(visits[3]))
    assert f"{visits[3] - timedelta(days=6)} to {visits[3]}" in first.seen
    assert "This is the first report" in first.seen
    second = page_of(discs)
    assert f"{visits[3] + timedelta(days=1)} to {visits[4]}" in second.seen
    assert f"Compared with the report of {visits[3] - timedelta(days=6)} to {visits[3]}" in second.seen
    assert "New to look at: F28 (sudden loss of tissue)." in second.seen
    assert "F28 new" in second.seen
    assert second.seen.count("0.30") > first.seen.count("0.30")  # what the last report said stands beside it


def test_the_same_report_made_again_is_compared_with_the_same_one(discs: Path) -> None:  # noqa: F811
    page_of(discs, "--until", "2026-04-30")
    once, again = page_of(discs), page_of(discs)
    made = re.compile(r"made 20[\d: +-]+")
    assert made.sub("", once.seen) == made.sub("", again.seen)
    with open_logbook(discs / "logbook.sqlite") as logbook:
        kept = last_report(logbook, before=date(2030, 1, 1))
    assert kept is not None
    assert kept.said["look"].keys() == {"F28"}


def test_photos_of_earlier_days_that_come_late_are_told(discs: Path) -> None:  # noqa: F811
    page_of(discs, "--until", "2026-05-10")
    with open_logbook(discs / "logbook.sqlite") as logbook:
        late = measured(
            "late", taken_at=TAKEN + timedelta(days=2), photo="late.jpg", fragments=(fragment((1, 1), 60.0),)
        )
        record(logbook, late, path="photos/TRAY-1/late.jpg", names={(1, 1): "F11"})
    assert "1 photo of earlier days was measured since the last report" in page_of(discs).seen


def test_one_visit_without_names_or_genotypes_is_a_report_too(nursery: Path) -> None:
    for table in ("fragments.csv", "placements.csv"):
        (nursery / table).unlink()
    assert run("measure", nursery, "--again", "--no-report").exit_code == 3
    reader = page_of(nursery, "--since", TRAY_DAY)
    assert "R1 C1" in reader.seen
    assert "No photo of these days shows a loss of tissue" in reader.seen


def test_days_without_photos_are_a_report_too(nursery: Path) -> None:
    seen = page_of(nursery, "--since", "2025-08-01", "--until", "2025-08-07").seen
    assert "Nothing was measured on these days." in seen
    assert "Not photographed on these days: PAD-1 (last on 2023-05-13); TRAY-1 (last on 2025-07-10)." in seen
    with open_logbook(nursery / "logbook.sqlite") as logbook:
        assert last_report(logbook, before=date(2030, 1, 1)) is None  # nothing to compare with
    assert "Last check: 2025-02-02, bias +0.0 %; 186 days before the last day of this report." in seen
    assert "Seen at an earlier visit, not photographed since P11 (TRAY-1, 2025-07-10)" in seen


def test_an_empty_logbook_gives_an_empty_report(tmp_path: Path) -> None:
    assert run("start", tmp_path / "new").exit_code == 0
    assert "Measure some photos first." in run("weekly", tmp_path / "new").output
    open_logbook(tmp_path / "new" / "logbook.sqlite").close()
    seen = page_of(tmp_path / "new").seen
    assert "Nothing was measured on these days." in seen
    assert "No known-area check yet." in seen


def test_a_refused_photo_says_why_and_what_to_do(nursery: Path) -> None:
    seen = page_of(nursery, "--since", "2025-05-01").seen
    assert "1 photo refused" in seen
    assert "Only 1 of 12 tags of frame-280x220 seen" in seen
    assert "Retake the photo" in seen


def test_a_camera_clock_years_ahead_hides_no_report(discs: Path) -> None:  # noqa: F811
    with open_logbook(discs / "logbook.sqlite") as logbook:
        ahead = measured("ahead", taken_at=TAKEN.replace(year=2099), photo="ahead.jpg", fragments=(fragment((1, 1)),))
        record(logbook, ahead, path="photos/TRAY-1/ahead.jpg", names={})
    assert "to 2026-07-" in page_of(discs).seen


def test_files_are_overwritten_only_when_they_are_its_own_or_told(discs: Path, tmp_path: Path) -> None:  # noqa: F811
    assert run("weekly", discs).exit_code == run("weekly", discs).exit_code == 0
    target = tmp_path / "für den Chef.html"
    assert run("weekly", discs, "--to", target).exit_code == 0
    refused = run("weekly", discs, "--to", target)
    assert refused.exit_code == 1
    assert "Give --replace" in refused.output
    assert run("weekly", discs, "--to", target, "--replace").exit_code == 0
    assert "must end in .html" in run("weekly", discs, "--to", tmp_path / "page.pdf").output
    assert "Exchange the two days" in run("weekly", discs, "--since", "2026-05-01", "--until", "2026-04-01").output
    assert "still to come" in run("weekly", discs, "--until", "2999-01-01").output
    assert "Give --until as well" in run("weekly", discs, "--since", "2027-05-01").output


def test_two_hundred_fragments_of_noise_stay_below_eight_megabytes(tmp_path: Path) -> None:
    """Noise is what JPEG keeps worst; what has no room is left out, the first asked for last."""
    rng = np.random.default_rng(5)
    file = tmp_path / "noise.png"
    Image.fromarray(rng.integers(0, 256, (1200, 1600, 3), dtype=np.uint8)).save(file)
    parts = tuple(placed((row, column)) for row in range(1, 6) for column in range(1, 9))
    photo = drawn(parts)
    photo = replace(photo, sha256=read_photo(file).sha256, settings_hash=settings_hash(photo.site, photo.settings))
    with open_logbook(tmp_path / "logbook.sqlite") as logbook:
        record(logbook, photo, path="noise.png")
        (stored,) = current_measurements(logbook)
        album = Album(logbook, [stored])
        asked = [
            album.small(one, part)
            for n in range(5)
            for one in [_renumbered(stored, 40 * n)]
            for part in one.measurement.fragments
        ]
        taken = album.take(tmp_path)
    sizes = [len(taken[one.key].jpeg) for one in asked]
    assert len(taken) == 200
    assert sum(sizes) <= ROOM_BYTES < 8e6 * 3 / 4  # base64 takes a third more
    with open_logbook(tmp_path / "logbook.sqlite") as logbook:
        album = Album(logbook, [stored])
        keys = [album.small(stored, part).key for part in stored.measurement.fragments]
        few = album.take(tmp_path, room_bytes=sum(sizes[:3]))
    assert [bool(few[key].jpeg) for key in keys] == [True] * 3 + [False] * 37
    assert few[keys[3]].why_not == "left out, to keep the file small"


def _renumbered(stored: StoredMeasurement, more: int) -> StoredMeasurement:
    """The same photo, its fragments with other numbers."""
    return replace(stored, fragment_ids=tuple(one + more for one in stored.fragment_ids))


def test_a_report_that_could_not_be_written_is_not_remembered(discs: Path, tmp_path: Path) -> None:  # noqa: F811
    blocked = tmp_path / "a file"
    blocked.write_text("in the way", encoding="utf-8")
    result = run("weekly", discs, "--to", blocked / "page.html")
    assert result.exit_code == 1
    assert "cannot be written" in result.output
    with open_logbook(discs / "logbook.sqlite") as logbook:
        assert last_report(logbook, before=date(2030, 1, 1)) is None


def test_a_logbook_that_may_not_be_written_gives_a_page_that_is_not_remembered(
    discs: Path,  # noqa: F811
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert run("growth", discs).exit_code == 0  # brings the logbook up to date
    opened = fragarea.logbook.open_logbook
    monkeypatch.setattr(
        fragarea.logbook, "open_logbook", lambda *words, **more: replace(opened(*words, **more), read_only=True)
    )
    result = run("weekly", discs, "--to", tmp_path / "page.html")
    assert result.exit_code == 0, result.output
    assert "The logbook may not be written" in result.output
    with opened(discs / "logbook.sqlite") as logbook:
        assert last_report(logbook, before=date(2030, 1, 1)) is None


def test_what_a_person_marked_wrong_is_told_and_counts_nowhere(discs: Path) -> None:  # noqa: F811
    day = (TAKEN + 4 * timedelta(days=30.4375)).date()
    assert "F28 G2, TRAY-1 Lost 0." in page_of(discs).seen
    marked = run("mark-wrong", discs, "F28", "--on", str(day), "--by", "Ana", "--because", "hand in the way")
    assert marked.exit_code == 0, marked.output
    seen = page_of(discs).seen
    assert "F28 G2, TRAY-1 Lost 0." not in seen
    assert re.search(r"\bF28 G2 [\d.]+ ± [\d.]+ cm², marked wrong", seen)
    assert re.search(r"cm² without 1 marked wrong", seen)


def test_pads_of_these_days_are_told_of_as_the_fusion_command_does(nursery: Path) -> None:
    reader = page_of(nursery, "--since", PAD_DAY, "--until", PAD_DAY)
    told = run("fusion", nursery).output
    (sentence,) = re.findall(r"^PAD-1, 2023-05-13: \d+ of \d+ neighbour pairs fused.*$", told, flags=re.MULTILINE)
    assert sentence in reader.seen
    assert "Fusion of pads" not in page_of(nursery, "--since", TRAY_DAY).seen
