"""Five hundred damaged files: each is read or refused; none crashes, hangs or fills the memory."""

from __future__ import annotations

import json
import struct
import subprocess
import sys
import zlib
from collections.abc import Callable, Iterator

import numpy as np
import pytest

from tests.photo.samples import exif_block, heic, jpeg, noise, saved, scene, tiff, with_jpeg_size, with_png_size

SEED = 20260307
SECONDS_PER_FILE = 10
MEMORY_BYTES = 1_000_000_000

Random = np.random.Generator

# Runs in a process of its own, so that a crash, a hang or a flood of memory is seen from outside.
READER = """
import json, resource, signal, sys, time
from pathlib import Path
from fragarea.errors import FragareaError
from fragarea.photo import photo_hash, read_photo

signal.signal(signal.SIGALRM, signal.SIG_DFL)
for path in sorted(Path(sys.argv[1]).iterdir()):
    print(json.dumps({"begin": path.name}), flush=True)
    signal.alarm(int(sys.argv[2]))
    start = time.perf_counter()
    try:
        assert len(photo_hash(path)) == 64
        photo = read_photo(path)
        outcome = "read"
        assert photo.pixels.dtype == "uint8" and photo.pixels.ndim == 3 and photo.pixels.shape[2] == 3
    except FragareaError as error:
        outcome = "refused"
        assert str(error).startswith(path.name + ": ") and str(error).isprintable()
    signal.alarm(0)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    end = {"end": path.name, "outcome": outcome, "seconds": time.perf_counter() - start, "peak": peak}
    print(json.dumps(end), flush=True)
"""


def _whole_files() -> dict[str, bytes]:
    """One sound file of each kind, by ending."""
    pixels = noise(120, 160)
    dated = exif_block(main={0x010F: "Maker"}, detail={0x9003: "2026:03:07 14:05:33"}, orientation=6)
    return {
        "base.jpg": jpeg(pixels, quality=80, exif=dated),
        "progressive.jpg": jpeg(pixels, quality=80, progressive=True),
        "restart.jpg": jpeg(pixels, quality=80, restart_marker_rows=1),
        "smooth.jpg": jpeg(scene(240, 320), exif=dated),
        "rgb.png": saved(pixels, "PNG", exif=dated),
        "smooth.png": saved(scene(240, 320), "PNG"),
        "plain.tif": tiff(pixels),
        "deflate.tif": tiff(scene(240, 320), compression="zlib", predictor=True),
        "lzw.tif": saved(scene(240, 320), "TIFF", compression="tiff_lzw"),
        "jpeg.tif": saved(scene(240, 320), "TIFF", compression="jpeg"),
        "deep.tif": tiff(pixels.astype(np.uint16) * 257),
        "big.tif": tiff(pixels, bigtiff=True, tile=(32, 32)),
        "phone.heic": heic(pixels, quality=60, exif=dated),
    }


def _cut(data: bytes, rng: Random) -> bytes:
    return data[: int(rng.integers(1, len(data)))]


def _flipped(data: bytes, rng: Random) -> bytes:
    damaged = bytearray(data)
    for at in rng.integers(0, len(data), rng.integers(1, 40)):
        damaged[at] ^= int(rng.integers(1, 256))
    return bytes(damaged)


def _flipped_header(data: bytes, rng: Random) -> bytes:
    damaged = bytearray(data)
    for at in rng.integers(0, min(len(data), 400), rng.integers(1, 12)):
        damaged[at] = int(rng.integers(0, 256))
    return bytes(damaged)


def _blanked(data: bytes, rng: Random) -> bytes:
    start = int(rng.integers(0, len(data)))
    size = int(rng.integers(1, len(data) - start + 1))
    return data[:start] + bytes(size) + data[start + size :]


def _shuffled(data: bytes, rng: Random) -> bytes:
    first, second = sorted(int(at) for at in rng.integers(0, len(data), 2))
    return data[second:] + data[first:second] + data[:first]


def _doubled_piece(data: bytes, rng: Random) -> bytes:
    first, second = sorted(int(at) for at in rng.integers(0, len(data), 2))
    return data[:second] + data[first:]


DAMAGES: tuple[Callable[[bytes, Random], bytes], ...] = (
    _cut,
    _flipped,
    _flipped_header,
    _blanked,
    _shuffled,
    _doubled_piece,
)


