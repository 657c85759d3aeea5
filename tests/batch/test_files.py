"""Photos are found at any depth, whatever links and names a folder holds."""

from __future__ import annotations

import os
from pathlib import Path

from fragarea.batch.files import find_photos, logbook_path_of


def touch(*files: Path) -> None:
    for file in files:
        file.parent.mkdir(parents=True, exist_ok=True)
        file.touch()


def found(*places: Path, below: Path) -> list[str]:
    return [file.relative_to(below).as_posix() for file in find_photos(places)]


def test_photos_are_found_at_any_depth_in_order_of_path(tmp_path):
    touch(tmp_path / "b.jpg", tmp_path / "TRAY-1" / "deep" / "er" / "a.HEIC", tmp_path / "TRAY-1" / "z.tif")
    touch(tmp_path / "notes.txt", tmp_path / "TRAY-1" / "film.mp4")
    assert found(tmp_path, below=tmp_path) == ["TRAY-1/deep/er/a.HEIC", "TRAY-1/z.tif", "b.jpg"]


def test_hidden_files_and_folders_are_left_out(tmp_path):
    touch(tmp_path / "._a.jpg", tmp_path / ".thumbnails" / "a.jpg", tmp_path / "a.jpg")
    assert found(tmp_path, below=tmp_path) == ["a.jpg"]


def test_a_file_named_by_the_user_is_taken_whatever_it_is_called(tmp_path):
    touch(tmp_path / "scan.dat")
    assert found(tmp_path / "scan.dat", tmp_path / "absent.jpg", below=tmp_path) == ["absent.jpg", "scan.dat"]


def test_a_photo_named_twice_is_found_once(tmp_path):
    touch(tmp_path / "a.jpg")
    assert found(tmp_path, tmp_path / "a.jpg", tmp_path, below=tmp_path) == ["a.jpg"]


def test_links_to_folders_are_followed_and_loops_end(tmp_path):
    disk, photos = tmp_path / "disk", tmp_path / "photos"
    touch(disk / "tray" / "a.jpg", photos / "TRAY-2" / "b.jpg")
    (photos / "TRAY-1").symlink_to(disk / "tray")
    (photos / "TRAY-2" / "loop").symlink_to(photos)
    (disk / "tray" / "self").symlink_to(disk / "tray")
    (photos / "knot").symlink_to(photos / "knot")
    assert found(photos, below=photos) == ["TRAY-1/a.jpg", "TRAY-2/b.jpg"]


def test_a_folder_reached_twice_is_found_where_it_really_lies(tmp_path):
    touch(tmp_path / "z" / "a.jpg")
    (tmp_path / "a link").symlink_to(tmp_path / "z")
    assert found(tmp_path, below=tmp_path) == ["z/a.jpg"]


def test_a_folder_that_may_not_be_opened_is_in_the_list(tmp_path, monkeypatch):
    touch(tmp_path / "locked" / "a.jpg", tmp_path / "b.jpg")
    scandir = os.scandir

    def guarded(folder):
        if Path(folder).name == "locked":
            raise PermissionError(13, "Permission denied")
        return scandir(folder)

    monkeypatch.setattr(os, "scandir", guarded)
    assert found(tmp_path, below=tmp_path) == ["b.jpg", "locked"]


def test_the_logbook_names_files_relative_to_the_nursery(tmp_path, monkeypatch):
    nursery = tmp_path / "nursery"
    touch(nursery / "photos" / "TRAY-1" / "a.jpg", tmp_path / "outside.jpg")
    monkeypatch.chdir(nursery / "photos")
    inside = "photos/TRAY-1/a.jpg"
    assert logbook_path_of(nursery / inside, nursery) == inside
    assert logbook_path_of(Path("TRAY-1/a.jpg"), nursery) == inside
    assert logbook_path_of(Path("TRAY-1/../TRAY-1/./a.jpg"), nursery) == inside
    assert logbook_path_of(tmp_path / "outside.jpg", nursery) == (tmp_path / "outside.jpg").as_posix()


def test_a_linked_folder_and_a_linked_nursery_keep_their_names(tmp_path):
    nursery, disk = tmp_path / "nursery", tmp_path / "disk"
    touch(disk / "a.jpg", nursery / "photos" / "b.jpg")
    (nursery / "photos" / "TRAY-1").symlink_to(disk)
    (tmp_path / "link").symlink_to(nursery)
    assert logbook_path_of(nursery / "photos" / "TRAY-1" / "a.jpg", nursery) == "photos/TRAY-1/a.jpg"
    assert logbook_path_of(tmp_path / "link" / "photos" / "b.jpg", nursery) == "photos/b.jpg"


def test_names_that_are_no_text_get_names_of_their_own(tmp_path):
    paths = [logbook_path_of(tmp_path / os.fsdecode(name), tmp_path) for name in (b"\xff.jpg", b"\xfe.jpg")]
    assert paths == ["\\xff.jpg", "\\xfe.jpg"]
