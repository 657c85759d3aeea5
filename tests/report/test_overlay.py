from dataclasses import replace

import cv2
import numpy as np
import pytest
from shapely import MultiPolygon, Point, box

from fragarea.doubts import DOUBTS, Doubt
from fragarea.measurement import FragmentStatus
from fragarea.report.fonts import font, width_of
from fragarea.report.labels import Label, place_labels
from fragarea.report.overlay import (
    SMALLEST_TEXT,
    _abridged,
    doubt_lines,
    draw_overlay,
    header_lines,
    reach_mm,
    ring_mm,
)
from fragarea.report.strips import ALARM
from fragarea.report.strokes import LIVE
from tests.report.scene import TISSUE, drawn, fragment, measured, missing


def like(image: np.ndarray, colour: tuple[int, int, int], within: int = 12) -> np.ndarray:
    return (np.abs(image.astype(int) - colour) <= within).all(axis=2)


def test_outline_runs_along_the_edge_of_the_tissue():
    # The photo is painted from the same polygon by OpenCV's own projection and fill. A lone plug is enlarged 2.5
    # times, so 6 px are 2.4 px of the photo: stroke, casing and the enlargement's blur.
    photo = measured((fragment((2, 4)),))
    picture = draw_overlay(drawn(photo), photo)
    line, tissue = like(picture, LIVE.colour), like(picture, TISSUE, 30)
    rows = np.nonzero(tissue.any(axis=1))[0]
    line[rows.max() + 20 :] = False  # the key below the picture shows the line as well
    assert line.sum() > 300
    kernel = np.ones((13, 13), np.uint8)
    near_tissue = cv2.dilate(tissue.astype(np.uint8), kernel) > 0
    near_other = cv2.dilate((~tissue & ~line).astype(np.uint8), kernel) > 0
    assert (near_tissue & near_other)[line].mean() > 0.99