def _large_exif() -> bytes:
    """A sound JPEG behind 12 MB of EXIF segments, the first with directories that point at each other."""
    loop = b"II*\0\x08\0\0\0" + struct.pack("<HHHIII", 1, 0x8769, 4, 1, 8, 8)
    segments = [loop.ljust(65000, b"\1")] + [bytes(65000)] * 190
    body = b"".join(b"\xff\xe1" + struct.pack(">H", 65008) + b"Exif\0\0" + segment for segment in segments)
    sound = jpeg(noise(120, 160))
    return sound[:2] + body + sound[2:]


def _png_bomb(side: int) -> bytes:
    packer = zlib.compressobj(9)
    rows = b"".join(packer.compress(bytes(1 + 3 * side)) for _ in range(side)) + packer.flush()
    empty = saved(scene(), "PNG")
    body = b"IDAT" + rows
    tail = struct.pack(">I", len(rows)) + body + struct.pack(">I", zlib.crc32(body)) + empty[-12:]
    return with_png_size(empty, side, side)[:33] + tail


def _tiff_with(data: bytes, tag: int, value: int) -> bytes:
    at = data.index(struct.pack("<H", tag), 8)
    return data[: at + 8] + struct.pack("<I", value) + data[at + 12 :]


def _crafted(whole: dict[str, bytes], rng: Random) -> Iterator[tuple[str, bytes]]:
    for size in ((60000, 60000), (65535, 65535), (20000, 12000), (1, 65535), (65535, 1), (0, 0)):
        for kind in ("base.jpg", "progressive.jpg"):
            yield f"claims {size[0]}x{size[1]} {kind}", with_jpeg_size(whole[kind], *size)
        yield f"claims {size[0]}x{size[1]} a.png", with_png_size(whole["smooth.png"], *size)
        for kind in ("plain.tif", "deflate.tif"):
            wide = _tiff_with(_tiff_with(whole[kind], 256, size[0]), 257, size[1])
            yield f"claims {size[0]}x{size[1]} {kind}", wide
    yield "bomb 9000.png", _png_bomb(9000)
    yield "bomb 6000.png", _png_bomb(6000)
    yield "bomb.tif", tiff(np.zeros((6000, 6000, 3), np.uint8), compression="zlib", rowsperstrip=6000)
    yield "large exif.jpg", _large_exif()
    for number in range(30):
        start = (b"", b"\xff\xd8\xff\xe0", b"\x89PNG\r\n\x1a\n", b"II*\0\x08\0\0\0", b"MM\0*", b"\0\0\0\x18ftypheic")
        yield f"random {number}.jpg", start[number % 6] + rng.bytes(int(rng.integers(1, 20_000)))
    for name, data in whole.items():
        yield f"wrong ending {name}.{'png' if name.endswith('jpg') else 'jpg'}", data


def _damaged_files(rng: Random, count: int) -> Iterator[tuple[str, bytes]]:
    whole = _whole_files()
    made = list(_crafted(whole, rng))
    yield from made
    names = sorted(whole)
    for number in range(count - len(made)):
        damage, name = DAMAGES[number % len(DAMAGES)], names[int(rng.integers(len(names)))]
        yield f"{damage.__name__.strip('_')} {number} {name}", damage(whole[name], rng)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="ru_maxrss counts KiB on Linux only")
def test_five_hundred_damaged_files_neither_crash_nor_hang_nor_fill_the_memory(tmp_path):
    for name, data in _damaged_files(np.random.default_rng(SEED), 500):
        (tmp_path / name).write_bytes(data)
    assert len(list(tmp_path.iterdir())) == 500
    command = [sys.executable, "-X", "faulthandler", "-c", READER, str(tmp_path), str(SECONDS_PER_FILE)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=240)
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert done.stderr == "" or done.returncode != 0  # the decoders' own complaints stay inside
    assert done.returncode == 0, f"stopped at {lines[-1]}: {done.stderr[-2000:]}"
    ends = [line for line in lines if "end" in line]
    assert len(ends) == 500
    assert max(line["seconds"] for line in ends) < SECONDS_PER_FILE
    assert ends[-1]["peak"] < MEMORY_BYTES
    outcomes = {line["end"]: line["outcome"] for line in ends}
    # A cut photo is never half read; a false claim never believed; a sound photo read whatever its ending.
    assert {outcome for name, outcome in outcomes.items() if name.startswith(("cut", "claims", "random"))} == {
        "refused"
    }
    assert {outcome for name, outcome in outcomes.items() if name.startswith(("wrong", "large"))} == {"read"}
