"""Visits of drawn pads: states, patches and figures that follow from geometry, and intervals that hold the truth."""

import math

import numpy as np
import pytest
import shapely
from shapely import MultiPolygon

from fragarea.fusion import FusionRules, PairState, layouts_of, pack, unpack, visit_of
from fragarea.fusion.edges import WANDER_MM
from tests.fusion.pads import disc, hexagonal, photo_of, split, visit, wavy_disc

SPACING = 30.0
CENTRES = hexagonal(SPACING)


def hexagon_visit(radius_mm, *, plug_mm=25.0, **options):
    live = shapely.union_all([disc(centre, radius_mm) for centre in CENTRES])
    return visit(photo_of(split(live, CENTRES), CENTRES, plug_mm=plug_mm), **options)


def lens_mm2(radius_mm, apart_mm):
    # exact geometry: two circles of one radius
    half = apart_mm / 2
    return 2 * radius_mm**2 * math.acos(half / radius_mm) - apart_mm * math.sqrt(radius_mm**2 - half**2)


def test_discs_apart_are_ten_patches_with_their_gap():
    seen = hexagon_visit(13.0)
    assert {pair.state for pair in seen.pairs} == {PairState.APART}
    assert [pair.gap_mm for pair in seen.pairs] == pytest.approx([4.0] * 19, abs=1e-3)
    assert seen.progress.patches.value == 10
    assert seen.progress.largest_share.value == pytest.approx(0.1, abs=1e-6)
    assert seen.spacing_mm == pytest.approx(SPACING)
    assert not any(one.shared for one in seen.fragments)


def test_pairs_fuse_when_their_chord_reaches_a_millimetre():
    # exact geometry: circles at distance s have a chord of 1 mm at r^2 = s^2 / 4 + 1/4
    closing = math.sqrt(SPACING**2 / 4 + 0.25)
    before, after = hexagon_visit(closing - 1e-3), hexagon_visit(closing + 1e-3)
    assert {pair.state for pair in before.pairs} == {PairState.CONTACT}
    assert before.progress.fused_pairs.value == 0
    assert before.progress.patches.value == 1
    assert {pair.state for pair in after.pairs} == {PairState.FUSED}
    assert after.progress.fused_share.value == 1.0
    assert after.progress.largest_share.value == pytest.approx(1.0)
    assert all(one.shared for one in after.fragments)


def test_a_wider_neck_can_be_asked_for():
    # exact geometry: a chord of 3 mm at r^2 = s^2 / 4 + 9/4
    radius = math.sqrt(SPACING**2 / 4 + 2.25)
    assert hexagon_visit(radius + 1e-3, rules=FusionRules(neck_mm=3.0)).progress.fused_pairs.value == 19
    assert hexagon_visit(radius - 1e-3, rules=FusionRules(neck_mm=3.0)).progress.fused_pairs.value == 0


@pytest.mark.parametrize("radius_mm", [8.0, 14.0, 16.0, 17.0])
def test_bare_ground_is_the_hull_less_the_discs(radius_mm):
    # exact geometry: plugs so large that all tissue lies inside their hull; that covers the polygon of their centres,
    # its perimeter times r, and pi r^2. The discs by inclusion and exclusion over pairs: three of them meet only
    # beyond s / sqrt(3) = 17.32 mm
    plug_mm = 50.0
    seen = hexagon_visit(radius_mm, plug_mm=plug_mm)
    polygon = shapely.convex_hull(shapely.MultiPoint(CENTRES))
    hull = polygon.area + polygon.length * plug_mm / 2 + math.pi * (plug_mm / 2) ** 2
    union = 10 * math.pi * radius_mm**2 - (19 * lens_mm2(radius_mm, SPACING) if radius_mm > SPACING / 2 else 0.0)
    assert seen.progress.hull_mm2 == pytest.approx(hull, rel=1e-3)
    assert seen.progress.live_mm2.value == pytest.approx(union, rel=1e-4)
    assert seen.progress.bare_mm2.value == pytest.approx(seen.progress.hull_mm2 - union, rel=1e-4)
    assert seen.progress.bare_share.value + seen.progress.cover_share.value == pytest.approx(1.0)


def test_gaps_between_three_plugs_close_when_circles_meet_in_the_middle():
    # exact geometry: the middle of three plugs at distance s lies s / sqrt(3) from each
    middle = SPACING / math.sqrt(3)
    holes = []
    for radius in (middle - 0.05, middle + 0.05):
        (patch,) = hexagon_visit(radius, with_outlines=True).patches
        holes.append(sum(len(part.interiors) for part in patch.outline.geoms))
    assert holes == [10, 0]  # 10 triangles in a layout of ten plugs with 19 edges: F = E - n + 1


