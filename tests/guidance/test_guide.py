"""A guided run from the first pose to the pairs, without sockets and images."""

import numpy as np
import pytest

from eyebolt.boards import CharucoBoard, Detection, find_board
from eyebolt.geometry import CameraModel, Mount, se3
from eyebolt.guidance import BoardFollower, Guide, GuideSetup, following, is_new_place
from eyebolt.protocol import GuidancePhase
from eyebolt_sim.board_texture import draw_board_texture
from eyebolt_sim.lens import simple_lens
from eyebolt_sim.render import Renderer
from support.guided_runs import EXPOSURE_S, LIMIT_PX, guided_run
from support.session_world import GOOD_LIGHT

BOARD = CharucoBoard(9, 7, 0.03, 0.022, "5X5_100")
LENS = simple_lens(1280, 1024, 1450.0)
CAMERA = CameraModel(LENS.width_px, LENS.height_px, LENS.matrix, LENS.distortion)


def test_pairs_are_taken_at_rest_only_and_at_every_usable_rest():
    run = guided_run(2, places=4)
    assert run.pairs
    assert max(run.motions_px) < LIMIT_PX
    assert run.usable_taken == run.usable > 0
    assert run.delay.delay_s == pytest.approx(run.timing.delay_s, abs=0.003)
    assert run.delay.half_width_s < 0.01
    places = [pair.base_T_flange for pair in run.pairs]
    assert all(is_new_place(pose, places[:k]) for k, pose in enumerate(places))
    exact = run.arm.reported_at(np.array([pair.frame.exposed_s + EXPOSURE_S / 2 for pair in run.pairs]))
    translation_m, rotation_rad = se3.pose_distance(exact, np.array(places))
    assert translation_m.max() < 5e-5
    assert rotation_rad.max() < 1e-4


def view(x_m=0.0):
    camera_T_board = se3.exp([x_m - 0.13, -0.1, 0.8, 0, 0, 0]) @ se3.exp([0, 0, 0, 0.4, 0, 0])
    corners_px = CAMERA.project(se3.apply(camera_T_board, BOARD.corners_m()))
    return Detection(np.arange(len(corners_px)), corners_px, GOOD_LIGHT, (1280, 1024), 0.6)


def stand(guide, seconds, x_m=0.0, begin_s=0.0, moves_px_per_image=0.0):
    """Poses at 125 Hz and images at 30 Hz of an arm at x; the last instant."""
    for k in range(int(seconds * 125)):
        guide.add_pose(begin_s + k / 125, se3.exp([x_m, 0, 0, 0, 0, 0]))
        if k % 4 == 0:
            moved_m = k / 4 * moves_px_per_image * 0.8 / 1450
            guide.add_frame(round((begin_s + k / 125) * 1000), begin_s + k / 125, view(x_m + moved_m))
    return begin_s + seconds


def test_the_operator_is_told_what_to_do():
    guide = Guide(GuideSetup(Mount.FIXED, CAMERA, BOARD, 0.01))
    assert guide.phase(0.0, [], False) is GuidancePhase.NO_POSES
    guide.add_pose(0.0, np.eye(4))
    assert guide.phase(0.1, [], False) is GuidancePhase.NO_IMAGES
    now_s = stand(guide, 0.2, begin_s=0.1)
    assert guide.phase(now_s, [], False) is GuidancePhase.HOLD_STILL
    assert guide.phase(now_s, [], True) is GuidancePhase.TAKING
    assert guide.phase(now_s, [np.eye(4)], False) is GuidancePhase.PLACE_TAKEN
    assert guide.phase(now_s + 5, [], False) is GuidancePhase.NO_POSES
    now_s = stand(guide, 0.4, begin_s=now_s, moves_px_per_image=8.0)
    assert guide.phase(now_s, [], False) is GuidancePhase.MOVE_ON


def test_without_a_delay_a_pair_needs_a_rest_that_any_delay_leaves_still():
    guide = Guide(GuideSetup(Mount.FIXED, CAMERA, BOARD, 0.01))
    now_s = stand(guide, 0.25)
    assert guide.next_pair([]) is None
    now_s = stand(guide, 0.6, begin_s=now_s)
    pair = guide.next_pair([])
    assert pair is not None
    assert pair.delay is None
    assert guide.next_pair([np.eye(4)]) is None
    assert guide.next_pair([], oldest=10**9) is None
    guide.begin_pair(pair)
    assert guide.next_pair([]) is None


def test_a_board_that_moves_although_the_poses_stand_still_is_not_taken():
    guide = Guide(GuideSetup(Mount.FIXED, CAMERA, BOARD, 0.01))
    stand(guide, 1.2, moves_px_per_image=0.3)
    assert guide.next_pair([]) is None


def test_a_place_that_was_refused_twice_is_left_alone():
    guide = Guide(GuideSetup(Mount.FIXED, CAMERA, BOARD, 0.01))
    now_s = 0.0
    for _ in range(2):
        now_s = stand(guide, 1.0, begin_s=now_s)
        guide.begin_pair(guide.next_pair([]))
    now_s = stand(guide, 1.0, begin_s=now_s)
    assert guide.next_pair([]) is None
    assert guide.phase(now_s, [], False) is GuidancePhase.PLACE_TAKEN


def test_a_lost_board_costs_one_whole_search_in_two_seconds(monkeypatch):
    searches = []

    def find(gray, board, *, is_quick=False):
        searches.append(is_quick)
        return find_board(gray, board, is_quick=True)

    monkeypatch.setattr(following, "find_board", find)
    follower = BoardFollower(BOARD)
    for k in range(60):
        follower.find(np.full((64, 64), 128, np.uint8), k / 30)
    assert searches.count(False) == 1
    assert 5 <= searches.count(True) <= 8


def test_the_board_is_followed_in_a_part_of_the_image():
    texture = draw_board_texture("charuco", 9, 7, 30.0, 22.0, "5X5_100", "current", None, None)
    renderer = Renderer(LENS, texture)
    follower = BoardFollower(BOARD)
    for k in range(3):
        pose = se3.exp([0.02 * k - 0.13, -0.1, 0.8, 0, 0, 0])
        found = follower.find(renderer.render(pose, k), k / 30)
        assert len(found.ids) == BOARD.corner_count
        assert found.image_size_px == (1280, 1024)
        exact_px = CAMERA.project(se3.apply(pose, BOARD.corners_m()))
        assert np.abs(found.corners_px - exact_px).max() < 0.3
    empty = np.full((1024, 1280), 90, np.uint8)
    assert not isinstance(follower.find(empty, 0.2), Detection)
    # The whole image is not searched in vain again at once.
    assert follower.find(empty, 0.22) is None
