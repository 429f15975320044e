"""A pose-format mismatch is found from four or five pairs, and the right format raises no finding."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.calibration.diagnosis.misread_poses import PoseFormatHypothesis
from eyebolt.calibration.problem import PoseConvention
from eyebolt.calibration.solve import solve
from eyebolt.geometry.pose_format import EULER_KINDS, PoseFormat
from eyebolt_sim.cell_geometry import make_cell_geometry
from eyebolt_sim.lens import simple_lens
from eyebolt_sim.problems import DEFAULT_BOARD, DEFAULT_LENS, make_problem
from eyebolt_sim.transforms import inverse
from eyebolt_sim.views import place
from support import long_forms

DEFAULT = PoseFormat()


def read_wrongly(cases, mount, poses, seed, truly, stated, inverted=False):
    problem = cases.convert(make_problem(mount, poses, seed), include_robot_noise=False, drift_sigma_m=None)
    return misread(cases, problem, truly, stated, inverted)


def misread(cases, problem, truly, stated, inverted=False):
    fields = [cases.sent(inverse(p.base_T_flange) if inverted else p.base_T_flange, truly) for p in problem.pairs]
    read = PoseFormatHypothesis(stated).poses(np.array(fields), PoseConvention(stated))
    pairs = [replace(p, base_T_flange=A, fields=f) for p, A, f in zip(problem.pairs, read, fields, strict=True)]
    return replace(problem, pairs=pairs, pose_convention=PoseConvention(stated))


MISREAD = [
    (PoseFormat("mm", "euler-ZYX"), PoseFormat("mm", "euler-xyz"), 'rotation = "euler-ZYX"'),
    (PoseFormat("mm", "euler-xyz"), PoseFormat("mm", "euler-XYZ"), 'rotation = "euler-xyz"'),
    (PoseFormat("mm", "euler-ZYZ"), PoseFormat("mm", "euler-ZYX"), 'rotation = "euler-ZYZ"'),
    (PoseFormat("mm", "rotation-vector", "rad"), PoseFormat("mm", "rotation-vector"), 'angle = "rad"'),
    (PoseFormat("mm", "quaternion-xyzw"), DEFAULT, 'rotation = "quaternion-xyzw"'),
    (PoseFormat("m"), DEFAULT, 'length = "m"'),
]


@pytest.mark.parametrize(
    ("mount", "truly", "stated", "line"),
    [
        # Each in turn with one mount, and with both in the long form.
        pytest.param(mount, *case, marks=() if number % 2 == one else pytest.mark.long)
        for number, case in enumerate(MISREAD)
        for one, mount in enumerate(("fixed", "arm"))
    ],
)
def test_five_pairs_determine_the_line_to_change(cases, mount, truly, stated, line):
    first = solve(read_wrongly(cases, mount, 5, 0, truly, stated)).findings[0]
    assert (first.code, first.severity) == ("pose-format", "stop")
    assert line in first.remedy
    assert first.evidence["log_likelihood_gain"] > 15
    assert first.evidence["residual_mm"] < 3 < first.evidence["residual_as_stated_mm"]


@long_forms.seeds(2, 4)
@long_forms.first("mount", ["arm", "fixed"])
def test_any_two_euler_kinds_are_distinguished(cases, mount, seeds):
    rng = np.random.default_rng(3)
    for seed in seeds:
        truly, stated = (PoseFormat("mm", str(kind)) for kind in rng.choice(EULER_KINDS, 2, replace=False))
        first = solve(read_wrongly(cases, mount, 6, seed, truly, stated)).findings[0]
        assert f'rotation = "{truly.rotation}"' in first.remedy, (truly, stated, first)


@long_forms.first("mount", ["arm", "fixed"])
def test_a_lens_file_of_another_size_does_not_hide_the_pose_format(cases, mount):
    problem = cases.convert(make_problem(mount, 8, 0), include_robot_noise=False, drift_sigma_m=None)
    problem = replace(problem, camera=cases.camera_of(simple_lens(2448, 2048, 1200.0)))
    first = solve(misread(cases, problem, PoseFormat("mm", "euler-ZYX"), PoseFormat("mm", "euler-xyz"))).findings[0]
    assert (first.code, first.severity) == ("pose-format", "stop")
    assert 'rotation = "euler-ZYX"' in first.remedy


@pytest.mark.parametrize(("mount", "other"), [("fixed", "arm"), ("arm", "fixed")])
def test_inverse_poses_and_the_other_mount_are_one_finding(cases, mount, other):
    first = solve(read_wrongly(cases, mount, 6, 1, DEFAULT, DEFAULT, inverted=True)).findings[0]
    assert (first.code, first.severity) == ("mount", "stop")
    assert f'mount = "{other}"' in first.remedy and "base_T_flange" in first.remedy


@long_forms.first("mount", ["fixed", "arm"])
def test_formats_that_the_waypoints_do_not_separate_give_no_line_to_change(cases, mount):
    """The third angle is 0 at every waypoint: euler-ZYX and euler-ZYZ write the same numbers."""
    problem, _ = cases.rotating_only_about(mount, [(0, 0, 1), (0, 1, 0)], 40.0, 8, 0, include_robot_noise=False)
    facing = make_cell_geometry(mount, 0, 0.8, DEFAULT_BOARD.size_m).flange_for(
        place(DEFAULT_LENS, DEFAULT_BOARD, Rotation.identity(), np.zeros(2), 0.8)
    )
    flange_T_renamed = np.eye(4)
    flange_T_renamed[:3, :3] = facing[:3, :3].T
    pairs = [replace(pair, base_T_flange=pair.base_T_flange @ flange_T_renamed) for pair in problem.pairs]
    problem = misread(
        cases, replace(problem, pairs=pairs), PoseFormat("mm", "euler-ZYX"), PoseFormat("mm", "euler-XYZ")
    )
    first = solve(problem).findings[0]
    assert (first.code, first.severity) == ("pose-format", "stop")
    assert 0 <= first.evidence["log_likelihood_over_runner_up"] < 8
    # No line of the station file can be given.
    assert "rotation =" not in first.remedy


@long_forms.seeds(2, 5)
@long_forms.crossed({"poses": [4, 8], "mount": ["fixed", "arm"]})
def test_the_right_format_raises_no_stop(cases, mount, poses, seeds):
    for seed in seeds:
        outcome = solve(
            read_wrongly(cases, mount, poses, seed, PoseFormat("m", "euler-xyz"), PoseFormat("m", "euler-xyz"))
        )
        assert not [f for f in outcome.findings if f.severity == "stop"]
