"""The acceptance of one view, at each limit and just to either side of it."""

from dataclasses import replace

import numpy as np
import pytest
from pydantic import TypeAdapter
from scipy.spatial.transform import Rotation

from eyebolt.boards.detection import Detection, MarkerLayout, NoDetection, OtherMarkers
from eyebolt.boards.exposure import ExposureStats, not_found_reason
from eyebolt.observations import thresholds
from eyebolt.observations.arm_motion import ArmMotion
from eyebolt.observations.exposure_map import ExposureMap, Region
from eyebolt.observations.pair import Pair
from eyebolt.observations.view_acceptance import Baseline, ViewAcceptance, assess_view
from eyebolt.observations.view_quality import MotionCheck, View
from eyebolt.protocol import Code

SIZE_PX = (1280, 960)
CORNERS = 88
LIGHT = ExposureStats(dark_level=0.1, bright_level=0.7, saturated_fraction=0.0, black_fraction=0.0, contrast=0.75)
EPSILON = 1e-6
EXPOSURE_LIMITS = {
    "saturated_fraction": {2: 0.05, 25: 0.30},
    "bright_level": {2: 0.16, 25: 0.08},
    "contrast": {2: 0.20, 25: 0.10},
}


def detected(light=LIGHT, corners=CORNERS, size_px=SIZE_PX, blur_px=0.6):
    ids = np.arange(corners)
    return Detection(ids, np.stack([10.0 * ids, 5.0 * ids], axis=-1), light, size_px, blur_px)


def pose(shift_mm=0.0, turn_deg=0.0, axis=(0.0, 0.6, 0.8)):
    T = np.eye(4)
    T[:3, :3] = Rotation.from_rotvec(np.deg2rad(turn_deg) * np.array(axis)).as_matrix()
    T[:3, 3] = np.array([0.5, -0.2, 0.4]) + 1e-3 * shift_mm * np.array([2 / 3, -1 / 3, 2 / 3])
    return T


def assessed(detection, kept_poses=(), at=None, **more):
    at = pose() if at is None else at
    return assess_view(detection, SIZE_PX, CORNERS, at, list(kept_poses), **more)


def test_a_good_view_of_a_new_pose_is_kept():
    assert assessed(detected()) == ViewAcceptance(Code.OK, Code.OK.message, Code.OK.remedy)


@pytest.mark.parametrize("size_px", [(1279, 960), (1280, 961), (960, 1280), (640, 480)])
@pytest.mark.parametrize("allow_repeated_pose", [False, True])
def test_an_image_size_other_than_that_of_the_lens_file_comes_first(size_px, allow_repeated_pose):
    for view in (detected(size_px=size_px, corners=3), NoDetection("dark", LIGHT, size_px)):
        found = assessed(view, allow_repeated_pose=allow_repeated_pose)
        assert found.code == 38


@pytest.mark.parametrize(
    ("reason", "code", "quantity"),
    [
        ("no-board", 20, None),
        ("dark", 25, thresholds.DARK_IMAGE.quantity),
        ("saturated", 25, thresholds.SATURATED_IMAGE.quantity),
    ],
)
def test_no_board_detected(reason, code, quantity):
    found = assessed(NoDetection(reason, LIGHT, SIZE_PX))
    assert found.code == code
    assert (None if found.measure is None else found.measure.quantity) == quantity


# A fifth of the board, and never fewer than six corners.
@pytest.mark.parametrize(
    ("of_all", "corners", "code"),
    [(88, 17, 24), (88, 18, 0), (30, 5, 24), (30, 6, 0), (12, 5, 24), (12, 6, 0), (40, 7, 24), (40, 8, 0), (40, 0, 24)],
)
def test_too_few_corners(of_all, corners, code):
    found = assess_view(detected(corners=corners), SIZE_PX, of_all, pose(), [])
    assert found.code == code
    if code:
        needed = max(6, np.ceil(0.2 * of_all))
        assert (found.measure.value, found.measure.limit) == (corners / of_all, needed / of_all)


