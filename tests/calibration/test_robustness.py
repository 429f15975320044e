"""Whatever the pairs are, ``solve`` returns finite numbers; warnings are errors under pytest."""

import dataclasses
import math
import sys
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from eyebolt.calibration.problem import STATED_NOISE_DOF, RobotNoise
from eyebolt.calibration.solution import Refusal, Solution
from eyebolt.calibration.solve import solve
from eyebolt.geometry.pose_format import PoseFormat
from eyebolt.observations.pair import Pair
from eyebolt_sim.problems import make_problem
from eyebolt_sim.transforms import matrix, transform_points
from support import long_forms


def numbers_in(value):
    """Every number of a value, however deep."""
    if dataclasses.is_dataclass(value):
        for f in dataclasses.fields(value):
            yield from numbers_in(getattr(value, f.name))
    elif isinstance(value, np.ndarray):
        yield from value.ravel().tolist()
    elif isinstance(value, (list, tuple)):
        for item in value:
            yield from numbers_in(item)
    elif isinstance(value, (int, float)):
        yield value


def checked_outcome(problem, checks=()):
    outcome = solve(problem, checks)
    assert isinstance(outcome, (Solution, Refusal))
    assert all(math.isfinite(number) for number in numbers_in(outcome))
    if isinstance(outcome, Refusal):
        assert outcome.code in ("too-few-pairs", "insufficient-rotation", "not-converged")
        assert outcome.message
        assert outcome.remedy
        assert "nan" not in outcome.message
    else:
        assert np.linalg.det(outcome.X[:3, :3]) == pytest.approx(1.0)
        variances = np.linalg.eigvalsh(outcome.covariance)
        # A height that is unobservable has none.
        assert variances.min() >= (-1e-12 * variances.max() if outcome.unobservable else 0)
        assert outcome.error_map.p95_mm.shape == (5, 9, 9)
        assert outcome.error_map.p95_mm.max() == pytest.approx(outcome.expected_error_mm.worst_p95)
        for kind in ("quaternion-wxyz", "rotation-vector", "euler-ZYX", "euler-zyz", "angle-z"):
            sigma = PoseFormat("mm", kind, "deg").field_sigmas(outcome.X, outcome.covariance)
            assert all(math.isfinite(s) and s >= 0 for s in sigma)
        assert outcome.pairs_used + len(outcome.excluded) == len(problem.pairs)
    return outcome


@pytest.fixture(scope="module")
def eight(cases):
    return {
        (mount, stated, turns): cases.convert(make_problem(mount, 8, 2, turns=turns), stated, drift_sigma_m=None)
        for mount in ("fixed", "arm")
        for stated in (True, False)
        for turns in ("free", "vertical")
    }


FREE = [("fixed", True, "free"), ("fixed", False, "free"), ("arm", True, "free"), ("arm", False, "free")]
VERTICAL = [("fixed", False, "vertical"), ("arm", True, "vertical")]
either = st.sampled_from([*FREE, *VERTICAL])


def kinds(*which):
    """Parametrizes by these problems; all but those of ``SHORT`` are the long form."""
    return pytest.mark.parametrize(
        "which",
        [
            pytest.param(each, id="-".join(map(str, each)), marks=() if each in SHORT else pytest.mark.long)
            for each in which
        ],
    )


# Between them both mounts, both kinds of noise, and both kinds of arm.
SHORT = (FREE[1], VERTICAL[1])


@long_forms.examples(8, 20)
def test_any_selection_with_repetition(eight, examples):
    @settings(max_examples=examples)
    @given(either, st.lists(st.integers(0, 7), max_size=9))
    def solve_selection(which, rows):
        problem = eight[which]
        chosen = [replace(problem.pairs[row], index=k) for k, row in enumerate(rows)]
        outcome = checked_outcome(replace(problem, pairs=chosen))
        if len(set(rows)) < 2:
            assert isinstance(outcome, Refusal)

    solve_selection()


absurd = st.sampled_from([0.0, 1e-9, 1e-3, 1.0, 1e3, 1e6])


@long_forms.examples(4, 15)
def test_absurd_poses(eight, examples):
    @settings(max_examples=examples)
    @given(either, st.integers(0, 7), absurd, st.lists(st.floats(-4, 4), min_size=6, max_size=6), st.booleans())
    def solve_absurd_poses(which, row, size, numbers, all_of_them):
        problem = eight[which]
        strange = matrix(Rotation.from_rotvec(numbers[3:]), np.array(numbers[:3]) * size)
        pairs = [
            replace(p, base_T_flange=strange)
            if k == row
            else replace(p, base_T_flange=p.base_T_flange @ strange if all_of_them else p.base_T_flange)
            for k, p in enumerate(problem.pairs)
        ]
        checked_outcome(replace(problem, pairs=pairs))

    solve_absurd_poses()


