"""Whether a pose format can hold a transform: by how far the printed numbers move the working volume."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.geometry.pose_format import EULER_KINDS, PoseFormat
from support.solutions import result_format


def transform(rotation, translation=(0.5, -0.2, 0.7)):
    out = np.eye(4)
    out[:3, :3], out[:3, 3] = rotation.as_matrix(), translation
    return out


def tilted(deg):
    return transform(Rotation.from_euler("xz", [deg, 159.8], degrees=True))


def test_one_angle_holds_no_tilt():
    angle = result_format(PoseFormat(rotation="angle-z"))
    assert angle.can_hold(tilted(0.0))
    assert not angle.can_hold(tilted(13.0))
    # The four points are 0.6 m away and up to 0.15 m above the axis.
    assert angle.printing_error_mm(tilted(13.0)) == pytest.approx(
        2 * np.sin(np.deg2rad(6.5)) * np.hypot(600, 150), rel=0.01
    )
    gap = angle.find_gap(tilted(13.0), ())
    assert "140 mm" in gap.message
    assert "result_rotation" in gap.remedy


def test_the_tolerance_decides_and_not_the_name_of_the_format():
    # 0.005 deg moves points at 0.62 m by 0.054 mm.
    assert result_format(PoseFormat(rotation="angle-z"), tolerance_mm=1.0).find_gap(tilted(0.005), ()) is None
    assert result_format(PoseFormat(rotation="angle-z"), tolerance_mm=0.5).find_gap(tilted(0.005), ()) is not None


@pytest.mark.parametrize("rotation", ["quaternion-wxyz", "quaternion-xyzw", "rotation-vector", *EULER_KINDS])
@pytest.mark.parametrize(("length", "angle"), [("mm", "deg"), ("m", "rad"), ("um", "1e-4deg")])
def test_full_forms_hold_every_rotation(rotation, length, angle):
    form = result_format(PoseFormat(length, rotation, angle), tolerance_mm=0.1)
    for seed in range(5):
        assert form.can_hold(transform(Rotation.random(rng=seed)))
    assert form.can_hold(transform(Rotation.from_euler("x", 180, degrees=True)))


def test_an_unknown_direction_and_a_format_that_is_too_small_are_both_named():
    gap = result_format(PoseFormat(rotation="angle-z")).find_gap(tilted(13.0), ("the height: touch corners",))
    assert "the height" in gap.message
    assert "angle-z" in gap.message
    assert "board_height_mm" in gap.remedy
    assert "result_rotation" in gap.remedy
