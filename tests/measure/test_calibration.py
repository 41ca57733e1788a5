"""The camera from synthetic board corners of known truth. The corners come from the simulator's own projection,
which shares no code.
"""

from __future__ import annotations

import numpy as np
import pytest

from edgeinspect.errors import CalibrationError
from edgeinspect.geometry import Array, Pose
from edgeinspect.measure.board import Board, BoardView
from edgeinspect.measure.calibration import CalibrationLimits, CalibrationResult, calibrate
from edgeinspect.measure.calibration_report import report
from edgeinspect.measure.calibration_uncertainty import GoodTo
from edgeinspect.measure.camera import PARAMETERS
from edgeinspect.simulate.camera import TrueCamera

BOARD = Board("charuco", 13, 9, 30.0, 22.0, "DICT_5X5_250")
IDS = np.arange(96, dtype=np.int32)
TRUTH = TrueCamera(1600, 1200, 3004.0, 3001.0, 806.0, 595.0, (-0.12, 0.10, 3e-4, -3e-4, 0.0), Pose.identity())
# Tipped about x and y, turned [deg]; centre of the board in the picture, shares of its size off the middle; distance
# [mm].
STANDS = (
    ((0, 0, 0), (0.0, 0.0), 950),
    ((22, 0, 5), (-0.1, 0.1), 1000),
    ((-22, 4, -4), (0.1, -0.1), 1000),
    ((3, 24, 90), (0.0, 0.0), 1050),
    ((-4, -24, 0), (0.1, 0.1), 1000),
    ((16, 16, 30), (-0.15, -0.15), 1050),
    ((-16, 16, -30), (0.15, -0.15), 1050),
    ((16, -16, 180), (-0.15, 0.15), 1050),
    ((-16, -16, 45), (0.15, 0.15), 1050),
)


def _poses(stands: tuple[tuple[tuple[int, int, int], tuple[float, float], int], ...] = STANDS) -> list[Pose]:
    middle = Pose(np.eye(3), np.array([-195.0, -135.0, 0.0]))  # turns about the board's centre
    out = []
    for turn, (across, down), distance in stands:
        x, y = across * 1600 / 3000 * distance, down * 1200 / 3000 * distance
        out.append(Pose.from_degrees(turn, (x, y, distance)).after(middle))
    return out


def _views(
    noise_px: float, seed: int, poses: list[Pose] | None = None, camera: TrueCamera = TRUTH
) -> dict[str, BoardView | None]:
    """Corners of the board in every picture, as far as they lie in it."""
    random = np.random.default_rng(seed)
    views: dict[str, BoardView | None] = {}
    points = BOARD.corner_mm(IDS)
    for k, pose in enumerate(poses or _poses()):
        pixels = camera.project(pose.apply(points)) + random.normal(0.0, noise_px, (96, 2))
        inside = (pixels > 8).all(axis=1) & (pixels < (camera.width_px - 8, camera.height_px - 8)).all(axis=1)
        views[f"board_{k:02d}.png"] = BoardView(IDS[inside], points[inside], pixels[inside])
    return views


def _solve(views: dict[str, BoardView | None], **options: object) -> CalibrationResult:
    return calibrate("top", views, BOARD, 1600, 1200, **options)  # type: ignore[arg-type]


def _true_parameters() -> Array:
    return np.array([TRUTH.fx_px, TRUTH.fy_px, TRUTH.cx_px, TRUTH.cy_px, *TRUTH.distortion])


def test_perfect_corners_give_the_camera_back() -> None:
    result = _solve(_views(0.0, 0))
    # cv2.calibrateCamera takes float32 corners: 6e-5 px at 1600 px, so not exact.
    assert result.rms_px < 1e-4
    assert np.abs(result.model.parameters[:4] - _true_parameters()[:4]).max() < 0.01
    grid = np.stack(np.meshgrid(np.linspace(-0.25, 0.25, 9), np.linspace(-0.19, 0.19, 7)), axis=-1).reshape(-1, 2)
    points = np.column_stack([grid * 1000.0, np.full(len(grid), 1000.0)])
    assert np.abs(result.model.project(points, Pose.identity()) - TRUTH.project(points)).max() < 0.002


