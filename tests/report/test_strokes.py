import numpy as np
import pytest

from fragarea.report.strokes import BLEACHED, CASING, DEAD, LIVE, circle, dashes, draw_lines


def luminance(colour) -> float:
    """Relative luminance of an sRGB colour (WCAG 2.2, definition of relative luminance)."""
    c = np.asarray(colour, dtype=float) / 255
    linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(one, other) -> float:
    """Contrast ratio (WCAG 2.2, definition of contrast ratio)."""
    high, low = sorted([luminance(one), luminance(other)], reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("style", [LIVE, BLEACHED, DEAD], ids=lambda style: style.name)
@pytest.mark.parametrize("ground", [0, 60, 118, 128, 200, 255])
def test_every_line_stands_out_on_dark_and_on_light(style, ground):
    # WCAG 2.2, success criterion 1.4.11: graphics need a contrast of 3 to 1; casing or stroke reaches it on any grey
    grey = (ground, ground, ground)
    assert max(contrast(style.colour, grey), contrast(CASING, grey)) >= 3.0


def lit_share(style) -> float:
    """Share of a line's length that is bright, from a drawing without colour."""
    image = np.full((400, 400, 3), 128, np.uint8)
    ring = circle((200, 200), 150)
    draw_lines(image, [ring], style, width_px=4)
    fine = circle((200, 200), 150)
    at = np.round(
        np.vstack([np.linspace(a, b, 8, endpoint=False) for a, b in zip(fine, np.roll(fine, -1, 0), strict=True)])
    )
    grey = image.mean(axis=2)[at[:, 1].astype(int), at[:, 0].astype(int)]
    return float((grey > 90).mean())


def test_kinds_of_tissue_differ_without_any_colour():
    live, bleached, dead = (lit_share(style) for style in (LIVE, BLEACHED, DEAD))
    assert live > 0.99
    assert 0.45 < bleached < 0.85
    assert dead < bleached - 0.1


def test_dashes_share_the_ring_evenly():
    # exact geometry: strokes take dash / (dash + gap) of the length, here of a square of side 100
    square = np.array([(0.0, 0.0), (100.0, 0.0), (100.0, 100.0), (0.0, 100.0)])
    strokes = dashes(square, 7.0, 3.0)
    length = sum(float(np.hypot(*np.diff(stroke, axis=0).T).sum()) for stroke in strokes)
    assert len(strokes) == 40
    assert length == pytest.approx(400 * 0.7)


def test_line_lies_on_the_outline_to_a_fraction_of_a_pixel():
    # the bright pixels' mean distance from the middle is the circle's radius, wherever the middle lies
    for middle in [(100.0, 100.0), (100.37, 99.71)]:
        image = np.zeros((200, 200, 3), np.uint8)
        draw_lines(image, [circle(middle, 60.0)], LIVE, width_px=2)
        y, x = np.nonzero(image[..., 2])
        weight = image[y, x, 2].astype(float)
        radius = np.average(np.hypot(x - middle[0], y - middle[1]), weights=weight)
        assert radius == pytest.approx(60.0, abs=0.35)
        assert np.average(x, weights=weight) == pytest.approx(middle[0], abs=0.15)
        assert np.average(y, weights=weight) == pytest.approx(middle[1], abs=0.15)


def test_rings_outside_or_not_finite_do_no_harm():
    image = np.zeros((50, 50, 3), np.uint8)
    draw_lines(
        image, [circle((1e9, 0), 5), np.array([(np.nan, 1.0), (2.0, 3.0)]), np.empty((0, 2))], DEAD, width_px=2
    )
    assert not image.any()