def test_genotypes_that_meet_have_a_border_and_are_never_fused():
    genotypes = ["red", "red", "blue"] * 3 + ["blue"]
    live = shapely.union_all([disc(centre, 16.5) for centre in CENTRES])
    seen = visit(photo_of(split(live, CENTRES), CENTRES, genotypes=genotypes))
    mixed = [pair for pair in seen.pairs if not pair.one_genotype]
    assert mixed
    assert {pair.state for pair in mixed} == {PairState.BORDER}
    assert all(pair.p_fused == 0 and pair.p_border == 1 for pair in mixed)
    assert {pair.state for pair in seen.pairs if pair.one_genotype} == {PairState.FUSED}
    assert seen.progress.pairs == len(seen.pairs) - len(mixed)
    assert seen.progress.border_pairs == len(mixed)
    for patch in seen.patches:
        assert {one.genotype for one in seen.fragments if one.fragment in patch.fragments} == {patch.genotype}
    # tissue is shared out, none is lost or counted twice
    assert sum(patch.area_mm2 for patch in seen.patches) == pytest.approx(live.area, rel=1e-6)


def test_neighbours_joined_by_a_third_alone_are_one_patch_but_not_fused():
    centres = [(0.0, 0.0), (30.0, 0.0), (15.0, 26.0)]
    live = shapely.union_all([disc(centres[0], 14), disc(centres[1], 14), disc(centres[2], 17)])
    seen = visit(photo_of(split(live, centres), centres))
    states = {pair.names: pair.state for pair in seen.pairs}
    assert states == {
        ("F01", "F02"): PairState.APART,
        ("F01", "F03"): PairState.FUSED,
        ("F02", "F03"): PairState.FUSED,
    }
    assert seen.progress.patches.value == 1


def test_a_patch_that_grows_into_its_neighbours_half_has_not_met_it():
    # measuring cuts the large disc half way to the second plug, 2.5 mm before the small disc begins
    centres = [(0.0, 0.0), (30.0, 0.0)]
    live = shapely.union(disc(centres[0], 20), disc(centres[1], 7.5))
    shares = split(live, centres, reach_mm=12.5)
    assert shares[1].area > disc(centres[1], 7.5).area + 50  # the cut gave the second plug some of the first's tissue
    seen = visit(photo_of(shares, centres))
    (pair,) = seen.pairs
    assert pair.state is PairState.APART
    assert pair.gap_mm == pytest.approx(2.5, abs=1e-3)
    assert [patch.fragments for patch in seen.patches] == [("F01",), ("F02",)]
    assert seen.patches[0].area_mm2 == pytest.approx(disc(centres[0], 20).area)


def test_a_fragment_without_tissue_has_no_gap():
    centres = [(0.0, 0.0), (30.0, 0.0)]
    seen = visit(photo_of([MultiPolygon([disc(centres[0], 10)]), MultiPolygon()], centres))
    (pair,) = seen.pairs
    assert pair.state is PairState.APART
    assert math.isnan(pair.gap_mm)
    assert math.isnan(pair.gap_u_mm)
    assert pair.p_apart == 1.0
    assert [one.patch for one in seen.fragments] == [1, 0]


def test_a_pad_without_any_tissue_is_a_visit_too():
    seen = visit(photo_of([MultiPolygon()] * 3, CENTRES[:3]))
    assert seen.patches == ()
    assert seen.progress.live_mm2.value == 0
    assert math.isnan(seen.progress.largest_share.value)
    assert seen.progress.bare_share.value == 1.0


def test_a_pad_of_one_plug_has_no_pairs():
    seen = visit(photo_of([MultiPolygon([disc((0.0, 0.0), 10)])], [(0.0, 0.0)]), with_outlines=True)
    assert seen.pairs == ()
    assert seen.progress.pairs == 0
    assert math.isnan(seen.progress.fused_share.value)
    # exact geometry: the hull of one plug is the plug
    assert seen.progress.bare_mm2.value == pytest.approx(math.pi * (12.5**2 - 10**2), rel=2e-3)


def test_outlines_are_kept_when_asked_for():
    seen = hexagon_visit(16.0, with_outlines=True)
    (patch,) = seen.patches
    assert patch.outline.area == pytest.approx(patch.area_mm2)
    assert sum(one.outline.area for one in seen.fragments) == pytest.approx(patch.area_mm2)
    assert seen.hull_mm.area == pytest.approx(seen.progress.hull_mm2)
    assert hexagon_visit(16.0).patches[0].outline.is_empty


def test_specks_are_no_patches():
    centres = [(0.0, 0.0), (30.0, 0.0)]
    shares = [MultiPolygon([disc(c, 10), disc((c[0], 12.0), 0.5)]) for c in centres]
    assert visit(photo_of(shares, centres)).progress.patches.value == 2