def test_predicted_uncertainty_is_the_scatter() -> None:
    """Monte Carlo: the key test of a gauge. Standard deviations within 15 %, all nine together within 5 % (200 draws
    tell 5 % and 2 %).
    """
    results = [_solve(_views(0.05, seed)) for seed in range(200)]
    errors = np.array([r.model.parameters - _true_parameters() for r in results])
    predicted = np.sqrt(np.mean([np.diag(r.covariance) for r in results], axis=0))
    scatter = np.sqrt((errors**2).mean(axis=0))
    for name, ratio in zip(PARAMETERS, scatter / predicted, strict=True):
        assert 0.85 < ratio < 1.15, f"{name}: scatter is {ratio:.2f} times what was predicted"
    whitened = [e @ np.linalg.solve(r.covariance, e) / 9 for e, r in zip(errors, results, strict=True)]
    assert abs(np.sqrt(np.mean(whitened)) - 1.0) < 0.05
    assert np.mean([r.sigma_px for r in results]) == pytest.approx(0.05, rel=0.01)
    assert np.mean([r.widening for r in results]) < 1.1, "white noise must not look like pictures that disagree"


def test_corners_that_err_together_widen_the_uncertainty() -> None:
    """A bent sheet: every picture sees it bent, the white-noise covariance alone would be far too small."""
    random = np.random.default_rng(5)
    errors, predicted, widening = [], [], []
    for _ in range(40):
        views = _views(0.02, int(random.integers(1 << 30)))
        for name, view in views.items():
            assert view is not None
            u = (view.points_mm[:, :2] - (195.0, 135.0)) / 150.0
            bend = random.normal(0.0, 0.15, (3, 2))  # another warp [px] in each picture: the hand holds it differently
            shift = u[:, :1] ** 2 * bend[0] + u[:, 1:] ** 2 * bend[1] + u[:, :1] * u[:, 1:] * bend[2]
            views[name] = BoardView(view.ids, view.points_mm, view.pixels + shift)
        result = _solve(views, leave_out_bad=False)
        errors.append(result.model.parameters - _true_parameters())
        predicted.append(result.u)
        widening.append(result.widening)
    scatter = np.sqrt(np.mean(np.square(errors), axis=0))[:4]
    told = np.sqrt(np.mean(np.square(predicted), axis=0))[:4]
    assert np.mean(widening) > 2.0
    assert (scatter / told < 1.6).all(), scatter / told
    assert (scatter / told > 0.6).all(), scatter / told


def test_bad_picture_is_named_and_left_out() -> None:
    views = _views(0.03, 3)
    spoilt = views["board_04.png"]
    assert spoilt is not None
    smear = 0.4 * np.sin(spoilt.points_mm[:, :1] / 25.0) * np.array([1.0, -1.0])
    views["board_04.png"] = BoardView(spoilt.ids, spoilt.points_mm, spoilt.pixels + smear)
    kept = _solve(views, leave_out_bad=False)
    assert [v.name for v in kept.bad_views] == ["board_04.png"] and not kept.left_out and len(kept.views) == 9
    result = _solve(views)
    assert [v.name for v in result.left_out] == ["board_04.png"]
    assert len(result.views) == 8 and result.rms_px < 0.05 < kept.rms_px
    assert any("board_04.png fits" in line and "left out" in line for line in report(result))
    assert any("board_04.png fits" in line and "used all the same" in line for line in report(kept))


def test_a_bad_picture_stays_when_there_are_too_few_without_it() -> None:
    views = dict(list(_views(0.03, 3).items())[:6])
    first = views["board_01.png"]
    assert first is not None
    views["board_01.png"] = BoardView(
        first.ids, first.points_mm, first.pixels + 0.5 * np.sin(first.points_mm[:, :1] / 25.0)
    )
    result = _solve(views)
    assert not result.left_out and [v.name for v in result.bad_views] == ["board_01.png"]


