"""Growth as figures for print: radii over time, extension of genotypes, residuals.

Everything is told apart by panel, marker, line style and words beside it; colour carries nothing. Matplotlib takes a
while to load, so that nothing but the commands that draw imports this module.
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from matplotlib import style
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter, date2num
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from fragarea.growth import AreaPoint, GenotypeGrowth, GenotypesGrowth, GrowthCurve, days_between, radius_line
from fragarea.growth.contrasts import rounded
from fragarea.report.fonts import printable
from fragarea.report.pictures import write_whole
from fragarea.report.words import natural_key

INK, ACCENT, PALE = "#14191c", "#0a5566", "#8b9296"
PAPER = "#ffffff"

MARKERS = ("o", "s", "^", "D", "v", "P", "X", "p")
DASHES: tuple[tuple[float, ...], ...] = ((), (5, 1.5), (1, 1.2), (6, 1.5, 1, 1.5))
"""Line styles of fragments in one panel; with the markers they give every fragment a look of its own."""

PANELS = 6
"""Genotypes on one figure."""
NAMED = 10
"""Fragments of a genotype that are drawn with intervals, fitted line and name; more could not be followed."""
THIN = 120
"""Further fragments that are drawn as thin lines; more would only blacken the panel."""
RESIDUALS = 1500
"""Residuals of a genotype that are drawn."""
ROWS = 30
"""Genotypes on one figure of extensions."""

_COVERAGE = 1.96
_PNG_DPI = 200
_LONGEST_NAME = 16
_WIDTH_IN = 8.0
_PANEL_IN = 2.2
_KEY_PT = 7
_GRID = "#d9dcdd"
_DIGIT_IN = 0.058  # width of a digit of 6.5 points
_ASIDE = 0.04  # of the longest time: how far apart residuals of one visit stand

_STYLE = {
    "font.family": "DejaVu Sans",  # comes with matplotlib: every machine draws the same
    "font.size": 8.0,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlesize": 9.0,
    "axes.titlelocation": "left",
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "figure.facecolor": PAPER,
    "savefig.facecolor": PAPER,
    "svg.hashsalt": "fragarea",  # ids of its parts are the same every time
    "svg.fonttype": "path",
    "date.converter": "concise",
}


@dataclass(frozen=True)
class GrowthFigures:
    """Figures of a nursery's growth, each as its pages.

    Attributes
    ----------
    radii : tuple of Figure
        Radius of the fragments over time.
    extension : tuple of Figure
        Radial extension of the genotypes.
    residuals : tuple of Figure
        What the fitted lines leave.
    """

    radii: tuple[Figure, ...]
    extension: tuple[Figure, ...]
    residuals: tuple[Figure, ...]


def draw_growth(curves: Iterable[GrowthCurve], genotypes: GenotypesGrowth) -> GrowthFigures:
    """Draw all figures of growth.

    Parameters
    ----------
    curves : iterable of GrowthCurve
    genotypes : GenotypesGrowth
        Estimated from them.

    Returns
    -------
    GrowthFigures
    """
    groups = _by_genotype(curves)
    return GrowthFigures(
        _in_panels(groups, _RADII), extension_figures(genotypes.genotypes), _in_panels(groups, _RESIDUALS)
    )


def extension_figures(genotypes: Sequence[GenotypeGrowth], *, width_in: float = _WIDTH_IN) -> tuple[Figure, ...]:
    """Radial extension of every genotype with its 95 % interval, the fastest at the top.

    Parameters
    ----------
    genotypes : sequence of GenotypeGrowth
    width_in : float
        Of the figure; in a narrow one the numbers stand below the names.

    Returns
    -------
    tuple of Figure
        Several where there are more than `ROWS` genotypes; none without a genotype that has an estimate.
    """
    known = sorted((one for one in genotypes if one.known), key=lambda one: -one.extension_mm_per_month)
    if not known:
        return ()
    limits = _extension_limits(known)
    pages = [known[i : i + ROWS] for i in range(0, len(known), ROWS)]
    untold = [one for one in genotypes if not one.known]
    with drawn_alike():
        return tuple(
            _extension_figure(page, limits, untold if page is pages[-1] else [], width_in, number, len(pages))
            for number, page in enumerate(pages, start=1)
        )


def png_bytes(figure: Figure) -> bytes:
    """A figure as PNG at 200 dots an inch, the same bytes every time."""
    return _saved(figure, "png", {"Software": None})


def svg_bytes(figure: Figure) -> bytes:
    """A figure as SVG without date and program, the same bytes every time."""
    return _saved(figure, "svg", {"Date": None, "Creator": None, "Format": None, "Type": None})


def write_figures(figures: GrowthFigures, folder: Path) -> list[Path]:
    """Write figures as PNG and SVG; raises SettingsProblem where they cannot be written.

    Files of our names that an earlier, longer set of figures left are taken away.
    """
    written = []
    for stem, pages in _named(figures):
        for number, figure in enumerate(pages, start=1):
            for ending, content in ((".png", png_bytes(figure)), (".svg", svg_bytes(figure))):
                written.append(_page_file(folder, stem, number, ending))
                write_whole(written[-1], content)
        for ending in (".png", ".svg"):
            number = len(pages) + 1
            while (left_over := _page_file(folder, stem, number, ending)).is_file():
                left_over.unlink()
                number += 1
    return written


_STEMS = ("growth-radius", "growth-genotypes", "growth-residuals")


def _named(figures: GrowthFigures) -> Iterable[tuple[str, tuple[Figure, ...]]]:
    return zip(_STEMS, (figures.radii, figures.extension, figures.residuals), strict=True)


def _page_file(folder: Path, stem: str, number: int, ending: str) -> Path:
    return folder / (f"{stem}{ending}" if number == 1 else f"{stem}-{number}{ending}")


@contextmanager
def drawn_alike() -> Iterator[None]:
    """Matplotlib as it comes and our style on it, whatever a user's own settings say."""
    with style.context(["default", _STYLE]):
        yield