@long_forms.examples(4, 15)
def test_corners_that_are_nonsense(eight, examples):
    @settings(max_examples=examples)
    @given(either, st.integers(0, 2**32 - 1), st.sampled_from([0.0, 1.0, 100.0, 1e4, 1e7]), st.integers(1, 8))
    def solve_nonsense(which, seed, size_px, how_many):
        problem = eight[which]
        generator = np.random.default_rng(seed)
        pairs = list(problem.pairs)
        for row in range(how_many):
            corners = 1000 + generator.normal(size=pairs[row].corners_px.shape) * size_px
            pairs[row] = replace(pairs[row], corners_px=corners)
        checked_outcome(replace(problem, pairs=pairs))

    solve_nonsense()


@long_forms.examples(4, 15)
def test_any_number_of_corners(eight, examples):
    @settings(max_examples=examples)
    @given(either, st.lists(st.integers(0, 88), min_size=8, max_size=8), st.integers(0, 2**32 - 1))
    def solve_some_corners(which, counts, seed):
        problem = eight[which]
        generator = np.random.default_rng(seed)
        pairs = []
        for pair, count in zip(problem.pairs, counts, strict=True):
            some = np.sort(generator.choice(88, size=count, replace=False))
            pairs.append(replace(pair, ids=pair.ids[some], corners_px=pair.corners_px[some]))
        outcome = checked_outcome(replace(problem, pairs=pairs))
        few = {k for k, count in enumerate(counts) if count < 6}
        assert few <= {p.pair for p in outcome.excluded}

    solve_some_corners()


@kinds(*FREE, *VERTICAL)
class TestNamedCases:
    def test_one_pair(self, eight, which):
        assert isinstance(checked_outcome(replace(eight[which], pairs=eight[which].pairs[:1])), Refusal)

    def test_the_same_pair_ten_times(self, eight, which):
        pairs = [replace(eight[which].pairs[0], index=k) for k in range(10)]
        assert isinstance(checked_outcome(replace(eight[which], pairs=pairs)), Refusal)

    def test_identical_poses_with_different_images(self, eight, which):
        first = eight[which].pairs[0].base_T_flange
        pairs = [replace(p, base_T_flange=first) for p in eight[which].pairs]
        checked_outcome(replace(eight[which], pairs=pairs))

    def test_a_mirrored_board(self, eight, which):
        """Corners of a board seen from its back, which no board in front of the camera can have."""
        width = eight[which].camera.width_px
        pairs = [replace(p, corners_px=p.corners_px * [-1, 1] + [width, 0]) for p in eight[which].pairs]
        checked_outcome(replace(eight[which], pairs=pairs))

    def test_corners_in_one_line_or_one_point(self, eight, which):
        pairs = list(eight[which].pairs)
        pairs[0] = replace(pairs[0], ids=pairs[0].ids[:8], corners_px=pairs[0].corners_px[:8])
        pairs[1] = replace(pairs[1], corners_px=np.tile(pairs[1].corners_px[:1], (88, 1)))
        outcome = checked_outcome(replace(eight[which], pairs=pairs))
        assert {0, 1} <= {p.pair for p in outcome.excluded}

    def test_poses_read_the_wrong_way_round(self, eight, which):
        """A fit to some of the pairs by chance must not pass for an answer, whatever noise is stated."""
        inverted = [replace(p, base_T_flange=np.linalg.inv(p.base_T_flange)) for p in eight[which].pairs]
        shifted = [
            replace(p, base_T_flange=q.base_T_flange) for p, q in zip(inverted, eight[which].pairs[1:], strict=False)
        ]
        for pairs in (inverted, shifted):
            outcome = checked_outcome(replace(eight[which], pairs=pairs, robot_noise_dof=STATED_NOISE_DOF))
            assert isinstance(outcome, Refusal) or outcome.expected_error_mm.p95 > 10

    def test_checks_without_any_corner(self, eight, which):
        nothing = Pair(99, np.eye(4), np.zeros(0, dtype=np.int64), np.zeros((0, 2)))
        outcome = checked_outcome(eight[which], [nothing])
        assert outcome.checks is None

    def test_a_check_from_nowhere(self, eight, which):
        outlier = replace(eight[which].pairs[0], base_T_flange=np.eye(4))
        outcome = checked_outcome(eight[which], [outlier])
        assert outcome.checks.worst_mm > 100


