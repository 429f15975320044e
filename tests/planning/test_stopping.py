"""When the goal is met, and how many more pairs are wanted."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2

from eyebolt.calibration.problem import STATED_NOISE_DOF
from eyebolt.calibration.solution import Refusal, RefusalCode
from eyebolt.planning.stopping import Goal, p95_upper_of_pick_mm, predicted_p95_upper_mm, stopping_factor
from eyebolt_sim.problems import EXACT_NOISE_DOF
from support.solutions import made_up_solution

TOLERANCE_MM = 0.5
GOAL = Goal(TOLERANCE_MM, min_pairs=8, max_pairs=40)
REFUSAL = Refusal(RefusalCode.INSUFFICIENT_ROTATION, "the waypoints turn too little", "turn more", 5)


def solution(p95_mm, findings=(), dof=EXACT_NOISE_DOF, **changes):
    return made_up_solution(p95_mm, findings=tuple(findings), robot_noise_prior_dof=dof, **changes)


GOALS = st.builds(
    lambda tolerance, min_pairs, more: Goal(tolerance, min_pairs, min_pairs + more),
    st.floats(0.01, 10),
    st.integers(3, 20),
    st.integers(0, 40),
)
OUTCOMES = st.one_of(
    st.none(),
    st.just(REFUSAL),
    st.builds(solution, st.floats(0, 1e308) | st.just(math.inf) | st.just(math.nan)),
)


@pytest.mark.parametrize(
    ("kept", "outcome", "is_met"),
    [
        (8, solution(TOLERANCE_MM), True),
        (8, solution(math.nextafter(TOLERANCE_MM, 1)), False),
        (7, solution(0.01), False),
        (40, solution(0.01), True),
        (40, REFUSAL, False),
        (40, None, False),
        (40, solution(math.nan), False),
    ],
)
def test_the_goal_is_met_by_enough_pairs_and_a_small_enough_error(kept, outcome, is_met):
    assert GOAL.is_met(kept, outcome) is is_met


@pytest.mark.parametrize(
    ("kept", "outcome", "wanted"),
    [
        (0, None, 8),
        (7, None, 1),
        (8, None, 1),
        (5, REFUSAL, 3),
        (20, REFUSAL, 1),
        # Twice the tolerance wants four times the pairs beyond the first four.
        (8, solution(2 * TOLERANCE_MM, pairs_used=8), 12),
        (10, solution(math.sqrt(2) * TOLERANCE_MM * (1 - 1e-12), pairs_used=10), 6),
        # Excluded pairs carry no information.
        (10, solution(math.sqrt(2) * TOLERANCE_MM * (1 - 1e-12), pairs_used=8), 4),
        (8, solution(TOLERANCE_MM * 1.0001), 1),
        (5, solution(0.1), 3),
        # Never more than the station takes.
        (8, solution(50.0), 32),
        (39, solution(50.0), 1),
        (40, solution(50.0), 1),
        (55, solution(50.0), 1),
        (8, solution(math.inf), 32),
        (8, solution(math.nan), 32),
        (8, solution(0.1), 0),
    ],
)
def test_pairs_still_wanted(kept, outcome, wanted):
    assert GOAL.pairs_wanted(kept, outcome) == wanted


@given(GOALS, st.integers(0, 80), OUTCOMES)
def test_nothing_is_wanted_exactly_when_the_goal_is_met(goal, kept, outcome):
    wanted = goal.pairs_wanted(kept, outcome)
    assert (wanted == 0) is goal.is_met(kept, outcome)
    assert 0 <= wanted <= max(goal.max_pairs - kept, 1)


@given(GOALS, st.integers(0, 80), st.floats(0, 1e6), st.floats(0, 1e6))
def test_a_larger_error_never_wants_fewer(goal, kept, one_mm, other_mm):
    smaller, larger = sorted((one_mm, other_mm))
    assert goal.pairs_wanted(kept, solution(smaller)) <= goal.pairs_wanted(kept, solution(larger))


@given(GOALS, st.integers(0, 80), st.floats(0, 1e6), st.floats(0.01, 10))
def test_a_tighter_tolerance_never_wants_fewer(goal, kept, p95_mm, other_mm):
    tight, wide = sorted((goal.tolerance_mm, other_mm))
    outcome = solution(p95_mm)
    assert Goal(tight, goal.min_pairs, goal.max_pairs).pairs_wanted(kept, outcome) >= Goal(
        wide, goal.min_pairs, goal.max_pairs
    ).pairs_wanted(kept, outcome)


@given(GOALS, st.integers(0, 80), st.none() | st.just(REFUSAL))
def test_without_a_solution_every_pair_kept_is_one_less_wanted_down_to_one(goal, kept, outcome):
    now, then = goal.pairs_wanted(kept, outcome), goal.pairs_wanted(kept + 1, outcome)
    assert then == max(now - 1, 1)


@pytest.mark.parametrize("dof", [0.0, STATED_NOISE_DOF, EXACT_NOISE_DOF])
def test_pairs_wanted_leads_to_the_goal_if_the_error_follows_the_law(dof):
    """Error x sqrt(pairs - 4) constant, as ``bench.planning stop`` measures it: the loop ends as predicted."""
    kept, asked = 8, []
    while (wanted := GOAL.pairs_wanted(kept, solution(1.6 / math.sqrt(kept - 4), pairs_used=kept, dof=dof))) and len(
        asked
    ) < 5:
        asked.append(wanted)
        kept += wanted
    assert len(asked) == 1
    assert 1.6 / math.sqrt(kept - 4) * stopping_factor(kept, dof) <= TOLERANCE_MM
    assert 1.6 / math.sqrt(kept - 5) * stopping_factor(kept - 1, dof) > TOLERANCE_MM


def test_an_estimated_noise_is_corrected_for_sequential_stopping():
    """The factor is exp(1 / nu) with nu = 3 n - 6 degrees of freedom of the noise."""
    factor = math.exp(1 / 18)
    just = TOLERANCE_MM / factor
    assert GOAL.is_met(8, solution(just * (1 - 1e-9), pairs_used=8, dof=0.0))
    assert not GOAL.is_met(8, solution(just * (1 + 1e-9), pairs_used=8, dof=0.0))
    assert GOAL.is_met(8, solution(TOLERANCE_MM, pairs_used=8))


def test_excluded_pairs_do_not_count():
    """The board moved after five of ten pairs: ``min_pairs`` is not reached, however small the error."""
    assert GOAL.min_pairs == 8
    assert not GOAL.is_met(10, solution(TOLERANCE_MM / 4, pairs_used=5))
    assert GOAL.pairs_wanted(10, solution(TOLERANCE_MM / 4, pairs_used=5)) == 3
    assert GOAL.is_met(13, solution(TOLERANCE_MM / 4, pairs_used=8))
    assert not GOAL.is_met(7, solution(TOLERANCE_MM / 4, pairs_used=8)), "nor do those that were refused and then used"


@pytest.mark.parametrize("dof", [0.0, STATED_NOISE_DOF, EXACT_NOISE_DOF])
def test_the_predicted_p95_approaches_that_of_the_information(dof):
    predicted = [predicted_p95_upper_mm(pairs, 0.3, dof) for pairs in (3, 8, 20, 40, 1000)]
    assert predicted == sorted(predicted, reverse=True)
    assert predicted[-1] == pytest.approx(0.3, rel=1e-3)


@pytest.mark.parametrize("arm_mm", [0.0, 0.1, 0.5, 2.0])
def test_the_bound_of_a_pick_contains_the_noise_of_the_arm_beside_the_shared_error(arm_mm):
    """The transform at its bound, and many picks of a white arm around it."""
    picks = np.random.default_rng(1).normal(size=(100000, 3)) * arm_mm / math.sqrt(chi2.isf(0.05, 3))
    picks[:, 0] += 0.6
    expected = np.quantile(np.linalg.norm(picks, axis=1), 0.95)
    assert p95_upper_of_pick_mm(0.6, arm_mm) == pytest.approx(expected, rel=0.02)
    assert p95_upper_of_pick_mm(math.inf, arm_mm) == math.inf


@pytest.mark.parametrize("dof", [0.0, STATED_NOISE_DOF, 10.0])
def test_the_variance_at_the_stop_is_as_much_too_small_as_the_factor_corrects(dof):
    """Variances of 3 numbers a pair beside a true statement, stopped when s / sqrt(n - 4) reaches a limit."""
    counts = np.arange(3, 151)
    squares = np.cumsum(np.random.default_rng(1).chisquare(3, size=(20000, len(counts))), axis=1)
    nu = 3 * counts - 6
    variance = (squares + dof) / (nu + dof)
    stop = variance * 16 / np.maximum(counts - 4, 1e-9) <= 1
    stop[:, counts < 8] = False
    at_stop = variance[np.arange(len(stop)), stop.argmax(axis=1)]
    assert stop.any(axis=1).all()
    assert at_stop.mean() == pytest.approx(stopping_factor(20, dof) ** -2, abs=0.2 * 2 / 54)
