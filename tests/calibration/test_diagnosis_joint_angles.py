"""Joints that do not lead to the reported poses by the stated model: what is wrong with them is named."""

from dataclasses import replace

import numpy as np
import pytest

from eyebolt.calibration import FindingCode, JointConvention, PoseConvention, Severity, solve
from eyebolt.calibration.diagnosis.joint_angles import JointFaultKind, explain_joint_angles, find_wrong_joint_angles
from eyebolt.geometry import PoseFormat, SerialArm, se3
from eyebolt.observations import Pair
from eyebolt_sim.arm import Arm
from eyebolt_sim.problems import make_problem
from support.problems import convert

PUMA = [(0, 90, 0, 0), (431.8, 0, 0, 0), (20.3, -90, 150.05, 0), (0, 90, 431.8, 0), (0, -90, 0, 0), (0, 0, 0, 0)]
# Invented: three parallel axes and an offset wrist; a 4-axis arm whose third joint slides; 7 axes.
OFFSET_WRIST = [(0, 90, 160, 0), (-480, 0, 0, 0), (-410, 0, 0, 0), (0, 90, 130, 0), (0, -90, 110, 0), (0, 0, 90, 0)]
FOUR_AXES = [(325, 0, 387, 0), (275, 180, 0, 0), (0, 0, 0, 0), (0, 0, 30, 0)]
SEVEN = [
    (0, -90, 340, 0),
    (0, 90, 0, 0),
    (0, 90, 400, 0),
    (0, -90, 0, 0),
    (0, -90, 400, 0),
    (0, 90, 0, 0),
    (0, 0, 126, 0),
]
ARMS = {
    "puma": (PUMA, ("deg",) * 6),
    "offset wrist": (OFFSET_WRIST, ("deg",) * 6),
    "four axes": (FOUR_AXES, ("deg", "deg", "mm", "deg")),
    "seven axes": (SEVEN, ("deg",) * 7),
}
KINDS = ("order", "sign", "unit", "zero", "tool")


def convention_of(rows, units):
    arm = SerialArm.from_rows(rows, [unit == "mm" for unit in units])
    return JointConvention(arm, units, tuple(f"J{k + 1}" for k in range(len(rows))))


def taught(rng, convention, count=12):
    """Joints (count, n) in deg or mm with three decimals."""
    slides = np.array([unit == "mm" for unit in convention.units])
    joints = np.where(slides, rng.uniform(-150, 0, (count, len(slides))), rng.uniform(-80, 80, (count, len(slides))))
    return np.round(joints, 3)


def poses_of(convention, joints, rng, tool=None, base=None):
    """Reported poses (n, 4, 4) with the controller's own rounding."""
    slides = convention.arm.is_prismatic
    poses = convention.arm.forward(np.where(slides, joints / 1e3, np.deg2rad(joints)))
    poses = poses if tool is None else poses @ tool
    poses = poses if base is None else base @ poses
    return _rounded(poses, rng)


def _rounded(poses, rng):
    xi = rng.uniform(-0.5, 0.5, (len(poses), 6)) * np.array([1e-5] * 3 + [np.deg2rad(0.001)] * 3)
    return poses @ se3.exp(xi)


def pairs_of(joints, poses):
    no_corners = np.arange(0), np.zeros((0, 2))
    both = zip(joints, poses, strict=True)
    return [Pair(k, T, *no_corners, joints=tuple(q)) for k, (q, T) in enumerate(both)]


@pytest.fixture(scope="module")
def problem():
    return convert(make_problem("fixed", 6, 1))


def faulty(kind, rng, convention):
    """Joints as sent and poses as reported with one fault of ``kind``."""
    joints = taught(rng, convention)
    count = joints.shape[1]
    tool = se3.exp(np.r_[rng.uniform(-0.15, 0.15, 3), rng.uniform(-1, 1, 3)]) if kind == "tool" else None
    poses = poses_of(convention, joints, rng, tool)
    sent = joints.copy()
    match kind:
        case "order":
            order = np.arange(count)
            while (order == np.arange(count)).all():
                order = rng.permutation(count)
            sent = joints[:, order]
        case "sign":
            sent = joints * np.where(np.arange(count) == rng.integers(count), -1, 1)
        case "unit":
            sent = np.where(convention.arm.is_prismatic, joints, np.round(np.deg2rad(joints), 5))
        case "zero":
            turned = rng.choice(np.flatnonzero(~convention.arm.is_prismatic))
            sent[:, turned] += rng.choice([90, -90, 180])
    return sent, poses