def _saved(figure: Figure, kind: str, metadata: dict[str, None]) -> bytes:
    buffer = io.BytesIO()
    with drawn_alike():
        figure.savefig(buffer, format=kind, dpi=_PNG_DPI if kind == "png" else "figure", metadata=metadata)
    return buffer.getvalue()


# -- panels, one a genotype -----------------------------------------------------------------------------------------

Group = tuple[str, Sequence[GrowthCurve]]
Key = Sequence[tuple[Line2D, str]]


@dataclass(frozen=True)
class _Drawn:
    """What a panel says beside its lines: a note above them, names at their ends (x, y, name), how many have none."""

    note: str
    ends: tuple[tuple[float, float, str], ...] = ()
    thin: int = 0


@dataclass(frozen=True)
class _Kind:
    """One kind of panels."""

    title: str
    unit: str
    key: Key
    draw: Callable[[Axes, Sequence[GrowthCurve]], _Drawn]
    dates: bool


def _by_genotype(curves: Iterable[GrowthCurve]) -> list[Group]:
    groups: dict[str, list[GrowthCurve]] = {}
    for curve in curves:
        groups.setdefault(curve.genotype, []).append(curve)
    # fragments without a genotype come last
    return sorted(groups.items(), key=lambda item: (not item[0], natural_key(item[0]), item[0]))


def _in_panels(groups: Sequence[Group], kind: _Kind) -> tuple[Figure, ...]:
    pages = [groups[i : i + PANELS] for i in range(0, len(groups), PANELS)]
    with drawn_alike():
        return tuple(_panels(page, kind, number, len(pages)) for number, page in enumerate(pages, start=1))


