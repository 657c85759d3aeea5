from dataclasses import replace

import cv2
import numpy as np
import pytest

from benchmarks.plugs import perturbed
from benchmarks.truth import ABSENT, SHARED_PHOTOS, true_photos
from fragarea.reference.layout import load_reference
from fragarea.sites import SiteDescription, SiteKind, find_plugs
from tests.sites.drawn import ALGAE, SIZE, Disc, Drawing, camera, draw, tray

TRAY = SiteDescription(SiteKind.TRAY)


def seen(discs, *, site=TRAY, pose=None, **options):
    drawing = Drawing(pose or camera(), tuple(discs), **options)
    return find_plugs(draw(drawing), drawing.pose, drawing.layout, site)


def wrong_positions(view, plugs):
    """Positions whose plug is not the one drawn there, or whose emptiness is wrong."""
    wrong = []
    for plug in view.plugs:
        disc = plugs.get(plug.position)
        right = disc is None and not plug.present
        if disc is not None:
            right = plug.present and np.hypot(plug.centre_mm[0] - disc.x_mm, plug.centre_mm[1] - disc.y_mm) < 0.5
        if not right:
            wrong.append(plug.position)
    return wrong


def on_plane(view, pose, height_mm):
    """The view with its plugs where their lines of sight meet the true plug tops: the height told is judged apart."""
    middles = pose.to_plane(pose.project([p.centre_mm for p in view.plugs], view.plug_top_mm), height_mm)
    plugs = [replace(plug, centre_mm=(float(x), float(y))) for plug, (x, y) in zip(view.plugs, middles, strict=True)]
    return replace(view, plugs=tuple(plugs))


@pytest.mark.parametrize("turn_deg", [-14.0, 0.0, 6.0])
def test_turned_tray_with_empty_positions_is_read_row_by_row(turn_deg):
    plugs = tray(4, 6, turn_deg=turn_deg, empty=((2, 3), (1, 6), (4, 1)))
    view = seen(plugs.values(), grating_mm=14.0)
    assert [p.position for p in view.plugs] == [(r, c) for r in range(1, 5) for c in range(1, 7)]
    assert wrong_positions(view, plugs) == []
    assert view.doubts == ()
    missing = next(p for p in view.plugs if p.position == (2, 3))
    assert missing.rim is None
    assert missing.doubts == ()


def test_described_tray_with_an_empty_outer_row_is_counted_from_the_frame():
    # Six rows of 27 mm and a plug fill the opening's 162 mm but for 2 mm: there is one way to lie.
    plugs = tray(6, 7, empty=tuple((6, c) for c in range(1, 8)))
    view = seen(plugs.values(), site=SiteDescription(SiteKind.TRAY, rows=6, columns=7, pitch_mm=27.0))
    assert len(view.plugs) == 42
    assert wrong_positions(view, plugs) == []
    assert view.doubts == ()


def test_empty_outer_row_of_a_small_described_tray_is_doubted():
    plugs = tray(4, 5, empty=tuple((4, c) for c in range(1, 6)))
    shifted = [Disc(d.x_mm, d.y_mm + 13.5, colour=d.colour) for d in plugs.values()]
    view = seen(shifted, site=SiteDescription(SiteKind.TRAY, rows=4, columns=5))
    assert "grid_unsure" in [d.key for d in view.doubts]
    assert len(view.plugs) == 20


def test_false_disc_between_the_plugs_is_no_plug():
    plugs = tray(4, 5, pitch_mm=38.0)
    view = seen([*plugs.values(), Disc(125 + 19, 95 + 19, 12.5)])
    assert len(view.plugs) == 20
    assert wrong_positions(view, plugs) == []


def test_shifted_plug_keeps_its_position():
    plugs = tray(4, 5, pitch_mm=30.0)
    moved = plugs[2, 3]
    plugs[2, 3] = Disc(moved.x_mm + 3.0, moved.y_mm - 2.0, colour=moved.colour)
    view = seen(plugs.values())
    assert wrong_positions(view, plugs) == []


