"""The capture date: from the file, else from its name, unless it is given."""

from __future__ import annotations

import io
import json
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from fragarea.photo import read_photo
from fragarea.photo.exif import clean_words, parse_moment, read_exif
from fragarea.photo.names import date_in_name
from tests.photo.samples import exif_block, heic, jpeg, saved, scene

ORIGINAL, DIGITIZED, DATE = 0x9003, 0x9004, 0x0132
OFFSET, OFFSET_ORIGINAL, OFFSET_DIGITIZED = 0x9010, 0x9011, 0x9012
FOCAL, FOCAL_35, MAKE, MODEL = 0x920A, 0xA405, 0x010F, 0x0110
HAWAII = timezone(timedelta(hours=-10))


def _read(folder: Path, block: bytes | None = None, name: str = "a.jpg", **options):
    path = folder / name
    path.write_bytes(jpeg(exif=block) if block else jpeg())
    return read_photo(path, **options)


def test_exif_date_and_offset_are_read(tmp_path):
    block = exif_block(detail={ORIGINAL: "2026:03:07 14:05:33", OFFSET_ORIGINAL: "-10:00"})
    photo = _read(tmp_path, block)
    assert photo.taken_at == datetime(2026, 3, 7, 14, 5, 33, tzinfo=HAWAII)
    assert photo.taken_at_source == "exif"


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("a.jpg", lambda block: jpeg(exif=block)),
        ("a.png", lambda block: saved(scene(), "PNG", exif=block)),
        ("a.tif", lambda block: saved(scene(), "TIFF", exif=block)),
        ("a.heic", lambda block: heic(exif=block)),
    ],
)
def test_dates_agree_with_pillow_in_every_format(tmp_path, name, data):
    block = exif_block(
        main={MAKE: "Maker", MODEL: "Model 7", DATE: "2027:01:01 00:00:00"},
        detail={ORIGINAL: "2026:03:07 14:05:33", OFFSET_ORIGINAL: "+05:30", FOCAL: IFDRational(17, 4), FOCAL_35: 26},
    )
    path = tmp_path / name
    path.write_bytes(data(block))
    if name.endswith("heic"):
        import pillow_heif

        exif = Image.Exif()
        exif.load(pillow_heif.open_heif(path).info["exif"])
    else:
        with Image.open(path) as picture:
            exif = picture.getexif()
            exif.get_ifd(0x8769)
    detail = exif.get_ifd(0x8769)  # Pillow's reading
    photo = read_photo(path)
    assert photo.taken_at is not None
    assert photo.taken_at.strftime("%Y:%m:%d %H:%M:%S") == detail[ORIGINAL]
    assert photo.taken_at.utcoffset() == timedelta(hours=5, minutes=30)
    assert (photo.camera.make, photo.camera.model) == (exif[MAKE], exif[MODEL])
    assert photo.camera.focal_mm == pytest.approx(float(detail[FOCAL]))
    assert photo.camera.focal_equiv_mm == detail[FOCAL_35]


@given(
    moment=st.datetimes(datetime(1995, 1, 1), datetime(2099, 12, 31)),
    minutes=st.one_of(st.none(), st.integers(-12 * 60, 14 * 60)),
    tag=st.sampled_from([ORIGINAL, DIGITIZED]),
)
def test_any_date_that_pillow_writes_comes_back(moment, minutes, tag):
    moment = moment.replace(microsecond=0)
    detail = {tag: moment.strftime("%Y:%m:%d %H:%M:%S")}
    if minutes is not None:
        sign, size = ("-" if minutes < 0 else "+"), abs(minutes)
        detail[tag + 0x0E] = f"{sign}{size // 60:02d}:{size % 60:02d}"  # 0x9011 beside 0x9003, 0x9012 beside 0x9004
        moment = moment.replace(tzinfo=timezone(timedelta(minutes=minutes)))
    assert read_exif(exif_block(detail=detail)).taken_at == moment


def test_original_goes_before_digitized_before_changed(tmp_path):
    dates = {ORIGINAL: "2026:03:07 10:00:00", DIGITIZED: "2026:03:08 10:00:00"}
    assert _read(tmp_path, exif_block(main={DATE: "2026:03:09 10:00:00"}, detail=dates)).taken_at.day == 7
    del dates[ORIGINAL]
    assert _read(tmp_path, exif_block(main={DATE: "2026:03:09 10:00:00"}, detail=dates)).taken_at.day == 8
    assert _read(tmp_path, exif_block(main={DATE: "2026:03:09 10:00:00"})).taken_at.day == 9


