import json
from dataclasses import replace

import cv2
import numpy as np
import pytest

from fragarea.errors import SettingsProblem
from fragarea.reference import LensProfile, fit_lens, load_lens, save_lens
from fragarea.reference.plane import CameraPose
from tests.reference.drawn import to_srgb

SIZE = (960, 720)
PROFILE = LensProfile(
    "phone", "maker", "model", 0.75, 0.9, (0.01, -0.02), (-0.1, 0.02, 0.0, 0.0, 0.0), 1e-3, 0.2, 12, 0.9, "2026-03-01"
)


def dot_board(seed: int, columns: int = 9, rows: int = 6, pitch_mm: float = 20.0) -> np.ndarray:
    """A grid of dots seen through a lens with k1 = -0.1 and a focal length of 0.9 of the width."""
    rng = np.random.default_rng(seed)
    turn, _ = cv2.Rodrigues(np.append(rng.uniform(-0.4, 0.4, 2), rng.uniform(-0.2, 0.2)))
    middle = np.array([(columns - 1) / 2 * pitch_mm, (rows - 1) / 2 * pitch_mm, 0.0])
    shift = np.array([*rng.uniform(-25, 25, 2), 230.0]) - turn @ middle
    focal = 0.9 * SIZE[0]
    matrix = np.array([[focal, 0, (SIZE[0] - 1) / 2], [0, focal, (SIZE[1] - 1) / 2], [0, 0, 1.0]])
    pose = CameraPose(matrix, np.array([-0.1, 0, 0, 0, 0.0]), turn, shift)
    light = np.full((SIZE[1] * 2, SIZE[0] * 2), 0.8, np.float32)
    ring = 5 * np.column_stack([np.cos(np.linspace(0, 6.3, 60)), np.sin(np.linspace(0, 6.3, 60))])
    for x in range(columns):
        for y in range(rows):
            dot = pose.project(np.array([x, y]) * pitch_mm + ring, 0.0)
            cv2.fillPoly(light, [np.rint((dot * 2 + 0.5) * 16).astype(np.int32)], 0.04, shift=4)
    light = cv2.GaussianBlur(cv2.resize(light, SIZE, interpolation=cv2.INTER_AREA), (0, 0), 0.8)
    return to_srgb(np.repeat(light[..., None], 3, axis=2))


def test_a_board_of_dots_gives_the_lens_that_drew_it():
    photos = [(f"dots{seed}.jpg", dot_board(seed)) for seed in range(8)]
    fit = fit_lens(photos, pattern="dots", corners=(9, 6), square_mm=20.0, name="drawn", made_on="2026-03-01")
    assert fit.profile.photos == 8
    assert fit.profile.focal == pytest.approx(0.9, rel=0.01)  # as drawn
    assert fit.profile.distortion[0] == pytest.approx(-0.1, abs=0.02)  # as drawn
    assert fit.profile.focal_u > 0
    assert abs(fit.profile.focal - 0.9) < 4 * fit.profile.focal_u
    assert fit.profile.rms_px < 0.3


def test_too_few_photos_of_the_board_are_refused_with_what_to_do():
    photos = [("a.jpg", dot_board(0)), ("b.jpg", np.full((720, 960, 3), 99, np.uint8))]
    with pytest.raises(
        SettingsProblem, match=r"only 1 of 2 photos show the whole board; 4 are needed.*b\.jpg: the board"
    ):
        fit_lens(photos, pattern="dots", corners=(9, 6), square_mm=20.0, name="x")


def test_a_profile_is_the_same_after_saving(tmp_path):
    path = tmp_path / "lenses" / "phone.json"
    save_lens(PROFILE, path)
    assert load_lens(path) == PROFILE
    assert json.loads(path.read_text(encoding="utf-8"))["schema"] == "fragarea-lens-1"


@pytest.mark.parametrize("text", ["", "{}", "[]", '{"schema": "other"}', '{"schema": "fragarea-lens-1", "name": 3}'])
def test_a_file_that_is_no_profile_is_named(tmp_path, text):
    path = tmp_path / "phone.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SettingsProblem, match=r"phone\.json: not a lens profile.*fragarea lens"):
        load_lens(path)


def test_a_missing_profile_is_named(tmp_path):
    with pytest.raises(SettingsProblem, match=r"phone\.json: not a lens profile"):
        load_lens(tmp_path / "phone.json")


def test_a_profile_serves_every_size_of_the_same_shape():
    small, large = PROFILE.matrix(800, 600), PROFILE.matrix(1600, 1200)
    assert large[0, 0] == pytest.approx(2 * small[0, 0])
    assert large[0, 2] + 0.5 == pytest.approx(2 * (small[0, 2] + 0.5))  # whole numbers are pixel centres
    assert PROFILE.fits(1600, 1200)
    assert PROFILE.fits(1200, 1600)
    assert not PROFILE.fits(1600, 900)


def test_a_profile_turns_with_the_photo():
    upright = PROFILE.matrix(1200, 1600)
    assert upright[0, 0] == pytest.approx(0.9 * 1600)
    assert upright[0, 2] == pytest.approx(599.5 - 0.02 * 1600)
    assert upright[1, 2] == pytest.approx(799.5 + 0.01 * 1600)


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"rms_px": 1.5}, "Poor"),
        ({"reach": 0.5}, "middle only"),
        ({"photos": 5}, "Usable"),
        ({}, "Good: points miss"),
    ],
)
def test_the_verdict_says_how_good_it_is(change, word):
    from fragarea.reference.lens import _verdict

    assert word in _verdict(replace(PROFILE, **change))
