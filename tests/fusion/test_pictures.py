"""Pictures of pads: drawn pads whose truth is known, and the files of the command."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from matplotlib.collections import PolyCollection
from PIL import Image as PillowImage

from fragarea.errors import SettingsProblem
from fragarea.fusion import FusionRules, PadHistory, PadVisit, PairState, history_of
from fragarea.fusion_view import FusionView
from fragarea.pad_pictures import picture_files, picture_png, picture_stems
from fragarea.report.pad_graph import EDGE_LOOKS, draw_edge, draw_pad_graph
from fragarea.report.pad_plot import progress_figure
from fragarea.report.pad_shots import GREY, PadShot, PadView, frame_of
from fragarea.report.pad_strip import STYLES, columns_of, draw_pad_strip, looks_of, patch_looks
from fragarea.report.plots import png_bytes, svg_bytes
from fragarea.report.strokes import Image, circle, draw_lines
from fragarea.weekly.pads import STRIP_BYTES, pictures_of, shown_first
from tests.cli.samples import run
from tests.fusion.pads import disc, hexagonal, photo_of, split, visit
from tests.fusion.test_view import PAD, nursery  # noqa: F401

GONE = PadShot(None, None, why_not="the photo is not there any more")
CENTRES = hexagonal(30.0)


def gone(_visit: PadVisit) -> PadShot:
    return GONE


def discs(
    radius_mm: float, months: float = 0.0, *, turn_deg: float = 0.0, genotypes: list[str] | None = None
) -> PadVisit:
    """Ten discs of one radius, on a pad that lies turned in its frame."""
    live = shapely.union_all([disc(centre, radius_mm) for centre in CENTRES])
    shares = split(live, CENTRES)
    turned = [shapely.affinity.rotate(share, turn_deg, origin=(0, 0)) for share in shares]
    centres = [
        shapely.affinity.rotate(shapely.Point(centre), turn_deg, origin=(0, 0)).coords[0] for centre in CENTRES
    ]
    photo = photo_of(turned, centres, months=months, sha256=f"{radius_mm}{months}", genotypes=genotypes)
    return visit(photo, FusionRules(draws=4), with_outlines=True)


def pad_of(*visits: PadVisit, site: str = "PAD") -> PadHistory:
    return history_of(site, [replace(one, site=site) for one in visits], FusionRules(draws=4))


@pytest.fixture(scope="module")
def grown() -> PadHistory:
    return pad_of(discs(10.0), discs(14.0, 6, turn_deg=20), discs(16.0, 12, turn_deg=-35))


# -- strip ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("count", "across"), [(1, 1), (3, 3), (4, 4), (5, 3), (6, 3), (7, 4), (9, 3), (12, 4)])
def test_rows_of_a_strip_are_as_even_as_can_be(count: int, across: int) -> None:
    assert columns_of(count) == across


def test_turned_visits_come_to_lie_over_the_first(grown: PadHistory) -> None:
    frame = frame_of(grown)
    views = [PadView(frame, one, 4.0) for one in grown.visits]
    plugs = [view.points_px(np.array([one.centre_mm for one in view.visit.fragments])) for view in views]
    # exact geometry: a turned pad turned back; a hundredth of a pixel is far below what is drawn
    assert np.abs(plugs[1] - plugs[0]).max() < 0.01
    assert np.abs(plugs[2] - plugs[0]).max() < 0.01


def test_a_photo_is_turned_onto_the_first_visit(grown: PadHistory) -> None:
    """A photo with a bright spot at one plug: the spot lies at that plug in the picture too."""
    turned = grown.visits[1]
    shift = 200.0  # of the photo's pixels, so that the turned pad lies inside it
    pixels = np.zeros((1000, 1000, 3), np.uint8)
    x_mm, y_mm = turned.fragments[3].centre_mm
    at = np.rint(np.array([x_mm, y_mm]) * 5 + shift).astype(int)
    pixels[at[1] - 8 : at[1] + 9, at[0] - 8 : at[0] + 9] = 255
    shot = PadShot(pixels, lambda points, _height: np.asarray(points) * 5 + shift)
    view = PadView(frame_of(grown), turned, 4.0)
    bright = np.argwhere(view.picture(shot)[..., 0] > 200)
    expected = view.plugs_px()[turned.fragments[3].fragment]
    assert bright.mean(axis=0)[::-1] == pytest.approx(expected, abs=0.7)  # the spot was put on whole pixels


def test_a_strip_shows_every_visit_at_one_scale(grown: PadHistory) -> None:
    frame = frame_of(grown)
    wide, high = frame.size_px(frame.px_per_mm(300))
    assert max(wide, high) == 300
    strip = draw_pad_strip(grown, gone, panel_px=300)
    grey = (strip == GREY).all(axis=2)
    columns = np.flatnonzero(grey.sum(axis=0) > 20)
    starts = columns[np.flatnonzero(np.diff(columns, prepend=-9) > 4)]
    assert len(starts) == 3
    assert len(set(np.diff(starts))) == 1
    assert strip.shape[1] == pytest.approx(3 * wide, rel=0.05)


def test_a_strip_of_many_visits_keeps_the_first_and_the_last_and_says_so() -> None:
    many = pad_of(*(discs(8.0 + number / 4, number) for number in range(15)))
    shown: list[str] = []

    def noted(one: PadVisit) -> PadShot:
        shown.append(str(one.day))
        return GONE

    draw_pad_strip(many, noted, panel_px=120, most_visits=6)
    assert len(shown) == 6
    assert (shown[0], shown[-1]) == (str(many.visits[0].day), str(many.visits[-1].day))


def test_neighbouring_patches_never_share_a_line_style(grown: PadHistory) -> None:
    looks = looks_of(grown)
    for one in grown.visits:
        styles = patch_looks(one, looks)
        patch_of = {fragment.fragment: fragment.patch for fragment in one.fragments}
        for pair in one.pairs:
            a, b = patch_of[pair.fragment_a], patch_of[pair.fragment_b]
            assert a == b or styles[a].name != styles[b].name


def test_a_patch_keeps_its_look_until_it_fuses(grown: PadHistory) -> None:
    looks = looks_of(grown)
    by_fragment = [
        {patch.fragments: patch_looks(one, looks)[patch.number] for patch in one.patches} for one in grown.visits[:2]
    ]
    assert by_fragment[0] == by_fragment[1]


def test_line_styles_differ_in_grey() -> None:
    """All in one white on one grey ground: the bright runs along the line tell them apart."""
    shares, strokes = [], []
    for style in STYLES:
        canvas: Image = np.full((220, 220, 3), 128, np.uint8)
        draw_lines(canvas, [circle((110, 110), 90)], replace(style, colour=(255, 255, 255)), width_px=4)
        turn = np.linspace(0, 2 * np.pi, 2000, endpoint=False)
        x, y = (np.rint(110 + 90 * part).astype(int) for part in (np.cos(turn), np.sin(turn)))
        bright = canvas[y, x, 0] > 128
        ends = np.flatnonzero(np.diff(np.roll(bright, -int(np.argmin(bright))).astype(int)))
        lengths = np.diff(ends)[::2] * 2 * np.pi * 90 / 2000 / 4
        shares.append(float(bright.mean()))
        strokes.append(lengths)  # in line widths
    solid, dashed, dotted, mixed = strokes
    assert shares[0] == 1.0
    assert len(solid) == 0
    assert max(shares[1:]) < 0.85
    assert dashed.min() > 2 * dotted.max()  # every dash is twice as long as any dot
    assert mixed.max() > 3 * mixed.min()  # long and short ones in turn
    # strokes of one kind differ by what whole pixels make of them: one of some six at a dot
    assert dashed.max() < 1.5 * dashed.min()
    assert dotted.max() < 2 * dotted.min()


def test_a_strip_has_the_same_bytes_every_time(grown: PadHistory) -> None:
    one, other = (picture_png(draw_pad_strip(grown, gone, panel_px=150)) for _ in range(2))
    assert one == other
    assert PillowImage.open(io.BytesIO(one)).format == "PNG"


def test_a_pad_of_one_plug_and_one_visit_has_a_strip() -> None:
    live = split(disc((0.0, 0.0), 9.0), [(0.0, 0.0)])
    lone = visit(photo_of(live, [(0.0, 0.0)]), FusionRules(draws=4), with_outlines=True)
    strip = draw_pad_strip(pad_of(lone, site="L'été 🐚"), gone, panel_px=200)
    assert strip.shape[1] > 150


# -- graph ----------------------------------------------------------------------------------------------------------


def test_the_graph_tells_states_by_line_without_colour() -> None:
    """All in one white on grey, along and across the edge: dots, dashes, a thick line, and a line that leaves it."""
    looks = {}
    for state, look in EDGE_LOOKS.items():
        canvas: Image = np.full((60, 400, 3), 128, np.uint8)
        draw_edge(canvas, np.array([[10.0, 30.0], [390.0, 30.0]]), replace(look, colour=(255, 255, 255)), 4.0)
        bright = canvas[..., 0] > 200
        looks[state] = (bright[30, 12:388].mean(), np.ptp(np.flatnonzero(bright.any(axis=1))) + 1)
    along, across = ({state: look[part] for state, look in looks.items()} for part in (0, 1))
    assert along[PairState.FUSED] == 1.0
    assert along[PairState.APART] < 0.5 < along[PairState.CONTACT] < 0.9
    assert across[PairState.FUSED] > 1.5 * across[PairState.CONTACT] > across[PairState.APART]
    assert across[PairState.BORDER] > 1.4 * across[PairState.FUSED]
    assert along[PairState.BORDER] < 0.8  # it swings off the straight line


def test_the_graph_has_an_edge_for_every_pair_between_its_plugs() -> None:
    genotypes = ["A"] * 5 + ["B"] * 5
    pad = pad_of(discs(10.0, genotypes=genotypes), discs(15.6, 8, turn_deg=30, genotypes=genotypes))
    picture = draw_pad_graph(pad, gone, longest_px=900)
    frame = frame_of(pad)
    view = PadView(frame, pad.visits[-1], frame.px_per_mm(900))
    plugs, states = view.plugs_px(), {pair.state for pair in pad.visits[-1].pairs}
    assert states == {PairState.FUSED, PairState.BORDER}  # discs of 15.6 mm at 30 mm overlap
    top = int(np.flatnonzero((picture[:, 0] == GREY).all(axis=1))[0])
    colours = {state: np.array(EDGE_LOOKS[state].colour) for state in states}
    for pair in pad.visits[-1].pairs:
        middle = (plugs[pair.fragment_a] + 2 * plugs[pair.fragment_b]) / 3 + (0, top)
        x, y = np.rint(middle).astype(int)
        near = picture[y - 9 : y + 10, x - 9 : x + 10].astype(int)
        assert (np.abs(near - colours[pair.state]).sum(axis=2) < 30).any(), pair.names


def test_the_graph_and_the_curves_have_the_same_bytes_every_time(grown: PadHistory) -> None:
    for draw in (
        lambda: picture_png(draw_pad_graph(grown, gone, longest_px=300)),
        lambda: png_bytes(progress_figure(grown)),
        lambda: svg_bytes(progress_figure(grown)),
    ):
        assert draw() == draw()


# -- curves ---------------------------------------------------------------------------------------------------------


def test_curves_show_the_figures_of_every_visit(grown: PadHistory) -> None:
    drawn = [place.lines[0].get_ydata() for place in progress_figure(grown).axes]
    far = [one.progress for one in grown.visits]
    assert drawn[0] == pytest.approx([100 * one.fused_share.value for one in far])
    assert drawn[0][-1] == 100.0  # discs of 16 mm at 30 mm overlap
    assert drawn[1] == pytest.approx([100 * one.largest_share.value for one in far])
    # exact geometry: discs of 10 mm cover no other's ground
    assert drawn[1][0] == pytest.approx(10.0, abs=0.01)
    assert drawn[2] == pytest.approx([100 * one.bare_share.value for one in far])


def test_bands_reach_from_low_to_high(grown: PadHistory) -> None:
    (band,) = [part for part in progress_figure(grown).axes[2].collections if isinstance(part, PolyCollection)][:1]
    heights = band.get_paths()[0].vertices[:, 1]
    shares = [one.progress.bare_share for one in grown.visits]
    assert heights.min() == pytest.approx(100 * min(one.low for one in shares))
    assert heights.max() == pytest.approx(100 * max(one.high for one in shares))


def test_a_single_visit_and_a_pad_that_cannot_fuse_have_curves() -> None:
    live = split(disc((0.0, 0.0), 9.0), [(0.0, 0.0)])
    lone = visit(photo_of(live, [(0.0, 0.0)]), FusionRules(draws=4), with_outlines=True)
    figure = progress_figure(pad_of(lone, site="$x^2$ <b>"))
    assert "none" in figure.axes[0].get_title(loc="left")
    assert b"<svg" in svg_bytes(figure)


# -- weekly report --------------------------------------------------------------------------------------------------


def test_pads_that_went_backwards_are_shown_first_and_no_more_than_have_room(grown: PadHistory) -> None:
    ahead = [PadHistory(f"PAD-{number}", grown.visits) for number in range(1, 7)]
    died = pad_of(discs(16.0), discs(14.0, 6), site="PAD-9")
    assert died.visits[1].setbacks
    view = FusionView((*ahead, died), (), FusionRules(), ())
    assert shown_first(view) == ["PAD-9", "PAD-1", "PAD-2", "PAD-3"]


def test_a_strip_for_the_page_has_room_whatever_the_photos_show(grown: PadHistory) -> None:
    rng = np.random.default_rng(1)  # noise: what JPEG packs worst
    pixels = rng.integers(0, 256, (1200, 1200, 3), dtype=np.uint8)
    shot = PadShot(pixels, lambda points, _height: np.asarray(points) * 8 + 300)
    many = PadHistory("PAD", tuple(replace(discs(10.0, number), setbacks=()) for number in range(8)))
    assert len(pictures_of(many, lambda _visit: shot, 1).strip) <= STRIP_BYTES


# -- files ----------------------------------------------------------------------------------------------------------


def test_sites_with_alike_names_have_files_of_their_own() -> None:
    stems = picture_stems(["PAD 1", "pad-1", "../PAD/1", "Récif de l'été", "   "])
    assert len({stem.casefold() for stem in stems.values()}) == 5
    assert not any(set(stem) & set("/\\:*?\"<>| '") or stem.startswith(".") for stem in stems.values())


def test_a_picture_is_not_overwritten_without_asking(tmp_path: Path) -> None:
    (old,) = picture_files(tmp_path, ["PAD 1"], replace=False)["PAD 1"][:1]
    old.write_bytes(b"x")
    with pytest.raises(SettingsProblem, match=r"PAD-1-strip\.png exists\. Give --replace"):
        picture_files(tmp_path, ["PAD 1"], replace=False)
    assert picture_files(tmp_path, ["PAD 1"], replace=True)
    with pytest.raises(SettingsProblem, match=r"this is a file\. Give a folder"):
        picture_files(old, ["PAD 1"], replace=True)


def test_the_command_writes_pictures_of_pads_whose_photos_are_gone(nursery: Path, tmp_path: Path) -> None:  # noqa: F811
    folder = tmp_path / "bilder für PAD"
    result = run("fusion", nursery, "--site", PAD, "--pictures", folder)
    assert result.exit_code == 0, result.output
    strip = folder / "Pad-à-l-été-strip.png"
    names = {f"Pad-à-l-été-{name}" for name in ("strip.png", "graph.png", "progress.png", "progress.svg")}
    assert {path.name for path in folder.iterdir()} == names
    assert all(f"wrote {folder / name}" in result.output.replace("\n", "") for name in names)
    pixels = np.asarray(PillowImage.open(strip))
    assert (pixels == GREY).all(axis=2).mean() > 0.2
    again = run("fusion", nursery, "--site", PAD, "--pictures", folder)
    assert again.exit_code != 0
    assert "Give --replace" in again.output.replace("\n", " ")