@pytest.mark.parametrize(
    "blank",
    [
        "0000:00:00 00:00:00",
        "    :  :     :  :  ",
        "",
        "2026:13:07 10:00:00",
        "2026:02:30 10:00:00",
        "2026:03:07 25:00:00",
        "1970:01:01 00:00:00",  # a camera whose clock was never set
        "not a date",
        "2026:03:07",
        "２０２６:03:07 10:00:00x",
    ],
)
def test_blank_and_impossible_dates_are_ignored(tmp_path, blank):
    photo = _read(tmp_path, exif_block(detail={ORIGINAL: blank}))
    assert (photo.taken_at, photo.taken_at_source) == (None, "unknown")
    # the next date in the file is used instead
    other = _read(tmp_path, exif_block(detail={ORIGINAL: blank, DIGITIZED: "2026:03:07 10:00:00"}))
    assert other.taken_at == datetime(2026, 3, 7, 10)


@pytest.mark.parametrize("offset", ["", "   :  ", "+25:00", "+10:99", "10:00", "local"])
def test_unreadable_offset_leaves_local_time(offset):
    assert parse_moment("2026:03:07 10:00:00", offset) == datetime(2026, 3, 7, 10)


@pytest.mark.parametrize("offset", ["Z", "+00:00", "-0000"])
def test_utc_offsets_are_understood(offset):
    assert parse_moment("2026:03:07 10:00:00", offset) == datetime(2026, 3, 7, 10, tzinfo=UTC)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("2026-03-07.jpg", datetime(2026, 3, 7, 12)),
        ("tray 3 2026-03-07.jpg", datetime(2026, 3, 7, 12)),
        ("20260307.jpg", datetime(2026, 3, 7, 12)),
        ("TRAY_20260307_b.jpg", datetime(2026, 3, 7, 12)),
        ("2026_03_07.tif", datetime(2026, 3, 7, 12)),
        ("2026.03.07.heic", datetime(2026, 3, 7, 12)),
        ("2026-03-07_14-05.jpg", datetime(2026, 3, 7, 14, 5)),
        ("2026-03-07 14.05.33.jpg", datetime(2026, 3, 7, 14, 5, 33)),
        ("2026-03-07T14:05:33.jpg", datetime(2026, 3, 7, 14, 5, 33)),
        ("IMG_20260307_140533.jpg", datetime(2026, 3, 7, 14, 5, 33)),
        ("20260307_140533123.jpg", datetime(2026, 3, 7, 14, 5, 33)),
        ("20260307140533.jpg", datetime(2026, 3, 7, 14, 5, 33)),
        ("IMG-20260307-WA0012.jpg", datetime(2026, 3, 7, 12)),
        ("2026-03-07 (2).jpg", datetime(2026, 3, 7, 12)),
        ("2026-03-07_9999.jpg", datetime(2026, 3, 7, 12)),  # a running number, no time
        ("2026-03-07 copy of 2026-03-07.jpg", datetime(2026, 3, 7, 12)),
        ("2028-02-29.jpg", datetime(2028, 2, 29, 12)),
    ],
)
def test_date_in_a_file_name(name, expected):
    assert date_in_name(name) == expected


@pytest.mark.parametrize(
    "name",
    [
        "IMG_0412.jpg",
        "2026-13-07.jpg",
        "2026-02-30.jpg",
        "2027-02-29.jpg",
        "20261307.jpg",
        "120260307.jpg",
        "202603071.jpg",
        "tray1202603075.jpg",
        "2026-0307.jpg",
        "2026-03_07.jpg",
        "07-03-2026.jpg",
        "1826-03-07.jpg",
        "2026-03-07 2026-03-08.jpg",
        "1457039211345.jpg",
        "2026-03-071.jpg",
        "",
    ],
)
def test_other_digits_in_a_file_name_are_no_date(name):
    assert date_in_name(name) is None


def test_name_is_asked_only_when_the_file_has_no_date(tmp_path):
    photo = _read(tmp_path, name="2026-03-07_14-05.jpg")
    assert (photo.taken_at, photo.taken_at_source) == (datetime(2026, 3, 7, 14, 5), "file name")
    dated = exif_block(detail={ORIGINAL: "2026:03:09 10:00:00"})
    assert _read(tmp_path, dated, name="2026-03-07_14-05.jpg").taken_at == datetime(2026, 3, 9, 10)