def test_the_same_photo_gives_the_same_figures_and_other_photos_other_draws():
    shares = split(shapely.union_all([disc(c, 14.9) for c in CENTRES]), CENTRES)
    first, again = (visit(photo_of(shares, CENTRES, sha256="one")) for _ in range(2))
    assert first == again
    other = visit(photo_of(shares, CENTRES, sha256="two"))
    assert other.progress.bare_mm2.value == first.progress.bare_mm2.value
    assert other.progress.bare_mm2.u != first.progress.bare_mm2.u


def test_a_layout_of_other_fragments_is_refused():
    photo = photo_of([MultiPolygon([disc(c, 10)]) for c in CENTRES[:2]], CENTRES[:2])
    (layout,) = layouts_of([{"X": (0.0, 0.0), "Y": (30.0, 0.0)}], 1.35)
    with pytest.raises(ValueError, match="layout is of"):
        visit_of(photo, layout, FusionRules())


@pytest.mark.parametrize("changes", [{"neck_mm": 0.0}, {"contact_mm": -1.0}, {"reach": 0.5}, {"draws": 1}])
def test_impossible_rules_are_refused(changes):
    with pytest.raises(ValueError, match="must"):
        FusionRules(**changes)


# uncertainty


def test_uncertainty_of_a_wide_gap_is_that_of_its_two_edges():
    # law of propagation (JCGM 100:2008, 5.1.2): two edges, each with a shared and a wandering part
    shares = [MultiPolygon([disc(c, 8)]) for c in CENTRES]
    seen = visit(photo_of(shares, CENTRES, edge_u_mm=0.2), FusionRules(draws=2000))
    u = math.sqrt(2 * (0.2**2 + WANDER_MM**2))
    # the facing edges are 14 mm apart, beyond the reach of what wanders along an edge; a finite sum of waves and 2000
    # draws leave some per cent
    assert np.mean([pair.gap_u_mm for pair in seen.pairs]) == pytest.approx(u, rel=0.05)


def test_uncertainty_of_areas_is_the_edge_moved():
    # exact geometry: where the shared part rules, an area has the uncertainty of perimeter times edge
    shares = [MultiPolygon([disc(c, 8)]) for c in CENTRES]
    seen = visit(photo_of(shares, CENTRES, edge_u_mm=0.5), FusionRules(draws=2000))
    u = 2 * math.pi * 8 * 0.5
    assert seen.patches[0].area_u_mm2 == pytest.approx(u, rel=0.1)
    assert seen.progress.live_mm2.u == pytest.approx(u * math.sqrt(10), rel=0.1)
    assert seen.progress.bare_mm2.u == pytest.approx(u * math.sqrt(10), rel=0.1)


def test_an_error_of_the_scale_moves_all_areas_alike():
    photo = photo_of([MultiPolygon([disc(c, 8)]) for c in CENTRES], CENTRES, edge_u_mm=0.0)
    sure = visit(photo, FusionRules(draws=2000))
    scaled = type(photo)(**{**vars(photo), "area_u_rel": 0.02})
    seen = visit(scaled, FusionRules(draws=2000))
    assert seen.progress.bare_mm2.u == pytest.approx(0.02 * seen.progress.bare_mm2.value, rel=0.1)
    assert seen.progress.bare_share.u == pytest.approx(sure.progress.bare_share.u)  # hull and tissue grow together


def test_intervals_hold_the_truth_as_often_as_they_say():
    # coverage: pads drawn with errors as stated, by another way of drawing them (Cholesky along each edge). 240 gaps
    # and 60 areas: 95 % less four standard deviations of a share of that many
    rng = np.random.default_rng(11)
    inside_gap, inside_bare = [], []
    for number in range(60):
        radii = rng.uniform(10, 14.5, 4)
        centres = [(0.0, 0.0), (30.0, 0.0), (0.0, 30.0), (30.0, 30.0)]
        exact = [MultiPolygon([disc(c, r)]) for c, r in zip(centres, radii, strict=True)]
        drawn = [wavy_disc(c, r, rng.normal(0, 0.1), WANDER_MM, rng) for c, r in zip(centres, radii, strict=True)]
        true = visit(photo_of(exact, centres))
        seen = visit(photo_of(drawn, centres, edge_u_mm=0.1, sha256=str(number)))
        for pair, said in zip(true.pairs, seen.pairs, strict=True):
            inside_gap.append(abs(pair.gap_mm - said.gap_mm) <= 1.96 * said.gap_u_mm)
        bare = seen.progress.bare_mm2
        inside_bare.append(bare.low <= true.progress.bare_mm2.value <= bare.high)
    assert 0.89 <= np.mean(inside_gap) <= 1.0
    assert 0.84 <= np.mean(inside_bare) <= 1.0
    assert np.mean(inside_gap) < 1.0  # intervals that always hold the truth say nothing


