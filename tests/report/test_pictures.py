import io

import numpy as np
import pytest
from PIL import Image

import fragarea.report
from fragarea.errors import SettingsProblem
from fragarea.report.pictures import MARK, file_stem, is_our_picture, jpeg_bytes, reduced, save_picture

PICTURE = np.random.default_rng(2).integers(0, 255, (60, 80, 3), dtype=np.uint8)


def test_picture_is_a_jpeg_marked_as_ours_with_colour_at_full_resolution():
    with Image.open(io.BytesIO(jpeg_bytes(PICTURE))) as read:
        assert (read.format, read.size, read.mode) == ("JPEG", (80, 60), "RGB")
        assert read.info["comment"] == MARK
        assert {sampling[1:3] for sampling in read.layer} == {(1, 1)}


def test_a_photo_is_never_overwritten(tmp_path):
    original = tmp_path / "IMG_0412.jpg"
    Image.fromarray(PICTURE).save(original)
    before = original.read_bytes()
    with pytest.raises(SettingsProblem, match="Choose another folder for reports"):
        save_picture(PICTURE, original)
    assert original.read_bytes() == before


@pytest.mark.parametrize("content", [b"", b"not a picture", b"\xff\xd8\xff\xe0 cut"])
def test_no_other_file_is_overwritten_either(tmp_path, content):
    path = tmp_path / "a.jpg"
    path.write_bytes(content)
    with pytest.raises(SettingsProblem):
        save_picture(PICTURE, path)
    assert path.read_bytes() == content


def test_our_own_picture_is_replaced_and_nothing_else_is_left(tmp_path):
    path = tmp_path / "new" / "folder" / "a.jpg"
    save_picture(PICTURE, path)
    first = path.read_bytes()
    save_picture(PICTURE[::-1].copy(), path)
    assert is_our_picture(path)
    assert path.read_bytes() != first
    assert [p.name for p in path.parent.iterdir()] == ["a.jpg"]


def test_picture_is_only_ever_reduced():
    assert reduced(PICTURE, 40).shape == (30, 40, 3)
    assert reduced(PICTURE, 500) is PICTURE


@pytest.mark.parametrize(
    ("parts", "stem"),
    [
        (("TRAY 1", "IMG_0412.jpg"), "TRAY-1_IMG_0412.jpg"),
        (("../..", "/etc/passwd"), "etc-passwd"),
        (("", "..."), "picture"),
        (("Baía", "çé.png"), "Baía_çé.png"),
        (("a\x00b\n", "CON:|?*"), "a-b_CON"),
    ],
)
def test_file_names_from_people_are_safe(parts, stem):
    assert file_stem(*parts) == stem


def test_long_names_are_cut():
    assert len(file_stem("x" * 500, "y" * 500)) <= 161


def test_public_names_exist_and_are_sorted():
    assert fragarea.report.__all__ == sorted(fragarea.report.__all__)
    assert all(callable(getattr(fragarea.report, name)) for name in fragarea.report.__all__)
