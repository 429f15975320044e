"""Faults in the poses of an arm with a vertical axis only: found as for any other arm."""

from dataclasses import replace

import pytest
from scipy.spatial.transform import Rotation

from eyebolt.calibration.estimation.initialization import best_initial_estimate
from eyebolt.calibration.problem import PoseConvention
from eyebolt.calibration.solve import solve
from eyebolt.geometry.pose_format import PoseFormat
from eyebolt_sim.problems import make_problem
from eyebolt_sim.transforms import inverse, matrix

STATED = PoseFormat("mm", "angle-z")


@pytest.fixture(
    params=[
        pytest.param((mount, count), id=f"{mount}-{count} seeds", marks=pytest.mark.long if count > 1 else ())
        for mount in ("fixed", "arm")
        for count in (1, 6)
    ]
)
def sessions(request, cases):
    """Problems of five pairs and their poses (5, 4, 4)."""
    mount, count = request.param
    made = [
        cases.convert(make_problem(mount, 5, seed, turns="vertical"), include_robot_noise=False, drift_sigma_m=None)
        for seed in range(count)
    ]
    return [(problem, [pair.base_T_flange for pair in problem.pairs]) for problem in made]


@pytest.fixture
def sent(cases):
    """Makes a problem of poses that the robot writes in one format and the station reads as mm and degrees."""

    def written(problem, poses, pose_format=STATED):
        numbers = [cases.sent(pose, pose_format) for pose in poses]
        pairs = [
            replace(pair, base_T_flange=STATED.to_matrix(list(fields)), fields=fields)
            for pair, fields in zip(problem.pairs, numbers, strict=True)
        ]
        return replace(problem, pairs=pairs, pose_convention=PoseConvention(STATED))

    return written


def firsts(problems):
    """The first finding of each, notes excepted."""
    found = [[f for f in solve(problem).findings if f.severity != "note"] for problem in problems]
    return [findings[0] if findings else None for findings in found]


def test_good_poses_raise_no_finding(sessions, sent):
    assert firsts(sent(problem, poses) for problem, poses in sessions) == [None] * len(sessions)


def test_the_closed_form_fits_a_good_session(sessions, cases):
    for problem, _ in sessions:
        assert best_initial_estimate(problem, cases.observations_of(problem))[1] < 1e-3


@pytest.mark.parametrize(
    ("pose_format", "line"),
    [(PoseFormat("m", "angle-z"), 'length = "m"'), (PoseFormat("mm", "angle-z", "rad"), '"rad"')],
)
def test_another_unit_is_found(sessions, sent, pose_format, line):
    for finding in firsts(sent(problem, poses, pose_format) for problem, poses in sessions):
        assert (finding.code, finding.severity) == ("pose-format", "stop")
        assert line in finding.remedy


def test_inverse_poses_are_found(sessions, sent):
    for finding in firsts(sent(problem, [inverse(pose) for pose in poses]) for problem, poses in sessions):
        assert (finding.code, finding.severity) == ("mount", "stop")


def test_poses_of_the_next_waypoint_are_found(sessions, sent):
    shifted = [sent(replace(p, pairs=p.pairs[:-1]), poses[1:]) for p, poses in sessions]
    for finding in firsts(shifted):
        assert (finding.code, finding.evidence["lag"]) == ("pairs-shifted", 1)


def test_another_tool_from_the_third_pair_on_is_found(sessions, sent):
    tool = matrix(Rotation.from_euler("z", 30, degrees=True), [0.1, 0.0, 0.06])
    changed = [sent(p, [*poses[:2], *(pose @ tool for pose in poses[2:])]) for p, poses in sessions]
    codes = [finding.code if finding else "none" for finding in firsts(changed)]
    assert codes.count("tool-changed") >= len(sessions) * 5 / 6, codes
    assert set(codes) <= {"tool-changed", "none"}
