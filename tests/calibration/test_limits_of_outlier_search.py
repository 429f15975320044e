"""The steps of the search for outliers: each limit from both sides, and what each step hands to the next."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import chi2, f, multivariate_normal

from eyebolt.calibration.estimation import MovedPart
from eyebolt.calibration.problem import RobotNoise
from eyebolt.calibration.robust import StepChange, outliers, robust_estimate
from eyebolt.calibration.robust.outliers import (
    _drop_single_outliers,
    _forward_search,
    _InlierSet,
    _largest_segment,
    _outlier_log_density,
    _p_values,
    _pair_p_values,
    _readmit_structured,
    _readmit_systematic_errors,
    _reclassify,
    _search,
    _squared_residuals,
    is_minority,
)
from eyebolt_sim.problems import make_problem

DOF = 24.0


class Rows:
    """Observations that only know which rows they are."""

    drift = None
    A = capture_order = None

    def __init__(self, rows):
        self.rows = np.asarray(rows)
        self.A = self.capture_order = self.rows

    def subset(self, rows):
        return Rows(self.rows[rows])

    def with_drift(self, drift):
        out = Rows(self.rows)
        out.drift = drift
        return out


def joint_of(count, **changes):
    """An estimate on ``count`` pairs whose noise has 24 degrees of freedom."""
    noise = SimpleNamespace(best=RobotNoise(1e-4, 3e-4), dof=lambda pairs: DOF, prior=None)
    model = SimpleNamespace(offset=np.zeros((count, 6)))
    return SimpleNamespace(**{"noise": noise, "model": model, "corner_sigma_px": 0.1, "count": count, **changes})


class Current(SimpleNamespace):
    """A step of the search."""


def step(inliers, leave_one_out_sq=None):
    mask = np.asarray(inliers, dtype=bool)
    return Current(joint=joint_of(int(mask.sum())), inliers=mask, leave_one_out_sq=leave_one_out_sq)


@pytest.fixture
def refits(monkeypatch):
    """The inlier sets that were estimated."""
    found = []

    def refit(problem, observations, joint, inliers):
        found.append(np.flatnonzero(inliers).tolist())
        return step(inliers)

    monkeypatch.setattr(outliers, "_refit", refit)
    return found


@pytest.mark.parametrize(("inliers", "pairs", "is_few"), [(4, 9, True), (5, 9, False), (5, 10, False), (4, 10, True)])
def test_fewer_than_half_of_the_pairs_are_a_minority(inliers, pairs, is_few):
    assert is_minority(inliers, pairs) is is_few


def test_p_values_of_residuals_are_those_of_the_f_distribution():
    assert _p_values(joint_of(9), np.array([10.0, 30.0])) == pytest.approx(f.sf(np.array([10, 30.0]) / 6, 6, DOF))
    assert _p_values(joint_of(9), 40.0, 12) == pytest.approx(f.sf(40 / 12, 12, DOF))


def test_residuals_of_outliers_are_about_the_estimate_and_those_of_inliers_about_the_others(monkeypatch):
    asked = []

    def model(problem, others, joint):
        asked.append(others.rows.tolist())

    monkeypatch.setattr(outliers, "_model", model)
    monkeypatch.setattr(
        outliers, "unused_pair_residuals", lambda *_: SimpleNamespace(mahalanobis_sq=np.array([50.0, 60.0]))
    )
    current = step([1, 0, 1, 0, 1], np.array([1.0, 2.0, 3.0]))
    assert _squared_residuals(None, Rows(range(5)), current).tolist() == [1, 50, 2, 60, 3]
    assert asked == [[1, 3]]


@pytest.mark.parametrize(
    ("p_value", "average", "expected"), [(0.009, 0.3, 0.3), (0.011, 0.3, 0.011), (0.009, 1e-5, 0.009)]
)
def test_a_suspect_that_is_not_used_has_its_averaged_p_value(monkeypatch, p_value, average, expected):
    """Below one in a hundred; an inlier never has, and the average only takes it up."""
    squares = 6 * f.isf(np.array([p_value, 0.5, p_value]), 6, DOF)
    asked = []

    def averaged(joint, rows):
        asked.append(rows)
        return np.full(len(rows), average)

    monkeypatch.setattr(outliers, "_squared_residuals", lambda *_: squares)
    monkeypatch.setattr(outliers, "_model", lambda problem, others, joint: others.rows.tolist())
    monkeypatch.setattr(outliers, "predictive_p_values", averaged)
    found = _pair_p_values(None, Rows(range(3)), step([1, 1, 0]))
    assert found == pytest.approx([p_value, 0.5, expected])
    assert asked == ([[2]] if p_value < 0.01 else [])


@pytest.mark.parametrize(("pairs", "is_searched"), [(6, False), (7, True)])
def test_the_forward_search_needs_seven_pairs(monkeypatch, pairs, is_searched):
    calls = []

    def forward(problem, observations, current):
        calls.append("forward")
        return "grown", True

    monkeypatch.setattr(outliers, "_forward_search", forward)

    def drop(problem, observations, current):
        calls.append(current)
        return "dropped"

    monkeypatch.setattr(outliers, "_drop_single_outliers", drop)
    monkeypatch.setattr(outliers, "_reclassify", lambda *args: args[2:])
    current = step([1] * pairs + [0])
    found, contaminated = _search(None, None, current)
    assert contaminated is is_searched
    assert found == ("dropped", is_searched)
    assert calls == (["forward", "grown"] if is_searched else [current])


def forward(monkeypatch, current, consistent, p_values, pair_p_values=None, by_chance=False):
    """The forward search whose consistent subset and p-values are given, one array of these for each round."""
    left = list(p_values)
    monkeypatch.setattr(outliers, "consistent_subset", lambda *_: np.array(consistent))
    monkeypatch.setattr(outliers, "_squared_residuals", lambda *_: None)
    monkeypatch.setattr(outliers, "_p_values", lambda *_: np.array(left.pop(0) if len(left) > 1 else left[0]))
    monkeypatch.setattr(outliers, "_pair_p_values", lambda *_: np.array(pair_p_values))
    given = []

    def is_plausible(joint, residual_sq, borderline, certain):
        given.append((residual_sq, np.flatnonzero(borderline).tolist(), np.flatnonzero(certain).tolist()))
        return by_chance

    monkeypatch.setattr(outliers, "_is_plausible_by_chance", is_plausible)
    found, contaminated = _forward_search(None, Rows(range(len(current.inliers))), current)
    return found, contaminated, given


def test_pairs_that_are_all_consistent_need_no_search(monkeypatch, refits):
    current = step([1] * 10)
    found, contaminated, _ = forward(monkeypatch, current, range(10), [[0.5] * 10])
    assert found is current and not contaminated and not refits
    # Those that are consistent among the inliers are examined further if others are left out.
    current = step([1] * 9 + [0])
    found, contaminated, _ = forward(monkeypatch, current, range(9), [[0.5] * 9 + [1e-9]], [0.5] * 9 + [1e-9])
    assert contaminated and refits == [list(range(9))]


@pytest.mark.parametrize(("p_value", "is_taken_in"), [(0.011, True), (0.009, False)])
def test_the_consistent_set_takes_in_pairs_above_one_in_a_hundred(monkeypatch, refits, p_value, is_taken_in):
    p_values = [0.5] * 8 + [p_value, 1e-9]
    _, contaminated, given = forward(monkeypatch, step([1] * 10), range(8), [p_values], [0.5] * 8 + [1e-3, 1e-9])
    assert refits == ([list(range(8)), list(range(9))] if is_taken_in else [list(range(8))])
    assert contaminated
    ((residual_sq, borderline, certain),) = given
    # Certain is what has 0.2 % over their number.
    assert (borderline, certain) == ([] if is_taken_in else [8], [9])
    assert residual_sq[[0, 8]] == pytest.approx(6 * f.isf([0.5, 1e-3], 6, DOF))


@pytest.mark.parametrize(("p_value", "certain"), [(1.9e-4, [9]), (2.1e-4, [])])
def test_a_certain_outlier_is_one_at_two_in_a_thousand_sessions(monkeypatch, refits, p_value, certain):
    pair_p_values = [0.5] * 8 + [1e-3, p_value]
    current = step([1] * 10)
    found, contaminated, given = forward(
        monkeypatch, current, range(8), [[0.5] * 8 + [1e-3] * 2], pair_p_values, by_chance=True
    )
    assert given[0][1:] == ([8] if certain else [8, 9], certain)
    # Borderline pairs that are there by chance are inliers again; with nothing certain the search found nothing.
    assert contaminated == bool(certain)
    assert found.inliers.tolist() == [True] * 9 + [not certain]


@pytest.mark.parametrize(("out", "is_found"), [(0, False), (1, True), (7, True), (8, False)])
def test_at_most_35_per_cent_are_outliers(monkeypatch, refits, out, is_found):
    """Of twenty pairs, seven."""
    p_values = [0.5] * (20 - out) + [1e-9] * out
    current = step([1] * 20)
    found, contaminated, _ = forward(monkeypatch, current, range(12), [p_values], p_values)
    assert contaminated is is_found
    assert (found is current) is not is_found or out == 0


def test_a_set_that_shrinks_to_a_minority_is_not_followed(monkeypatch, refits):
    p_values = [0.5] * 4 + [1e-9] * 6
    forward(monkeypatch, step([1] * 10), range(8), [p_values], [0.5] * 10)
    assert refits == [list(range(8))]


def test_a_set_that_alternates_is_followed_ten_times(monkeypatch, refits):
    """And one that is the current set again is not estimated anew."""
    first, second = [0.5] * 9 + [1e-9], [0.5] * 8 + [1e-9, 0.5]
    forward(monkeypatch, step([1] * 10), range(8), [first, second] * 10, [0.5] * 10)
    assert len(refits) == 11
    refits.clear()
    forward(monkeypatch, step([1] * 10), range(8), [[0.5] * 10, [0.5] * 10], [0.5] * 10)
    assert refits == [list(range(8))]


@pytest.mark.parametrize(
    ("p_value", "pairs", "is_dropped"),
    # A session loses a pair once in 500: 2e-3 over the number of pairs. Four pairs are left as they are.
    [(0.95 * 2e-3 / 8, 8, True), (1.05 * 2e-3 / 8, 8, False), (1e-9, 5, True), (1e-9, 4, False)],
)
def test_a_single_outlier_is_one_at_two_in_a_thousand_sessions(monkeypatch, refits, p_value, pairs, is_dropped):
    p_values = np.full(pairs, 0.5)
    p_values[2] = p_value
    monkeypatch.setattr(outliers, "_pair_p_values", lambda *_: p_values)
    monkeypatch.setattr(Current, "leave_one_out_sq", property(lambda own: None), raising=False)
    squares = np.ones(pairs)
    squares[2] = 1e3
    current = SimpleNamespace(joint=joint_of(pairs), inliers=np.ones(pairs, dtype=bool), leave_one_out_sq=squares)
    calm = SimpleNamespace(joint=joint_of(pairs - 1), leave_one_out_sq=np.ones(pairs - 1))

    def refit(problem, observations, joint, inliers):
        refits.append(np.flatnonzero(~inliers).tolist())
        return SimpleNamespace(joint=calm.joint, inliers=inliers, leave_one_out_sq=calm.leave_one_out_sq)

    monkeypatch.setattr(outliers, "_refit", refit)
    found = _drop_single_outliers(None, None, current)
    assert np.flatnonzero(~found.inliers).tolist() == ([2] if is_dropped else [])
    assert refits == ([[2]] if pairs > 4 else [])


@pytest.mark.parametrize(("factor", "is_tried"), [(1.01, True), (0.99, False)])
def test_only_a_suspect_is_tried_as_an_outlier(monkeypatch, factor, is_tried):
    """Ten times the p-value of an outlier; a pair that inflates the noise shows d^2 / (1 + d^2 / nu) of its d^2."""
    pairs = 8
    limit = 6 * f.isf(10 * 2e-3 / pairs, 6, DOF)
    squares = np.ones(pairs)
    squares[[1, 4, 5, 6]] = factor * limit / (1 + limit / DOF) + np.array([0.0, 1e-9, 2e-9, 3e-9])
    tried = []

    def refit(problem, observations, joint, inliers):
        tried.append(int(np.flatnonzero(~inliers)[0]))
        return step(inliers)

    monkeypatch.setattr(outliers, "_refit", refit)
    monkeypatch.setattr(outliers, "_pair_p_values", lambda *_: np.full(pairs, 0.5))
    current = SimpleNamespace(joint=joint_of(pairs), inliers=np.ones(pairs, dtype=bool), leave_one_out_sq=squares)
    assert _drop_single_outliers(None, None, current) is current
    # The three worst.
    assert tried == ([6, 5, 4] if is_tried else [])


def test_the_pair_with_the_least_p_value_goes_first(monkeypatch):
    pairs = 7
    p_values = np.array([0.5, 1e-6, 0.5, 1e-9, 0.5, 1e-7, 0.5])
    tried = []

    def refit(problem, observations, joint, inliers):
        tried.append(np.flatnonzero(~inliers).tolist())
        rest = np.where(np.flatnonzero(inliers) == 1, 200.0, 1.0) if not inliers[3] else np.ones(int(inliers.sum()))
        return SimpleNamespace(joint=joint_of(int(inliers.sum())), inliers=inliers, leave_one_out_sq=rest)

    monkeypatch.setattr(outliers, "_refit", refit)
    monkeypatch.setattr(outliers, "_pair_p_values", lambda *_: p_values)
    squares = np.array([1, 100.0, 1, 90.0, 1, 80.0, 1])
    current = SimpleNamespace(joint=joint_of(pairs), inliers=np.ones(pairs, dtype=bool), leave_one_out_sq=squares)
    found = _drop_single_outliers(None, None, current)
    assert tried == [[1], [3], [5], [1, 3]]
    assert np.flatnonzero(~found.inliers).tolist() == [1, 3]


@pytest.mark.parametrize(
    ("p_values", "contaminated", "rounds"),
    [
        ([0.5] * 8, False, []),
        ([0.5] * 7 + [1e-9], False, [list(range(7))]),
        # Neither a minority nor fewer than three.
        ([0.5] * 3 + [1e-9] * 5, True, []),
        ([0.5] * 4 + [1e-9] * 4, True, [list(range(4))]),
        ([0.5] * 2 + [1e-9] * 2, True, []),
        ([0.5] * 3 + [1e-9], True, [list(range(3))]),
        # Significant only in a contaminated session.
        ([0.5] * 7 + [1e-3], False, []),
        ([0.5] * 7 + [1e-3], True, [list(range(7))]),
    ],
)
def test_all_pairs_are_classified_until_nothing_changes(monkeypatch, refits, p_values, contaminated, rounds):
    monkeypatch.setattr(outliers, "_pair_p_values", lambda *_: np.array(p_values))
    found = _reclassify(None, None, step([1] * len(p_values)), contaminated)
    assert refits == rounds
    assert np.flatnonzero(found.inliers).tolist() == (rounds[-1] if rounds else list(range(len(p_values))))


def test_a_classification_that_alternates_ends_after_ten_rounds(monkeypatch, refits):
    monkeypatch.setattr(
        outliers,
        "_pair_p_values",
        lambda *args: np.array([0.5] * 7 + [1e-9 if args[2].inliers[7] else 0.5]),
    )
    _reclassify(None, None, step([1] * 8), False)
    assert len(refits) == 10


@pytest.fixture(scope="module")
def estimate(cases):
    """A robust estimate of eight clean pairs, its problem and its observations."""
    problem = cases.convert(make_problem("fixed", 8, 6), False)
    observations = cases.observations_of(problem)
    return problem, observations, robust_estimate(problem, observations)


def test_an_outlier_may_be_a_systematic_error_of_3_mm_and_0_3_deg(estimate):
    """SciPy's normal density, without its constant; at the 0.1 % point of chi-squared it is too far off."""
    _, _, found = estimate
    joint, model = found.joint, found.joint.model
    log_density, near = _outlier_log_density(joint, model)
    sizes = np.repeat([3e-3, np.deg2rad(0.3)], 3)
    covariance = joint.corner_sigma_px**2 * model.camera_unit_covariance + np.diag(sizes**2)
    residual = model.offset - model.nuisance_jacobian @ joint.nuisances
    expected = [
        multivariate_normal(np.zeros(6), C, allow_singular=True).logpdf(r) + 3 * np.log(2 * np.pi)
        for C, r in zip(covariance, residual, strict=True)
    ]
    assert log_density == pytest.approx(expected)
    assert near.all()
    for factor, is_near in ((0.99, True), (1.01, False)):
        root = np.linalg.cholesky(covariance)[:, :, 0]
        far = model.nuisance_jacobian @ joint.nuisances + root * np.sqrt(factor * chi2.isf(1e-3, 6))
        moved = SimpleNamespace(
            camera_unit_covariance=model.camera_unit_covariance, offset=far, nuisance_jacobian=model.nuisance_jacobian
        )
        assert (_outlier_log_density(joint, moved)[1] == is_near).all()


