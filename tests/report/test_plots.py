"""Figures of growth: nothing is told by colour alone, what is left out is said, and files are the same every time."""

from __future__ import annotations

import io
import math
import subprocess
import sys
import warnings
from collections.abc import Sequence
from itertools import pairwise
from xml.etree import ElementTree

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.container import ErrorbarContainer
from PIL import Image

from fragarea.growth import GrowthCurve, genotype_growth, growth_curve
from fragarea.measurement import FragmentStatus
from fragarea.report import plots
from fragarea.report.plots import NAMED, THIN, draw_growth, png_bytes, residuals_of, spread, svg_bytes, write_figures
from tests.growth.samples import disc, history

MONTH = 30.4375
HOSTILE = ("$\\frac{1}{0}$ <b>&", "<script>alert(1)</script>", "\x00\ud800珊瑚\n2", "=1+1")


def discs(count: int, genotype: str = "G1", visits: int = 4) -> list[GrowthCurve]:
    """Discs that spread by 0.2 mm a month, each a little faster than the one before."""
    return [
        growth_curve(
            history(
                [disc(MONTH * v, 4 + 0.01 * i + (0.2 + 0.0005 * i) * v, u_mm2=0.5) for v in range(visits)],
                fragment=f"{genotype}-{i + 1}",
                genotype=genotype,
            )
        )
        for i in range(count)
    ]


def figures(curves: Sequence[GrowthCurve]) -> plots.GrowthFigures:
    return draw_growth(curves, genotype_growth(curves))


def looks(place: Axes) -> list[tuple[object, ...]]:
    """Marker of every fragment's measurements, with the dashes of its line."""
    markers = [c.lines[0].get_marker() for c in place.containers if isinstance(c, ErrorbarContainer)]
    fitted = [line for line in place.lines if line.get_color() == plots.ACCENT]
    return list(zip(markers, (str(line._unscaled_dash_pattern) for line in fitted), strict=True))