def test_a_pair_near_contact_says_how_sure_it_is():
    # a gap of 0.3 mm is at the edge of contact: about half of redrawn outlines are in contact
    def p_contact(gap_mm):
        centres = [(0.0, 0.0), (30.0, 0.0)]
        radius = 15 - gap_mm / 2
        photo = photo_of([MultiPolygon([disc(c, radius)]) for c in centres], centres, edge_u_mm=0.1)
        (pair,) = visit(photo, FusionRules(draws=1000)).pairs
        assert pair.p_apart + pair.p_contact + pair.p_fused + pair.p_border == pytest.approx(1.0)
        return pair.p_contact + pair.p_fused

    falling = [p_contact(gap) for gap in (0.05, 0.3, 0.6, 1.2, 3.0)]
    assert falling == sorted(falling, reverse=True)
    assert falling[0] > 0.8
    assert 0.4 < falling[1] < 0.9  # more than half: the nearest of many places along the front decides
    assert falling[-1] == 0.0


def test_a_narrow_neck_may_be_apart_in_some_draws_and_then_the_patch_is_two():
    centres = [(0.0, 0.0), (30.0, 0.0)]
    live = shapely.union(disc(centres[0], 15.002), disc(centres[1], 15.002))  # chord 0.49 mm
    seen = visit(photo_of(split(live, centres), centres, edge_u_mm=0.2), FusionRules(draws=1000))
    (pair,) = seen.pairs
    assert pair.state is PairState.CONTACT
    assert 0 < pair.p_fused < 0.5
    assert seen.progress.patches.value == 1
    assert seen.progress.patches.high == 2
    assert seen.progress.largest_share.low == pytest.approx(0.5, abs=0.05)


def test_a_visit_is_the_same_after_it_was_packed():
    genotypes = ["red", "red", "blue"] * 3 + [""]
    shares = [*split(shapely.union_all([disc(c, 16) for c in CENTRES[:9]]), CENTRES[:9]), MultiPolygon()]
    seen = visit(photo_of(shares, CENTRES, genotypes=genotypes))
    again = unpack(pack(seen))
    # nan is the gap of a pair without tissue, and equals nothing: compared as text
    assert repr(again) == repr(seen)
    assert any(math.isnan(pair.gap_mm) for pair in seen.pairs)


def test_a_neck_between_round_lobes_is_as_unsure_as_their_overlap():
    # exact geometry: a chord c of circles of radius r comes of an overlap d = c^2 / 4r, so dc = (2r / c) dd; the two
    # parts of the edge at both ends of the neck (law of propagation). The angle is read over 2 mm: a quarter off
    edge_u = math.sqrt(2 * (0.03**2 + WANDER_MM**2))
    centres = [(0.0, 0.0), (30.0, 0.0)]
    radius = math.sqrt(15**2 + 4**2)
    lobes = shapely.union_all([disc(c, radius) for c in centres])
    (round_neck,) = visit(photo_of(split(lobes, centres), centres), FusionRules(draws=2000)).pairs
    assert round_neck.neck_mm == pytest.approx(8.0, rel=1e-3)
    assert round_neck.neck_u_mm == pytest.approx(2 * radius / 8 * edge_u, rel=0.25)
    # between straight walls, a neck is as unsure as its two edges; they are 3 mm apart and partly share what wanders
    channel = shapely.union_all([disc((0, 0), 11), disc((30, 0), 11), shapely.box(0, -1.5, 30, 1.5)])
    (straight,) = visit(photo_of(split(channel, centres), centres), FusionRules(draws=2000)).pairs
    together = math.sqrt(2 * 0.03**2 + 2 * WANDER_MM**2 * (1 + math.exp(-3 / 2.7)))
    assert straight.neck_u_mm == pytest.approx(together, rel=0.25)


def test_a_narrow_neck_between_round_lobes_may_be_a_gap():
    # edges off by a tenth of a millimetre make 1.8 mm of neck out of two discs that do not touch
    centres = [(0.0, 0.0), (30.0, 0.0)]
    lobes = shapely.union_all([disc(c, math.sqrt(15**2 + 0.9**2)) for c in centres])
    seen = visit(photo_of(split(lobes, centres), centres), FusionRules(draws=1000))
    (pair,) = seen.pairs
    assert pair.state is PairState.FUSED
    assert 0.4 < pair.p_fused < 0.8
    assert seen.progress.patches.high == 2
