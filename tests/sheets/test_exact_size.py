"""What the PDF prints is as large as the JSON file says, measured by other programs.

The pages are drawn by PDFium (pypdfium2) at 300 dots an inch, 0.085 mm each; OpenCV finds the tags, with corners
good to about 0.2 pixel or 0.017 mm.
"""

from __future__ import annotations

import io
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt
import pypdf
import pytest

from fragarea.check.sheet import load_sheet, nominal_mm2, polygon_mm
from fragarea.reference.layout import load_reference
from fragarea.sheets.paper import LINE_MM
from fragarea.sheets.pdf import pdf_bytes
from tests.sheets.prints import DPI, copies_of, drawn, found_tags, pages_of

REFERENCES = ("frame-280x220", "frame-180x250", "card-80x50")
CLOSE_MM = 0.02


@lru_cache(maxsize=8)
def _pdf(name: str, paper: str) -> bytes:
    return pdf_bytes(pages_of(name, paper), name)


@lru_cache(maxsize=4)
def _drawn(name: str, paper: str, number: int) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.float64]]:
    return drawn(_pdf(name, paper), number)


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("name", REFERENCES)
def test_tags_on_paper_have_ids_sizes_and_places_of_the_json_file(name: str, paper: str) -> None:
    layout = load_reference(name)
    seen: set[int] = set()
    for number in range(len(pages_of(name, paper))):
        copies = copies_of(found_tags(*_drawn(name, paper, number)), layout)
        for copy in copies:
            expected = np.array([layout.tag(tag_id).corners_mm() for tag_id in copy])  # type: ignore[union-attr]
            found = np.array(list(copy.values()))
            # Moved, but neither turned nor scaled: sides, distances and the order of corners all follow.
            error = (found - expected) - (found - expected).mean(axis=(0, 1))
            assert np.abs(error).max() < CLOSE_MM
            seen |= set(copy)
        assert len({len(copy) for copy in copies}) == 1
    assert seen == {tag.tag_id for tag in layout.tags}


def test_large_frame_comes_in_two_pieces_on_office_paper_and_in_one_on_a3() -> None:
    assert [len(pages_of("frame-280x220", paper)) for paper in ("a4", "letter", "a3", "tabloid")] == [2, 2, 1, 1]


def test_whole_frame_on_a3_has_every_distance_of_the_json_file() -> None:
    layout = load_reference("frame-280x220")
    (copy,) = copies_of(found_tags(*_drawn("frame-280x220", "a3", 0)), layout)
    centres = {tag_id: corners.mean(axis=0) for tag_id, corners in copy.items()}
    # Exact geometry: the diagonal of 250 by 190 mm.
    assert np.hypot(*(centres[6] - centres[0])) == pytest.approx(314.0064, abs=CLOSE_MM)
    assert np.hypot(*(centres[3] - centres[0])) == pytest.approx(layout.print_check_mm, abs=CLOSE_MM)
    assert len(copy) == 12


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_card_is_printed_four_times(paper: str) -> None:
    copies = copies_of(found_tags(*_drawn("card-80x50", paper, 0)), load_reference("card-80x50"))
    assert [len(copy) for copy in copies] == [4, 4, 4, 4]


@pytest.mark.parametrize(
    ("name", "paper", "number"),
    [("known-areas", "a4", 0), ("known-areas", "a3", 0), ("known-areas-small", "letter", 0)],
)
def test_ink_of_each_shape_covers_its_nominal_area(name: str, paper: str, number: int) -> None:
    image, mm_per_px = _drawn(name, paper, number)
    sheet = load_sheet(name)
    red = image[:, :, 0].astype(float)
    ink = image[:, :, 0][_is_green(image)].min()
    # PDFium mixes ink and paper by the share of the pixel that is covered.
    share = (255.0 - red) / (255.0 - ink)
    _, labels = cv2.connectedComponents(cv2.dilate(_is_green(image).astype(np.uint8), np.ones((7, 7), np.uint8)))
    areas = np.bincount(labels.ravel(), weights=share.ravel())[1:] * mm_per_px.prod()
    nominal = sorted(nominal_mm2(shape) for shape in sheet.shapes)
    # Coverage comes in 256 steps: far below 0.1 %, and below 0.03 mm2 for the small shapes.
    assert sorted(areas) == pytest.approx(nominal, rel=1e-3, abs=0.03)


def _is_green(image: npt.NDArray[np.uint8]) -> npt.NDArray[np.bool_]:
    red, green, blue = (image[:, :, channel].astype(int) for channel in range(3))
    return (green - red > 25) & (green - blue > 15) & (green < 150)