def test_faults_of_joints_are_named_in_98_of_100(problem):
    named, missed = 0, []
    for case in range(100):
        rng = np.random.default_rng(case)
        kind, name = KINDS[case % 5], list(ARMS)[case // 5 % 4]
        convention = convention_of(*ARMS[name])
        sent, poses = faulty(kind, rng, convention)
        fault = explain_joint_angles(problem, convention, pairs_of(sent, poses))
        right = fault is not None and fault.kinds == (JointFaultKind(kind),)
        named += right
        if not right:
            missed.append((case, name, kind, fault))
    assert named >= 98, missed


@pytest.mark.parametrize("name", ARMS)
def test_joints_that_fit_their_poses_are_no_finding(problem, name):
    convention = convention_of(*ARMS[name])
    for seed in range(20):
        rng = np.random.default_rng(seed)
        joints = taught(rng, convention)
        poses = poses_of(convention, joints, rng)
        # A stale pose is a finding of its own.
        poses[3] = poses[2]
        stated = replace(problem, joint_convention=convention)
        assert find_wrong_joint_angles(stated, pairs_of(joints, poses)) is None


def test_coarse_angles_beside_constant_ones_are_no_finding(problem):
    """The tool stands straight down throughout: two of three printed angles never change, the third has one decimal."""
    rng = np.random.default_rng(5)
    convention = convention_of(*ARMS["four axes"])
    joints = taught(rng, convention)
    slides = convention.arm.is_prismatic
    exact = convention.arm.forward(np.where(slides, joints / 1e3, np.deg2rad(joints)))
    pose_format = PoseFormat(length="mm", rotation="euler-xyz", angle="deg")
    fields = [[round(x, 2 if k < 3 else 1) for k, x in enumerate(pose_format.to_fields(T))] for T in exact]
    assert np.ptp(np.array(fields)[:, 4]) == 0 < np.ptp(np.array(fields)[:, 5])
    written = replace(problem, pose_convention=PoseConvention(pose_format))
    poses = [pose_format.to_matrix(one) for one in fields]
    pairs = [replace(pair, fields=tuple(one)) for pair, one in zip(pairs_of(joints, poses), fields, strict=True)]
    assert explain_joint_angles(written, convention, pairs) is None
    for pair in pairs[:4]:
        pair.base_T_flange[:] = pair.base_T_flange @ se3.exp(np.r_[np.zeros(5), np.deg2rad(0.3)])
    assert explain_joint_angles(written, convention, pairs) is not None


def test_without_a_model_without_joints_and_with_two_pairs_there_is_no_finding(problem):
    convention, rng = convention_of(PUMA, ("deg",) * 6), np.random.default_rng(0)
    sent, poses = faulty("sign", rng, convention)
    stated = replace(problem, joint_convention=convention)
    assert find_wrong_joint_angles(problem, pairs_of(sent, poses)) is None
    assert find_wrong_joint_angles(stated, [replace(p, joints=None) for p in pairs_of(sent, poses)]) is None
    assert find_wrong_joint_angles(stated, pairs_of(sent, poses)[:2]) is None
    assert find_wrong_joint_angles(stated, pairs_of(sent, poses)[:3]).code is FindingCode.JOINT_ANGLES


def test_the_arm_of_the_simulator_confirms_a_wrong_order(problem):
    convention, rng = convention_of(PUMA, ("deg",) * 6), np.random.default_rng(4)
    joints = taught(rng, convention)
    poses = np.array([Arm().forward(np.deg2rad(q)) for q in joints])
    assert explain_joint_angles(problem, convention, pairs_of(joints, poses)) is None
    fault = explain_joint_angles(problem, convention, pairs_of(joints[:, [0, 2, 1, 3, 4, 5]], poses))
    assert (fault.kinds, fault.sent_order) == ((JointFaultKind.ORDER,), (0, 2, 1, 3, 4, 5))


@pytest.mark.parametrize("joint", [1, 2, 3, 4])
def test_the_zero_of_a_joint_is_estimated(problem, joint):
    convention, rng = convention_of(PUMA, ("deg",) * 6), np.random.default_rng(joint)
    joints = taught(rng, convention)
    sent = joints.copy()
    sent[:, joint] -= 3.2
    stated = replace(problem, joint_convention=convention)
    finding = find_wrong_joint_angles(stated, pairs_of(sent, poses_of(convention, joints, rng)))
    assert finding.evidence["joint"] == joint + 1
    assert finding.evidence["zero_deg"] == pytest.approx(3.2, abs=0.002)


def test_coupled_joints_base_frame_and_another_model(problem):
    convention, rng = convention_of(PUMA, ("deg",) * 6), np.random.default_rng(7)
    joints = taught(rng, convention)
    poses = poses_of(convention, joints, rng)
    ground = joints.copy()
    ground[:, 2] += joints[:, 1]
    fault = explain_joint_angles(problem, convention, pairs_of(ground, poses))
    assert (fault.kinds, fault.coupling) == ((JointFaultKind.COUPLED,), -1)
    base = se3.exp(np.array([0.4, -0.2, 0.7, 0.1, 0.3, 1.0]))
    fault = explain_joint_angles(problem, convention, pairs_of(joints, poses_of(convention, joints, rng, base=base)))
    assert fault.kinds == (JointFaultKind.BASE,)
    np.testing.assert_allclose(fault.constant, base, atol=2e-4)
    other = [(25, 90, 400, 0), *PUMA[1:]]
    fault = explain_joint_angles(problem, convention_of(other, ("deg",) * 6), pairs_of(joints, poses))
    assert (fault.kinds, fault.corrected) == ((JointFaultKind.MODEL,), None)
    assert fault.as_stated[0] > 0.1


def test_a_wrong_sign_and_a_tool_at_once(problem):
    convention, rng = convention_of(PUMA, ("deg",) * 6), np.random.default_rng(9)
    joints = taught(rng, convention)
    tool = se3.exp(np.array([0.02, 0.0, 0.12, 0.1, 0.5, 0.0]))
    sent = joints * np.array([1, 1, -1, 1, 1, 1])
    fault = explain_joint_angles(problem, convention, pairs_of(sent, poses_of(convention, joints, rng, tool)))
    assert (fault.kinds, fault.reversed_joints) == ((JointFaultKind.SIGN, JointFaultKind.TOOL), (2,))
    np.testing.assert_allclose(fault.constant, tool, atol=2e-4)


@pytest.mark.parametrize(
    ("error_mm", "error_deg", "fits"),
    [(0.099, 0.0, True), (0.105, 0.0, False), (0.0, 0.0199, True), (0.0, 0.0205, False)],
)
def test_a_controller_differs_from_its_own_model_by_a_tenth_of_a_millimetre_and_a_fiftieth_of_a_degree(
    problem, error_mm, error_deg, fits
):
    """Joints with six decimals, whose rounding is below a micrometre, and pairs that are all that far off."""
    convention, rng = convention_of(PUMA, ("deg",) * 6), np.random.default_rng(15)
    joints = np.round(rng.uniform(-80, 80, (8, 6)), 6)
    off = se3.exp(np.array([0, 0, error_mm * 1e-3, 0, np.deg2rad(error_deg), 0]))
    poses = convention.arm.forward(np.deg2rad(joints)) @ off
    assert (explain_joint_angles(problem, convention, pairs_of(joints, poses)) is None) is fits
    # Of ten pairs two may be stale, and no more.
    joints = np.round(rng.uniform(-80, 80, (10, 6)), 6)
    poses = convention.arm.forward(np.deg2rad(joints))
    for stale, is_found in ((2, False), (3, True)):
        moved = poses.copy()
        moved[1 : 1 + stale, :3, 3] += 0.05
        assert (explain_joint_angles(problem, convention, pairs_of(joints, moved)) is not None) is is_found


@pytest.mark.parametrize(("decimals", "fits"), [(2, True), (2, False), (0, True), (0, False)])
def test_rounding_of_the_joints_explains_three_sigmas(problem, decimals, fits):
    """Of a uniform error in the last digit of each joint at its lever; a digit above 0.1 deg is taken for that."""
    convention, rng = convention_of([(500, 0, 0, 0)] * 2, ("deg",) * 2), np.random.default_rng(16)
    joints = np.round(rng.uniform(-80, 80, (9, 2)) / 10**-decimals) * 10.0**-decimals
    joints[:, 1] = np.round(rng.uniform(-5, 5, 9) / 10**-decimals) * 10.0**-decimals
    poses = convention.arm.forward(np.deg2rad(joints))
    levers = np.stack([np.linalg.norm(poses[:, :2, 3], axis=1), np.full(9, 0.5)])
    step = np.deg2rad(min(10.0**-decimals, 0.1))
    allowed = 1e-4 + 3 / np.sqrt(12) * step * np.sqrt((levers**2).sum(axis=0)).max()
    poses[:, 2, 3] += allowed * (0.98 if fits else 1.02)
    assert (explain_joint_angles(problem, convention, pairs_of(joints, poses)) is None) is fits


SIGN_OF_THE_THIRD = np.array([1, 1, -1, 1, 1, 1])


@pytest.mark.parametrize(
    ("change", "kinds"),
    [
        (lambda q: q * SIGN_OF_THE_THIRD, (JointFaultKind.SIGN,)),
        (lambda q: q[:, [1, 0, 2, 3, 4, 5]], (JointFaultKind.ORDER,)),
        (lambda q: q + np.array([0, 0, 0, 90.0, 0, 0]), (JointFaultKind.ZERO,)),
        (lambda q: q + np.array([0, 0, 1.0, 0, 0, 0]) * q[:, [1]], (JointFaultKind.COUPLED,)),
    ],
)
def test_another_unit_beside_another_fault(problem, change, kinds):
    """Both are named where each by itself does not explain the joints."""
    convention, rng = convention_of(PUMA, ("deg",) * 6), np.random.default_rng(12)
    joints = taught(rng, convention)
    sent = np.round(np.deg2rad(change(joints)), 5)
    fault = explain_joint_angles(problem, convention, pairs_of(sent, poses_of(convention, joints, rng)))
    assert fault.kinds == (JointFaultKind.UNIT, *kinds)


@pytest.mark.parametrize("kind", [JointFaultKind.TOOL, JointFaultKind.BASE])
@pytest.mark.parametrize(
    ("change", "kinds"),
    [
        (lambda q: np.round(np.deg2rad(q), 5), (JointFaultKind.UNIT,)),
        (lambda q: q * SIGN_OF_THE_THIRD, (JointFaultKind.SIGN,)),
        (lambda q: q[:, [1, 0, 2, 3, 4, 5]], (JointFaultKind.ORDER,)),
        (lambda q: q + np.array([0, 0, 1.0, 0, 0, 0]) * q[:, [1]], (JointFaultKind.COUPLED,)),
    ],
)
def test_a_constant_transform_beside_another_fault(problem, kind, change, kinds):
    convention, rng = convention_of(PUMA, ("deg",) * 6), np.random.default_rng(13)
    joints = taught(rng, convention)
    constant = se3.exp(np.array([0.02, 0.03, 0.12, 0.1, 0.5, 0.2]))
    where = {"tool" if kind is JointFaultKind.TOOL else "base": constant}
    fault = explain_joint_angles(
        problem, convention, pairs_of(change(joints), poses_of(convention, joints, rng, **where))
    )
    assert fault.kinds == (*kinds, kind)
    np.testing.assert_allclose(fault.constant, constant, atol=5e-4)


def test_joints_counted_from_the_ground_with_reversed_signs(problem):
    """And several zeros off by quarters of a turn."""
    convention, rng = convention_of(PUMA, ("deg",) * 6), np.random.default_rng(14)
    joints = taught(rng, convention)
    poses = poses_of(convention, joints, rng)
    coupled = joints + np.array([0, 0, 1.0, 0, 0, 0]) * joints[:, [1]]
    # Joint 3 is what is sent, its sign reversed, less joint 2.
    sent = coupled * SIGN_OF_THE_THIRD
    fault = explain_joint_angles(problem, convention, pairs_of(sent, poses))
    assert (fault.kinds, fault.coupling) == ((JointFaultKind.SIGN, JointFaultKind.COUPLED), -1)
    turned = joints - np.array([90.0, 0, 0, 180.0, 0, -90.0])
    fault = explain_joint_angles(problem, convention, pairs_of(turned, poses))
    assert fault.kinds == (JointFaultKind.ZERO,)
    assert {joint: round(np.rad2deg(by)) % 360 for joint, by in fault.offsets} == {0: 90, 3: 180, 5: 270}


def test_a_solve_has_the_finding_and_the_same_result(problem):
    # The poses of this problem are those of no arm: with any joints they contradict the model.
    stated = replace(problem, joint_convention=convention_of(PUMA, ("deg",) * 6))
    with_joints = tuple(replace(pair, joints=(1.0, 2.0, 3.0, 4.0, 5.0, 6.0 + pair.index)) for pair in problem.pairs)
    found, plain = solve(replace(stated, pairs=with_joints)), solve(problem)
    finding = next(f for f in found.findings if f.code is FindingCode.JOINT_ANGLES)
    assert finding.severity is Severity.WARN
    assert (found.X == plain.X).all()
    assert FindingCode.JOINT_ANGLES not in {f.code for f in plain.findings}


@pytest.mark.parametrize(("stated", "other"), [("deg", "rad"), ("rad", "deg")])
def test_the_unit_to_state_is_the_other_one(problem, stated, other):
    joints = taught(np.random.default_rng(17), convention_of(PUMA, ("deg",) * 6))
    convention, rng = convention_of(PUMA, (stated,) * 6), np.random.default_rng(18)
    poses = poses_of(convention_of(PUMA, ("deg",) * 6), joints, rng)
    sent = np.round(np.deg2rad(joints), 6) if other == "rad" else joints
    found = find_wrong_joint_angles(replace(problem, joint_convention=convention), pairs_of(sent, poses))
    assert f"in {other}, not in {stated}" in found.message
    assert f'joint_unit = "{other}"' in found.remedy
