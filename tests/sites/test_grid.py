import numpy as np
import pytest

from fragarea.sites.grid import (
    Lattice,
    assign_cells,
    fit_lattice,
    place_grid,
    refine_lattice,
    without_stray_edges,
)

MIDDLE, HALF = (125.0, 95.0), (111.0, 81.0)


def grid_points(rows, columns, pitch_mm=27.0, turn_deg=0.0, origin=(30.0, 40.0)):
    turn = np.radians(turn_deg)
    lattice = Lattice(np.array(origin), pitch_mm, float(turn))
    cells = np.array([(c, r) for r in range(rows) for c in range(columns)])
    return lattice.to_mm(cells), cells


@pytest.mark.parametrize("turn_deg", [-15.0, -4.0, 0.0, 8.0, 15.0])
@pytest.mark.parametrize("pitch_mm", [25.4, 27.0, 38.0])
def test_pitch_and_turn_come_out_of_the_middles_alone(turn_deg, pitch_mm):
    points, _ = grid_points(4, 5, pitch_mm, turn_deg)
    noisy = points + np.random.default_rng(1).uniform(-0.3, 0.3, points.shape)
    lattice = fit_lattice(noisy, np.ones(len(noisy)), plug_mm=25.0)
    # exact geometry; middles off by 0.3 mm over a grid of 100 mm: 0.1 mm of pitch, 0.3 degrees of turn
    assert lattice.pitch_mm == pytest.approx(pitch_mm, abs=0.1)
    assert np.degrees(lattice.turn_rad) == pytest.approx(turn_deg, abs=0.3)


def test_cells_and_millimetres_are_inverse():
    lattice = Lattice(np.array([30.0, 40.0]), 27.0, 0.2)
    cells = np.array([(0, 0), (3, 1), (-2, 5)])
    assert lattice.to_cells(lattice.to_mm(cells)) == pytest.approx(cells, abs=1e-12)


def test_twice_the_pitch_is_taken_where_every_second_position_is_all_there_is():
    # Every grid of 54 mm is also one of 27 mm; the one without empty positions is meant.
    points, _ = grid_points(3, 4, 54.0)
    assert fit_lattice(points, np.ones(len(points)), plug_mm=25.0).pitch_mm == pytest.approx(54.0, abs=0.1)


def test_given_pitch_finds_the_grid_of_three_plugs_far_apart():
    points, _ = grid_points(4, 6, 27.0, 5.0)
    few = points[[0, 8, 21]]
    lattice = fit_lattice(few, np.ones(3), plug_mm=25.0, pitch_mm=27.0)
    places = lattice.to_cells(few)
    assert np.abs(places - np.round(places)).max() < 0.05
    assert np.round(places[1] - places[0]).astype(int).tolist() == [2, 1]


def test_one_plug_gives_a_grid_only_with_a_pitch():
    assert fit_lattice([(50.0, 50.0)], [1.0], plug_mm=25.0) is None
    assert fit_lattice([], [], plug_mm=25.0, pitch_mm=27.0) is None
    assert fit_lattice([(50.0, 50.0)], [1.0], plug_mm=25.0, pitch_mm=27.0).pitch_mm == 27.0


def test_disc_between_positions_is_left_out_and_the_surer_of_two_wins():
    points, cells = grid_points(3, 3)
    between = points[0] + (13.5, 0.0)
    rival = points[4] + (1.0, 0.0)
    chosen, where = assign_cells(
        Lattice(points[0], 27.0, 0.0), np.vstack([points, between, rival]), [*[1.0] * 9, 2.0, 0.5]
    )
    assert chosen.tolist() == list(range(9))
    assert where.tolist() == cells.tolist()


def test_refining_moves_a_nearly_right_grid_onto_the_discs():
    points, _ = grid_points(4, 6, 27.0, 3.0)
    start = Lattice(points[0] + 1.0, 26.6, np.radians(2.0))
    lattice = refine_lattice(start, points, np.ones(len(points)))
    assert lattice.pitch_mm == pytest.approx(27.0, abs=1e-9)
    assert np.degrees(lattice.turn_rad) == pytest.approx(3.0, abs=1e-9)


def placed(cells, *, rows=None, columns=None, middle=MIDDLE, half=HALF, origin=(30.5, 41.0)):
    lattice = Lattice(np.array(origin), 27.0, 0.0)
    return place_grid(lattice, cells, columns=columns, rows=rows, middle_mm=middle, half_size_mm=half)


def all_cells(rows, columns):
    return np.array([(c, r) for r in range(rows) for c in range(columns)])


def test_without_description_the_tray_is_the_box_of_its_plugs():
    extent = placed(all_cells(5, 8) + np.array([2, -1]))
    assert (extent.first_column, extent.first_row) == (2, -1)
    assert (extent.columns, extent.rows, extent.unsure) == (8, 5, "")


def test_outer_column_of_one_plug_leaves_a_doubt_without_description():
    cells = np.vstack([all_cells(5, 7), (7, 2)])
    assert "last column holds 1 of 5" in placed(cells).unsure


def test_described_tray_with_an_empty_outer_column_is_placed_by_the_room_in_the_frame():
    # Eight columns of 27 mm fit into 222 mm in one way only: columns seen at 57.5 mm and beyond are 2 to 8.
    cells = all_cells(5, 8)
    extent = placed(cells[cells[:, 0] > 0], rows=5, columns=8)
    assert (extent.first_column, extent.columns, extent.unsure) == (0, 8, "")


def test_described_tray_with_an_empty_outer_row_is_placed_by_the_middle_or_doubted():
    cells = all_cells(4, 8)
    # Five rows, four seen with their middle on the opening's middle: as likely one above as one below.
    extent = placed(cells, rows=5, columns=8, origin=(30.5, 95.0 - 1.5 * 27.0))
    assert "only 4 of 5 rows" in extent.unsure


def test_more_columns_than_described_keep_the_block_with_most_plugs_and_a_doubt():
    cells = np.vstack([all_cells(5, 8), (8, 2)])
    extent = placed(cells, rows=5, columns=8)
    assert (extent.first_column, extent.columns) == (0, 8)
    assert "9 columns seen, 8 described" in extent.unsure


def test_tray_turned_by_a_quarter_is_counted_along_the_reference_and_doubted():
    extent = placed(all_cells(8, 5), rows=5, columns=8, half=(200.0, 200.0))
    assert (extent.columns, extent.rows) == (5, 8)
    assert "quarter" in extent.unsure


def test_off_a_frame_missing_columns_are_doubted():
    extent = placed(all_cells(5, 6), rows=5, columns=8, middle=None, half=None)
    assert "only 6 of 8 columns" in extent.unsure


def test_stray_disc_beyond_the_tray_adds_no_column():
    cells = np.vstack([all_cells(5, 7), (7, 2)])
    clear = np.array([True] * 35 + [False])
    assert without_stray_edges(cells, clear)[:, 0].max() == 6
    # A clear plug there is a plug.
    assert without_stray_edges(cells, np.ones(36, bool))[:, 0].max() == 7
    # So is a full column of unclear ones.
    full = np.vstack([all_cells(5, 7), [(7, r) for r in range(5)]])
    assert without_stray_edges(full, np.array([True] * 35 + [False] * 5))[:, 0].max() == 7