def test_given_date_overrules_all(tmp_path):
    dated = exif_block(detail={ORIGINAL: "2026:03:09 10:00:00", OFFSET_ORIGINAL: "+02:00"})
    photo = _read(tmp_path, dated, name="2026-03-07.jpg", taken_at=datetime(2026, 3, 5, 9))
    assert (photo.taken_at, photo.taken_at_source) == (datetime(2026, 3, 5, 9), "option")


def test_zone_is_given_to_dates_that_have_none_and_to_no_other(tmp_path):
    zone = ZoneInfo("Pacific/Honolulu")
    naive = exif_block(detail={ORIGINAL: "2026:03:07 10:00:00"})
    aware = exif_block(detail={ORIGINAL: "2026:03:07 10:00:00", OFFSET_ORIGINAL: "+02:00"})
    assert _read(tmp_path, naive, zone=zone).taken_at == datetime(2026, 3, 7, 20, tzinfo=UTC)  # Hawaii is UTC-10
    assert _read(tmp_path, aware, zone=zone).taken_at == datetime(2026, 3, 7, 8, tzinfo=UTC)
    assert _read(tmp_path, name="2026-03-07_14-05.jpg", zone=zone).taken_at.tzinfo is zone
    assert _read(tmp_path, taken_at=datetime(2026, 3, 7, 10), zone=zone).taken_at.tzinfo is zone


def test_unknown_focal_lengths_are_none(tmp_path):
    camera = _read(tmp_path, exif_block(detail={FOCAL_35: 0, FOCAL: IFDRational(0, 0)})).camera
    assert (camera.focal_equiv_mm, camera.focal_mm) == (None, None)


def test_hostile_camera_names_are_cleaned(tmp_path):
    hostile = "Bad\x1b[31m\r\nMaker\t " + "x" * 500
    assert clean_words("turned \u202eround\ud800") == "turned round"
    camera = _read(tmp_path, exif_block(main={MAKE: hostile, MODEL: "\x07"})).camera
    assert camera.make.startswith("Bad [31m Maker x")
    assert len(camera.make) <= 64
    assert camera.make.isprintable()
    assert camera.model == ""


@given(st.text(max_size=200))
def test_cleaned_words_are_short_and_printable(text):
    assert clean_words(text).isprintable()
    assert len(clean_words(text)) <= 64


@given(st.binary(max_size=300))
def test_random_bytes_are_no_exif_and_no_crash(junk):
    read_exif(junk)
    read_exif(b"Exif\0\0II*\0\x08\0\0\0" + junk)
    read_exif(b"MM\0*\0\0\0\x08" + junk)


@given(st.data())
def test_damaged_exif_never_crashes(data):
    block = bytearray(
        exif_block(main={MAKE: "Maker"}, detail={ORIGINAL: "2026:03:07 14:05:33", FOCAL: IFDRational(17, 4)})
    )
    for _ in range(data.draw(st.integers(1, 8))):
        block[data.draw(st.integers(0, len(block) - 1))] = data.draw(st.integers(0, 255))
    facts = read_exif(bytes(block))
    assert 1 <= facts.orientation <= 8


def test_date_without_exif_directory_in_pillow_file_is_found_by_both(tmp_path):
    block = exif_block(main={DATE: "2026:03:07 14:05:33"})
    store = io.BytesIO(jpeg(exif=block))
    assert Image.open(store).getexif()[DATE] == "2026:03:07 14:05:33"
    assert _read(tmp_path, block).taken_at == datetime(2026, 3, 7, 14, 5, 33)


def _rendered_scenes() -> Path:
    root = Path(__file__).resolve().parents[2]
    folder = next((up / "shared/photos/dev" for up in root.parents if (up / "shared/photos/dev").is_dir()), None)
    if folder is None:
        pytest.skip("the rendered scenes are not beside the project")
    return folder


def test_dates_and_sizes_of_the_rendered_scenes_are_those_of_their_truth():
    # truth.json beside the scenes: written by the renderer, not read from the files
    for truth in sorted(_rendered_scenes().glob("*/truth.json")):
        for scene_truth in json.loads(truth.read_text("utf-8"))["photos"]:
            photo = read_photo(truth.parent / scene_truth["file"])
            assert photo.taken_at is not None
            assert photo.taken_at.strftime("%Y:%m:%d %H:%M:%S") == scene_truth["datetime"]
            assert photo.camera.focal_equiv_mm == scene_truth["camera"]["focal_equiv_mm"]
            # the camera is that of the upright picture
            columns, rows = scene_truth["camera"]["size"]
            assert photo.pixels.shape == (rows, columns, 3)