def test_outline_encloses_the_area_of_the_polygon():
    # exact geometry: the polygon's area in pixels of the photo, by the shoelace sum, times the enlargement squared
    photo = measured((fragment((2, 4)),))
    picture = draw_overlay(drawn(photo), photo)
    line = like(picture, LIVE.colour, 60).astype(np.uint8)
    contours, tree = cv2.findContours(line, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    outer = max(cv2.contourArea(c) for c in contours)
    inner = max(cv2.contourArea(c) for c, link in zip(contours, tree[0], strict=True) if link[3] >= 0)
    ring = photo.plane.project(photo.fragments[0].outline_live.geoms[0].exterior.coords, 4.5)
    expected = cv2.contourArea(ring.astype(np.float32)) * 2.5**2
    assert (outer + inner) / 2 == pytest.approx(expected, rel=0.01)


def test_photo_itself_is_not_changed():
    photo = measured()
    pixels = drawn(photo)
    before = pixels.copy()
    pixels.flags.writeable = False
    draw_overlay(pixels, photo)
    assert (pixels == before).all()


@pytest.mark.parametrize("max_side_px", [800, 2000])
def test_picture_is_reduced_to_the_longest_side(max_side_px):
    photo = measured()
    picture = draw_overlay(drawn(photo), photo, max_side_px=max_side_px)
    assert picture.dtype == np.uint8
    assert picture.shape[1] <= max_side_px
    assert picture.shape[1] > 0.6 * max_side_px


def test_doubtful_fragment_is_marked_and_calm_one_is_not():
    calm = measured((fragment((1, 1)), fragment((1, 2))))
    marked = measured((fragment((1, 1), doubts=(Doubt("glare"),)), fragment((1, 2))))
    noted = measured((fragment((1, 1), doubts=(Doubt("rim_unsure"),)), fragment((1, 2))))
    yellow = [int(like(draw_overlay(drawn(p), p), ALARM).sum()) for p in (calm, marked, noted)]
    assert yellow[0] == yellow[2] == 0
    assert yellow[1] > 1500  # the ring round the plug and the frame and letters of its plate


def test_ring_of_an_overgrown_fragment_stays_as_wide_as_a_plug():
    # a pad plug of 25 mm under tissue 40 mm wide, with a dead scrap 60 mm away
    tissue = MultiPolygon([Point(125, 95).buffer(20)])
    scrap = MultiPolygon([Point(185, 95).buffer(2)])
    doubt = (Doubt("outline_unsure"),)
    grown = fragment((1, 1), centre_mm=(125.0, 95.0), outline_live=tissue, outline_dead=scrap, plug_radius_mm=None)
    ring = ring_mm(replace(grown, doubts=doubt), 25.0)
    assert np.hypot(*(ring - (125, 95)).T).max() == pytest.approx(1.15 * 12.5)
    # a small patch keeps a ring of its own size, and a plug that shows keeps its rim
    patch = replace(grown, outline_live=MultiPolygon([Point(125, 95).buffer(4)]))
    assert np.hypot(*(ring_mm(patch, 25.0) - (125, 95)).T).max() == pytest.approx(4.0)
    rim = ring_mm(replace(grown, plug_radius_mm=12.4), 25.0)
    assert np.hypot(*(rim - (125, 95)).T).max() == pytest.approx(12.4)
    # the picture still shows everything that was measured
    assert reach_mm(grown, 25.0) == pytest.approx(62.0)


def test_header_says_site_date_photo_scale_tilt_and_numbers():
    words = " ".join(line.text for line in header_lines(measured()))
    for part in ("TRAY-1", "2026-03-07 10:15", "IMG_0412.jpg", "0.2222 mm/px", "frame-280x220 (12 tags)", "tilt 4°"):
        assert part in words
    assert "39 measured, 1 missing, 2 doubtful" in words


def test_doubts_are_named_with_their_fragments_heaviest_first():
    lines = doubt_lines(measured(), {(2, 1): "P09"})
    texts = [line.text for line in lines]
    assert texts == [
        "print not checked: whole photo",
        "no plug at this position: R1 C2",
        "outline unsure: P09",
        "plug rim unsure: P09",
        "partly dead: R1 C1",
        "partly or wholly bleached: R2 C2",
    ]
    assert [line.mark for line in lines] == ["-", "!", "!", "-", "-", "-"]


def test_scale_without_tags_is_said_to_be_so():
    words = header_lines(measured(method="plug rim", reference="", tilt_deg=None))[-1].text
    assert "by plug rim" in words
    assert "tilt" not in words


def tray_labels(pitch_px: float, radius_px: float, rows: int = 5, columns: int = 8) -> list[Label]:
    forms = (("R8 C8", "12.45 ± 0.25 cm²"), ("R8 C8", "12.45±0.25 cm²"), ("R8 C8", "12.45±0.25"))
    return [
        Label(forms, (pitch_px * (c + 0.6), pitch_px * (r + 0.6)), radius_px, False)
        for r in range(rows)
        for c in range(columns)
    ]


def test_forty_labels_do_not_collide_and_stay_readable():
    # A tray of 8 x 5 plugs of 25 mm at 30 mm (common practice, no source) that fills a picture of 2000 px.
    labels = tray_labels(pitch_px=240.0, radius_px=100.0)
    smallest = round(SMALLEST_TEXT * 2000)
    lettering, plates = place_labels(labels, np.empty((0, 2)), (2000, 1300), [44, 36, smallest])
    assert lettering.size_px >= smallest == 28
    for i, one in enumerate(plates):
        assert one.box[0] >= 0
        assert one.box[2] <= 2000
        assert one.box[3] <= 1300
        for other in plates[:i]:
            apart = (
                one.box[2] <= other.box[0]
                or other.box[2] <= one.box[0]
                or one.box[3] <= other.box[1]
                or other.box[3] <= one.box[1]
            )
            assert apart
    for plate in plates:
        wide = max(width_of(plate.lines[0], lettering.strong), width_of(plate.lines[1], lettering.plain))
        assert wide <= plate.box[2] - plate.box[0]
        assert 2 * lettering.size_px <= plate.box[3] - plate.box[1]


def test_label_stands_under_its_plug_or_inside_large_tissue():
    alone = [Label((("P1", "1.40 ± 0.05 cm²"),), (500.0, 500.0), 150.0, False)]
    side = range(440, 561, 6)
    square = np.array([p for v in side for p in ((v, 440), (v, 560), (440, v), (560, v))], dtype=float)
    _, (below,) = place_labels(alone, square, (1000, 1000), [28])
    assert below.box[1] > 560
    assert (below.box[0] + below.box[2]) / 2 == pytest.approx(500)
    _, (inside,) = place_labels(alone, np.empty((0, 2)), (1000, 1000), [28])
    assert (inside.box[1] + inside.box[3]) / 2 == pytest.approx(500)


def test_long_names_are_abridged_in_the_middle_and_stay_apart():
    names = [_abridged(f"Acropora palmata {i}", 9) for i in range(1, 41)]
    assert names[11] == "Acro…a 12"
    assert len(set(names)) == 40
    assert max(map(len, names)) == 9
    assert _abridged("P01", 9) == "P01"


def test_labels_too_many_for_any_size_are_still_all_drawn():
    crowd = tray_labels(pitch_px=12.0, radius_px=5.0)
    lettering, plates = place_labels(crowd, np.empty((0, 2)), (120, 80), [28])
    assert len(plates) == len(crowd)
    assert lettering.size_px == 8


def test_missing_and_dead_fragments_are_marked_with_words():
    # the word takes the place of the area: the picture changes with it, and no ± is written
    gone = measured((missing((1, 1)), fragment((1, 2), status=FragmentStatus.DEAD, outline_live=MultiPolygon())))
    assert header_lines(gone)[1].text == "1 measured, 1 dead, 1 missing, 1 doubtful"
    assert draw_overlay(drawn(gone), gone).any()


@pytest.mark.parametrize(
    "changes",
    [
        {"fragments": ()},
        {"fragments": (fragment((40, 60)),)},  # far outside the photo
        {"fragments": (fragment((1, 1), plug_radius_mm=None, outline_live=MultiPolygon()),)},
        {"fragments": (fragment((1, 1), live=replace(fragment().live, expanded_mm2=float("nan"))),)},
        {"fragments": (fragment((1, 1), outline_live=MultiPolygon([box(-5000, -5000, 9000, 9000)])),)},
        {"photo": "\u202eevil\x00.jpg" + "x" * 3000, "taken_at": None},
        {"doubts": tuple(Doubt(key) for key in DOUBTS)},
    ],
)
def test_odd_records_are_drawn_without_trouble(changes):
    photo = measured(**changes)
    assert draw_overlay(drawn(measured(())), photo, names={(1, 1): "\ud800<b>" + "W" * 5000}).shape[2] == 3


@pytest.mark.parametrize("shape", [(1, 1, 3), (3, 700, 3), (40, 30, 3)])
def test_tiny_photos_are_drawn(shape):
    assert draw_overlay(np.zeros(shape, np.uint8), measured()).ndim == 3


def test_measurement_read_back_without_its_plane_is_refused():
    with pytest.raises(ValueError, match="measure the photo again"):
        draw_overlay(np.zeros((9, 9, 3), np.uint8), measured(plane=None))


def test_grey_pixels_are_refused():
    with pytest.raises(ValueError, match=r"uint8 of shape \(rows, columns, 3\)"):
        draw_overlay(np.zeros((9, 9), np.uint8), measured())


def test_text_on_the_smallest_label_is_as_high_as_promised():
    # capital letters of the typeface are about 0.73 of the font size high
    box_px = font(28).getbbox("R")
    assert box_px[3] - box_px[1] >= 0.7 * 28
