import cv2
import numpy as np
import pytest

from fragarea.errors import ReferenceNotFound, ViewUnusable
from fragarea.photo.records import CameraInfo
from fragarea.reference import RimEllipse, fit_ellipse_subpixel, scale_from_rims, scale_of_rims
from fragarea.reference.plane import CameraPose
from tests.reference.drawn import to_srgb

SIZE = (900, 700)
FINER = 4


def draw_ellipses(
    ellipses: list[tuple[float, float, float, float, float]],
    *,
    inside: float = 0.7,
    outside: float = 0.05,
    blur_px: float = 0.8,
    size: tuple[int, int] = (260, 260),
) -> np.ndarray:
    """uint8 sRGB photo of ellipses (x, y, long, short, angle), shares of pixels counted on a finer grid."""
    rows, columns = size[1] * FINER, size[0] * FINER
    light = np.full((rows, columns), outside, np.float32)
    for x, y, long, short, angle in ellipses:
        low = np.clip(((np.array([x, y]) - long - 2) * FINER).astype(int), 0, [columns, rows])
        high = np.clip(((np.array([x, y]) + long + 3) * FINER).astype(int), 0, [columns, rows])
        v, u = np.mgrid[low[1] : high[1], low[0] : high[0]]
        u, v = (u + 0.5) / FINER - 0.5 - x, (v + 0.5) / FINER - 0.5 - y
        along, across = u * np.cos(angle) + v * np.sin(angle), v * np.cos(angle) - u * np.sin(angle)
        light[low[1] : high[1], low[0] : high[0]][(along / long) ** 2 + (across / short) ** 2 <= 1] = inside
    light = cv2.GaussianBlur(cv2.resize(light, size, interpolation=cv2.INTER_AREA), (0, 0), blur_px)
    noise = np.random.default_rng(4).normal(0, 0.004, (*light.shape, 3))
    return to_srgb(light[..., None] + noise)


@pytest.mark.parametrize(
    ("long", "short", "inside", "outside", "blur_px"),
    [(60, 55, 0.7, 0.05, 0.8), (60, 58, 0.7, 0.05, 2.0), (40, 38, 0.7, 0.3, 1.0), (100, 95, 0.1, 0.6, 1.2)],
    ids=["dark ground", "blurred", "little contrast", "dark plug"],
)
def test_ellipses_are_fitted_to_a_tenth_of_a_pixel(long, short, inside, outside, blur_px):
    photo = draw_ellipses([(131.3, 128.8, long, short, 0.4)], inside=inside, outside=outside, blur_px=blur_px)
    rim = fit_ellipse_subpixel(photo, (134.0, 126.0), 1.05 * long)
    assert rim is not None
    assert rim.semi_axes_px == pytest.approx((long, short), abs=0.1)  # exact geometry
    assert rim.centre_px == pytest.approx((131.3, 128.8), abs=0.05)
    assert rim.angle_rad % np.pi == pytest.approx(0.4, abs=0.05)
    assert rim.coverage > 0.95
    assert rim.rms_px < 0.2


def test_a_third_of_the_rim_may_be_hidden():
    photo = draw_ellipses([(130, 130, 60, 58, 0.0)])
    photo[100:260, 150:] = 40
    rim = fit_ellipse_subpixel(photo, (130, 130), 60)
    assert rim is not None
    assert rim.semi_axes_px == pytest.approx((60, 58), abs=0.3)
    assert rim.coverage < 0.85


def test_a_plug_cut_by_the_photos_edge_is_fitted_from_the_rest():
    rim = fit_ellipse_subpixel(draw_ellipses([(40, 130, 60, 58, 0.0)]), (42, 130), 60)
    assert rim is not None
    assert rim.semi_axes_px == pytest.approx((60, 58), abs=0.3)


def test_no_rim_is_found_where_there_is_none():
    noise = np.random.default_rng(1).integers(90, 110, (260, 260, 3), dtype=np.uint8)
    assert fit_ellipse_subpixel(noise, (130, 130), 60) is None
    assert fit_ellipse_subpixel(np.full((260, 260, 3), 90, np.uint8), (130, 130), 60) is None
    assert fit_ellipse_subpixel(np.zeros((20, 20, 3), np.uint8), (500, 500), 60) is None


def test_a_grey_window_is_read_like_a_colour_one():
    photo = draw_ellipses([(130, 130, 60, 58, 0.0)])
    grey = fit_ellipse_subpixel(np.ascontiguousarray(photo[..., 1]), (131, 129), 60)
    assert grey is not None
    assert grey.semi_axes_px == pytest.approx((60, 58), abs=0.1)


def view(tilt_deg: float) -> CameraPose:
    focal = 900.0
    turn, _ = cv2.Rodrigues(np.radians([0.6 * tilt_deg, -0.8 * tilt_deg, 0.0]))
    matrix = np.array([[focal, 0, (SIZE[0] - 1) / 2], [0, focal, (SIZE[1] - 1) / 2], [0, 0, 1.0]])
    return CameraPose(matrix, np.zeros(5), turn, np.array([0.0, 0.0, 300.0]))


PHONE = CameraInfo(focal_equiv_mm=36.0)


