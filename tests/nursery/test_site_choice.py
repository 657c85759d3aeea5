"""Which site a photo shows."""

from __future__ import annotations

import pickle
import unicodedata
from pathlib import Path

import pytest

from fragarea.errors import SiteNotFound
from fragarea.nursery import Nursery, load_nursery, site_for_photo

TEXT = """
[sites.TRAY-1]
kind = "tray"
tag = 101
[sites.TRAY-2]
kind = "tray"
tag = 102
[sites."Plateau é"]
kind = "pad"
"""


@pytest.fixture
def nursery(tmp_path: Path) -> Nursery:
    folder = tmp_path / "nursery"
    (folder / "photos" / "TRAY-1").mkdir(parents=True)
    (folder / "nursery.toml").write_text(TEXT, encoding="utf-8")
    return load_nursery(folder)


def _photo(nursery: Nursery, *parts: str) -> Path:
    return nursery.folder.joinpath("photos", *parts)


@pytest.mark.parametrize(
    ("parts", "site"),
    [
        (("TRAY-1", "a.jpg"), "TRAY-1"),
        (("TRAY-1", "2026-03-07", "a.jpg"), "TRAY-1"),
        (("2026-03-07", "TRAY-2", "a.jpg"), "TRAY-2"),
        (("tray-2", "a.jpg"), "TRAY-2"),
        (("PLATEAU É", "a.jpg"), "Plateau é"),
        ((unicodedata.normalize("NFD", "Plateau é"), "a.jpg"), "Plateau é"),
        (("TRAY-1", "..", "TRAY-2", "a.jpg"), "TRAY-2"),
    ],
)
def test_the_folder_names_the_site(nursery, parts, site):
    assert site_for_photo(nursery, _photo(nursery, *parts)) == site


def test_a_tag_names_the_site_where_the_folder_does_not(nursery):
    assert site_for_photo(nursery, _photo(nursery, "a.jpg"), [3, 7, 102]) == "TRAY-2"
    assert site_for_photo(nursery, "/elsewhere/TRAY-1/a.jpg", [102]) == "TRAY-2"


def test_the_option_goes_before_folder_and_tag(nursery):
    assert site_for_photo(nursery, _photo(nursery, "TRAY-1", "a.jpg"), [101], "tray-2") == "TRAY-2"


def test_folder_and_tag_that_disagree_are_refused(nursery):
    with pytest.raises(SiteNotFound, match="folder of TRAY-1, but tag 102 of TRAY-2 is in view") as caught:
        site_for_photo(nursery, _photo(nursery, "TRAY-1", "a.jpg"), [102])
    assert caught.value.photo == "a.jpg"
    assert str(pickle.loads(pickle.dumps(caught.value))) == str(caught.value)


def test_a_neighbours_tag_in_view_does_not_disturb_the_folder(nursery):
    assert site_for_photo(nursery, _photo(nursery, "TRAY-1", "a.jpg"), [101, 102]) == "TRAY-1"


@pytest.mark.parametrize(
    ("parts", "tags", "option", "words"),
    [
        (("a.jpg",), (), None, "nothing says which tray or pad this is"),
        (("a.jpg",), (101, 102), None, "tags of TRAY-1 and TRAY-2 are in view"),
        (("a.jpg",), (1, 300), None, r"tag 300 in view belongs to no site.*tag = 300"),
        (("TRAY1", "a.jpg"), (), None, r"no site is named after its folder 'TRAY1'. Did you mean 'TRAY-1'\?"),
        (("TRAY-1", "a.jpg"), (), "TRAY-9", r"site 'TRAY-9' is not described.*Did you mean 'TRAY-"),
        (("TRAY-1", "a.jpg"), (), "", "site '' is not described"),
    ],
)
def test_unknown_sites_are_refused_with_advice(nursery, parts, tags, option, words):
    with pytest.raises(SiteNotFound, match=words):
        site_for_photo(nursery, _photo(nursery, *parts), tags, option)


def test_a_nursery_without_sites_says_so(tmp_path):
    (tmp_path / "nursery.toml").touch()
    with pytest.raises(SiteNotFound, match="describes no site"):
        site_for_photo(load_nursery(tmp_path), tmp_path / "photos" / "a.jpg")


def test_linked_folders_keep_the_name_they_have_under_photos(nursery, tmp_path):
    elsewhere = tmp_path / "disk" / "card7"
    elsewhere.mkdir(parents=True)
    _photo(nursery, "TRAY-2").symlink_to(elsewhere)
    assert site_for_photo(nursery, _photo(nursery, "TRAY-2", "a.jpg")) == "TRAY-2"
    (tmp_path / "shortcut").symlink_to(nursery.folder)
    assert site_for_photo(nursery, tmp_path / "shortcut" / "photos" / "TRAY-1" / "a.jpg") == "TRAY-1"


def test_relative_paths_work(nursery, monkeypatch):
    monkeypatch.chdir(nursery.folder)
    assert site_for_photo(nursery, "photos/TRAY-1/a.jpg") == "TRAY-1"