def luminance(colour: str) -> float:
    """Relative luminance after WCAG 2.2 (its definition of the same name, from memory)."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("count", [1, 5, 500])
def test_every_named_fragment_has_a_look_of_its_own_and_its_name_beside_it(count: int) -> None:
    (figure,) = figures(discs(count)).radii
    shown = looks(figure.axes[0])
    assert len(shown) == len(set(shown)) == min(count, NAMED)
    names = [text.get_text().strip() for text in figure.axes[0].texts if text.get_text().strip().startswith("G1-")]
    assert len(set(names)) == min(count, NAMED)
    assert {"G1-1", f"G1-{count}"} <= set(names)  # the slowest and the fastest


def test_what_is_left_out_is_said() -> None:
    (figure,) = figures(discs(500)).radii
    text = f"500 fragments: {NAMED} from the slowest to the fastest named, {THIN} thin; {500 - NAMED - THIN} more"
    assert any(text in one.get_text() for one in figure.axes[0].texts)
    thin = next(one for one in figure.axes[0].collections if isinstance(one, LineCollection))
    assert len(thin.get_segments()) == THIN
    (five,) = figures(discs(5)).radii
    assert any(one.get_text() == "5 fragments" for one in five.axes[0].texts)
    explained = [
        any(words.get_text().startswith("further fragments") for words in one.legends[0].texts)
        for one in (figure, five)
    ]
    assert explained == [True, False]


def test_names_in_a_panel_do_not_lie_on_each_other() -> None:
    (figure,) = figures(discs(NAMED)).radii
    figure.canvas.draw()
    boxes = [t.get_window_extent() for t in figure.axes[0].texts if t.get_text().strip().startswith("G1-")]
    boxes.sort(key=lambda box: box.y0)
    assert all(low.y1 <= high.y0 + 1 for low, high in pairwise(boxes))
    whole = figure.axes[0].get_window_extent()
    assert all(whole.y0 - 5 < box.y0 and box.y1 < whole.y1 + 5 for box in boxes)


def test_colours_differ_from_paper_in_grey() -> None:
    """3 to 1 is what WCAG 2.2, 1.4.11 asks of graphics (from memory)."""
    for colour in (plots.INK, plots.ACCENT, plots.PALE):
        assert (luminance(plots.PAPER) + 0.05) / (luminance(colour) + 0.05) >= 3


def test_a_grey_print_keeps_every_line() -> None:
    """What is not paper in colour is not paper in grey either."""
    (figure,) = figures(discs(5)).radii
    picture = Image.open(io.BytesIO(png_bytes(figure))).convert("RGB")
    coloured = (np.asarray(picture).astype(int).max(axis=2) < 150) | (
        np.asarray(picture).astype(int).min(axis=2) < 90
    )
    grey = np.asarray(picture.convert("L"))
    assert coloured.sum() > 1000
    assert grey[coloured].max() < 200


def test_fitted_line_is_that_of_the_extension() -> None:
    """Exact geometry: discs whose radius is 4 + 0.2 t."""
    (figure,) = figures(discs(1)).radii
    (line,) = [one for one in figure.axes[0].lines if one.get_color() == plots.ACCENT]
    (x0, x1), (y0, y1) = line.get_xdata(), line.get_ydata()
    assert y0 == pytest.approx(4, abs=1e-9)
    assert (y1 - y0) / (x1 - x0) * MONTH == pytest.approx(0.2, rel=1e-9)


def test_bars_are_95_percent_intervals_of_the_radius() -> None:
    """JCGM 100:2008, 5.1.2: u(r) = u(A) / (2 sqrt(pi A)) = 0.5 / (2 pi 4) for a disc of 4 mm; twice 1.96 of it."""
    (figure,) = figures(discs(1)).radii
    (bars,) = [one for one in figure.axes[0].containers if isinstance(one, ErrorbarContainer)]
    first = bars.lines[2][0].get_segments()[0]
    assert np.ptp(first[:, 1]) == pytest.approx(2 * 1.96 * 0.5 / (2 * math.pi * 4), rel=1e-9)


def test_residuals_are_measured_less_fitted() -> None:
    """Exact: radii 4, 5, 4 with equal weights lie -1/3, 2/3, -1/3 off their level line."""
    curve = GrowthCurve("F", "G1", "", tuple(disc(10 * i, r) for i, r in enumerate((4, 5, 4))), ())
    assert [one.residual_mm for one in residuals_of(curve)] == pytest.approx([-1 / 3, 2 / 3, -1 / 3])
    assert [one.days for one in residuals_of(curve)] == [0, 10, 20]
    assert residuals_of(discs(1, visits=2)[0]) == []


def test_extension_figure_tells_the_numbers_of_the_estimates() -> None:
    curves = discs(8) + discs(8, "G2")
    growth = genotype_growth(curves)
    (figure,) = draw_growth(curves, growth).extension
    shown = " ".join(text.get_text() for text in figure.axes[0].texts)
    for one in growth.genotypes:
        assert f"{one.extension_mm_per_month:.3f}"[:4] in shown
        assert f"{one.fragments} fragments, {one.points} measurements" in shown


def test_an_interval_far_wider_than_the_others_ends_in_arrows_and_its_numbers_stay() -> None:
    two = [
        growth_curve(history([disc(0, 4, 0.1), disc(MONTH, 4 + step, 0.1)], f"W{step}", "Wide"))
        for step in (0.1, 0.9)
    ]
    curves = discs(8) + two
    (figure,) = figures(curves).extension
    low, high = figure.axes[0].get_xlim()
    # Student's t of one degree of freedom is 12.7 (any table): 0.5 +- 12.7 * 0.4
    assert -2 < low < high < 3
    assert {line.get_marker() for line in figure.axes[0].lines} >= {"<", ">", "s"}
    assert any("(−4.58 to 5.58)" in text.get_text() for text in figure.axes[0].texts)


def test_nurseries_with_little_in_them_are_drawn_or_left_out() -> None:
    assert figures([]) == plots.GrowthFigures((), (), ())
    gone = growth_curve(history([disc(0, 0, status=FragmentStatus.MISSING)], "F1", ""))
    once = growth_curve(history([disc(0, 4, 0.1)], "F2", ""))
    made = figures([gone, once])
    assert made.extension == ()
    assert made.radii[0].axes[0].get_title("left") == "no genotype"
    assert any("no fragment with three" in text.get_text() for text in made.residuals[0].axes[0].texts)
    for page in (*made.radii, *made.residuals):
        assert png_bytes(page)
    alone = figures([gone])
    assert png_bytes(alone.radii[0])


def test_many_genotypes_go_on_further_pages(tmp_path) -> None:
    curves = [curve for g in range(40) for curve in discs(3, f"G{g + 1}", visits=3)]
    made = figures(curves)
    assert len(made.radii) == len(made.residuals) == math.ceil(40 / plots.PANELS)
    assert len(made.extension) == math.ceil(40 / plots.ROWS)
    assert "page 2 of 2" in made.extension[1].texts[0].get_text()
    titles = [place.get_title("left") for page in made.radii for place in page.axes]
    assert titles == [f"G{g + 1}" for g in range(40)]


def test_pages_of_an_earlier_longer_set_are_taken_away(tmp_path) -> None:
    (tmp_path / "growth-genotypes-2.png").write_bytes(b"old")
    (tmp_path / "growth-genotypes-my-own.png").write_bytes(b"mine")
    written = write_figures(figures(discs(3)), tmp_path / "")
    assert [path.name for path in written] == [
        f"growth-{name}.{ending}" for name in ("radius", "genotypes", "residuals") for ending in ("png", "svg")
    ]
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(
        [path.name for path in written] + ["growth-genotypes-my-own.png"]
    )


def test_files_are_the_same_every_time_and_carry_no_date() -> None:
    one, two = figures(discs(4)), figures(discs(4))
    for first, second in zip(
        (*one.radii, *one.extension, *one.residuals), (*two.radii, *two.extension, *two.residuals), strict=True
    ):
        assert svg_bytes(first) == svg_bytes(second)
        assert png_bytes(first) == png_bytes(second)
        assert b"<dc:date>" not in svg_bytes(first)
        ElementTree.fromstring(svg_bytes(first))


def test_names_are_drawn_as_they_are_whatever_they_hold() -> None:
    curves = [growth_curve(history([disc(MONTH * v, 4 + v, 0.1) for v in range(3)], n, n)) for n in HOSTILE]
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # a letter that the typeface lacks is a warning of matplotlib
        made = figures(curves)
        for page in (*made.radii, *made.extension, *made.residuals):
            drawn = svg_bytes(page)
            ElementTree.fromstring(drawn)
            assert b"<script" not in drawn
    assert "$\\frac{1}{0}$ <…" in {place.get_title("left") for place in made.radii[0].axes}


def test_spread_values_keep_their_order_and_their_mean() -> None:
    assert spread([0.0, 0.1, 0.2, 9.0], 1.0) == pytest.approx([-0.9, 0.1, 1.1, 9.0])
    assert spread([], 1.0) == []


def test_measuring_loads_no_drawing_library() -> None:
    code = (
        "import sys, fragarea.cli.measure, fragarea.publish, fragarea.batch, fragarea.cli.growth\n"
        "print([m for m in ('matplotlib', 'jinja2') if m in sys.modules])"
    )
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, encoding="utf-8", check=True)
    assert result.stdout.strip() == "[]"


def test_figures_are_the_same_whatever_settings_a_user_keeps() -> None:
    (plain,) = figures(discs(3)).radii
    before = svg_bytes(plain)
    with mpl.rc_context({"lines.linewidth": 9, "axes.grid": True, "svg.hashsalt": "other", "text.color": "red"}):
        (other,) = figures(discs(3)).radii
        assert svg_bytes(other) == before


@pytest.mark.parametrize("width_in", [3.6, 5.6, 8.0])
def test_numbers_of_well_known_genotypes_stay_on_the_figure(width_in: float) -> None:
    """Many fragments give many digits."""
    growth = genotype_growth(discs(300, visits=6))
    (figure,) = plots.extension_figures(growth.genotypes, width_in=width_in)
    figure.canvas.draw()
    texts = [*figure.texts, *figure.axes[0].texts]
    whole = figure.bbox
    for text in texts:
        box = text.get_window_extent()
        assert whole.x0 <= box.x0, text.get_text()
        assert box.x1 <= whole.x1, text.get_text()
