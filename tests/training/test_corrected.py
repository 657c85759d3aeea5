"""Corrected windows become windows to learn from, in their place and size."""

from __future__ import annotations

import numpy as np
import pytest

from fragarea.adapt import write_correction
from tests.adapt.cases import corrections
from training.windows import MM_PER_PX, SIDE_PX, corrected


def test_a_corrected_window_keeps_its_tissue_and_rim(tmp_path):
    (one,) = corrections(0.3)[:1]
    write_correction(tmp_path, one)
    ((picture, shares, rim, gains, name),) = corrected(tmp_path)
    assert picture.shape == (SIDE_PX, SIDE_PX, 3)
    assert name == "corrections/photo 0"
    assert np.array_equal(gains, np.ones(3))
    assert rim == (SIDE_PX / 2 - 0.5, SIDE_PX / 2 - 0.5, pytest.approx(one.window.rim.radius_mm / MM_PER_PX))
    # exact geometry: the labels' area, in mm2
    drawn_mm2 = (one.labels == 1).sum() * one.window.mm_per_px**2
    assert shares[0].sum() / 255 * MM_PER_PX**2 == pytest.approx(drawn_mm2, rel=0.005)
    # where the tissue is, the picture shows it
    y, x = np.nonzero(shares[0] > 127)
    ys, xs = np.nonzero(one.labels == 1)
    assert np.abs(picture[y, x].mean(axis=0) - one.window.pixels[ys, xs].mean(axis=0)).max() < 2
