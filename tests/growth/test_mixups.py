"""Exchanged fragments are found by their outlines, and unchanged trays are left alone."""

from __future__ import annotations

import math

import numpy as np
import pytest
from shapely import MultiPolygon, Point, Polygon, affinity, unary_union

from benchmarks.nurseries import Plan, pieces, seen_between
from fragarea.growth import Seen, find_mixups, form_distance_mm, shape_of
from fragarea.growth import mixups as module
from tests.growth.samples import START, true_series


def ellipse(a: float, b: float, turn: float = 0.0, at: tuple[float, float] = (0.0, 0.0)) -> MultiPolygon:
    disc = Point(0, 0).buffer(1, quad_segs=64)
    return MultiPolygon([affinity.translate(affinity.rotate(affinity.scale(disc, a, b), turn, origin=(0, 0)), *at)])


def test_a_turned_and_moved_outline_is_the_same_form() -> None:
    # 0.05 mm: directions are 4 degrees apart
    before, now = shape_of(ellipse(6, 4), 1.0), shape_of(ellipse(6, 4, 73, (40, 20)), 1.0)
    assert before is not None
    assert now is not None
    assert form_distance_mm(before, now) < 0.05
    assert now.radius_mm == pytest.approx(math.sqrt(24), rel=1e-3)


def test_an_edge_that_advances_all_round_keeps_its_form() -> None:
    # a buffered ellipse: every point of the edge moved outwards by 1 mm
    grown = MultiPolygon([ellipse(6, 4).geoms[0].buffer(1.0)])
    before, now, disc = shape_of(ellipse(6, 4), 1.0), shape_of(grown, 1.0), shape_of(ellipse(5.9, 5.9), 1.0)
    assert before is not None
    assert now is not None
    assert disc is not None
    assert form_distance_mm(before, now) < 0.1
    # exact: r = 1 / sqrt(cos^2 / 36 + sin^2 / 16) of the ellipse has a standard deviation of 0.698 mm over direction
    angle = np.linspace(0, 2 * math.pi, 100_000, endpoint=False)
    radius = 1 / np.sqrt(np.cos(angle) ** 2 / 36 + np.sin(angle) ** 2 / 16)
    assert form_distance_mm(before, disc) == pytest.approx(radius.std(), rel=0.02)


def test_offset_and_holes_are_described() -> None:
    ring = MultiPolygon([Polygon(Point(1, 0).buffer(4).exterior, [Point(1, 0).buffer(2).exterior])])
    shape = shape_of(ring, 1.0, (1.0, 3.0))
    assert shape is not None
    assert shape.offset_mm == pytest.approx(3.0)
    assert shape.holes == pytest.approx(0.25)
    assert shape_of(MultiPolygon(), 0.0) is None


def test_exchanges_of_unlike_fragments_are_found() -> None:
    # 12 trays of 40: at least nine of ten, and no third fragment named
    rng = np.random.default_rng(15)
    plan, found = Plan(), 0
    for _ in range(12):
        seen = seen_between(pieces(plan, rng), plan, rng, months=0.5, exchanged=(3, 27))
        mixups = find_mixups(seen, site="TRAY-1", taken_at=START)
        found += [set(one.fragments) for one in mixups] == [{"F03", "F27"}]
    assert found >= 11


def test_unchanged_trays_raise_no_alarm() -> None:
    # 25 trays of 40 are 1 000 fragment-visits
    rng = np.random.default_rng(16)
    plan = Plan()
    trays = (seen_between(pieces(plan, rng), plan, rng, months=0.5, exchanged=None) for _ in range(25))
    assert sum(len(find_mixups(seen, site="TRAY-1", taken_at=START)) for seen in trays) == 0


def test_like_fragments_are_not_told_apart() -> None:
    shapes = [shape_of(ellipse(5 + 0.01 * i, 4.9), 1.5) for i in range(6)]
    seen = [Seen(f"F{i}", "G1", shapes[i], shapes[j]) for i, j in enumerate((1, 0, 2, 3, 4, 5))]  # type: ignore[arg-type]
    assert find_mixups(seen, site="TRAY-1", taken_at=START) == ()
    assert find_mixups(seen[:1], site="TRAY-1", taken_at=START) == ()


