"""Whatever the pairs are, ``solve`` returns finite numbers; warnings are errors under pytest."""

import dataclasses
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from eyebolt.calibration.problem import RobotNoise
from eyebolt.calibration.solution import Refusal, Solution
from eyebolt.calibration.solve import solve
from eyebolt.geometry.pose_format import PoseFormat
from eyebolt.observations.pair import Pair
from eyebolt_sim.problems import make_problem
from eyebolt_sim.transforms import matrix


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
        assert np.linalg.eigvalsh(outcome.covariance).min() >= 0
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
        (mount, stated): cases.convert(make_problem(mount, 8, 2), stated)
        for mount in ("fixed", "arm")
        for stated in (True, False)
    }


either = st.sampled_from([("fixed", True), ("fixed", False), ("arm", True), ("arm", False)])


@given(either, st.lists(st.integers(0, 7), max_size=9))
@settings(deadline=None, max_examples=20)
def test_any_selection_with_repetition(eight, which, rows):
    problem = eight[which]
    chosen = [replace(problem.pairs[row], index=k) for k, row in enumerate(rows)]
    outcome = checked_outcome(replace(problem, pairs=chosen))
    if len(set(rows)) < 2:
        assert isinstance(outcome, Refusal)


absurd = st.sampled_from([0.0, 1e-9, 1e-3, 1.0, 1e3, 1e6])


@given(either, st.integers(0, 7), absurd, st.lists(st.floats(-4, 4), min_size=6, max_size=6), st.booleans())
@settings(deadline=None, max_examples=15)
def test_absurd_poses(eight, which, row, size, numbers, all_of_them):
    problem = eight[which]
    strange = matrix(Rotation.from_rotvec(numbers[3:]), np.array(numbers[:3]) * size)
    pairs = [
        replace(p, base_T_flange=strange if k == row else p.base_T_flange @ strange if all_of_them else p.base_T_flange)
        for k, p in enumerate(problem.pairs)
    ]
    checked_outcome(replace(problem, pairs=pairs))


@given(either, st.integers(0, 2**32 - 1), st.sampled_from([0.0, 1.0, 100.0, 1e4, 1e7]), st.integers(1, 8))
@settings(deadline=None, max_examples=15)
def test_corners_that_are_nonsense(eight, which, seed, size_px, how_many):
    problem = eight[which]
    generator = np.random.default_rng(seed)
    pairs = list(problem.pairs)
    for row in range(how_many):
        corners = 1000 + generator.normal(size=pairs[row].corners_px.shape) * size_px
        pairs[row] = replace(pairs[row], corners_px=corners)
    checked_outcome(replace(problem, pairs=pairs))


@given(either, st.lists(st.integers(0, 88), min_size=8, max_size=8), st.integers(0, 2**32 - 1))
@settings(deadline=None, max_examples=15)
def test_any_number_of_corners(eight, which, counts, seed):
    problem = eight[which]
    generator = np.random.default_rng(seed)
    pairs = []
    for pair, count in zip(problem.pairs, counts, strict=True):
        some = np.sort(generator.choice(88, size=count, replace=False))
        pairs.append(replace(pair, ids=pair.ids[some], corners_px=pair.corners_px[some]))
    outcome = checked_outcome(replace(problem, pairs=pairs))
    few = {k for k, count in enumerate(counts) if count < 6}
    assert few <= {p.pair for p in outcome.excluded}


@pytest.mark.parametrize("which", [("fixed", True), ("arm", False)])
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

    def test_different_poses_with_the_same_image(self, eight, which):
        first = eight[which].pairs[0]
        checked_outcome(
            replace(eight[which], pairs=[replace(p, corners_px=first.corners_px) for p in eight[which].pairs])
        )

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
            outcome = checked_outcome(replace(eight[which], pairs=pairs))
            assert isinstance(outcome, Refusal) or outcome.expected_error_mm.p95 > 10

    def test_checks_without_any_corner(self, eight, which):
        nothing = Pair(99, np.eye(4), np.zeros(0, dtype=np.int64), np.zeros((0, 2)))
        outcome = checked_outcome(eight[which], [nothing])
        assert outcome.checks is None

    def test_a_check_from_nowhere(self, eight, which):
        outlier = replace(eight[which].pairs[0], base_T_flange=np.eye(4))
        outcome = checked_outcome(eight[which], [outlier])
        assert outcome.checks.worst_mm > 100


@pytest.mark.parametrize("mount", ["fixed", "arm"])
@pytest.mark.parametrize("noise", [RobotNoise(1e-7, 1e-8), RobotNoise(0.05, 0.2)], ids=["exact", "hopeless"])
def test_extreme_statements_of_noise(eight, mount, noise):
    checked_outcome(replace(eight[mount, True], robot_noise=noise))


@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_no_pairs_at_all(eight, mount):
    assert checked_outcome(replace(eight[mount, False], pairs=[])).code == "too-few-pairs"