@pytest.mark.parametrize(
    ("field", "level", "code"),
    [
        ("saturated_fraction", 0.05, 0),
        ("saturated_fraction", 0.05 + EPSILON, 2),
        ("saturated_fraction", 0.30, 2),
        ("saturated_fraction", 0.30 + EPSILON, 25),
        ("bright_level", 0.16, 0),
        ("bright_level", 0.16 - EPSILON, 2),
        ("bright_level", 0.08, 2),
        ("bright_level", 0.08 - EPSILON, 25),
        ("contrast", 0.20, 0),
        ("contrast", 0.20 - EPSILON, 2),
        ("contrast", 0.10, 2),
        ("contrast", 0.10 - EPSILON, 25),
    ],
)
@pytest.mark.parametrize("allow_repeated_pose", [False, True])
def test_exposure(field, level, code, allow_repeated_pose):
    found = assessed(detected(replace(LIGHT, **{field: level})), allow_repeated_pose=allow_repeated_pose)
    assert found.code == code
    if code:
        assert found.measure.value == level
        assert found.measure.limit == EXPOSURE_LIMITS[field][code]


@pytest.mark.parametrize("marginal", [{"saturated_fraction": 0.1}, {"bright_level": 0.12}, {"contrast": 0.15}])
@pytest.mark.parametrize("hopeless", [{"saturated_fraction": 0.4}, {"bright_level": 0.05}, {"contrast": 0.05}])
def test_a_marginal_measure_does_not_hide_one_that_refuses(marginal, hopeless):
    (level,) = hopeless.values()
    found = assessed(detected(replace(LIGHT, **(marginal | hopeless))))
    assert (found.code, found.measure.value) == (25, level)


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
def test_a_pose_close_to_that_of_a_kept_pair(shift_mm, turn_deg, code):
    far = pose(300.0, 40.0)
    found = assessed(detected(), [far, pose(shift_mm, turn_deg), far])
    assert found.code == code
    if code:
        assert found.measure.value == pytest.approx(shift_mm, abs=1e-9)
        assert found.measure.unit == "mm"


def test_one_pair_close_in_translation_and_another_in_rotation_are_not_similar():
    assert assessed(detected(), [pose(0.0, 90.0), pose(200.0, 0.0)]).code == 0


def test_a_duplicate_pose_comes_before_a_similar_one_in_any_order():
    poses = [pose(3.0, 0.0), pose(0.2, 0.1), pose(4.0, 0.0)]
    for order in (poses, poses[::-1]):
        found = assessed(detected(), order)
        assert (found.code, found.measure.value) == (26, pytest.approx(0.2))


def test_checks_may_repeat_a_pose():
    assert assessed(detected(), [pose()], allow_repeated_pose=True).code == 0


def test_refusals_of_the_image_come_before_repeated_poses_and_these_before_marginal_exposure():
    marginal, hopeless = replace(LIGHT, contrast=0.15), replace(LIGHT, contrast=0.05)
    assert assessed(detected(hopeless), [pose()]).code == 25
    assert assessed(detected(corners=5), [pose()]).code == 24
    assert assessed(detected(marginal), [pose()]).code == 26
    assert assessed(detected(marginal), [pose(5.0)]).code == 1


def test_texts_of_the_code_where_none_are_given():
    for code in Code:
        assert ViewAcceptance.from_code(code) == ViewAcceptance(code, code.message, code.remedy)
        assert ViewAcceptance.from_code(code, "so", "do that") == ViewAcceptance(code, "so", "do that")


@pytest.mark.parametrize(
    ("blur_px", "usual_px", "square_px", "code"),
    [
        # Nothing kept yet: this lens may never be sharp.
        (3.0, None, 60.0, 0),
        (3.0 + EPSILON, None, 60.0, 23),
        (2.0, 0.7, 60.0, 0),
        (2.0 + EPSILON, 0.7, 60.0, 23),
        # Twice what is usual with this lens.
        (2.6, 1.3, 60.0, 0),
        (2.6 + EPSILON, 1.3, 60.0, 23),
        # Small squares lower the limit.
        (1.49, 0.7, 20.0, 0),
        (1.51, 0.7, 20.0, 23),
    ],
)
def test_blur_against_the_limit_of_lens_and_board(blur_px, usual_px, square_px, code):
    found = assessed(detected(blur_px=blur_px), view=View(square_px=square_px), baseline=Baseline(blur_px=usual_px))
    assert found.code == code
    if code:
        assert found.measure.value == blur_px
        assert found.measure.source == thresholds.ThresholdSource.MEASURED
        assert found.measure.unit == "px"