@pytest.mark.parametrize(
    ("gain", "count", "is_readmitted"), [(4.1, 1, True), (3.9, 1, False), (8.1, 2, True), (7.9, 2, False)]
)
def test_outliers_are_readmitted_at_odds_of_55(monkeypatch, refits, gain, count, is_readmitted):
    """exp(4) for each of them, those too far off not counting."""
    inliers = np.array([True] * 6 + [False] * (count + 1))
    density = np.array([100.0] * 6 + [-3.0] * count + [1e3])
    near = np.array([True] * (6 + count) + [False])
    monkeypatch.setattr(outliers, "_model", lambda *_: None)
    monkeypatch.setattr(outliers, "_outlier_log_density", lambda *_: (density, near))
    monkeypatch.setattr(outliers, "white_variances", lambda noise: "white")
    monkeypatch.setattr(outliers, "reml_variances", lambda *_: ("correlated",))
    rows = []

    def contrasts(problem, joint, model, observations, chosen):
        rows.append(chosen.tolist())
        return SimpleNamespace(log_likelihood=lambda u: {"white": 20.0, "correlated": 20.0 - 3.0 * count + gain}[u])

    monkeypatch.setattr(outliers, "_contrasts", contrasts)
    found = _readmit_systematic_errors(None, Rows(range(len(inliers))), step(inliers))
    np.testing.assert_array_equal(found, inliers | near if is_readmitted else inliers)
    assert rows == [list(range(6)), list(range(6 + count))]
    assert refits == [list(range(6 + count))]