def turned(pair, axis):
    """The pair with its flange half a turn about one of its axes."""
    return replace(pair, base_T_flange=pair.base_T_flange @ matrix(Rotation.from_rotvec(np.pi * axis), np.zeros(3)))


def corrupted(pairs, fault, generator):
    """``pairs`` with one kind of fault in some or all of them."""
    some = generator.random(len(pairs)) < generator.choice([0.3, 1.0])
    size = 10.0 ** generator.integers(-12, 140)
    first = pairs[0]
    match fault:
        case "repeated":
            return [pairs[row] for row in generator.integers(0, len(pairs), 9)]
        case "one pose":
            return [replace(p, base_T_flange=first.base_T_flange) for p in pairs]
        case "one image":
            return [replace(p, ids=first.ids, corners_px=first.corners_px) for p in pairs]
        case "collinear":
            return [
                replace(p, ids=p.ids[:9], corners_px=p.corners_px[:9]) if s else p
                for p, s in zip(pairs, some, strict=True)
            ]
        case "flattened":
            flat = np.array([1.0, min(size, 1.0)])
            return [
                replace(p, corners_px=1000 + (p.corners_px - 1000) * flat) if s else p
                for p, s in zip(pairs, some, strict=True)
            ]
        case "half turns":
            axis = np.eye(3)[generator.integers(3)]
            return [turned(p, axis) if s else p for p, s in zip(pairs, some, strict=True)]
        case "huge poses":
            grow = np.ones((4, 4))
            grow[:3, 3] = size
            return [
                replace(p, base_T_flange=p.base_T_flange * grow) if s else p for p, s in zip(pairs, some, strict=True)
            ]
        case "huge corners":
            return [replace(p, corners_px=p.corners_px * size) if s else p for p, s in zip(pairs, some, strict=True)]
        case "not finite":
            return [
                replace(p, base_T_flange=p.base_T_flange * np.nan) if s else p for p, s in zip(pairs, some, strict=True)
            ]
    raise ValueError(fault)


FAULTS = [
    "repeated",
    "one pose",
    "one image",
    "collinear",
    "flattened",
    "half turns",
    "huge poses",
    "huge corners",
    "not finite",
]


def solve_corrupted(eight, which, faults, seed):
    """Solve a problem of eight pairs with these faults in its pairs."""
    pairs, generator = list(eight[which].pairs), np.random.default_rng(seed)
    for fault in faults:
        pairs = corrupted(pairs, fault, generator)
    checked_outcome(replace(eight[which], pairs=[replace(pair, index=k) for k, pair in enumerate(pairs)]))


@pytest.mark.parametrize("fault", FAULTS)
def test_a_corruption_ends_in_a_solution_or_a_refusal(eight, fault):
    number = FAULTS.index(fault)
    solve_corrupted(eight, [*FREE, *VERTICAL][number % 6], [fault], number)


@long_forms.examples(6, 30)
def test_any_corruption_ends_in_a_solution_or_a_refusal(eight, examples):
    """No numerical failure leaves ``solve``, and the diagnosis of what it refuses is part of that."""

    @settings(max_examples=examples)
    @given(either, st.lists(st.sampled_from(FAULTS), min_size=1, max_size=2), st.integers(0, 2**32 - 1))
    def solve_any(which, faults, seed):
        solve_corrupted(eight, which, faults, seed)

    solve_any()


@pytest.mark.parametrize("which", VERTICAL, ids=lambda which: which[0])
@pytest.mark.parametrize("mm", [0.0, 0.1], ids=["exact", "noisy"])
def test_a_vertical_arm_that_only_translates_is_asked_to_rotate(cases, which, mm):
    """The waypoints of ``eyebolt plan`` begin so."""
    mount, stated, _ = which
    for seed in range(4):
        simulated = make_problem(mount, 4, seed, turns="vertical")
        generator, first = np.random.default_rng(seed), simulated.base_T_flange_true[0]
        pairs = []
        for index, shift in enumerate(np.concatenate([np.zeros((1, 3)), 0.1 * np.eye(3)])):
            pose = first + np.pad(shift[:, None], ((0, 1), (3, 0)))
            corners = simulated.lens.project(
                transform_points(simulated.scene.view_from(pose), simulated.board_corners_m)
            )
            corners = corners + generator.normal(size=corners.shape) * 0.1
            turn = Rotation.from_rotvec([0, 0, np.deg2rad(0.2 * mm) * generator.normal()])
            reported = pose @ matrix(turn, generator.normal(size=3) * mm * 1e-3)
            pairs.append(Pair(index, reported, np.arange(len(corners)), corners))
        outcome = checked_outcome(replace(cases.convert(simulated, stated, drift_sigma_m=None), pairs=pairs))
        assert outcome.code == "insufficient-rotation"
        assert "about the vertical" in outcome.remedy, "this arm cannot tilt"