def projected_rims(pose: CameraPose, middles_mm: np.ndarray, radius_mm: float = 12.5) -> list[RimEllipse]:
    turns = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    rims = []
    for middle in middles_mm:
        ring = middle + radius_mm * np.column_stack([np.cos(turns), np.sin(turns)])
        (x, y), (width, height), angle = cv2.fitEllipseDirect(pose.project(ring, 0.0).astype(np.float32))
        long, short = sorted((width / 2, height / 2), reverse=True)
        turn = np.radians(angle) + (0 if width >= height else np.pi / 2)
        rims.append(RimEllipse((x, y), (long, short), float(turn), 0.2, 1.0))
    return rims


def areas_by(scale, pose: CameraPose, middles_mm: np.ndarray) -> np.ndarray:
    """Areas of 10 mm squares around the middles, seen by `pose` and measured by `scale`; exact geometry."""
    corners = middles_mm[:, None] + np.array([(-5, -5), (5, -5), (5, 5), (-5, 5)])
    x, y = np.moveaxis(scale.plane.to_plane(pose.project(corners.reshape(-1, 2), 0.0), 0.0).reshape(-1, 4, 2), -1, 0)
    return 0.5 * (x * np.roll(y, -1, 1) - y * np.roll(x, -1, 1)).sum(axis=1)


def grid(columns: int, rows: int, pitch_mm: float = 29.0) -> np.ndarray:
    x, y = np.meshgrid(np.arange(columns) - (columns - 1) / 2, np.arange(rows) - (rows - 1) / 2)
    return pitch_mm * np.column_stack([x.ravel(), y.ravel()])


@pytest.mark.parametrize("tilt_deg", [0.0, 6.0, 12.0])
def test_many_rims_tell_tilt_distance_and_areas(tilt_deg):
    pose, middles = view(tilt_deg), grid(6, 4)
    scale = scale_of_rims(projected_rims(pose, middles), 25.0, 0.05, PHONE, SIZE)
    # exact geometry; a rim's ellipse is not quite a circle seen from far away
    assert areas_by(scale, pose, middles) == pytest.approx(100.0, rel=5e-3)
    assert scale.plane.tilt_deg == pytest.approx(tilt_deg, abs=1.0)
    assert scale.plane.camera_height_mm == pytest.approx(pose.camera_height_mm, rel=0.01)
    assert [doubt.key for doubt in scale.doubts] == ["scale_from_rim"]


def test_one_rim_tells_the_areas_about_it():
    pose, middles = view(8.0), np.array([(20.0, -10.0)])
    scale = scale_of_rims(projected_rims(pose, middles), 25.0, 0.05, PHONE, SIZE)
    assert areas_by(scale, pose, middles) == pytest.approx(100.0, rel=0.01)
    assert scale.plane.to_plane([scale.plane.project([(0, 0)], 0.0)[0]], 0.0) == pytest.approx(np.zeros((1, 2)))


def test_a_ring_that_is_no_plug_does_not_matter():
    pose, middles = view(4.0), grid(4, 3)
    rims = projected_rims(pose, middles)
    rims[5] = projected_rims(pose, middles[5:6], radius_mm=11.0)[0]
    scale = scale_of_rims(rims, 25.0, 0.05, PHONE, SIZE)
    assert areas_by(scale, pose, middles) == pytest.approx(100.0, rel=5e-3)
    assert scale.doubts[0].detail == "11 rims"


def test_uncertainty_of_the_plugs_diameter_enters():
    rims = projected_rims(view(4.0), grid(4, 3))
    sure, unsure = (scale_of_rims(rims, 25.0, u, PHONE, SIZE) for u in (0.0, 1.0))
    assert unsure.scale_u_rel**2 - sure.scale_u_rel**2 == pytest.approx((1.0 / 25.0) ** 2)  # JCGM 100:2008, eq. 10


def test_without_exif_the_height_is_unsure():
    rims = projected_rims(view(4.0), grid(4, 3))
    assert scale_of_rims(rims, 25.0, 0.05, CameraInfo(), SIZE).camera_height_u_rel > 0.3
    assert scale_of_rims(rims, 25.0, 0.05, PHONE, SIZE).camera_height_u_rel == pytest.approx(0.03)


def drawn_rims(pose: CameraPose, middles: np.ndarray) -> np.ndarray:
    rims = projected_rims(pose, middles)
    return draw_ellipses([(*r.centre_px, *r.semi_axes_px, r.angle_rad) for r in rims], size=SIZE)


def test_a_photo_of_plugs_gives_its_scale():
    pose, middles = view(5.0), grid(4, 3, pitch_mm=40.0)
    scale = scale_from_rims(drawn_rims(pose, middles), 25.0, 0.05, PHONE, photo_name="a.jpg")
    assert areas_by(scale, pose, middles) == pytest.approx(100.0, rel=0.01)
    assert scale.method == "plug rim"
    assert scale.mm_per_px == pytest.approx(300 / 900, rel=0.02)


def test_a_photo_without_plugs_is_refused():
    with pytest.raises(
        ReferenceNotFound, match=r"a\.jpg: no printed reference was named and no clear rim of a 25 mm"
    ):
        scale_from_rims(np.full((300, 400, 3), 90, np.uint8), 25.0, 0.1, PHONE, photo_name="a.jpg")


def test_steeply_seen_plugs_are_refused():
    with pytest.raises(ViewUnusable, match=r"rims look tilted by 2\d degrees"):
        scale_from_rims(drawn_rims(view(28.0), grid(4, 3, 40.0)), 25.0, 0.05, PHONE, photo_name="a.jpg")