def test_tilted_plug_is_doubted_and_the_others_are_not():
    plugs = tray(4, 5)
    tilted = plugs[3, 2]
    # exact geometry: cos(22 degrees) = 0.927 as wide as long
    plugs[3, 2] = Disc(tilted.x_mm, tilted.y_mm, colour=(0.75, 0.72, 0.65), squeeze=0.927, squeeze_deg=35.0)
    view = seen(plugs.values(), pose=camera(fov_mm=220.0))
    doubted = [p.position for p in view.plugs if any(d.key == "plug_tilted" for d in p.doubts)]
    assert doubted == [(3, 2)]


def test_tray_of_few_plugs_is_read_but_doubted():
    view = seen([Disc(60, 60), Disc(87, 60), Disc(60, 114)])
    assert [p.position for p in view.plugs if p.present] == [(1, 1), (1, 2), (3, 1)]
    assert "grid_unsure" in [d.key for d in view.doubts]


def test_bare_frame_has_no_plugs_and_says_so():
    view = seen([])
    assert view.plugs == ()
    assert [d.key for d in view.doubts] == ["grid_unsure"]


@pytest.mark.parametrize("height_mm", [-7.0, 9.0])
def test_height_of_plug_tops_comes_from_the_rims(height_mm):
    plugs = {k: Disc(d.x_mm, d.y_mm, tissue_radius_mm=5) for k, d in tray(4, 5).items()}
    pose = camera(height_mm=300.0, fov_mm=220.0)
    view = seen(plugs.values(), height_mm=height_mm, pose=pose)
    assert view.plug_top_source == "rims"
    assert abs(view.plug_top_mm - height_mm) < 2 * view.plug_top_u_mm
    assert view.plug_top_u_mm < 2.0
    assert "offset_from_rims" in [d.key for d in view.doubts]
    assert wrong_positions(on_plane(view, pose, height_mm), plugs) == []


def test_given_height_is_used_and_the_rims_agree():
    plugs = tray(4, 5)
    site = SiteDescription(SiteKind.TRAY, reference_offset_mm=6.0)
    view = seen(plugs.values(), site=site, height_mm=6.0, pose=camera(fov_mm=220.0))
    assert (view.plug_top_mm, view.plug_top_source) == (6.0, "given")
    assert view.rim_scale == pytest.approx(1.0, abs=2 * view.rim_scale_u)
    assert wrong_positions(view, plugs) == []


def test_single_plug_beside_the_card_is_found_and_soft_stains_are_not():
    card = load_reference("card-80x50")
    pose = camera()
    drawing = Drawing(pose, (Disc(120, 60, colour=ALGAE),), layout=card, ground=(0.2, 0.2, 0.2))
    photo = draw(drawing)
    y, x = np.mgrid[0 : SIZE[1], 0 : SIZE[0]]
    stain = pose.project([(190, 120)], 0.0)[0]
    photo = (photo * (1 - 0.5 * np.exp(-0.5 * (np.hypot(x - stain[0], y - stain[1]) / 30) ** 2))[:, :, None]).astype(
        np.uint8
    )
    view = find_plugs(photo, pose, card, SiteDescription(SiteKind.SINGLE, reference="card-80x50"))
    (plug,) = view.plugs
    assert plug.centre_mm == pytest.approx((120, 60), abs=0.3)
    assert (plug.position, plug.in_view, plug.present) == (None, 1.0, True)


def test_single_plug_at_the_edge_of_the_photo_is_cut_off():
    card = load_reference("card-80x50")
    pose = camera(turn_deg=0.0, tilt_deg=0.0, fov_mm=200.0)
    edge = pose.to_plane([(SIZE[0] - 1, SIZE[1] / 2)], 0.0)[0]
    # exact geometry: a circle's segment beyond 6 mm from its middle
    far = 6.0 / 12.5
    share = 1 - (np.arccos(far) - far * np.sqrt(1 - far**2)) / np.pi
    view = seen(
        [Disc(float(edge[0]) - 6.0, float(edge[1]))], site=SiteDescription(SiteKind.SINGLE), pose=pose, layout=card
    )
    (plug,) = view.plugs
    assert plug.in_view == pytest.approx(share, abs=0.03)
    assert "cut_off" in [d.key for d in plug.doubts]