def _panels(groups: Sequence[Group], kind: _Kind, number: int, pages: int) -> Figure:
    figure, axes, panel_in = _empty_panels(len(groups))
    title = kind.title if pages == 1 else f"{kind.title}, page {number} of {pages}"
    _write_title(figure, title)
    drawn = [kind.draw(place, members) for place, (_, members) in zip(axes, groups, strict=True)]
    limits = _limits([place.dataLim.intervaly for place in axes])
    for place, (genotype, _), one in zip(axes, groups, drawn, strict=True):
        place.set_ylim(*limits)
        place.set_xlim(*_limits([place.dataLim.intervalx]))
        _name_lines(place, one.ends, panel_in)
        place.set_title(_short(genotype or "no genotype"), weight="bold", pad=14, parse_math=False)
        place.text(0, 1.025, one.note, transform=place.transAxes, size=6.5)
        place.grid(axis="y", color=_GRID, linewidth=0.5)
        if not np.isfinite(place.dataLim.intervalx).all():
            place.set_xticks([])
        elif kind.dates:
            locator = AutoDateLocator(minticks=3, maxticks=7)
            place.xaxis.set_major_locator(locator)
            place.xaxis.set_major_formatter(ConciseDateFormatter(locator))
    for place in axes[::2]:
        place.set_ylabel(kind.unit)
    # names are led to their lines in the same grey, so that it is explained only where it means fragments too
    key = [*kind.key, _THIN_KEY] if any(one.thin for one in drawn) else kind.key
    lines, words = zip(*key, strict=True)
    figure.legend(
        lines, words, loc="lower left", bbox_to_anchor=(0.005, 0.0), ncols=2, frameon=False, fontsize=_KEY_PT
    )
    return figure


def _empty_panels(count: int) -> tuple[Figure, list[Axes], float]:
    """A figure with panels two abreast, and the height of a panel in inches."""
    across = min(2, count)
    down = math.ceil(count / across)
    head, foot, gap = 0.85, 0.85, 0.8  # inches above, below and between panels
    high = head + foot + down * _PANEL_IN + (down - 1) * gap
    figure = Figure(figsize=(_WIDTH_IN, high))
    places = figure.subplots(
        *(down, across),
        squeeze=False,
        gridspec_kw={
            "left": 0.075,
            "right": 0.985,
            "wspace": 0.14,
            "top": 1 - head / high,
            "bottom": foot / high,
            "hspace": gap / _PANEL_IN,
        },
    )
    for place in places.flat[count:]:
        place.remove()
    return figure, list(places.flat[:count]), _PANEL_IN


def _write_title(figure: Figure, title: str, size: float = 11) -> None:
    figure.text(0.01, 1 - 0.1 / figure.get_figheight(), title, size=size, weight="bold", va="top")


def _limits(intervals: Iterable[npt.ArrayLike]) -> tuple[float, float]:
    """Ends of an axis that holds intervals of values, with a little room; those without values are not finite."""
    values = np.concatenate([np.asarray(one, dtype=float) for one in intervals])
    values = values[np.isfinite(values)]
    if not len(values):
        return 0.0, 1.0
    low, high = float(values.min()), float(values.max())
    room = 0.05 * (high - low) or 0.5
    return low - room, high + room


def _mark(**look: Any) -> Line2D:
    """A piece of a key."""
    return Line2D([], [], **{"color": INK, "linestyle": "none", "markersize": 4, "markerfacecolor": PAPER, **look})


def _short(name: str) -> str:
    text = printable(name)
    return text if len(text) <= _LONGEST_NAME else text[: _LONGEST_NAME - 1] + "…"


def _evenly(count: int, most: int) -> list[int]:
    """At most `most` of the numbers 0 to count - 1, the first and the last among them."""
    return np.unique(np.linspace(0, count - 1, min(count, most)).round().astype(int)).tolist() if count else []


# -- radii over time ------------------------------------------------------------------------------------------------


def _draw_radii(place: Axes, members: Sequence[GrowthCurve]) -> _Drawn:
    ranked = sorted(members, key=_speed)
    chosen = _evenly(len(ranked), NAMED)
    rest = [ranked[i] for i in range(len(ranked)) if i not in set(chosen)]
    thin = [rest[i] for i in _evenly(len(rest), THIN)]
    paths = [[(date2num(p.taken_at), p.radius_mm) for p in curve.points] for curve in thin if curve.points]
    place.add_collection(LineCollection(paths, colors=PALE, linewidths=0.5), autolim=True)
    ends: list[tuple[float, float, str]] = []
    for number, index in enumerate(chosen):
        ends += _draw_fragment(place, ranked[index], *look_of(number))
    return _Drawn(_what_is_drawn(len(members), len(chosen), len(thin)), tuple(ends), len(thin))


