"""The verdict of one view, at each limit and a hair to either side of it."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.board.light import Light
from eyebolt.board.sighting import NoSighting, Sighting
from eyebolt.pairs.verdict import Verdict, judge_view, verdict
from eyebolt.wire.codes import CODES

SIZE_PX = (1280, 960)
CORNERS = 88
LIGHT = Light(dark_level=0.1, bright_level=0.7, burnt_fraction=0.0, black_fraction=0.0, contrast=0.75)
HAIR = 1e-6


def seen(light=LIGHT, corners=CORNERS, size_px=SIZE_PX):
    ids = np.arange(corners)
    return Sighting(ids, np.stack([10.0 * ids, 5.0 * ids], axis=-1), light, size_px, 0.6)


def pose(shift_mm=0.0, turn_deg=0.0, axis=(0.0, 0.6, 0.8)):
    T = np.eye(4)
    T[:3, :3] = Rotation.from_rotvec(np.deg2rad(turn_deg) * np.array(axis)).as_matrix()
    T[:3, 3] = np.array([0.5, -0.2, 0.4]) + 1e-3 * shift_mm * np.array([2 / 3, -1 / 3, 2 / 3])
    return T


def judged(view, kept_poses=(), at=None, **more):
    at = pose() if at is None else at
    return judge_view(view, SIZE_PX, CORNERS, at, list(kept_poses), **more)


def test_a_good_view_of_a_new_pose_is_kept():
    assert judged(seen()) == Verdict(0, CODES[0].says, CODES[0].advice)


@pytest.mark.parametrize("size_px", [(1279, 960), (1280, 961), (960, 1280), (640, 480)])
@pytest.mark.parametrize("picture_only", [False, True])
def test_a_picture_of_another_size_than_the_lens_file_outranks_everything(size_px, picture_only):
    for view in (seen(size_px=size_px, corners=3), NoSighting("dark", LIGHT, size_px)):
        found = judged(view, picture_only=picture_only)
        assert found.code == 38
        assert f"{size_px[0]} x {size_px[1]}" in found.says
        assert "1280 x 960" in found.says


@pytest.mark.parametrize(
    ("reason", "code", "word"), [("no-board", 20, "board"), ("dark", 25, "dark"), ("burnt-out", 25, "burnt out")]
)
def test_nothing_seen(reason, code, word):
    found = judged(NoSighting(reason, LIGHT, SIZE_PX))
    assert found.code == code
    assert word in found.says


# A fifth of the board, and never fewer than six corners.
@pytest.mark.parametrize(
    ("of_all", "corners", "code"),
    [(88, 17, 24), (88, 18, 0), (30, 5, 24), (30, 6, 0), (12, 5, 24), (12, 6, 0), (40, 7, 24), (40, 8, 0), (40, 0, 24)],
)
def test_too_little_of_the_board(of_all, corners, code):
    found = judge_view(seen(corners=corners), SIZE_PX, of_all, pose(), [])
    assert found.code == code
    if code:
        assert f"{corners} of {of_all} corners" in found.says


@pytest.mark.parametrize(
    ("field", "level", "code"),
    [
        ("burnt_fraction", 0.05, 0),
        ("burnt_fraction", 0.05 + HAIR, 2),
        ("burnt_fraction", 0.30, 2),
        ("burnt_fraction", 0.30 + HAIR, 25),
        ("bright_level", 0.16, 0),
        ("bright_level", 0.16 - HAIR, 2),
        ("bright_level", 0.08, 2),
        ("bright_level", 0.08 - HAIR, 25),
        ("contrast", 0.20, 0),
        ("contrast", 0.20 - HAIR, 2),
        ("contrast", 0.10, 2),
        ("contrast", 0.10 - HAIR, 25),
    ],
)
@pytest.mark.parametrize("picture_only", [False, True])
def test_light(field, level, code, picture_only):
    found = judged(seen(replace(LIGHT, **{field: level})), picture_only=picture_only)
    assert found.code == code
    if code:
        assert f"{level:.0%}" in found.says


@pytest.mark.parametrize("marginal", [{"burnt_fraction": 0.1}, {"bright_level": 0.12}, {"contrast": 0.15}])
@pytest.mark.parametrize("hopeless", [{"burnt_fraction": 0.4}, {"bright_level": 0.05}, {"contrast": 0.05}])
def test_what_is_only_marginal_does_not_hide_what_is_hopeless(marginal, hopeless):
    (name,) = hopeless
    found = judged(seen(replace(LIGHT, **(marginal | hopeless))))
    assert found.code == 25
    assert f"{hopeless[name]:.0%}" in found.says


@pytest.mark.parametrize(
    ("shift_mm", "turn_deg", "code"),
    [
        (0.0, 0.0, 26),
        (0.999, 0.499, 26),
        (1.001, 0.0, 1),
        (0.0, 0.501, 1),
        (7.999, 1.999, 1),
        (8.001, 0.0, 0),
        (0.0, 2.001, 0),
        (8.001, 2.001, 0),
        (500.0, 0.0, 0),
        (0.0, 180.0, 0),
    ],
)
def test_nearness_to_a_kept_pair(shift_mm, turn_deg, code):
    far = pose(300.0, 40.0)
    found = judged(seen(), [far, pose(shift_mm, turn_deg), far])
    assert found.code == code
    if code:
        assert f"{shift_mm:.1f} mm and {turn_deg:.1f} deg" in found.says


def test_one_pair_near_in_place_and_another_near_in_turn_make_no_similar_one():
    assert judged(seen(), [pose(0.0, 90.0), pose(200.0, 0.0)]).code == 0


def test_the_same_pose_outranks_a_similar_one_wherever_it_stands():
    poses = [pose(3.0, 0.0), pose(0.2, 0.1), pose(4.0, 0.0)]
    for order in (poses, poses[::-1]):
        found = judged(seen(), order)
        assert found.code == 26
        assert "0.2 mm and 0.1 deg" in found.says


def test_checks_may_repeat_a_pose():
    assert judged(seen(), [pose()], picture_only=True).code == 0


def test_refusals_of_the_picture_come_before_nearness_and_nearness_before_marginal_light():
    marginal, hopeless = replace(LIGHT, contrast=0.15), replace(LIGHT, contrast=0.05)
    assert judged(seen(hopeless), [pose()]).code == 25
    assert judged(seen(corners=5), [pose()]).code == 24
    assert judged(seen(marginal), [pose()]).code == 26
    assert judged(seen(marginal), [pose(5.0)]).code == 1


def test_words_of_the_code_where_none_are_given():
    for code, row in CODES.items():
        assert verdict(code) == Verdict(code, row.says, row.advice)
        assert verdict(code, "so", "do that") == Verdict(code, "so", "do that")