@pytest.mark.parametrize(("shift_px", "sigma_px", "code"), [(0.15, 0.01, 0), (0.151, 0.01, 21), (0.3, 0.11, 0)])
def test_motion_between_two_images_comes_before_its_consequences(shift_px, sigma_px, code):
    view = View(motion_check=MotionCheck(shift_px, sigma_px, 150.0, 80))
    assert assessed(detected(), view=view).code == code
    if code:
        blurred = assessed(detected(blur_px=5.0), [pose()], view=view)
        assert blurred.code == 21
        assert blurred.measure.unit == "px"
    assert assessed(detected(blur_px=5.0), view=View()).code == 23


def motion(*live_poses):
    moved = ArmMotion()
    for at_ns, live in enumerate(live_poses):
        moved = moved.with_pose(at_ns, live, pose())
    return moved.until(len(live_poses))


def test_an_arm_in_motion():
    assert assessed(detected(), arm_motion=motion(pose(0.05), pose(0.09))).code == 0
    by_shift = assessed(detected(), arm_motion=motion(pose(0.05), pose(0.12)))
    assert (by_shift.code, by_shift.measure.unit) == (21, "mm")
    by_turn = assessed(detected(), arm_motion=motion(pose(0.05, 0.04)))
    assert (by_turn.code, by_turn.measure.unit) == (21, "deg")


@pytest.mark.parametrize(("tilt_deg", "code", "limit_deg"), [(59.9, 0, None), (60.1, 0, 60.0), (70.1, 24, 70.0)])
def test_oblique_views_are_kept_with_a_note_and_refused_where_corners_become_inaccurate(tilt_deg, code, limit_deg):
    found = assessed(detected(), view=View(tilt_deg=tilt_deg))
    assert found.code == code
    assert (None if found.measure is None else found.measure.limit) == limit_deg
    if limit_deg is not None:
        assert f"{limit_deg:.0f} deg" in found.message
        assert "20 to 45 deg" in found.remedy


@pytest.mark.parametrize(
    ("residual_px", "usual_px", "code"),
    [(0.25, 0.1, 0), (0.251, 0.1, 1), (0.099, 0.01, 0), (0.101, 0.01, 1), (2.9, None, 0)],
)
def test_a_corner_residual_above_that_of_the_kept_pairs(residual_px, usual_px, code):
    found = assessed(detected(), view=View(residual_px=residual_px), baseline=Baseline(residual_px=usual_px))
    assert found.code == code
    assert (found.measure is None) == (code == 0)


def test_corners_that_do_not_fit_the_board():
    assert assessed(detected(), view=View(residual_px=3.0)).code == 0
    found = assessed(detected(), view=View(residual_px=3.1))
    assert (found.code, found.measure.limit) == (20, 3.0)
    assert assessed(detected(), view=View(residual_px=3.1), baseline=Baseline(residual_px=2.0)).code == 0, (
        "usual in this session"
    )
    unusual = assessed(detected(), view=View(residual_px=5.1), baseline=Baseline(residual_px=2.0))
    assert (unusual.code, unusual.measure.limit) == (20, 3.0)
    assert assessed(detected(), view=View(no_pose=True)).code == 24


def test_glare_explains_missing_corners():
    glare = View(exposure_map=ExposureMap(Region.LOWER_RIGHT, 0.9, Region.WHOLE, 0.7, 0.4))
    found = assessed(detected(corners=10), view=glare)
    assert found.code == 25
    assert Region.LOWER_RIGHT.phrase in found.message
    assert assessed(detected(), view=glare).code == 25, "the hull of the detected corners does not reach there"
    even = View(exposure_map=ExposureMap(Region.WHOLE, 0.0, Region.WHOLE, 0.7, 0.0))
    assert assessed(detected(corners=10), view=even).code == 24


def test_a_shadow_over_a_part_is_kept_with_a_note_that_names_the_region():
    found = assessed(detected(), view=View(exposure_map=ExposureMap(Region.WHOLE, 0.0, Region.UPPER_LEFT, 0.05, 0.0)))
    assert found.code == 2
    assert Region.UPPER_LEFT.phrase in found.message