def look_of(number: int) -> tuple[str, tuple[float, ...]]:
    """Marker and dashes of the fragments of a panel, by their number; the first 32 all differ."""
    return MARKERS[number % len(MARKERS)], DASHES[(number + number // len(MARKERS)) % len(DASHES)]


def _speed(curve: GrowthCurve) -> tuple[bool, float, tuple[tuple[int, int, str], ...]]:
    """Order by extension; fragments without a line come first."""
    line = radius_line(curve.points)
    return line is not None, line.mm_per_day if line else 0.0, natural_key(curve.fragment)


def _draw_fragment(
    place: Axes, curve: GrowthCurve, marker: str, dash: tuple[float, ...]
) -> list[tuple[float, float, str]]:
    """Draw one fragment; gives where its name belongs."""
    if curve.points:
        place.errorbar(
            [point.taken_at for point in curve.points],  # type: ignore[arg-type]
            [point.radius_mm for point in curve.points],
            yerr=[_half_width_mm(point) for point in curve.points],
            color=INK,
            linestyle="none",
            marker=marker,
            markersize=3.2,
            markerfacecolor=PAPER,
            markeredgewidth=0.8,
            elinewidth=0.8,
            capsize=1.5,
            zorder=3,
        )
    line = radius_line(curve.points)
    if line is not None:
        moments = [curve.points[0].taken_at, curve.points[-1].taken_at]
        drawn = Line2D(
            date2num(moments), [line.radius_mm(one) for one in moments], color=ACCENT, linewidth=1.0, marker=""
        )
        if dash:
            drawn.set_dashes(dash)
        place.add_line(drawn)
    left_out = [point for point, _ in curve.left_out if point.area_mm2 > 0]
    if left_out:  # no interval: what they are is told in the tables
        place.plot(
            [point.taken_at for point in left_out],  # type: ignore[arg-type]
            [point.radius_mm for point in left_out],
            color=INK,
            linestyle="none",
            marker="x",
            markersize=3.2,
            markeredgewidth=0.8,
        )
    last = curve.points[-1] if curve.points else left_out[-1] if left_out else None
    if last is None:
        return []
    return [(float(date2num(last.taken_at)), last.radius_mm, _short(curve.fragment))]


def _half_width_mm(point: AreaPoint) -> float:
    return _COVERAGE * point.radius_u_mm if math.isfinite(point.radius_u_mm) else 0.0


def _name_lines(place: Axes, ends: Sequence[tuple[float, float, str]], panel_in: float) -> None:
    """Names to the right of all lines, moved apart, each with a thin line to its last point."""
    if not ends:
        return
    (low, high), (left, right) = place.get_ylim(), place.get_xlim()
    at = right + 0.02 * (right - left)
    order = sorted(ends, key=lambda end: end[1])
    step = 0.115 / panel_in * (high - low)
    heights = spread([y for _, y, _ in order], step)
    over = max(0.0, heights[-1] - high) or min(0.0, heights[0] - low - step / 2)
    heights = [height - over for height in heights]
    for (x, y, name), height in zip(order, heights, strict=True):
        place.plot([x, at], [y, height], color=PALE, linewidth=0.4, marker="", zorder=1)
        place.text(at, height, f" {name}", size=6.5, va="center", parse_math=False)
    place.set_xlim(left, right + 0.28 * (right - left))


def spread(values: Sequence[float], step: float) -> list[float]:
    """Ascending values moved as little as need be, so that neighbours are a step apart.

    Examples
    --------
    >>> spread([1.0, 1.0, 5.0], 1.0)
    [0.5, 1.5, 5.0]
    """
    groups: list[tuple[float, int]] = []  # middle and number of values that stand a step apart
    for value in values:
        groups.append((value, 1))
        while len(groups) > 1:
            (low, below), (high, above) = groups[-2:]
            if high - low >= step * (below + above) / 2 - 1e-12:
                break
            groups[-2:] = [((low * below + high * above) / (below + above), below + above)]
    return [middle + (i - (count - 1) / 2) * step for middle, count in groups for i in range(count)]


def _what_is_drawn(fragments: int, named: int, thin: int) -> str:
    if fragments == named:
        return "1 fragment" if fragments == 1 else f"{fragments} fragments"
    left = fragments - named - thin
    more = f"; {left} more are not drawn" if left else ""
    return f"{fragments} fragments: {named} from the slowest to the fastest named, {thin} thin{more}"


_THIN_KEY = (_mark(color=PALE, linestyle="-", linewidth=0.6), "further fragments, without names and intervals")

_RADII = _Kind(
    title="Equivalent radius of the fragments",
    unit="mm",
    key=(
        (_mark(marker="o"), "measured; the bar is its 95 % interval"),
        (_mark(color=ACCENT, linestyle="-"), "line fitted to a fragment; each has its own marker and dashes"),
        (_mark(marker="x"), "does not count as growth (the tables say why)"),
    ),
    draw=_draw_radii,
    dates=True,
)


# -- residuals ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Residual:
    """What a fragment's line leaves of one measurement.

    Attributes
    ----------
    days : float
        Since the fragment's first measurement that counts.
    residual_mm, half_width_mm : float
        Measured less fitted radius, and the half width of the measurement's 95 % interval.
    """

    days: float
    residual_mm: float
    half_width_mm: float


def residuals_of(curve: GrowthCurve) -> list[Residual]:
    """What the line of a fragment leaves; nothing with fewer than three points, through which any line would do."""
    line = radius_line(curve.points)
    if line is None or len(curve.points) < 3:
        return []
    return [
        Residual(
            days_between(line.since, point.taken_at),
            point.radius_mm - line.radius_mm(point.taken_at),
            _half_width_mm(point),
        )
        for point in curve.points
    ]


def _draw_residuals(place: Axes, members: Sequence[GrowthCurve]) -> _Drawn:
    whole = [(number, one) for number, curve in enumerate(members) for one in residuals_of(curve)]
    place.axhline(0.0, color=ACCENT, linewidth=1.0)
    if not whole:
        return _Drawn("no fragment with three measurements that count")
    shown = [whole[i] for i in _evenly(len(whole), RESIDUALS)]
    longest = max(one.days for _, one in whole)
    aside = [longest * _ASIDE * ((number + 0.5) / len(members) - 0.5) for number, _ in shown]
    place.errorbar(
        [one.days + moved for (_, one), moved in zip(shown, aside, strict=True)],
        [one.residual_mm for _, one in shown],
        yerr=[one.half_width_mm for _, one in shown],
        linestyle="none",
        marker="o",
        markersize=2.4,
        markerfacecolor=PAPER,
        markeredgewidth=0.7,
        color=INK,
        ecolor=PALE,
        elinewidth=0.6,
    )
    scatter_mm = float(np.std([one.residual_mm for _, one in whole]))
    inside = sum(abs(one.residual_mm) <= one.half_width_mm for _, one in whole)
    left_out = f", {len(shown)} drawn" if len(shown) < len(whole) else ""
    return _Drawn(
        f"{len(whole)} measurements{left_out}; standard deviation {scatter_mm:.2g} mm;"
        f" {100 * inside / len(whole):.0f} % of bars reach 0"
    )


_RESIDUALS = _Kind(
    title="Measured radius less the line fitted to the fragment",
    unit="mm",
    key=(
        (_mark(marker="o"), "a measurement; fragments stand a little aside of each other"),
        (_mark(color=PALE, linestyle="-", linewidth=0.6), "its 95 % interval"),
        (_mark(), "across: days since the fragment's first measurement"),
        (_mark(), "only fragments with three measurements that count"),
    ),
    draw=_draw_residuals,
    dates=False,
)


# -- extension of genotypes -----------------------------------------------------------------------------------------


def _extension_limits(known: Sequence[GenotypeGrowth]) -> tuple[float, float]:
    """Ends of the axis: all intervals, unless one is so wide that the others would become dots."""
    best = [one.extension_mm_per_month for one in known]
    least, most = min(0.0, *best), max(0.0, *best)
    span = max(most - least, 1e-3)
    low = max(min(one.low_mm_per_month for one in known), least - span)
    high = min(max(one.high_mm_per_month for one in known), most + span)
    return min(low, 0.0) - 0.03 * span, max(high, 0.0) + 0.03 * span


def _extension_figure(
    page: Sequence[GenotypeGrowth],
    limits: tuple[float, float],
    untold: Sequence[GenotypeGrowth],
    width_in: float,
    number: int,
    pages: int,
) -> Figure:
    narrow = width_in < 6
    row_in, head, foot = (0.42 if narrow else 0.3), (0.36 if narrow else 0.46), 0.5 + 0.16 * bool(untold)
    high = head + foot + row_in * len(page)
    figure = Figure(figsize=(width_in, high))
    title = "Radial extension, 95 % interval" if narrow else "Radial extension of the genotypes, 95 % interval"
    words = title if pages == 1 else f"{title}, page {number} of {pages}"
    _write_title(figure, words, 9 if narrow else 11)
    numbers = [_extension_words(one) for one in page]
    left_in = max(1.2, _DIGIT_IN * max(map(len, numbers)) + 0.15) if narrow else 1.4
    right_in = 0.15 if narrow else 2.6
    place = figure.add_axes(
        (left_in / width_in, foot / high, (width_in - left_in - right_in) / width_in, row_in * len(page) / high)
    )
    beside = place.get_yaxis_transform()
    for row, (one, words) in enumerate(zip(page, numbers, strict=True)):
        _draw_interval(place, row, one, limits)
        name = _short(one.genotype or "no genotype")
        place.text(-0.02, row - 0.16 if narrow else row, name, transform=beside, **_name_look())
        if narrow:
            place.text(-0.02, row + 0.26, words, transform=beside, ha="right", va="center", size=6.5)
        else:
            count = f"{one.fragments} fragments, {one.points} measurements"
            place.text(1.03, row, f"{words}\n{count}", transform=beside, va="center", size=7, linespacing=1.15)
    place.axvline(0.0, color=INK, linewidth=0.8)
    place.set_xlim(*limits)
    place.set_ylim(len(page) - 0.5, -0.5)
    place.set_yticks([])
    place.spines["left"].set_visible(False)
    place.grid(axis="x", color=_GRID, linewidth=0.5)
    place.set_axisbelow(True)
    place.set_xlabel("mm/month")
    if untold:
        names = ", ".join(_short(one.genotype or "no genotype") for one in untold[:6])
        more = f" and {len(untold) - 6} more" if len(untold) > 6 else ""
        figure.text(0.01, 0.06 / high, f"not enough measured: {names}{more}", size=6.5, parse_math=False)
    return figure


def _extension_words(one: GenotypeGrowth) -> str:
    numbers = (one.extension_mm_per_month, one.low_mm_per_month, one.high_mm_per_month)
    best, low, high = rounded(numbers, one.extension_u_mm_per_month)
    return f"{best} ({low} to {high})"


def _name_look() -> dict[str, Any]:
    return {"ha": "right", "va": "center", "weight": "bold", "parse_math": False}


def _draw_interval(place: Axes, row: int, one: GenotypeGrowth, limits: tuple[float, float]) -> None:
    """An interval; where it goes on beyond the axis an arrow stands at its end."""
    low, high = max(one.low_mm_per_month, limits[0]), min(one.high_mm_per_month, limits[1])
    place.plot([low, high], [row, row], color=ACCENT, linewidth=1.6, marker="", solid_capstyle="butt")
    for end, whole, arrow in ((low, one.low_mm_per_month, "<"), (high, one.high_mm_per_month, ">")):
        place.plot([end], [row], color=ACCENT, marker=arrow if end != whole else "|", markersize=7, clip_on=False)
    place.plot([one.extension_mm_per_month], [row], color=INK, marker="s", markersize=5)
