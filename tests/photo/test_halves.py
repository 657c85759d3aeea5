"""The half-size photo is what OpenCV and a plain mean of blocks make of it, and goes with its photo."""

from __future__ import annotations

import gc

import numpy as np
import pytest

from fragarea.photo import halves
from fragarea.photo.halves import halved


def photo(rows: int, columns: int, seed: int = 1) -> np.ndarray:
    pixels = np.random.default_rng(seed).integers(0, 256, (rows, columns, 3)).astype(np.uint8)
    pixels.flags.writeable = False
    return pixels


@pytest.mark.parametrize(("rows", "columns"), [(8, 6), (9, 7), (2, 2)])
def test_each_pixel_is_the_mean_of_four(rows, columns):
    # Exact geometry: means of blocks, by NumPy; rounding may fall either way.
    pixels = photo(rows, columns)
    even = pixels[: rows // 2 * 2, : columns // 2 * 2].astype(float)
    means = even.reshape(rows // 2, 2, columns // 2, 2, 3).mean(axis=(1, 3))
    half = halved(pixels)
    assert half.shape == (rows // 2, columns // 2, 3)
    assert np.abs(half - means).max() <= 0.5
    assert not half.flags.writeable


def test_a_photo_is_halved_once_and_forgotten_with_it():
    first, second = photo(20, 30), photo(20, 30, seed=2)
    half = halved(first)
    assert halved(first) is half
    assert halved(second) is not half
    assert not np.array_equal(halved(first), halved(second))
    del first, second
    gc.collect()
    assert halves._last.half is None


def test_pixels_that_may_change_are_halved_anew():
    pixels = photo(10, 10).copy()
    before = halved(pixels).copy()
    pixels[:] = 0
    assert halved(pixels).max() == 0 < before.max()