def test_low_contrast_explains_why_no_board_is_found():
    haze = ExposureStats(0.45, 0.5, 0.0, 0.0, 0.05)
    assert assessed(NoDetection("no-board", haze, SIZE_PX)).code == 25
    assert assessed(NoDetection("no-board", replace(haze, contrast=0.02), SIZE_PX)).code == 20, "an even surface"


@pytest.mark.parametrize(
    ("exposure", "limit"),
    [(replace(LIGHT, bright_level=0.10 - EPSILON), 0.10), (replace(LIGHT, saturated_fraction=0.31), 0.30)],
)
def test_without_a_board_the_recorded_limit_is_the_one_that_decided(exposure, limit):
    reason = not_found_reason(exposure)
    assert reason != "no-board"
    found = assessed(NoDetection(reason, exposure, SIZE_PX))
    assert (found.code, found.measure.limit) == (25, limit)


def test_the_baseline_needs_three_kept_pairs():
    assert Baseline.from_kept([0.7, 0.9], [0.1, 0.2]) == Baseline()
    assert Baseline.from_kept([0.7, 0.9, 5.0], [0.1, 0.2, 0.3]) == Baseline(0.9, 0.2)


def test_a_view_is_written_and_read_back():
    full = View(
        tilt_deg=28.5,
        tilt_direction_deg=-130.0,
        distance_mm=700.0,
        square_px=40.0,
        residual_px=0.05,
        exposure_map=ExposureMap(Region.LEFT, 0.1, Region.WHOLE, 0.6, 0.02),
        motion_check=MotionCheck(0.1, 0.02, 150.0, 80),
        saturated_image_fraction=0.01,
    )
    for view in (full, View(no_pose=True), View(motion_unchecked_reason="one image only")):
        record = TypeAdapter(View)
        assert record.validate_json(record.dump_json(view)) == view


def test_every_limit_states_its_quantity_and_source():
    limits = thresholds.all_thresholds()
    assert limits["TILT"] is thresholds.TILT
    for name, limit in limits.items():
        assert limit.source in list(thresholds.ThresholdSource), name
        assert limit.unit in ("mm", "deg", "px", ""), name
        assert limit.quantity, name
        assert limit.codes, name


def earlier(seen, at=None, shift_px=0.0, index=3):
    return Pair(index, pose() if at is None else at, seen.ids, seen.corners_px + np.array([shift_px, 0.0]))


