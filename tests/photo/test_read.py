"""A photo comes in with the pixels, the turn and the identity that its file holds."""

from __future__ import annotations

import hashlib
import io
import stat
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from PIL import Image, ImageOps

from fragarea.errors import UnreadablePhoto
from fragarea.photo import looks_like_photo, photo_hash, read_photo
from tests.photo.samples import exif_block, heic, jpeg, noise, saved, scene, tiff


def _file(folder: Path, name: str, data: bytes) -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


def _farthest(pixels: np.ndarray, expected: np.ndarray) -> int:
    assert pixels.shape == expected.shape
    return int(np.abs(pixels.astype(int) - expected.astype(int)).max())


def test_jpeg_has_the_pixels_that_another_decoder_finds(tmp_path):
    data = jpeg(noise())
    expected = np.asarray(Image.open(io.BytesIO(data)))  # Pillow, its own copy of the JPEG decoder
    # both decoders follow the same integer arithmetic; 1 grey level for differing builds
    assert _farthest(read_photo(_file(tmp_path, "a.jpg", data)).pixels, expected) <= 1


LOSSLESS = {
    "png": lambda s: saved(s, "PNG"),
    "png with opacity": lambda s: saved(np.dstack([s, np.full(s.shape[:2], 255, np.uint8)]), "PNG"),
    "png 16 bit": lambda s: cv2.imencode(".png", s[..., ::-1].astype(np.uint16) * 257)[1].tobytes(),
    "tiff": lambda s: tiff(s),
    "tiff big-endian": lambda s: tiff(s, byteorder=">"),
    "tiff with 64-bit offsets": lambda s: tiff(s, bigtiff=True),
    "tiff in tiles": lambda s: tiff(s, tile=(32, 32)),
    "tiff in planes": lambda s: tiff(np.moveaxis(s, 2, 0), planarconfig="separate"),
    "tiff lzw": lambda s: saved(s, "TIFF", compression="tiff_lzw"),
    "tiff deflate": lambda s: saved(s, "TIFF", compression="tiff_adobe_deflate"),
    "tiff packbits": lambda s: saved(s, "TIFF", compression="packbits"),
    "tiff 16 bit": lambda s: tiff(s.astype(np.uint16) * 257),
    "tiff with opacity": lambda s: tiff(np.dstack([s, np.full(s.shape[:2], 255, np.uint8)]), extrasamples=[2]),
    "tiff 16 bit with opacity": lambda s: tiff(
        np.dstack([s.astype(np.uint16) * 257, np.full(s.shape[:2], 65535, np.uint16)]), extrasamples=["unassalpha"]
    ),
    "tiff with a thumbnail": lambda s: _tiff_with_thumbnail(s),
}


def _tiff_with_thumbnail(pixels: np.ndarray) -> bytes:
    store = io.BytesIO()
    with tifffile.TiffWriter(store) as writer:
        writer.write(pixels, photometric="rgb")
        writer.write(np.ascontiguousarray(pixels[::4, ::4]), photometric="rgb", subfiletype=1)
    return store.getvalue()


@pytest.mark.parametrize("kind", LOSSLESS)
def test_lossless_files_give_back_every_pixel(tmp_path, kind):
    # exact: the file was written from these pixels
    assert _farthest(read_photo(_file(tmp_path, "a.png", LOSSLESS[kind](scene()))).pixels, scene()) == 0


def test_palette_pictures_give_the_colours_of_their_palette(tmp_path):
    few_colours = Image.fromarray(scene()).quantize(32)
    expected = np.asarray(few_colours.convert("RGB"))  # exact: the palette's own entries
    for name, kind in (("a.png", "PNG"), ("a.tif", "TIFF")):
        assert _farthest(read_photo(_file(tmp_path, name, saved(few_colours, kind))).pixels, expected) == 0


def test_heic_is_read(tmp_path):
    photo = read_photo(_file(tmp_path, "a.heic", heic(quality=95)))
    # lossy coding with half-resolution colour: a few grey levels
    assert _farthest(photo.pixels, scene()) <= 8