@pytest.mark.parametrize("near", [False, True])
def test_without_an_outlier_that_may_be_systematic_nothing_is_compared(monkeypatch, near):
    inliers = np.array([True] * 6 + [near])
    monkeypatch.setattr(outliers, "_model", lambda *_: None)
    monkeypatch.setattr(outliers, "_outlier_log_density", lambda *_: (np.zeros(7), np.zeros(7, dtype=bool)))
    monkeypatch.setattr(outliers, "_contrasts", lambda *_: pytest.fail("compared"))
    np.testing.assert_array_equal(_readmit_systematic_errors(None, Rows(range(7)), step(inliers)), inliers)


@pytest.mark.parametrize(
    ("evidence", "readmitted"),
    [
        # Each outlier has log((exp(-5) + exp(-5)) / 2) + 4 = -1 as one.
        ([10.0, 8.9, 7.9], []),
        ([10.0, 9.1, 7.9], [6]),
        ([10.0, 8.9, 8.1], [6, 5]),
    ],
)
def test_as_many_outliers_are_readmitted_as_are_most_probable(monkeypatch, evidence, readmitted):
    """In the order of their residuals; one that is too far off stays out."""
    inliers = np.array([True] * 5 + [False] * 3)
    left = list(evidence)
    trials, variances = [], []

    def density(joint, model, of=None):
        variances.append(of)
        return np.full(8, -5.0), np.array([True] * 7 + [False])

    def structured_evidence(model, sigma, prior, noise, views, trial):
        trials.append(np.flatnonzero(trial).tolist())
        return left.pop(0), f"shape of {len(trials[-1])}"

    model = SimpleNamespace(of_rows=lambda rows: None)
    monkeypatch.setattr(outliers, "_model", lambda *_: model)
    monkeypatch.setattr(outliers, "_outlier_log_density", density)
    monkeypatch.setattr(outliers, "_squared_residuals", lambda *_: np.array([0.0] * 5 + [90.0, 80.0, 10.0]))
    monkeypatch.setattr(outliers, "structured_evidence", structured_evidence)
    found, shape = _readmit_structured(None, None, step(inliers), None)
    assert np.flatnonzero(found).tolist() == sorted([*range(5), *readmitted])
    assert shape == f"shape of {5 + len(readmitted)}"
    assert trials == [[0, 1, 2, 3, 4], [0, 1, 2, 3, 4, 6], [0, 1, 2, 3, 4, 5, 6]]
    # A slip has 3 mm and no more rotation than the arm's noise.
    assert variances[0] is None
    assert variances[1] == pytest.approx(np.repeat([3e-3, 3e-4], 3) ** 2)