def test_no_plug_beside_the_card_is_none():
    view = seen([], site=SiteDescription(SiteKind.SINGLE), layout=load_reference("card-80x50"))
    assert view.plugs == ()


PAD = ((95, 66), (125, 66), (155, 67), (80, 92), (110, 93), (141, 92), (170, 91), (97, 119), (126, 120), (156, 119))


def test_pad_without_description_is_labelled_in_reading_order():
    discs = [Disc(x, y, tissue_radius_mm=7) for x, y in reversed(PAD)]
    view = seen(discs, site=SiteDescription(SiteKind.PAD), ground=(0.15, 0.15, 0.15))
    assert [p.label for p in view.plugs] == [str(n) for n in range(1, 11)]
    assert np.abs(np.array([p.centre_mm for p in view.plugs]) - PAD).max() < 0.5
    assert all(p.position is None for p in view.plugs)


def test_described_pad_keeps_its_labels_when_it_is_turned_and_half_overgrown():
    turn = np.radians(8.0)
    spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    own = tuple((f"F{n}", float(x - 125), float(y - 92)) for n, (x, y) in enumerate(PAD))
    truth = np.array([(x, y) for _, x, y in own]) @ spin.T + (122.0, 96.0)
    discs = [Disc(*truth[n], tissue_radius_mm=6) for n in (0, 1, 4, 6, 9)]
    view = seen(discs, site=SiteDescription(SiteKind.PAD, places_mm=own), ground=(0.15, 0.15, 0.15))
    assert [p.label for p in view.plugs] == [label for label, _, _ in own]
    assert np.abs(np.array([p.centre_mm for p in view.plugs]) - truth).max() < 1.0
    assert all(p.present for p in view.plugs)
    assert [p.rim is not None for p in view.plugs] == [n in (0, 1, 4, 6, 9) for n in range(10)]


def test_known_area_sheet_has_no_plugs_and_lies_on_the_reference():
    view = seen([], site=SiteDescription(SiteKind.SHAPES))
    assert (view.plugs, view.plug_top_mm, view.region_mm) == ((), 0.0, (14.0, 14.0, 236.0, 176.0))


DEV = [p for p in true_photos("dev") if p.kind in ("tray", "single")] if SHARED_PHOTOS.is_dir() else []


CASES = [(p, False) for p in DEV] + [(p, True) for p in DEV if p.kind == "tray"]


@pytest.mark.skipif(not DEV, reason=ABSENT)
@pytest.mark.parametrize(
    ("photo", "slightly_wrong"), CASES, ids=[f"{p.path.stem}{'-wrong-pose' if w else ''}" for p, w in CASES]
)
def test_every_plug_of_the_dev_scenes_is_found_in_its_place(photo, slightly_wrong):
    pose = perturbed(photo.pose, np.random.default_rng(5)) if slightly_wrong else photo.pose
    pixels = cv2.cvtColor(cv2.imread(str(photo.path)), cv2.COLOR_BGR2RGB)
    site = SiteDescription(SiteKind(photo.kind), reference=photo.reference)
    view = find_plugs(pixels, pose, load_reference(photo.reference), site)
    # exact geometry: the scenes' own plug positions. 2 mm is the gap between plugs and what a slightly wrong pose may
    # shift; rims that are not overgrown are found better.
    truth = {f.position: f.plug_centre_mm for f in photo.fragments}
    assert {p.position for p in view.plugs if p.present} == set(truth)
    there = on_plane(view, pose, photo.reference_offset_mm)
    off = [float(np.hypot(*np.subtract(p.centre_mm, truth[p.position]))) for p in there.plugs]
    assert max(off) < 2.0
    assert slightly_wrong or np.median(off) < 0.2
    if photo.kind == "tray" and not slightly_wrong:
        assert abs(view.plug_top_mm - photo.reference_offset_mm) < 2 * view.plug_top_u_mm
        told = "offset_from_rims" in [doubt.key for doubt in view.doubts]
        assert told == (photo.reference_offset_mm > 0)