def test_a_coarse_calibration_is_called_so() -> None:
    result = _solve(_views(0.03, 1))
    assert not any("too coarse" in line for line in report(result, None, GoodTo(0.02, 0.09, "upper left")))
    assert any("too coarse" in line for line in report(result, None, GoodTo(0.02, 0.11, "upper left")))


def test_held_terms_are_zero_and_certain() -> None:
    result = _solve(_views(0.03, 1), held=("p1", "p2", "k3"))
    assert (result.model.distortion[2:] == 0).all() and (result.u[6:] == 0).all() and (result.u[:6] > 0).all()
    with pytest.raises(ValueError, match="held names fx, must be of k1"):
        _solve(_views(0.03, 1), held=("fx",))


def _refusal(views: dict[str, BoardView | None]) -> str:
    with pytest.raises(CalibrationError) as refused:
        _solve(views)
    return "\n".join(refused.value.problems)


def test_too_few_pictures_are_refused_naming_those_without_a_board() -> None:
    views = dict(list(_views(0.03, 1).items())[:5]) | {"dark.png": None, "hand.png": None}
    said = _refusal(views)
    assert "found in 5 pictures, must be at least 6; no board was found in dark.png and hand.png" in said
    assert "found in any of 9 pictures" in _refusal(dict.fromkeys(_views(0.0, 0)))


def test_uncovered_part_of_the_picture_is_named() -> None:
    everywhere = _views(0.03, 1)
    views: dict[str, BoardView | None] = {}
    for name, view in everywhere.items():
        assert view is not None
        keep = ~((view.pixels[:, 0] < 540) & (view.pixels[:, 1] < 405))
        views[name] = BoardView(view.ids[keep], view.points_mm[keep], view.pixels[keep])
    assert "the board never reached the upper left of the picture: add pictures" in _refusal(views)


def test_small_boards_in_the_middle_are_refused() -> None:
    far = tuple((turn, (0.0, 0.0), 3000) for turn, _, _ in STANDS)
    said = _refusal(_views(0.03, 1, _poses(far)))
    assert "the board never reached the upper left, upper centre" in said


def test_parallel_boards_are_refused() -> None:
    square = tuple(((0, 0, turn[2]), place, distance) for turn, place, distance in STANDS)
    said = _refusal(_views(0.03, 1, _poses(square)))
    assert said.count("the boards differ by 0 degrees only") == 2
    one_way = tuple(((turn[0], 0, 0), place, distance) for turn, place, distance in STANDS)
    said = _refusal(_views(0.03, 1, _poses(one_way)))
    assert "tipped left and right, must be at least 15: add pictures with the board tipped left and right" in said
    assert "towards the camera" not in said


def test_another_board_is_refused() -> None:
    """A board of other proportions: corners where no flat grid of squares puts them."""
    views = _views(0.03, 1)
    for name, view in views.items():
        assert view is not None
        skewed = view.points_mm.copy()
        skewed[:, 0] += skewed[:, 1] ** 2 / 2000.0
        views[name] = BoardView(view.ids, skewed, view.pixels)
    assert "the board in the pictures is not the one described (13 x 9 squares), or it is bent" in _refusal(views)


def test_every_reason_is_told_at_once() -> None:
    flat_far = tuple(((0, turn[1], 0), (0.0, 0.0), 1900) for turn, _, _ in STANDS)
    with pytest.raises(CalibrationError) as refused:
        _solve(_views(0.03, 1, _poses(flat_far)))
    assert len(refused.value.problems) == 2, refused.value.problems


def test_limits_can_be_set() -> None:
    views = dict(list(_views(0.03, 1).items())[:5])
    assert len(_solve(views, limits=CalibrationLimits(fewest_views=5, least_area_share=0.3)).views) == 5
