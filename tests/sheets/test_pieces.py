"""Cutting what is larger than the paper, and notes on what to measure after gluing."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from shapely import box, union_all

from fragarea.errors import SettingsProblem
from fragarea.reference.layout import ReferenceLayout, load_reference, parse_reference
from fragarea.sheets.drawing import Stroke, Text
from fragarea.sheets.flow import Note, flow
from fragarea.sheets.joints import joint_items
from fragarea.sheets.notes import distances_to_measure, reference_notes
from fragarea.sheets.objects import reference_object
from fragarea.sheets.pages import reference_pages
from fragarea.sheets.paper import PAPERS, PageFormat
from fragarea.sheets.pieces import FLAP_MM, pieces_of
from fragarea.sheets.tags import quiet_box
from fragarea.sheets.typeface import width_mm
from tests.sheets.prints import MADE_ON


def _grid_frame(step_mm: float, across: int, down: int, window: bool = True) -> ReferenceLayout:
    """A frame of our own with a ring of 20 mm tags."""
    width, height = step_mm * (across - 1), step_mm * (down - 1)
    ring = [
        (step_mm * column, step_mm * row)
        for row in range(down)
        for column in range(across)
        if row in (0, down - 1) or column in (0, across - 1)
    ]
    data: dict[str, Any] = {
        "name": "own",
        "family": "apriltag-36h11",
        "outline_mm": [[-15, -15], [width + 15, -15], [width + 15, height + 15], [-15, height + 15]],
        "tags": [{"id": 40 + n, "side_mm": 20, "centre_mm": list(xy)} for n, xy in enumerate(ring)],
        "print_check_mm": {"between_tag_centres": [40, 40 + across - 1], "length": width},
    }
    if window:
        data["window_mm"] = [[14, 14], [width - 14, 14], [width - 14, height - 14], [14, height - 14]]
    return parse_reference(data, source="own.json")


@pytest.mark.parametrize(
    ("layout", "paper", "count"),
    [
        (load_reference("frame-280x220"), "a4", 2),
        (load_reference("frame-280x220"), "letter", 2),
        (_grid_frame(100.0, 6, 4), "a4", 8),
        (_grid_frame(100.0, 6, 4), "a3", 3),
        (_grid_frame(60.0, 5, 5, window=False), "letter", 4),
    ],
    ids=["frame A4", "frame Letter", "530 x 330 mm A4", "530 x 330 mm A3", "270 x 270 mm Letter"],
)
def test_pieces_make_up_the_whole_fit_the_paper_and_cut_no_tag(
    layout: ReferenceLayout, paper: str, count: int
) -> None:
    thing = reference_object(layout)
    room = PageFormat(PAPERS[paper], landscape=False).room_mm
    pieces = pieces_of(thing, room)
    assert len(pieces) == count
    # Exact geometry: the used parts tile the object.
    assert sum(piece.used.area for piece in pieces) == pytest.approx(thing.body.area)
    assert union_all([piece.used for piece in pieces]).symmetric_difference(thing.body).area < 1e-6
    for piece in pieces:
        low_x, low_y, high_x, high_y = piece.paper.bounds
        assert high_x - low_x <= room[0]
        assert high_y - low_y <= room[1]
    for tag in layout.tags:
        assert sum(piece.cell.contains(quiet_box(tag)) for piece in pieces) == 1


def test_flap_lies_under_the_next_piece_and_its_dashed_line_where_that_piece_begins() -> None:
    thing = reference_object(load_reference("frame-280x220"))
    first, second = pieces_of(thing, PageFormat(PAPERS["a4"], landscape=False).room_mm)
    assert second.used.contains(first.flap.buffer(-1e-6))
    assert second.flap.is_empty
    # Two bars of 29 mm, 12 mm deep.
    assert first.flap.area == pytest.approx(2 * 29 * FLAP_MM)
    edge = second.used.bounds[0]
    dashed = [item for item in joint_items(first) if isinstance(item, Stroke) and item.dash_mm]
    assert {x for item in dashed for x, _ in item.points_mm} == {edge}
    assert sum(abs(item.points_mm[0][1] - item.points_mm[-1][1]) for item in dashed) == pytest.approx(2 * 29)


def test_every_joint_is_crossed_by_lengths_to_measure_and_diagonals_are_among_them() -> None:
    layout = load_reference("frame-280x220")
    pairs = {(a.tag_id, b.tag_id): length for a, b, length in distances_to_measure(layout)}
    # Exact geometry: a rectangle of 250 by 190 mm.
    assert pairs == {
        (0, 3): pytest.approx(250),
        (9, 6): pytest.approx(250),
        (0, 9): pytest.approx(190),
        (3, 6): pytest.approx(190),
        (0, 6): pytest.approx(314.0064, abs=1e-3),
        (3, 9): pytest.approx(314.0064, abs=1e-3),
    }
    words = [note.words for note in reference_notes(reference_object(layout), pieces=2)]
    assert any("stiff, waterproof board" in note for note in words)
    assert "Check it after gluing" in words


def test_reference_with_two_tags_has_one_length_to_measure() -> None:
    layout = load_reference("card-80x50")
    two = replace(layout, tags=layout.tags[:2])
    assert [length for _, _, length in distances_to_measure(two)] == [60.0]


def test_notes_that_find_no_room_get_a_page_of_their_own() -> None:
    layout = _grid_frame(60.0, 3, 4, window=False)
    pages = reference_pages(layout, PAPERS["a4"], MADE_ON)
    titles = [page.items[0].words for page in pages if isinstance(page.items[0], Text)]
    assert titles == ["own", "Notes"]


@pytest.mark.parametrize("paper", list(PAPERS))
@pytest.mark.parametrize("name", ["frame-280x220", "frame-180x250", "card-80x50"])
def test_no_line_of_text_runs_off_the_page(name: str, paper: str) -> None:
    for page in reference_pages(load_reference(name), PAPERS[paper], MADE_ON):
        for text in (item for item in page.items if isinstance(item, Text) and not item.upwards):
            length = width_mm(text.words, text.size_pt, text.bold)
            start = text.at_mm[0] - {"start": 0.0, "middle": length / 2, "end": length}[text.anchor]
            assert start >= 5.0
            assert start + length <= page.width_mm - 5.0


def _card(**changes: Any) -> ReferenceLayout:
    return replace(load_reference("card-80x50"), **changes)


@pytest.mark.parametrize(
    ("layout", "message"),
    [
        (_card(outline_mm=((-7, -7), (67, -7), (67, 37), (-7, 37))), "tag 20 does not lie on the printed area"),
        (_card(window_mm=((-2, 5), (62, 5), (62, 25), (-2, 25))), "tag 20 does not lie on the printed area"),
        (_card(outline_mm=((-10, -10), (70, 40), (70, -10), (-10, 40))), "crosses itself"),
        (_card(outline_mm=((-10, -10), (70, -10))), "at least three corners"),
        (_card(outline_mm=((-10, -10), (70_000, -10), (70_000, 40), (-10, 40))), "lengths must be in mm"),
    ],
    ids=["no white margin", "window cuts tags", "crossing outline", "two corners", "70 m"],
)
def test_reference_that_cannot_be_printed_is_refused_with_the_reason(layout: ReferenceLayout, message: str) -> None:
    with pytest.raises(SettingsProblem, match=message):
        reference_object(layout)


def test_tags_that_overlap_are_refused() -> None:
    layout = load_reference("card-80x50")
    close = replace(layout.tags[1], centre_mm=(5.0, 0.0))
    with pytest.raises(SettingsProblem, match="overlap"):
        reference_object(replace(layout, tags=(layout.tags[0], close, *layout.tags[2:]), grey_patches=()))


def test_tag_wider_than_the_paper_is_refused_with_advice() -> None:
    layout = parse_reference(
        {
            "name": "huge",
            "family": "apriltag-36h11",
            "outline_mm": [[-200, -200], [600, -200], [600, 200], [-200, 200]],
            "tags": [{"id": n, "side_mm": 300, "centre_mm": [400 * n, 0]} for n in (0, 1)],
            "print_check_mm": {"between_tag_centres": [0, 1], "length": 400},
        },
        source="huge.json",
    )
    with pytest.raises(SettingsProblem, match="Use larger paper"):
        reference_pages(layout, PAPERS["a4"], MADE_ON)


@pytest.mark.parametrize("room_mm", [40.0, 83.0, 200.0])
def test_command_to_type_stays_on_one_line(room_mm: float) -> None:
    command = "fragarea print-check frame-280x220 250.5 250.0 250.5"
    items, left_over = flow([Note(command, "command")], box(0, 0, room_mm, 20), 8.5)
    assert [item.words for item in items if isinstance(item, Text)] == [command]
    assert left_over == ()


def test_heading_is_not_left_alone_at_the_foot_of_a_column() -> None:
    notes = [Note("first"), Note("Heading", "heading"), Note("second")]
    items, left_over = flow(notes, box(0, 0, 80, 10), 8.5)
    assert [item.words for item in items if isinstance(item, Text)] == ["first"]
    assert left_over == tuple(notes[1:])
