"""The verdict of one view, at each limit and a hair to either side of it."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.boards.detection import Detection, NoDetection
from eyebolt.boards.exposure import ExposureStats, not_found_reason
from eyebolt.observations import thresholds as thresholds
from eyebolt.observations.exposure_map import ExposureMap
from eyebolt.observations.view_acceptance import Baseline, ViewAcceptance, assess_view, view_acceptance
from eyebolt.observations.view_quality import MotionCheck, View
from eyebolt.protocol import Code

SIZE_PX = (1280, 960)
CORNERS = 88
LIGHT = ExposureStats(dark_level=0.1, bright_level=0.7, saturated_fraction=0.0, black_fraction=0.0, contrast=0.75)
HAIR = 1e-6


def seen(light=LIGHT, corners=CORNERS, size_px=SIZE_PX, blur_px=0.6):
    ids = np.arange(corners)
    return Detection(ids, np.stack([10.0 * ids, 5.0 * ids], axis=-1), light, size_px, blur_px)


def pose(shift_mm=0.0, turn_deg=0.0, axis=(0.0, 0.6, 0.8)):
    T = np.eye(4)
    T[:3, :3] = Rotation.from_rotvec(np.deg2rad(turn_deg) * np.array(axis)).as_matrix()
    T[:3, 3] = np.array([0.5, -0.2, 0.4]) + 1e-3 * shift_mm * np.array([2 / 3, -1 / 3, 2 / 3])
    return T


def judged(picture, kept_poses=(), at=None, **more):
    at = pose() if at is None else at
    return assess_view(picture, SIZE_PX, CORNERS, at, list(kept_poses), **more)


def test_a_good_view_of_a_new_pose_is_kept():
    assert judged(seen()) == ViewAcceptance(Code.OK, Code.OK.message, Code.OK.remedy)


@pytest.mark.parametrize("size_px", [(1279, 960), (1280, 961), (960, 1280), (640, 480)])
@pytest.mark.parametrize("allow_repeated_pose", [False, True])
def test_a_picture_of_another_size_than_the_lens_file_outranks_everything(size_px, allow_repeated_pose):
    for view in (seen(size_px=size_px, corners=3), NoDetection("dark", LIGHT, size_px)):
        found = judged(view, allow_repeated_pose=allow_repeated_pose)
        assert found.code == 38
        assert f"{size_px[0]} x {size_px[1]}" in found.message
        assert "1280 x 960" in found.message


@pytest.mark.parametrize(
    ("reason", "code", "word"), [("no-board", 20, "board"), ("dark", 25, "dark"), ("saturated", 25, "burnt out")]
)
def test_nothing_seen(reason, code, word):
    found = judged(NoDetection(reason, LIGHT, SIZE_PX))
    assert found.code == code
    assert word in found.message


# A fifth of the board, and never fewer than six corners.
@pytest.mark.parametrize(
    ("of_all", "corners", "code"),
    [(88, 17, 24), (88, 18, 0), (30, 5, 24), (30, 6, 0), (12, 5, 24), (12, 6, 0), (40, 7, 24), (40, 8, 0), (40, 0, 24)],
)
def test_too_little_of_the_board(of_all, corners, code):
    found = assess_view(seen(corners=corners), SIZE_PX, of_all, pose(), [])
    assert found.code == code
    if code:
        assert f"{corners} of {of_all} corners" in found.message


@pytest.mark.parametrize(
    ("field", "level", "code"),
    [
        ("saturated_fraction", 0.05, 0),
        ("saturated_fraction", 0.05 + HAIR, 2),
        ("saturated_fraction", 0.30, 2),
        ("saturated_fraction", 0.30 + HAIR, 25),
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
@pytest.mark.parametrize("allow_repeated_pose", [False, True])
def test_light(field, level, code, allow_repeated_pose):
    found = judged(seen(replace(LIGHT, **{field: level})), allow_repeated_pose=allow_repeated_pose)
    assert found.code == code
    if code:
        assert f"{level:.0%}" in found.message


@pytest.mark.parametrize("marginal", [{"saturated_fraction": 0.1}, {"bright_level": 0.12}, {"contrast": 0.15}])
@pytest.mark.parametrize("hopeless", [{"saturated_fraction": 0.4}, {"bright_level": 0.05}, {"contrast": 0.05}])
def test_what_is_only_marginal_does_not_hide_what_is_hopeless(marginal, hopeless):
    (name,) = hopeless
    found = judged(seen(replace(LIGHT, **(marginal | hopeless))))
    assert found.code == 25
    assert f"{hopeless[name]:.0%}" in found.message


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
        assert f"{shift_mm:.1f} mm and {turn_deg:.1f} deg" in found.message


def test_one_pair_near_in_place_and_another_near_in_turn_make_no_similar_one():
    assert judged(seen(), [pose(0.0, 90.0), pose(200.0, 0.0)]).code == 0


def test_the_same_pose_outranks_a_similar_one_wherever_it_stands():
    poses = [pose(3.0, 0.0), pose(0.2, 0.1), pose(4.0, 0.0)]
    for order in (poses, poses[::-1]):
        found = judged(seen(), order)
        assert found.code == 26
        assert "0.2 mm and 0.1 deg" in found.message


def test_checks_may_repeat_a_pose():
    assert judged(seen(), [pose()], allow_repeated_pose=True).code == 0


def test_refusals_of_the_picture_come_before_nearness_and_nearness_before_marginal_light():
    marginal, hopeless = replace(LIGHT, contrast=0.15), replace(LIGHT, contrast=0.05)
    assert judged(seen(hopeless), [pose()]).code == 25
    assert judged(seen(corners=5), [pose()]).code == 24
    assert judged(seen(marginal), [pose()]).code == 26
    assert judged(seen(marginal), [pose(5.0)]).code == 1


def test_words_of_the_code_where_none_are_given():
    for code in Code:
        assert view_acceptance(code) == ViewAcceptance(code, code.message, code.remedy)
        assert view_acceptance(code, "so", "do that") == ViewAcceptance(code, "so", "do that")


@pytest.mark.parametrize(
    ("blur_px", "usual_px", "square_px", "code"),
    [
        # Nothing kept yet: this lens may be a soft one.
        (3.0, None, 60.0, 0),
        (3.0 + HAIR, None, 60.0, 23),
        (2.0, 0.7, 60.0, 0),
        (2.0 + HAIR, 0.7, 60.0, 23),
        # Twice what this lens gives.
        (2.6, 1.3, 60.0, 0),
        (2.6 + HAIR, 1.3, 60.0, 23),
        # Squares so small that even less is too much.
        (1.49, 0.7, 20.0, 0),
        (1.51, 0.7, 20.0, 23),
    ],
)
def test_blur_against_what_the_lens_and_the_board_give(blur_px, usual_px, square_px, code):
    found = judged(seen(blur_px=blur_px), view=View(square_px=square_px), baseline=Baseline(blur_px=usual_px))
    assert found.code == code
    if code:
        assert found.measure.value == blur_px
        assert found.measure.source == thresholds.SOURCE_MEASURED
        assert "px" in found.message


@pytest.mark.parametrize(("shift_px", "sigma_px", "code"), [(0.15, 0.01, 0), (0.151, 0.01, 21), (0.3, 0.11, 0)])
def test_motion_between_two_pictures_outranks_what_it_explains(shift_px, sigma_px, code):
    view = View(motion_check=MotionCheck(shift_px, sigma_px, 150.0, 80))
    assert judged(seen(), view=view).code == code
    if code:
        blurred = judged(seen(blur_px=5.0), [pose()], view=view)
        assert blurred.code == 21
        assert blurred.measure.unit == "px"
    assert judged(seen(blur_px=5.0), view=View()).code == 23


def test_the_arm_on_its_way():
    assert judged(seen(), live_poses=[pose(0.05), pose(0.09)]).code == 0
    by_shift = judged(seen(), live_poses=[pose(0.05), pose(0.12)])
    assert (by_shift.code, by_shift.measure.unit) == (21, "mm")
    by_turn = judged(seen(), live_poses=[pose(0.05, 0.04)])
    assert (by_turn.code, by_turn.measure.unit) == (21, "deg")


@pytest.mark.parametrize(("tilt_deg", "code", "word"), [(59.9, 0, "kept"), (60.1, 0, "60 deg"), (70.1, 24, "70 deg")])
def test_oblique_views_are_kept_with_a_word_and_refused_where_corners_get_bad(tilt_deg, code, word):
    found = judged(seen(), view=View(tilt_rad=np.deg2rad(tilt_deg)))
    assert found.code == code
    assert word in found.message
    assert (found.measure is None) == (tilt_deg < 60)


@pytest.mark.parametrize(
    ("residual_px", "usual_px", "code"),
    [(0.25, 0.1, 0), (0.251, 0.1, 1), (0.099, 0.01, 0), (0.101, 0.01, 1), (2.9, None, 0)],
)
def test_corners_that_fit_a_flat_board_worse_than_those_of_the_others(residual_px, usual_px, code):
    found = judged(seen(), view=View(residual_px=residual_px), baseline=Baseline(residual_px=usual_px))
    assert found.code == code
    assert ("adds little" in found.message) == (code == 1)


def test_corners_that_are_not_those_of_the_board():
    assert judged(seen(), view=View(residual_px=3.0)).code == 0
    found = judged(seen(), view=View(residual_px=3.1))
    assert (found.code, found.measure.limit) == (20, 3.0)
    assert judged(seen(), view=View(residual_px=3.1), baseline=Baseline(residual_px=2.0)).code == 0, "all views are so"
    assert judged(seen(), view=View(no_pose=True)).code == 24


def test_glare_where_corners_are_missing_is_the_lights_fault():
    glare = View(exposure_map=ExposureMap("lower right", 0.9, "whole", 0.7, 0.4))
    found = judged(seen(corners=10), view=glare)
    assert found.code == 25
    assert "the lower right of the board is burnt out" in found.message
    assert judged(seen(), view=glare).code == 25, "the area of the seen corners does not reach there"
    assert judged(seen(corners=10), view=View(exposure_map=ExposureMap("whole", 0.0, "whole", 0.7, 0.0))).code == 24


def test_a_shadow_over_a_part_is_kept_with_a_word_on_where():
    found = judged(seen(), view=View(exposure_map=ExposureMap("whole", 0.0, "upper left", 0.05, 0.0)))
    assert found.code == 2
    assert "the upper left of the board lies in the dark" in found.message


def test_no_board_in_a_hazy_picture_is_the_lights_fault():
    haze = ExposureStats(0.45, 0.5, 0.0, 0.0, 0.05)
    assert judged(NoDetection("no-board", haze, SIZE_PX)).code == 25
    assert judged(NoDetection("no-board", replace(haze, contrast=0.02), SIZE_PX)).code == 20, "an even surface"


@pytest.mark.parametrize(
    ("exposure", "limit"),
    [(replace(LIGHT, bright_level=0.10 - HAIR), 0.10), (replace(LIGHT, saturated_fraction=0.31), 0.30)],
)
def test_without_a_board_the_recorded_limit_is_the_one_that_decided(exposure, limit):
    reason = not_found_reason(exposure)
    assert reason != "no-board"
    found = judged(NoDetection(reason, exposure, SIZE_PX))
    assert (found.code, found.measure.limit) == (25, limit)


def test_what_the_kept_pairs_are_like_is_told_from_three_on():
    assert Baseline.of([0.7, 0.9], [0.1, 0.2]) == Baseline()
    assert Baseline.of([0.7, 0.9, 5.0], [0.1, 0.2, 0.3]) == Baseline(0.9, 0.2)


def test_a_view_is_written_and_read_back():
    full = View(
        0.5, 0.7, 40.0, 0.05, ExposureMap("left", 0.1, "whole", 0.6, 0.02), MotionCheck(0.1, 0.02, 150.0, 80), ""
    )
    for view in (full, View(), View(motion_unchecked_reason="one picture only")):
        back = View.from_json(view.to_json())
        assert (back.exposure_map, back.motion_check, back.motion_unchecked_reason) == (
            view.exposure_map,
            view.motion_check,
            view.motion_unchecked_reason,
        )
        assert (back.square_px, back.residual_px) == (view.square_px, view.residual_px)
        assert back.tilt_rad == (None if view.tilt_rad is None else pytest.approx(view.tilt_rad))
        assert back.distance_m == (None if view.distance_m is None else pytest.approx(view.distance_m))


def test_every_limit_says_where_it_comes_from():
    for name, limit in vars(thresholds).items():
        if isinstance(limit, thresholds.Threshold):
            assert limit.source in (thresholds.SOURCE_MEASURED, thresholds.SOURCE_PRACTICE), name
            assert limit.name