def grid(across_px=12.0):
    """A view of a board of 11 x 8 corners, about 100 px to its median radius for 30 px a square."""
    ids = np.arange(CORNERS)
    return replace(detected(), corners_px=np.stack([500 + across_px * (ids % 11), 400 + across_px * (ids // 11)], -1))


# Below the limits of a duplicate the pose is as before: 26, or 0 for a check.
@pytest.mark.parametrize(
    ("shift_mm", "turn_deg", "code"), [(0.9, 0.4, 26), (1.1, 0.0, 22), (0.0, 0.6, 22), (100.0, 30.0, 22)]
)
def test_equal_corners_under_another_pose_are_an_old_image(shift_mm, turn_deg, code):
    seen, at = grid(), pose(shift_mm, turn_deg)
    found = assessed(seen, [pose()], at, earlier=[earlier(seen)])
    assert found.code == code
    if code == 22:
        assert (found.measure.quantity, found.measure.value) == (thresholds.SAME_IMAGE.quantity, 0.0)
        assert "pair 3" in found.message
    assert assessed(seen, at=at, allow_repeated_pose=True, earlier=[earlier(seen)]).code == (22 if code == 22 else 0)


@pytest.mark.parametrize(("shift_px", "code"), [(0.049, 22), (0.051, 0), (1e-9, 22)])
def test_nearly_equal_corners_are_an_old_image_where_the_motion_must_show(shift_px, code):
    seen, view = grid(30.0), View(distance_mm=700.0)
    found = assessed(seen, at=pose(0, 20), view=view, earlier=[earlier(seen, shift_px=shift_px)], focal_px=1450.0)
    assert found.code == code


# A far, small board hides a small tilt about itself; along the line of sight it hides a small translation.
@pytest.mark.parametrize(
    ("across_px", "shift_mm", "turn_deg", "code"),
    [(30.0, 0.0, 2.0, 0), (30.0, 0.0, 10.0, 22), (8.0, 0.0, 20.0, 0), (30.0, 0.5, 0.0, 0), (30.0, 2.0, 0.0, 22),
     (30.0, 2.0, 1.0, 0)],
)  # fmt: skip
def test_nearly_equal_corners_are_kept_where_the_motion_may_not_show(across_px, shift_mm, turn_deg, code):
    seen, view, before = grid(across_px), View(distance_mm=700.0), grid(across_px)
    at = pose(shift_mm, turn_deg)
    found = assessed(seen, at=at, view=view, earlier=[earlier(before, shift_px=0.01)], focal_px=1450.0)
    assert found.code == code
    assert assessed(seen, at=at, view=view, earlier=[earlier(before, shift_px=0.01)]).code == 0


def test_few_common_corners_are_no_evidence_of_an_old_image():
    seen = grid(30.0)
    part = replace(seen, ids=seen.ids[:9], corners_px=seen.corners_px[:9] + 0.01)
    found = assessed(seen, at=pose(0, 30), view=View(distance_mm=700.0), earlier=[earlier(part)], focal_px=1450.0)
    assert found.code == 0


@pytest.mark.parametrize(
    ("layout", "columns", "named"),
    [
        (MarkerLayout.DICTIONARY, None, "5X5_100"),
        (MarkerLayout.SWAPPED, 9, "columns = 9"),
        (MarkerLayout.COLUMNS, 7, "columns = 7"),
        (MarkerLayout.CORNER_ORDER, None, "corner_order"),
        (MarkerLayout.MORE, None, "rows"),
        (MarkerLayout.OTHER, None, "columns, rows and corner_order"),
        (MarkerLayout.MIRRORED, None, "mirroring"),
    ],
)
def test_markers_of_another_board_name_the_key_to_look_at(layout, columns, named):
    markers = OtherMarkers(layout, "5X5_100", 12, 3, 40, columns)
    found = assessed(NoDetection("no-board", LIGHT, SIZE_PX, markers))
    assert found.code == 20
    assert named in found.remedy
    for text in ("12 markers", "5X5_100", "3 to 40"):
        assert text in found.message


def test_glare_is_named_where_it_may_hide_the_board():
    glare = replace(LIGHT, saturated_fraction=0.06)
    found = assessed(NoDetection("no-board", glare, SIZE_PX))
    assert (found.code, "6%" in found.message) == (20, True)
    assert (
        "saturated" not in assessed(NoDetection("no-board", replace(glare, saturated_fraction=0.05), SIZE_PX)).message
    )


@pytest.mark.parametrize(("bits", "largest", "code"), [(10, 1023, 25), (12, 4095, 25), (14, 16383, 2)])
def test_values_of_fewer_bits_in_16_bits_are_named_as_such_and_not_as_dark(bits, largest, code):
    full = largest / 65535
    dark = replace(LIGHT, dark_level=0.1 * full, bright_level=0.4 * full, largest_value=largest)
    for found, expected in ((assessed(NoDetection("dark", dark, SIZE_PX)), 25), (assessed(detected(dark)), code)):
        assert found.code == expected
        assert f"{bits} bits" in found.message
        assert f"times {65536 >> bits}" in found.remedy
    night = replace(dark, bright_level=0.02 * full)
    for found in (assessed(NoDetection("dark", night, SIZE_PX)), assessed(detected(night))):
        assert found.code == 25
        assert "bits" not in found.message


def test_glare_is_named_where_corners_are_missing():
    spot = ExposureMap(Region.UPPER_LEFT, 0.31, Region.WHOLE, 0.7, 0.01)
    found = assessed(detected(corners=10), view=View(exposure_map=spot))
    assert found.code == 25
    assert Region.UPPER_LEFT.phrase in found.message
    # Without a map of the board, which takes four corners, the whole image counts.
    found = assessed(detected(corners=3), view=View(saturated_image_fraction=0.06))
    assert (found.code, found.measure.value) == (25, 3 / CORNERS)
    assert assessed(detected(corners=3), view=View(saturated_image_fraction=0.05)).code == 24
