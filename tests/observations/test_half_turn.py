"""Views numbered from either end of a board, brought to agree."""

import itertools

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.boards import Chessboard
from eyebolt.geometry import Mount
from eyebolt.geometry.camera_model import CameraModel
from eyebolt.observations import half_turn as half_turns
from eyebolt.observations.board_pose import CornerObservations, fit_board_poses
from eyebolt.observations.half_turn import (
    _votes,
    half_turn,
    is_half_turn_symmetric,
    renumbered_pair,
    resolve_half_turns,
    reversed_numbering,
    reversed_views,
)
from eyebolt.observations.pair import Pair

BOARD = Chessboard(8, 6, 0.015)
CAMERA = CameraModel(1280, 960, np.array([[1400.0, 0, 640], [0, 1400.0, 480], [0, 0, 1]]), np.zeros(5))


def motion(rotvec, shift):
    T = np.eye(4)
    T[:3, :3] = Rotation.from_rotvec(rotvec).as_matrix()
    T[:3, 3] = shift
    return T


def pairs_of(mount, count, rng, noise_px=0.05, noise_m=1e-4, noise_rad=3e-4):
    X, Y = (motion(rng.normal(size=3), rng.normal(size=3) * 0.3) for _ in range(2))
    out = []
    for k in range(count):
        tilt = rng.normal(size=3) * [0.3, 0.3, 1.5]
        view = motion(tilt, [0, 0, 0])
        view[:3, 3] = [0.05 * rng.normal(), 0.05 * rng.normal(), 0.6] - view[:3, :3] @ [0.06, 0.045, 0]
        A = X @ view @ np.linalg.inv(Y) @ motion(rng.normal(size=3) * noise_rad, rng.normal(size=3) * noise_m)
        points = BOARD.corners_m() @ view[:3, :3].T + view[:3, 3]
        seen = CAMERA.project(points) + rng.normal(0, noise_px, (BOARD.corner_count, 2))
        out.append(Pair(k, A if mount is Mount.FIXED else np.linalg.inv(A), np.arange(BOARD.corner_count), seen))
    return out


@pytest.mark.parametrize("mount", list(Mount))
@pytest.mark.parametrize("count", [2, 3, 5, 12])
def test_views_read_from_the_other_end_are_turned_back(mount, count):
    rng = np.random.default_rng(count)
    for _ in range(5):
        true = pairs_of(mount, count, rng)
        wrong = rng.random(count) < 0.5
        wrong[0] = False
        given = [renumbered_pair(p, reversed_numbering(BOARD)) if w else p for p, w in zip(true, wrong, strict=True)]
        alike = resolve_half_turns(given, CAMERA, BOARD, mount)
        for got, want in zip(alike, true, strict=True):
            assert got.ids.tolist() == want.ids.tolist()
            np.testing.assert_array_equal(got.corners_px, want.corners_px)


def test_exact_views_agree_or_disagree_wholly():
    rng = np.random.default_rng(11)
    pairs = pairs_of(Mount.FIXED, 6, rng, noise_px=0.0, noise_m=0.0, noise_rad=0.0)
    corners = CornerObservations.from_pairs(pairs, BOARD.corners_m())
    views = fit_board_poses(CAMERA, corners).camera_T_board
    is_turned = np.array([False, True, True, False, True, False])
    views[is_turned] = views[is_turned] @ half_turn(BOARD)
    chain = Mount.FIXED.chain(np.array([pair.base_T_flange for pair in pairs]))
    sides = np.where(is_turned, -1.0, 1.0)
    votes = _votes(chain, views, half_turn(BOARD))
    np.testing.assert_allclose(votes, np.outer(sides, sides) - np.eye(6), atol=1e-3)
    assert reversed_views(chain, views, half_turn(BOARD)).tolist() == is_turned.tolist()


def test_symmetric_is_a_board_of_which_every_corner_has_a_counterpart():
    corners = BOARD.corners_m()
    assert is_half_turn_symmetric(corners)
    # One inner corner more, so that extent and centre stay.
    assert not is_half_turn_symmetric(np.vstack([corners, corners[:1] + np.array([0.004, 0.003, 0.0])]))
    moved = corners.copy()
    moved[9] += [0.0, 2e-6, 0.0]
    assert not is_half_turn_symmetric(moved)


def test_an_outlier_does_not_reverse_the_others():
    rng = np.random.default_rng(7)
    true = pairs_of(Mount.FIXED, 9, rng)
    true[4] = Pair(4, true[5].base_T_flange, true[4].ids, true[4].corners_px)
    given = [renumbered_pair(p, reversed_numbering(BOARD)) if k in (2, 3, 7) else p for k, p in enumerate(true)]
    alike = resolve_half_turns(given, CAMERA, BOARD, Mount.FIXED)
    for k in (0, 1, 2, 3, 5, 6, 7, 8):
        np.testing.assert_array_equal(alike[k].corners_px, true[k].corners_px)


def test_other_boards_and_lone_views_stay_as_they_are():
    rng = np.random.default_rng(8)
    pairs = pairs_of(Mount.FIXED, 3, rng)
    unlike = Chessboard(8, 5, 0.015)
    assert resolve_half_turns(pairs, CAMERA, unlike, Mount.FIXED) == tuple(pairs)
    assert resolve_half_turns(pairs[:1], CAMERA, BOARD, Mount.FIXED) == tuple(pairs[:1])
    assert resolve_half_turns([], CAMERA, BOARD, Mount.FIXED) == ()


def test_half_a_turn_carries_each_corner_to_the_one_at_the_other_end():
    corners = BOARD.corners_m()
    np.testing.assert_allclose(
        corners @ half_turn(BOARD)[:3, :3].T + half_turn(BOARD)[:3, 3], corners[::-1], atol=1e-12
    )


def test_the_agreement_of_contradicting_votes_is_the_largest_there_is(monkeypatch):
    """Votes of a noisy arm, in part wrong; every way to number eight views is tried."""
    every = np.array([(1, *rest) for rest in itertools.product((1, -1), repeat=7)], dtype=float)
    for seed in range(60):
        rng = np.random.default_rng(seed)
        true = np.where(rng.random(8) < 0.5, 1.0, -1.0)
        votes = 0.2 * np.outer(true, true) + rng.normal(0, 0.35, (8, 8))
        votes = (votes + votes.T) / 2
        np.fill_diagonal(votes, 0.0)
        monkeypatch.setattr(half_turns, "_votes", lambda *_, votes=votes: votes)
        sides = np.where(reversed_views(np.eye(4)[None], np.eye(4)[None], np.eye(4)), -1.0, 1.0)
        assert sides @ votes @ sides == pytest.approx(((every @ votes) * every).sum(axis=1).max())