@kinds(*FREE, *VERTICAL)
def test_poses_whose_squares_overflow_are_refused(eight, which):
    grow = np.ones((4, 4))
    grow[:3, 3] = 1e160
    pairs = [replace(p, base_T_flange=p.base_T_flange * grow) for p in eight[which].pairs]
    assert isinstance(checked_outcome(replace(eight[which], pairs=pairs)), Refusal)


@kinds(*FREE, *VERTICAL)
def test_a_frozen_image_is_refused_and_named(eight, which):
    first = eight[which].pairs[0]
    frozen = [replace(p, ids=first.ids, corners_px=first.corners_px) for p in eight[which].pairs]
    outcome = checked_outcome(replace(eight[which], pairs=frozen))
    assert isinstance(outcome, Refusal)
    assert "stale-image" in [finding.code for finding in outcome.findings]


@long_forms.first("mount", ["arm", "fixed"])
def test_a_vertical_arm_solves_from_half_turns(cases, mount):
    """The axis of a half turn has no sign: both are tried."""
    for seed in range(3):
        simulated = make_problem(mount, 8, seed, turns="vertical")
        problem = cases.convert(simulated, drift_sigma_m=None)
        pairs = []
        for index, true in enumerate(simulated.base_T_flange_true):
            pose = true.copy()
            pose[:3, :3] = np.diag([-1.0, -1.0, 1.0] if index % 2 else [1.0, 1.0, 1.0])
            view = simulated.scene.view_from(pose)
            corners = simulated.lens.project(transform_points(view, simulated.board_corners_m))
            pairs.append(Pair(index, pose, np.arange(len(corners)), corners))
        outcome = checked_outcome(replace(problem, pairs=pairs))
        assert isinstance(outcome, Solution)
        assert np.abs(outcome.X[:3, :3] - simulated.hand_eye_true[:3, :3]).max() < 1e-3


@pytest.fixture(scope="module")
def refused(eight):
    """A problem of an arm that stands still, and its refusal."""
    still = [replace(pair, base_T_flange=np.eye(4)) for pair in eight[FREE[0]].pairs]
    problem = replace(eight[FREE[0]], pairs=still)
    return problem, checked_outcome(problem)


# The package has the function of the same name.
SOLVE_MODULE = sys.modules["eyebolt.calibration.solve"]


@pytest.mark.parametrize("failure", [np.linalg.LinAlgError("Singular matrix"), FloatingPointError("overflow")])
class TestGuard:
    def test_a_failed_diagnosis_makes_a_solution_a_refusal(self, eight, monkeypatch, failure):
        monkeypatch.setattr(SOLVE_MODULE, "diagnose", fails_with(failure))
        outcome = checked_outcome(eight[FREE[0]])
        assert isinstance(outcome, Refusal)
        assert outcome.code == "not-converged"

    def test_a_failed_diagnosis_leaves_a_refusal_as_it_is(self, refused, monkeypatch, failure):
        problem, expected = refused
        monkeypatch.setattr(SOLVE_MODULE, "diagnose", fails_with(failure))
        assert checked_outcome(problem) == replace(expected, findings=())

    def test_a_failed_estimate_is_a_refusal(self, eight, monkeypatch, failure):
        monkeypatch.setattr(SOLVE_MODULE, "fit_board_poses", fails_with(failure))
        assert checked_outcome(eight[FREE[0]]).code == "not-converged"


def fails_with(failure):
    """A function that raises ``failure``."""

    def fails(*_arguments):
        raise failure

    return fails


@long_forms.crossed(
    {"noise": {"exact": RobotNoise(1e-7, 1e-8), "hopeless": RobotNoise(0.05, 0.2)}, "mount": ["fixed", "arm"]}
)
def test_extreme_statements_of_noise(eight, mount, noise):
    checked_outcome(replace(eight[mount, True, "free"], robot_noise=noise))


@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_no_pairs_at_all(eight, mount):
    assert checked_outcome(replace(eight[mount, False, "free"], pairs=[])).code == "too-few-pairs"
