"""The commands of README.md do what it says they do."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest
from openpyxl import load_workbook

ROOT = Path(__file__).parents[2]
WALK = "Five minutes from an empty folder"
SET_UP = ("python3.11 -m venv", ". venv/")


def commands(section: str) -> list[str]:
    """The indented lines of a section of the README that are shell commands."""
    parts = re.split(r"^## (.+)$", (ROOT / "README.md").read_text(encoding="utf-8"), flags=re.MULTILINE)
    text = next(body for title, body in zip(parts[1::2], parts[2::2], strict=True) if title.startswith(section))
    return [line.strip() for line in text.splitlines() if line.startswith("    ")]


@pytest.fixture(scope="module")
def walked(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, subprocess.CompletedProcess[str]]]:
    """The walk typed in an empty folder beside the sample photos, with the program of this environment."""
    folder = tmp_path_factory.mktemp("walk")
    (folder / "sample_images").symlink_to(ROOT / "sample_images")
    path = f"{Path(sys.executable).parent}:/usr/bin:/bin"
    results = {}
    for command in commands(WALK):
        if not command.startswith(SET_UP):
            results[command.split("  ")[0]] = subprocess.run(
                ["bash", "-c", command],
                cwd=folder,
                env={"PATH": path, "HOME": str(folder)},
                capture_output=True,
                encoding="utf-8",
                timeout=300,
                check=False,
            )
    return folder, results


def test_set_up_of_the_walk_is_that_of_make() -> None:
    made = (ROOT / "Makefile").read_text(encoding="utf-8")
    (install, activate) = (line for line in commands(WALK) if line.startswith(SET_UP))
    assert "-r requirements.lock" in install
    assert "-r requirements.lock" in made
    assert install.endswith("--no-deps -e .")
    assert "--no-deps -e ." in made
    assert activate == ". venv/bin/activate"


def test_every_command_of_the_walk_works(walked) -> None:
    _, results = walked
    codes = {command: result.returncode for command, result in results.items()}
    measured = codes.pop("fragarea measure my-nursery")
    assert measured == 3, results["fragarea measure my-nursery"].stderr  # one photo is refused on purpose
    assert set(codes.values()) == {0}, {c: r.stderr for c, r in results.items() if r.returncode}
    assert {command.split()[1] for command in codes if command.startswith("fragarea")} == {
        *("start", "table", "export", "weekly", "sheets", "print-check", "check"),
    }


def test_walk_ends_with_the_table_the_page_and_the_prints(walked) -> None:
    folder, results = walked
    sheet = load_workbook(folder / "areas.xlsx")["Areas"]
    assert sum(1 for _ in sheet.rows) == 1 + 5 * 40  # a heading; five photos of a tray of 40
    assert "40 measured" in results["fragarea table my-nursery"].stdout
    assert "refused 1" in results["fragarea measure my-nursery"].stdout
    assert (folder / "my-nursery/reports/report.html").is_file()
    assert (folder / "my-nursery/reports/weekly-2025-07-10.html").is_file()
    assert (folder / "our-nursery/print/frame-280x220-a4.pdf").is_file()


def test_two_commands_are_those_of_the_makefile() -> None:
    targets = set(re.findall(r"^(\w+):", (ROOT / "Makefile").read_text(encoding="utf-8"), flags=re.MULTILINE))
    assert {line.split()[1] for line in commands("Two commands")} <= targets


def test_every_file_that_the_readme_names_is_there() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    named = re.findall(r"`((?:fragarea|sample_images|calibration)/[^`*]+|[A-Z]+(?:\.md)?)`|\]\(([^)]+)\)", text)
    paths = {one or other for one, other in named} - {"TRAY"}
    assert "DEVELOPERS.md" in paths
    assert [path for path in sorted(paths) if not (ROOT / path).exists()] == []


def test_readme_keeps_its_lines_short() -> None:
    lines = (ROOT / "README.md").read_text(encoding="utf-8").splitlines()
    assert [line for line in lines if len(line) > 120 and not line.startswith(("|", "!["))] == []