@pytest.mark.parametrize(("name", "paper"), [("known-areas", "a3"), ("known-areas-small", "a4")])
def test_shapes_and_tags_of_one_print_share_one_set_of_axes(name: str, paper: str) -> None:
    image, mm_per_px = _drawn(name, paper, 0)
    sheet = load_sheet(name)
    layout = load_reference(sheet.reference)
    (copy,) = copies_of(found_tags(image, mm_per_px), layout)
    assert set(copy) == {tag.tag_id for tag in layout.tags}
    origin = np.mean([copy[tag.tag_id].mean(axis=0) - tag.centre_mm for tag in layout.tags], axis=0)
    for shape in sheet.shapes:
        left, top, right, bottom = polygon_mm(shape).bounds
        low = np.floor((origin + np.array([left, top])) / mm_per_px).astype(int) - 12
        high = np.ceil((origin + np.array([right, bottom])) / mm_per_px).astype(int) + 12
        rows, columns = np.nonzero(_is_green(image[low[1] : high[1], low[0] : high[0]]))
        edges = (
            np.array([columns.min(), rows.min(), columns.max() + 1, rows.max() + 1]) + np.tile(low, 2)
        ) * np.tile(mm_per_px, 2)
        # A pixel counts when about half of it is covered: half a pixel is 0.04 mm, a pointed end loses some more.
        assert edges == pytest.approx(np.array([left, top, right, bottom]) + np.tile(origin, 2), abs=0.15)


@pytest.mark.parametrize(("name", "paper"), [("card-80x50", "a4"), ("known-areas", "letter")])
def test_ruler_line_is_as_long_as_it_says(name: str, paper: str) -> None:
    image, mm_per_px = _drawn(name, paper, 0)
    # The line and its ticks; words stand further in.
    right_edge = image[:, -round(11.5 * DPI / 25.4) :].astype(int)
    blue = (right_edge[:, :, 2] - right_edge[:, :, 0]).clip(0, 255)
    # Only the ticks of C and D are longer than 5 mm.
    weight = blue.sum(axis=1) * (np.count_nonzero(blue > 20, axis=1) > 5.0 * DPI / 25.4)
    rows = np.nonzero(weight)[0]
    middle = len(image) // 2
    ends = [np.average(part, weights=weight[part]) for part in (rows[rows < middle], rows[rows >= middle])]
    assert (ends[1] - ends[0]) * mm_per_px[1] == pytest.approx(LINE_MM, abs=CLOSE_MM)


@pytest.mark.parametrize("name", [*REFERENCES, "known-areas", "known-areas-small"])
@pytest.mark.parametrize("paper", ["a4", "letter", "a3", "tabloid"])
def test_pdf_has_the_size_of_the_paper_embeds_its_typeface_and_forbids_scaling(name: str, paper: str) -> None:
    reader = pypdf.PdfReader(io.BytesIO(_pdf(name, paper)))
    # ISO 216 (A4, A3); 8.5 x 11 and 11 x 17 inches.
    sizes = {"a4": (210, 297), "letter": (215.9, 279.4), "a3": (297, 420), "tabloid": (279.4, 431.8)}
    for page in reader.pages:
        box = sorted(float(side) * 25.4 / 72 for side in (page.mediabox.width, page.mediabox.height))
        assert box == pytest.approx(sizes[paper], abs=0.001)
        for font in page["/Resources"]["/Font"].values():
            assert "/FontFile2" in font.get_object()["/FontDescriptor"]
    assert reader.root_object["/ViewerPreferences"]["/PrintScaling"] == "/None"


@pytest.mark.parametrize(("name", "paper"), [(name, "letter") for name in (*REFERENCES, "known-areas-small")])
def test_no_ink_comes_nearer_to_the_edge_of_the_paper_than_5_mm(name: str, paper: str) -> None:
    # 5 mm: what most printers leave (common practice, no source).
    for number in range(len(pages_of(name, paper))):
        image, _ = _drawn(name, paper, number)
        keep = int(5.0 * DPI / 25.4)
        for border in (image[:keep], image[-keep:], image[:, :keep], image[:, -keep:]):
            assert border.min() == 255


def test_page_says_what_matters_in_words_that_can_be_copied_from_the_pdf() -> None:
    text = pypdf.PdfReader(io.BytesIO(_pdf("frame-280x220", "a4"))).pages[0].extract_text()
    for words in (
        "Print at 100 %",
        "fit to page",
        "Matt waterproof paper",
        "frame-280x220: piece 1 of 2",
        "2025-03-01",
    ):
        assert words in text
    assert "fragarea print-check frame-280x220 250.5 250.0 250.5" in text


def test_same_file_comes_out_byte_for_byte_the_second_time() -> None:
    assert pdf_bytes(pages_of("card-80x50", "a4"), "card") == pdf_bytes(pages_of("card-80x50", "a4"), "card")