def test_sixteen_bits_become_eight_by_rounding_v_over_257(tmp_path):
    values = np.arange(65536, dtype=np.uint16).reshape(256, 256)
    pixels = np.dstack([values, values[::-1], values])
    # exact arithmetic: 65535 / 255 = 257, so v / 257 maps black to 0 and white to 255
    expected = np.dstack([np.rint(channel / 257.0) for channel in np.moveaxis(pixels, 2, 0)]).astype(np.uint8)
    assert _farthest(read_photo(_file(tmp_path, "a.tif", tiff(pixels))).pixels, expected) == 0


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "TIFF 16 bit"])
def test_every_exif_orientation_is_undone_once(tmp_path, kind, orientation):
    if kind == "TIFF 16 bit":
        data = tiff(scene().astype(np.uint16) * 257, extratags=[(274, 3, 1, orientation, True)])
    else:
        options = {"quality": 95, "subsampling": 0} if kind == "JPEG" else {}
        data = saved(scene(), kind, exif=exif_block(orientation=orientation), **options)
    stored = Image.fromarray(scene())
    stored.getexif()[0x0112] = orientation
    expected = np.asarray(ImageOps.exif_transpose(stored))  # Pillow's own turning
    assert _farthest(read_photo(_file(tmp_path, "a.jpg", data)).pixels, expected) <= (4 if kind == "JPEG" else 0)


@pytest.mark.parametrize("orientation", [0, 9, 65535])
def test_nonsense_orientation_leaves_the_photo_as_stored(tmp_path, orientation):
    data = saved(scene(), "PNG", exif=exif_block(orientation=orientation))
    assert _farthest(read_photo(_file(tmp_path, "a.png", data)).pixels, scene()) == 0


@pytest.mark.parametrize("orientation", [3, 6, 8])
def test_heic_is_not_turned_twice(tmp_path, orientation):
    # The writer moves the EXIF orientation into HEIC's own rotation box, which the decoder obeys.
    path = _file(tmp_path, "a.heic", heic(quality=95, exif=exif_block(orientation=orientation)))
    stored = Image.fromarray(scene())
    stored.getexif()[0x0112] = orientation
    assert _farthest(read_photo(path).pixels, np.asarray(ImageOps.exif_transpose(stored))) <= 8


def test_the_first_picture_of_a_phones_double_file_is_the_photo(tmp_path):
    other = Image.fromarray(scene()[::-1].copy())
    data = saved(scene(), "MPO", save_all=True, append_images=[other], quality=95, subsampling=0)
    assert _farthest(read_photo(_file(tmp_path, "a.jpg", data)).pixels, scene()) <= 4


def test_bytes_after_the_picture_do_not_matter(tmp_path):
    data = jpeg() + b"a short film follows the photo" * 100
    assert read_photo(_file(tmp_path, "a.jpg", data)).pixels.shape == scene().shape


def test_first_bytes_decide_what_a_file_is_not_its_name(tmp_path):
    assert _farthest(read_photo(_file(tmp_path, "really a png.jpg", saved(scene(), "PNG"))).pixels, scene()) == 0


def test_pixels_are_contiguous_and_read_only(tmp_path):
    kinds = {"a.jpg": jpeg(), "b.png": saved(scene(), "PNG"), "c.tif": tiff(scene()), "d.heic": heic()}
    turned = {f"{n}.jpg": jpeg(exif=exif_block(orientation=n)) for n in range(1, 9)}
    for name, data in (kinds | turned).items():
        pixels = read_photo(_file(tmp_path, name, data)).pixels
        assert pixels.dtype == np.uint8
        assert pixels.flags.c_contiguous
        with pytest.raises(ValueError, match="read-only"):
            pixels[0, 0, 0] = 1


def test_identity_is_the_hash_of_the_bytes_whatever_the_name(tmp_path):
    data = jpeg()
    paths = [_file(tmp_path, "a.jpg", data), _file(tmp_path, "copy of a.JPG", data)]
    expected = hashlib.sha256(data).hexdigest()
    assert {photo_hash(path) for path in paths} | {read_photo(path).sha256 for path in paths} == {expected}


def test_the_hash_of_nothing_is_the_published_one(tmp_path):
    # FIPS 180-4 example values, SHA-256 of the empty message and of "abc"
    empty = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
    abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert photo_hash(_file(tmp_path, "empty.jpg", b"")) == empty
    assert photo_hash(_file(tmp_path, "abc.jpg", b"abc")) == abc


def test_originals_stay_as_they_are(tmp_path):
    paths = [_file(tmp_path, "a.jpg", jpeg(exif=exif_block(orientation=6))), _file(tmp_path, "b.tif", tiff(scene()))]
    for path in paths:
        path.chmod(0o444)
        before = (path.read_bytes(), path.stat().st_mtime_ns, stat.S_IMODE(path.stat().st_mode))
        read_photo(path)
        photo_hash(path)
        assert (path.read_bytes(), path.stat().st_mtime_ns, stat.S_IMODE(path.stat().st_mode)) == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.jpg", "b.tif"]


@pytest.mark.parametrize("name", ["a.jpg", "A.JPG", "b.jpeg", "c.png", "d.tif", "e.TIFF", "f.heic", "g.HEIF"])
def test_usual_endings_look_like_photos(name):
    assert looks_like_photo(name)


@pytest.mark.parametrize("name", ["._a.jpg", ".hidden.jpg", "a.txt", "jpg", "a.jpg.part", "a.mask", ""])
def test_other_names_do_not_look_like_photos(name):
    assert not looks_like_photo(name)


def test_names_with_broken_bytes_and_controls_can_be_printed(tmp_path):
    name = b"a\x07\n\xff.jpg"
    try:
        Path(tmp_path, name.decode("utf-8", "surrogateescape")).write_bytes(jpeg())
    except (OSError, UnicodeError):
        pytest.skip("this file system takes no such names")
    photo = read_photo(next(tmp_path.iterdir()))
    assert photo.name == "a\ufffd\ufffd\ufffd.jpg"
    assert photo.name.encode()


def test_grey_is_read_where_colour_tells_nothing(tmp_path):
    grey = scene()[..., 0]
    expected = np.dstack([grey] * 3)
    for name, data in {"a.png": saved(grey, "PNG"), "a.tif": saved(grey, "TIFF")}.items():
        assert _farthest(read_photo(_file(tmp_path, name, data), allow_grey=True).pixels, expected) == 0
    photo = read_photo(_file(tmp_path, "a.jpg", jpeg(grey)), allow_grey=True)
    assert _farthest(photo.pixels, expected) <= 4
    assert read_photo(_file(tmp_path, "a.heic", heic(grey)), allow_grey=True).pixels.shape == expected.shape
    with pytest.raises(UnreadablePhoto, match="grey"):
        read_photo(tmp_path / "a.png")


MEMORY = """
import resource, sys
import numpy as np
from fragarea.photo import read_photo
read_photo(sys.argv[1])
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
photo = read_photo(sys.argv[2])
after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(photo.pixels.nbytes, (after - before) * 1024)
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="ru_maxrss counts KiB on Linux only")
def test_reading_a_jpeg_takes_little_more_memory_than_its_pixels_and_its_file(tmp_path):
    small = _file(tmp_path, "small.jpg", jpeg())
    large = _file(tmp_path, "large.jpg", jpeg(np.tile(noise(), (10, 10, 1)), quality=80))
    command = [sys.executable, "-c", MEMORY, str(small), str(large)]
    words = subprocess.run(command, check=True, capture_output=True, text=True).stdout.split()
    pixels, peak = int(words[0]), int(words[1])
    assert pixels == 2400 * 3200 * 3
    # a tenth and 4 MB for the decoder's own buffers
    assert peak < 1.1 * pixels + large.stat().st_size + 4_000_000
