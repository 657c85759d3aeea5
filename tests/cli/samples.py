"""A small nursery made of sample photos, and commands as a worker types them."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

from click.testing import CliRunner, Result

from fragarea.cli import main

SAMPLES = Path(__file__).parents[2] / "sample_images"
TRAY_PHOTO = "TRAY-1/2025-07-10 tray 1.jpg"
PAD_PHOTO = "PAD-1/2023-05-13 pad 1.jpg"
REFUSED_PHOTO = "TRAY-1/2025-05-09 tray 1 frame cut off.jpg"
SHEET_PHOTOS = tuple(sorted((SAMPLES / "known-areas").glob("*.jpg")))


def run(*words: str | Path) -> Result:
    """Run a command in this process."""
    return CliRunner().invoke(main, [str(word) for word in words])


def shell(*words: str | Path, text: str = "", **variables: str) -> subprocess.CompletedProcess[str]:
    """Run the installed program with a plain environment; `text` is a shell line with ``"$@"`` as the command."""
    program = [str(Path(sys.executable).with_name("fragarea")), *map(str, words)]
    command = ["bash", "-c", text, "bash", *program] if text else program
    # as a terminal has it, without the settings of this test run
    environment = {"PATH": os.environ["PATH"], "HOME": os.environ.get("HOME", "/"), **variables}
    return subprocess.run(command, capture_output=True, encoding="utf-8", env=environment, timeout=120, check=False)


def make_nursery(folder: Path, *photos: str) -> Path:
    """Copy the sample nursery's description and some of its photos."""
    source = SAMPLES / "nursery"
    folder.mkdir(parents=True)
    for name in ("nursery.toml", "fragments.csv", "placements.csv"):
        shutil.copy(source / name, folder / name)
    for photo in photos:
        target = folder / "photos" / photo
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(source / "photos" / photo, target)
    return folder


def hashes(folder: Path) -> dict[str, str]:
    """Content of every file under a folder."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }
