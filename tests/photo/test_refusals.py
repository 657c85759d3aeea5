"""What is not a usable photo is refused with the file's name, the cause and what to do."""

from __future__ import annotations

import io
import os
import pickle
import socket
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from fragarea.errors import UnreadablePhoto
from fragarea.photo import photo_hash, read_photo
from fragarea.photo.decoding import decoder_messages
from fragarea.photo.jpeg import tells_damage
from tests.photo.samples import heic, jpeg, noise, saved, scene, tiff, with_jpeg_size, with_png_size


def _refusal(path: Path, **options) -> UnreadablePhoto:
    with pytest.raises(UnreadablePhoto) as caught:
        read_photo(path, **options)
    error = caught.value
    assert error.photo == path.name
    assert str(error).startswith(f"{path.name}: ")
    assert error.remedy
    return error


def _cause(folder: Path, data: bytes, name: str = "a.jpg", **options) -> str:
    path = folder / name
    path.write_bytes(data)
    return _refusal(path, **options).cause


def _cmyk() -> Image.Image:
    return Image.fromarray(scene()).convert("CMYK")


def _grey_photo() -> np.ndarray:
    return np.ascontiguousarray(np.repeat(scene()[..., :1], 3, axis=2))


def _tiff_of_fewer_rows() -> bytes:
    data = tiff(scene(), compression="zlib")
    at = data.index(struct.pack("<H", 257), 8)
    return data[: at + 8] + struct.pack("<I", 24) + data[at + 12 :]


def _damaged_deflate() -> bytes:
    data = bytearray(tiff(scene(240, 320), compression="zlib", rowsperstrip=16))
    data[len(data) // 2 : len(data) // 2 + 50] = bytes(50)
    return bytes(data)


REFUSED = {
    "empty": (b"", "the file is empty"),
    "text": (b"hello, this is no photo", "the file is not a photo"),
    "web page": (b"<!DOCTYPE html><html>sign in</html>", "web page"),
    "gif": (saved(scene(), "GIF"), "GIF"),
    "bmp": (saved(scene(), "BMP"), "BMP"),
    "webp": (saved(scene(), "WEBP"), "WebP"),
    "pdf": (b"%PDF-1.7\n", "PDF"),
    "only the first three bytes": (b"\xff\xd8\xff", "cut off inside its header"),
    "jpeg header cut": (jpeg()[:200], "cut off inside its header"),
    "jpeg header cut in a length": (jpeg()[:4], "cut off inside its header"),
    "jpeg picture cut": (jpeg(noise())[:-4000], "end of the picture is missing"),
    "jpeg without its last two bytes": (jpeg()[:-2], "end of the picture is missing"),
    "jpeg with nonsense markers": (b"\xff\xd8\xff\xe0\x00\x04ab" + b"\x00" * 64, "header is damaged"),
    "jpeg without a picture": (b"\xff\xd8\xff\xd9", "damaged"),
    "jpeg of endless segments": (b"\xff\xd8" + b"\xff\xe1\x00\x02" * 9999, "damaged"),
    "jpeg in inks": (saved(_cmyk(), "JPEG"), "CMYK"),
    "jpeg in grey": (jpeg(scene()[..., 0]), "grey"),
    "jpeg without colour": (jpeg(_grey_photo()), "grey"),
    "jpeg of 3600 megapixels": (with_jpeg_size(jpeg(), 60000, 60000), "3600 megapixels"),
    "jpeg of no pixels": (with_jpeg_size(jpeg(), 0, 64), "0 x 64"),
    "jpeg that claims 225 megapixels": (with_jpeg_size(jpeg(), 15000, 15000), "holds only"),
    "jpeg that claims more": (with_jpeg_size(jpeg(), 640, 480), "damaged"),
    "jpeg that claims less": (with_jpeg_size(jpeg(), 32, 24), "damaged"),
    "png cut": (saved(noise(), "PNG")[:-4000], "end of the picture is missing"),
    "png header cut": (saved(noise(), "PNG")[:20], "PNG header is damaged"),
    "png grey": (saved(scene()[..., 0], "PNG"), "grey"),
    "png transparent": (saved(np.dstack([scene(), scene()[..., 0]]), "PNG"), "transparent"),
    "png animated": (
        saved(scene(), "PNG", save_all=True, append_images=[Image.fromarray(scene()[::-1].copy())]),
        "animation of 2",
    ),
    "png of 3600 megapixels": (with_png_size(saved(scene(), "PNG"), 60000, 60000), "3600 megapixels"),
    "png that claims more": (with_png_size(saved(scene(), "PNG"), 640, 480), "damaged"),
    "png that claims less": (with_png_size(saved(scene(), "PNG"), 64, 24), "damaged"),
    "tiff cut": (tiff(noise())[:-4000], "end of the picture is missing"),
    "tiff header cut": (tiff(noise())[:12], "TIFF header is damaged"),
    "tiff of two pages": (
        saved(scene(), "TIFF", save_all=True, append_images=[Image.fromarray(scene()[::-1].copy())]),
        "2 pictures",
    ),
    "tiff in inks": (saved(_cmyk(), "TIFF"), "CMYK"),
    "tiff in grey": (saved(scene()[..., 0], "TIFF"), "grey"),
    "tiff of 16 bits in planes": (
        tiff(np.moveaxis(scene().astype(np.uint16) * 257, 2, 0), planarconfig="separate"),
        "separate planes",
    ),
    "tiff of real numbers": (tiff(scene().astype(np.float32)), "real numbers of 32/32/32 bits"),
    "tiff of signed numbers": (tiff(scene().astype(np.int16)), "signed"),
    "tiff of 32 bits": (tiff(scene().astype(np.uint32)), "32/32/32 bits"),
    "tiff with 12 of 16 bits": (tiff(scene().astype(np.uint16) * 16), "at most 12 of them"),
    "tiff of five channels": (tiff(np.dstack([scene(), scene()[..., :2]])), "5 channel"),
    "tiff that claims less": (_tiff_of_fewer_rows(), "damaged"),
    "tiff with damaged deflate": (_damaged_deflate(), "damaged"),
    "tiff of odd compression": (saved(scene(), "TIFF", compression="zstd"), "compression (number 50000)"),
    "raw sensor data": (tiff(scene(), extratags=[(50706, 1, 4, bytes((1, 4, 0, 0)), True)]), "raw sensor data"),
    "heic cut": (heic(noise())[:-4000], "cut off or damaged"),
    "heic with a blank end": (heic(noise())[:-4000] + bytes(4000), "end of the file is blank"),
    "heic grey": (heic(scene()[..., 0]), "grey"),
    "heic header only": (heic()[:40], "cut off or damaged"),
}


@pytest.mark.parametrize("kind", REFUSED)
def test_unusable_files_are_refused_with_their_cause(tmp_path, kind):
    data, words = REFUSED[kind]
    assert words in _cause(tmp_path, data)


def _damaged_jpegs() -> dict[str, bytes]:
    files = {"one scan": {}, "progressive": {"progressive": True}, "restarts": {"restart_marker_rows": 1}}
    damaged = {}
    for kind, options in files.items():
        data = jpeg(noise(), quality=75, **options)
        middle, end = len(data) // 2, b"\xff\xd9"
        damaged[f"{kind}, cut and closed"] = data[:middle] + end
        damaged[f"{kind}, half zeros"] = data[:middle] + bytes(len(data) - middle - 2) + end
        damaged[f"{kind}, a piece missing"] = data[:middle] + data[middle + 5000 :]
    return damaged


@pytest.mark.parametrize("kind", _damaged_jpegs())
def test_a_jpeg_with_lost_data_inside_is_refused_not_half_grey(tmp_path, kind):
    # The file ends as it should, so only the decoder's complaint tells.
    assert "damaged" in _cause(tmp_path, _damaged_jpegs()[kind])


def test_every_cut_of_a_photo_is_refused(tmp_path):
    kinds = {"jpg": jpeg(noise(60, 80)), "png": saved(noise(60, 80), "PNG"), "tif": tiff(noise(60, 80))}
    kinds["heic"] = heic(noise(64, 64))
    kinds["progressive"] = jpeg(noise(60, 80), quality=75, progressive=True)
    for kind, data in kinds.items():
        for share in np.linspace(0.001, 0.999, 40):
            assert _cause(tmp_path, data[: int(len(data) * share)], name=f"a.{kind}")


def test_stray_bytes_that_some_cameras_write_are_no_damage(tmp_path):
    data = jpeg(noise())
    path = tmp_path / "a.jpg"
    path.write_bytes(data[:-2] + b"\x00\x00" + data[-2:])
    assert read_photo(path).pixels.shape == (240, 320, 3)
    assert not tells_damage("Corrupt JPEG data: 2 extraneous bytes before marker 0xd9")
    assert tells_damage("Corrupt JPEG data: 456362 extraneous bytes before marker 0xd9")
    assert tells_damage("Corrupt JPEG data: 30 extraneous bytes before marker 0xd2")
    assert not tells_damage("")


def test_other_messages_on_standard_error_are_passed_on(capfd):
    with decoder_messages() as messages:
        os.write(2, b"Corrupt JPEG data: premature end of data segment\nprogress 40 %\n")
    assert messages.text == "Corrupt JPEG data: premature end of data segment"
    assert capfd.readouterr().err == "progress 40 %\n"


def test_refused_files_leave_standard_error_clean(tmp_path, capfd):
    for kind in ("jpeg that claims more", "png that claims more", "png cut", "heic cut"):
        _cause(tmp_path, REFUSED[kind][0])
    broken = bytearray(saved(noise(), "TIFF", compression="tiff_lzw"))
    broken[500:9000] = bytes(8500)
    _cause(tmp_path, bytes(broken))
    assert capfd.readouterr().err == ""


def test_a_scan_bomb_is_refused_before_decoding(tmp_path):
    # 5000 empty progressive scans over 16 megapixels would each visit every block
    noisy = jpeg(noise(), quality=75, progressive=True)
    at = noisy.index(b"\xff\xda")
    scan = b"\xff\xda\x00\x08\x01\x01\x00\x01\x3f\x00\x00"
    data = with_jpeg_size(noisy[:at] + scan * 5000 + noisy[at:], 4000, 4000)
    assert "scans" in _cause(tmp_path, data)


def test_a_png_of_81_megapixels_in_one_colour_is_refused(tmp_path):
    rows = b"".join(_deflated_rows(9000, 9000))
    data = _png(9000, 9000, rows)
    assert len(data) < 1_000_000
    assert "holds only" in _cause(tmp_path, data, name="a.png")


def _deflated_rows(width: int, height: int):
    packer = zlib.compressobj(9)
    for _ in range(height):
        yield packer.compress(bytes(1 + 3 * width))
    yield packer.flush()


def _png(width: int, height: int, deflated: bytes) -> bytes:
    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", deflated) + chunk(b"IEND", b"")


def test_sixteen_bit_files_have_a_smaller_limit(tmp_path):
    body = _png(15000, 15000, b"x" * 2_000_000)
    deep = body[:24] + b"\x10" + body[25:29] + struct.pack(">I", zlib.crc32(body[12:24] + b"\x10" + body[25:29]))
    assert "too many for this kind of file" in _cause(tmp_path, deep + body[33:], name="a.png")


def test_a_tiff_bomb_is_refused(tmp_path):
    store = io.BytesIO()
    with tifffile.TiffWriter(store) as writer:
        tiles = (np.zeros((1008, 1008, 3), np.uint8) for _ in range(81))
        options = {"photometric": "rgb", "compression": "zlib", "tile": (1008, 1008)}
        writer.write(tiles, shape=(9000, 9000, 3), dtype=np.uint8, **options)
    assert "holds only" in _cause(tmp_path, store.getvalue(), name="a.tif")


def test_folder_pipe_socket_device_and_broken_link_are_refused_at_once(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)  # the address of a socket must be short
    (tmp_path / "folder.jpg").mkdir()
    os.mkfifo(tmp_path / "pipe.jpg")
    (tmp_path / "link.jpg").symlink_to(tmp_path / "gone.jpg")
    (tmp_path / "loop.jpg").symlink_to(tmp_path / "loop.jpg")
    (tmp_path / "device.jpg").symlink_to("/dev/zero")
    with socket.socket(socket.AF_UNIX) as server:
        server.bind("socket.jpg")
        expected = {
            "folder": "folder",
            "pipe": "pipe, socket or device",
            "socket": "pipe, socket or device",
            "device": "pipe, socket or device",
            "link": "link leads to a file that is not there",
            "loop": "cannot be read",
            "missing": "no such file",
        }
        for name, words in expected.items():
            path = tmp_path / f"{name}.jpg"
            assert words in _refusal(path).cause
            with pytest.raises(UnreadablePhoto, match=words):
                photo_hash(path)


def test_a_name_that_no_system_takes_is_refused():
    with pytest.raises(UnreadablePhoto, match="no such file"):
        read_photo("a\0b.jpg")


def test_a_file_that_may_not_be_read_is_refused(tmp_path, monkeypatch):
    path = tmp_path / "a.jpg"
    path.write_bytes(jpeg())

    def no_permission(*_: object) -> int:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "open", no_permission)  # chmod would not stop a privileged user
    assert "may not be read" in _refusal(path).cause


def test_a_card_that_fails_while_reading_is_refused(tmp_path, monkeypatch):
    path = tmp_path / "a.jpg"
    path.write_bytes(jpeg())

    def broken(*_: object) -> int:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(os, "open", broken)
    assert "cannot be read (Input/output error)" in _refusal(path).cause


def test_a_film_of_many_gigabytes_is_refused_unread(tmp_path):
    path = tmp_path / "film.jpg"
    path.touch()
    os.truncate(path, 5_000_000_000)  # a sparse file: takes no room on disk
    assert "5.0 GB" in _refusal(path).cause


def test_refusals_travel_between_processes(tmp_path):
    path = tmp_path / "a.jpg"
    path.touch()
    error = _refusal(path)
    assert str(pickle.loads(pickle.dumps(error))) == str(error)
