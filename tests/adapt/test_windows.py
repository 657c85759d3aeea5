"""Corrected windows keep everything on their way through files; what is wrong with a file is said."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from fragarea.adapt import read_corrections, write_correction
from fragarea.errors import SettingsProblem
from fragarea.reference import Light
from tests.adapt.cases import corrections


def test_windows_come_back_as_they_were_written(tmp_path: Path):
    light = Light((1.1, 1.0, 0.9), 1.3, valid=True)
    written = [replace(one, light=light if k else None) for k, one in enumerate(corrections(0.3)[:2])]
    for one in written:
        write_correction(tmp_path / "Récif 1", one)
    for one, again in zip(written, read_corrections(tmp_path / "Récif 1"), strict=True):
        assert (again.name, again.photo, again.light) == (one.name, one.photo, one.light)
        assert np.array_equal(again.window.pixels, one.window.pixels)
        assert np.array_equal(again.labels, one.labels)
        assert again.window.mm_per_px == one.window.mm_per_px
        assert again.window.rim.centre_mm == pytest.approx(one.window.rim.centre_mm)
        assert again.window.rim.radius_mm == pytest.approx(one.window.rim.radius_mm)


def test_pictures_are_plain_png_that_other_programs_read(tmp_path: Path):
    # Outside check: Pillow.
    from PIL import Image

    (one,) = corrections(0.0)[:1]
    write_correction(tmp_path, one)
    assert np.array_equal(np.array(Image.open(tmp_path / "w0.png")), one.window.pixels)
    assert np.array_equal(np.array(Image.open(tmp_path / "w0.labels.png")), one.labels)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write_correction(tmp_path, corrections(0.0)[0])
    return tmp_path


def changed(folder: Path, **values) -> None:
    path = folder / "w0.json"
    path.write_text(json.dumps({**json.loads(path.read_text()), **values}))


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"schema": "other"}, "schema"),
        ({"mm_per_px": 0}, "mm_per_px must be positive"),
        ({"mm_per_px": "0.2"}, "mm_per_px must be a number"),
        ({"rim_px": [1, 2]}, "rim_px must hold 3 numbers"),
        ({"light": {"gains": [1, 1, 1]}}, "exposure must be a number"),
    ],
)
def test_wrong_descriptions_are_named(folder: Path, values, words):
    changed(folder, **values)
    with pytest.raises(SettingsProblem, match=rf"w0\.json: .*{words}"):
        read_corrections(folder)


def test_missing_and_broken_pictures_are_named(folder: Path):
    (folder / "w0.png").write_bytes(b"no picture")
    with pytest.raises(SettingsProblem, match=r"w0\.png: it is no picture"):
        read_corrections(folder)
    (folder / "w0.png").unlink()
    with pytest.raises(SettingsProblem, match=r"w0\.png: the file is missing"):
        read_corrections(folder)


@pytest.mark.parametrize(
    ("labels", "words"),
    [
        (np.full((8, 8), 1, np.uint8), "as large as its picture"),
        (np.full((132, 132), 7, np.uint8), "labels are 0 to 3"),
    ],
)
def test_wrong_labels_are_named(folder: Path, labels, words):
    cv2.imwrite(str(folder / "w0.labels.png"), labels)
    with pytest.raises(SettingsProblem, match=words):
        read_corrections(folder)


def test_an_empty_folder_says_what_belongs_there(tmp_path: Path):
    with pytest.raises(SettingsProblem, match=r"no corrected windows here \(NAME\.json"):
        read_corrections(tmp_path)