def segments(monkeypatch, found, *, by_arm=(), drifts=(), creeps=False, count=10):
    """The largest segment where ``find_step_change`` finds ``found`` one after the other."""
    changes, arms, crept = iter(found), iter(by_arm), iter(drifts)
    monkeypatch.setattr(outliers, "find_step_change", lambda joint: next(changes, None))
    monkeypatch.setattr(outliers, "is_error_of_arm", lambda *_: next(arms, False))
    monkeypatch.setattr(outliers, "_view_geometry", lambda *_: None)
    monkeypatch.setattr(outliers, "_probable_drift", lambda *_: next(crept, None))
    monkeypatch.setattr(outliers, "creeps_rather", lambda *_: creeps)
    return _largest_segment(None, Rows(range(count)), step([1] * count))


def change(at, p_value=1e-9, outlier_rows=()):
    return StepChange(MovedPart.BOARD, at, np.zeros(6), p_value, outlier_rows)


@pytest.mark.parametrize(
    ("at", "kept"), [(6, range(6)), (5, range(5, 10)), (4, range(4, 10))], ids=["late", "half", "early"]
)
def test_the_longer_side_of_a_change_is_kept(monkeypatch, refits, at, kept):
    _, current, others, (point,) = segments(monkeypatch, [change(at)])
    assert (point.row, point.kept_before) == (at, at > 5)
    assert np.flatnonzero(current.inliers).tolist() == list(kept)
    np.testing.assert_array_equal(others, ~current.inliers)
    assert refits == [list(kept)]


