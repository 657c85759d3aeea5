"""`fragarea sheets` and `fragarea print-check` as a worker types them."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from fragarea.cli import main
from fragarea.logbook import open_logbook, print_checks_of, print_correction
from fragarea.nursery import start_nursery


def _run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def test_everything_is_written_and_listed(tmp_path: Path) -> None:
    result = _run("sheets", "--to", tmp_path / "print")
    assert result.exit_code == 0
    names = {
        "card-80x50", "frame-180x250", "frame-280x220", "known-areas", "known-areas-shapes",
        "known-areas-small", "known-areas-small-shapes",
    }  # fmt: skip
    written = {path.name for path in (tmp_path / "print").iterdir()}
    assert {name for name in written if name.endswith(".svg")} == {f"{name}.svg" for name in names}
    assert {name for name in written if name.endswith(".pdf")} == {
        f"{name}-a4.pdf" for name in names if not name.endswith("-shapes")
    }
    for name in written:
        assert name in result.output
    assert "Print the PDF at 100 %" in result.output


def test_one_reference_on_letter(tmp_path: Path) -> None:
    result = _run("sheets", "--paper", "letter", "--format", "pdf", "--reference", "card-80x50", "--to", tmp_path)
    assert result.exit_code == 0
    assert [path.name for path in tmp_path.iterdir()] == ["card-80x50-letter.pdf"]
    assert (tmp_path / "card-80x50-letter.pdf").read_bytes().startswith(b"%PDF")


def test_known_areas_alone_leave_the_references_out(tmp_path: Path) -> None:
    assert _run("sheets", "--known-areas", "--format", "svg", "--to", tmp_path).exit_code == 0
    assert all(path.name.startswith("known-areas") for path in tmp_path.iterdir())


def test_files_that_are_there_stay_unless_told_otherwise(tmp_path: Path) -> None:
    words = ("sheets", "--reference", "card-80x50", "--to", tmp_path)
    (tmp_path / "card-80x50.svg").write_text("mine")
    result = _run(*words)
    assert result.exit_code == 1
    assert "card-80x50.svg already there" in result.output
    assert [path.name for path in tmp_path.iterdir()] == ["card-80x50.svg"]
    assert (tmp_path / "card-80x50.svg").read_text() == "mine"
    assert _run(*words, "--replace").exit_code == 0
    assert "<svg" in (tmp_path / "card-80x50.svg").read_text()


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--reference", "frame-1x1"), "Use one of card-80x50, frame-180x250, frame-280x220, or a JSON file"),
        (("--reference", "known-areas"), "not a reference"),
        (("--paper", "b5"), "'b5' is not one of"),
        (("--reference", "card-80x50", "--reference", "card-80x50"), "Give each its own name"),
    ],
)
def test_wrong_words_are_explained(tmp_path: Path, words: tuple[str, ...], message: str) -> None:
    result = _run("sheets", *words, "--to", tmp_path / "print")
    assert result.exit_code != 0
    assert message in result.output
    assert not (tmp_path / "print").exists()


def test_folder_that_cannot_be_made_is_explained(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    result = _run("sheets", "--reference", "card-80x50", "--to", tmp_path / "file" / "below")
    assert result.exit_code == 1
    assert "cannot be written" in result.output


def test_correction_goes_to_the_logbook_and_holds_from_then_on(tmp_path: Path) -> None:
    start_nursery(tmp_path / "nursery", "")
    result = _run(
        "print-check", "frame-280x220", "250,5", "250.0", "250.5mm",
        "--nursery", tmp_path / "nursery", "--by", "Ana", "--on", "2025-03-01",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    assert "lengths x 1.00133" in result.output
    with open_logbook(tmp_path / "nursery" / "logbook.sqlite") as logbook:
        (kept,) = print_checks_of(logbook, "frame-280x220")
        correction = print_correction(logbook, "frame-280x220")
    assert (kept.measured_mm, kept.nominal_mm, kept.checked_by) == ((250.5, 250.0, 250.5), 250.0, "Ana")
    assert kept.checked_on == date(2025, 3, 1)
    # Worked by hand in test_print_check.py.
    assert correction.factor == pytest.approx(1.001333333)
    assert correction.u_rel == pytest.approx(0.001563472, rel=1e-6)
    assert correction.checked


def test_line_of_the_page_has_its_own_nominal_length() -> None:
    result = _run("print-check", "card-80x50", "--line", "180.9")
    assert result.exit_code == 0
    assert "lengths x 1.00500" in result.output
    assert "0.50 % larger" in result.output
    assert "Nothing was kept" in result.output


def test_caliper_leaves_less_doubt_than_a_ruler() -> None:
    # By hand: sqrt(2 x 0.05^2 / 12 + 0.05^2 / 3) = 0.0353553 mm, over 60 mm 0.06 %; the ruler leaves 0.59 %.
    caliper = _run("print-check", "card-80x50", "60.0", "--ruler-step-mm", "0.05", "--ruler-limit-mm", "0.05")
    assert "uncertainty 0.06 % of length, 0.12 % of area" in caliper.output
    assert "uncertainty 0.59 % of length" in _run("print-check", "card-80x50", "60.0").output


@pytest.mark.parametrize(
    ("words", "code", "message"),
    [
        (("242",), 1, "fit to page"),
        (("two",), 2, "is not a length"),
        ((), 2, "give the length between the marks A and B"),
        (("250", "--on", "2999-01-01"), 1, "still to come"),
        (("250", "--nursery", "nowhere"), 1, "no such file or folder"),
    ],
)
def test_wrong_readings_are_explained(words: tuple[str, ...], code: int, message: str) -> None:
    result = _run("print-check", "frame-280x220", *words)
    assert result.exit_code == code
    assert message in result.output