def test_the_doubt_names_both_fragments_and_the_odds() -> None:
    rng = np.random.default_rng(17)
    plan = Plan()
    seen = seen_between(pieces(plan, rng), plan, rng, months=0.5, exchanged=(3, 27))
    (mixup,) = find_mixups(seen, site="TRAY-1", taken_at=START)
    assert set(mixup.moves) == {("F03", "F27"), ("F27", "F03")}
    assert mixup.doubt.key == "changed_places"
    assert "F03" in mixup.doubt.detail
    assert "F27" in mixup.doubt.detail
    assert "to 1" in mixup.doubt.detail


def test_the_exchange_in_a_rendered_tray_is_found_at_its_visit_and_at_no_other() -> None:
    truth = true_series("dev/tray_a")
    swapped = {f"P{int(plug[1:]):02d}" for plug in truth["events"]["swapped_from_week_12"]}
    before: dict = {}
    alarms: dict = {}
    for photo in truth["photos"]:
        now = {}
        for one in photo["fragments"]:
            rings = one["outline_live_normal"] + one["outline_bleached"]
            parts = [Polygon([p[:2] for p in r["exterior"]], [[p[:2] for p in h] for h in r["holes"]]) for r in rings]
            union = unary_union([part.buffer(0) for part in parts])
            outline = MultiPolygon([g for g in getattr(union, "geoms", [union]) if not g.is_empty])
            shape = shape_of(outline, 0.01 * outline.area, tuple(one["plug_centre_mm"]))
            if shape is not None:
                now[f"P{one['position']:02d}"] = (one["genotype"], shape)
        seen = [Seen(place, now[place][0], before[place][1], now[place][1]) for place in now if place in before]
        alarms[photo["week"]] = [set(one.fragments) for one in find_mixups(seen, site="T", taken_at=START)]
        before = now
    assert alarms == {0: [], 5: [], 10: [], 13: [swapped], 18: []}


def test_many_shapes_at_once_are_those_one_by_one() -> None:
    outlines = [
        ellipse(6, 4, 20),
        MultiPolygon(),
        ellipse(3, 3),
        MultiPolygon([*ellipse(2, 1).geoms, Point(9, 9).buffer(3)]),
    ]
    many = module.shapes_of(outlines, [1.0, 2.0, 3.0, 4.0], [(0.0, 1.0), (0.0, 0.0), None, (9.0, 9.0)])
    assert many[1] is None
    assert many[2] is not None
    assert many[3] is not None
    assert many[2].offset_mm is None
    # the larger of two pieces is described: a disc of 3 mm about its own plug's middle
    assert many[3].offset_mm == pytest.approx(0.0, abs=1e-9)
    assert many[3].profile_mm == pytest.approx(np.full(module.ANGLES, 3.0), abs=0.02)
    assert many[0] is not None
    alone = shape_of(outlines[0], 1.0, (0.0, 1.0))
    assert alone is not None
    assert np.array_equal(alone.profile_mm, many[0].profile_mm)
    # exact: r = 1 / sqrt(cos^2 / 36 + sin^2 / 16) about the long axis; abs 0.01: the outline has 256 sides
    angle = np.linspace(-math.pi, math.pi, module.ANGLES, endpoint=False) - math.radians(20)
    assert alone.profile_mm == pytest.approx(1 / np.sqrt(np.cos(angle) ** 2 / 36 + np.sin(angle) ** 2 / 16), abs=0.01)


def test_the_quick_bound_on_forms_is_one() -> None:
    # Cauchy-Schwarz wave by wave: never more than the distance at the best turn, and that itself on the diagonal
    rng = np.random.default_rng(3)
    seen = seen_between(pieces(Plan(), rng), Plan(), rng, months=1.0, exchanged=None)
    before, now = [one.before for one in seen], [one.now for one in seen]
    least, exact = module._least_form_distances_mm(before, now), module._form_distances_mm(before, now)
    assert np.all(least <= exact + 1e-12)
    assert np.diag(least) == pytest.approx(np.diag(exact), abs=1e-12)
    assert (least < exact - 0.01).mean() > 0.5