def test_a_change_is_searched_again_in_what_remains(monkeypatch, refits):
    _, current, _, points = segments(monkeypatch, [change(2), change(6)])
    assert [(point.row, point.kept_before) for point in points] == [(2, False), (8, True)]
    assert np.flatnonzero(current.inliers).tolist() == [2, 3, 4, 5, 6, 7]


@pytest.mark.parametrize(("p_value", "is_confirmed"), [(0.9e-3 / 10, True), (1.1e-3 / 10, False)])
def test_a_change_beside_an_outlier_is_tested_without_it(monkeypatch, refits, p_value, is_confirmed):
    """Bonferroni-corrected for the ten choices of one row."""
    _, current, others, points = segments(monkeypatch, [change(6, outlier_rows=(1,)), change(6, p_value)])
    assert refits[0] == [0, *range(2, 10)]
    assert len(points) == is_confirmed
    if is_confirmed:
        # Row 6 of the rows without the outlier is row 7 of all.
        assert points[0].row == 7
        assert np.flatnonzero(current.inliers).tolist() == [0, 2, 3, 4, 5, 6]
        assert np.flatnonzero(others).tolist() == [7, 8, 9]
    else:
        assert current.inliers.all() and not others.any()


def test_an_error_of_the_arm_is_no_change_point(monkeypatch, refits):
    _, current, others, points = segments(monkeypatch, [change(6)], by_arm=[True])
    assert points == () and current.inliers.all() and not others.any()


@pytest.mark.parametrize(
    ("found", "creeps", "has_drift"), [([], False, True), ([change(6)], True, True), ([change(6)], False, False)]
)
def test_a_drift_comes_before_a_change_that_explains_no_more(monkeypatch, refits, found, creeps, has_drift):
    observations, current, _, points = segments(monkeypatch, found, drifts=["drift"], creeps=creeps)
    assert (observations.drift == "drift") is has_drift
    assert len(points) == (not has_drift)
    assert current.inliers.all() is np.bool_(has_drift)


def test_the_squares_of_an_inlier_set_are_computed_once(estimate):
    _, _, found = estimate
    inliers = _InlierSet(found.joint, found.used)
    assert inliers.leave_one_out_sq is inliers.leave_one_out_sq
