import itertools

import cv2
import numpy as np
import pytest
from scipy.stats import norm

from eyebolt.boards import board_from_mm
from eyebolt.boards.detect import find_board
from eyebolt.boards.detection import Detection
from eyebolt.errors import InputFault
from eyebolt_sim.board_texture import draw_board_texture
from eyebolt_sim.lens import Lens, read_lens, simple_lens
from eyebolt_sim.render import Appearance, Renderer
from eyebolt_sim.transforms import transform_points
from eyebolt_sim.views import ViewRange, random_views

DISTORTED = (-0.12, 0.08, 0.001, -0.0007, 0.01)
BOARDS = {
    "charuco": ("charuco", 12, 9, 20.0, 14.0, "5X5_100"),
    "legacy": ("charuco", 11, 8, 20.0, 14.0, "5X5_100", "legacy"),
    "chessboard": ("chessboard", 12, 9, 20.0),
}


@pytest.mark.parametrize("kind", BOARDS)
def test_detected_corners_are_at_their_true_projections(kind):
    lens = simple_lens(1280, 1024, 1400.0, DISTORTED)
    face = draw_board_texture(*BOARDS[kind])
    board = board_from_mm(*BOARDS[kind])
    renderer = Renderer(lens, face, seed=3)
    views = random_views(lens, face.shape, ViewRange(distance_m=(0.5, 0.9), tilt_deg=(0, 35)), np.random.default_rng(2))
    errors = []
    for index, view in enumerate(itertools.islice(views, 10)):
        detection = find_board(renderer.render(view, index), board)
        assert isinstance(detection, Detection)
        truth = lens.project(transform_points(view, face.shape.corners_m))
        errors.append(detection.corners_px - truth[detection.ids])
    pooled = np.concatenate(errors)
    print(f"{kind}: {len(pooled)} corners, bias {pooled.mean(axis=0)} px, scatter {pooled.std(axis=0)} px")
    assert len(pooled) > 0.9 * 10 * len(face.shape.corners_m)
    assert np.abs(pooled.mean(axis=0)).max() < 0.02
    assert pooled.std(axis=0).max() < 0.05


@pytest.mark.parametrize(
    "distortion",
    [
        (),
        (-0.3, 0.1, 0.001, -0.002),
        DISTORTED,
        (0.1, 0.2, 0.001, 0.001, 0.1, 0.05, 0.1, 0.02),
        (-0.1, 0.05, 0, 0, 0, 0, 0, 0, 0.002, -0.001, 0.001, 0.0005),
    ],
)
def test_projection_matches_opencv_and_rays_invert_it(distortion):
    lens = simple_lens(1280, 1024, 1400.0, distortion)
    rng = np.random.default_rng(0)
    points = np.column_stack([rng.uniform(-0.4, 0.4, 200), rng.uniform(-0.3, 0.3, 200), rng.uniform(0.9, 1.4, 200)])
    expected, _ = cv2.projectPoints(points, np.zeros(3), np.zeros(3), lens.matrix, lens.distortion)
    pixels = lens.project(points)
    assert pixels == pytest.approx(expected.reshape(-1, 2), abs=1e-9)
    assert lens.rays(pixels)[:, :2] == pytest.approx(points[:, :2] / points[:, 2:], abs=1e-10)


@pytest.mark.parametrize("blur_px", [0.0, 0.4, 0.7, 1.5])
def test_an_edge_is_blurred_by_the_point_spread_function_and_averaged_over_the_pixel(blur_px):
    lens = simple_lens(400, 300, 500.0)
    face = draw_board_texture("chessboard", 5, 4, 40.0)
    appearance = Appearance(blur_px=blur_px, light_falloff=0, read_noise=0, shot_noise=0)
    view = np.eye(4)
    for shift in (0.0, 0.13, 0.25, 0.4, 0.5):
        view[:3, 3] = [-0.1 + shift * 1e-3, -0.08, 0.5]
        edge_px = float(lens.project(transform_points(view, [[0.08, 0.06, 0]]))[0, 0])
        columns = np.arange(round(edge_px) - 6, round(edge_px) + 7)
        levels = (Renderer(lens, face, appearance).render(view, 0)[130, columns] - appearance.black) / (
            appearance.white - appearance.black
        )
        within = np.linspace(-0.5, 0.5, 201)[1::2]
        expected = norm.cdf((columns[:, None] + within - edge_px) / max(blur_px, 1e-6)).mean(axis=1)
        # Texels of up to half a pixel add a little blur; one gray level is 0.006.
        assert levels == pytest.approx(expected, abs=0.04)


def test_noise_has_the_stated_size_and_the_same_seed_gives_the_same_image():
    lens = simple_lens(640, 480, 700.0)
    face = draw_board_texture("chessboard", 8, 5, 20.0)
    out_of_view = np.eye(4)
    out_of_view[:3, 3] = [0, 0, -1]
    appearance = Appearance(read_noise=2.0, shot_noise=0.05)
    renderer = Renderer(lens, face, appearance, seed=1)
    stack = np.array([renderer.render(out_of_view, k).astype(float) for k in range(40)])
    mean = stack.mean(axis=0)
    expected = np.sqrt(appearance.read_noise**2 + appearance.shot_noise * mean + 1 / 12)
    assert (stack.std(axis=0, ddof=1) / expected).mean() == pytest.approx(1, abs=0.03)
    assert (renderer.render(out_of_view, 3) == stack[3]).all()
    assert (Renderer(lens, face, appearance, seed=2).render(out_of_view, 3) != stack[3]).any()


def test_a_board_from_behind_or_outside_the_image_is_not_drawn():
    lens = simple_lens(640, 480, 700.0)
    face = draw_board_texture("chessboard", 8, 5, 20.0)
    renderer = Renderer(lens, face, Appearance(read_noise=0, shot_noise=0))
    facing = np.eye(4)
    facing[:3, 3] = [-0.08, -0.05, 0.6]
    behind = facing @ np.diag([1, -1, -1, 1.0])
    outside = facing.copy()
    outside[0, 3] = 3.0
    empty = renderer.render(np.diag([1, 1, 1, 1.0]) + np.array([[0, 0, 0, 0]] * 2 + [[0, 0, 0, -1]] + [[0] * 4]), 0)
    assert (renderer.render(behind, 0) == empty).all()
    assert (renderer.render(outside, 0) == empty).all()
    assert (renderer.render(facing, 0) != empty).mean() > 0.1


def test_boards_that_cannot_be_drawn_and_invalid_lens_files_are_refused(tmp_path):
    for board in (("circles", 7, 5, 0), ("charuco", 7, 5, 20.0, 15.0, "9X9_77")):
        with pytest.raises(InputFault) as refused:
            draw_board_texture(*board)
        assert refused.value.code == "sim-board"
    path = tmp_path / "camera.json"
    for text in (
        "",
        '{"width": 4, "height": 3, "matrix": [1, 2]}',
        '{"width": 4, "height": 3, "matrix": [[1,0,0],[0,1,0],[0,0,1]], "distortion": [1, 2, 3]}',
    ):
        path.write_text(text)
        with pytest.raises(InputFault) as refused:
            read_lens(path)
        assert refused.value.code == "lens-file"
    path.write_text('{"width": 4, "height": 3, "matrix": [[5,0,1.5],[0,6,1],[0,0,1]]}')
    assert isinstance(read_lens(path), Lens)
