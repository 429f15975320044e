"""A changed focus, and a drift as a finding: each limit from both sides."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from eyebolt.calibration.diagnosis import drift as drift_finding
from eyebolt.calibration.diagnosis import focus
from eyebolt.calibration.diagnosis.drift import find_drift
from eyebolt.calibration.diagnosis.focus import _FocalHypotheses, find_focus_change
from eyebolt.calibration.estimation import InitialEstimate, MovedPart
from eyebolt.calibration.problem import RobotNoise
from eyebolt.geometry import se3
from eyebolt_sim.problems import make_problem
from support.problems import convert, observations_of

NOISE = RobotNoise(1e-4, 3e-4)
START = InitialEstimate(np.eye(4), np.eye(4), "closed form")
CREEP_RAD = np.deg2rad(0.05)


class Found(SimpleNamespace):
    """A nuisance estimate with given numbers."""

    def p_value(self, free):
        return self.p if not free else self.p_change if list(free) == ["change"] else self.p_other

    def remaining_chi2(self, free):
        assert not free
        return self.chi2

    def conditional_estimate(self, free):
        return self.estimate, np.array([1e-4])


def found_of(p=1e-9, change=0.004, noise_m=1e-4, chi2=50.0, p_change=0.5, p_other=0.5):
    return Found(
        p=p,
        estimate=np.array([change]),
        noise=RobotNoise(noise_m, 1e-4),
        chi2=chi2,
        p_change=p_change,
        p_other=p_other,
        names=("change", "moved-0"),
    )


def search(monkeypatch, n, *, ramp, steps, both=None, at=()):
    """The finding on n pairs whose hypotheses have the estimates ``ramp``, ``steps`` (by row) and ``both``, beside a
    rival; and the rows tried, and the rivals."""
    tried, rivals = [], []

    class Hypotheses:
        model = None

        def nuisance_estimate(self, profile, motion=(), *, posterior=False):
            is_ramp = len(np.unique(profile)) > 2
            if motion:
                rivals.append((is_ramp, *motion))
                return both
            if is_ramp:
                return ramp
            row = int(np.argmax(profile))
            if not posterior:
                tried.append(row)
            return steps(row)

    monkeypatch.setattr(_FocalHypotheses, "about", staticmethod(lambda *_: Hypotheses()))

    def motion_nuisances(_, part, profile):
        return [(part, "ramp" if len(np.unique(profile)) > 2 else int(np.argmax(profile)))]

    monkeypatch.setattr(focus, "motion_nuisances", motion_nuisances)
    observations = SimpleNamespace(A=np.zeros((n, 4, 4)), capture_order=np.arange(float(n)))
    found = find_focus_change(None, observations, START, NOISE, range(100, 100 + n), at)
    return found, tried, rivals


CLEAN = found_of(p_change=0.5, p_other=0.5)


@pytest.mark.parametrize(
    ("n", "rows"), [(4, []), (5, [2, 3]), (8, [2, 3, 4, 5, 6]), (63, list(range(2, 62))), (200, None)]
)
def test_a_change_of_focus_has_two_pairs_on_either_side(monkeypatch, n, rows):
    found, tried, _ = search(monkeypatch, n, ramp=found_of(chi2=1.0), steps=lambda row: found_of(), both=CLEAN)
    assert (found is not None) == (n >= 5)
    if rows is None:
        # Sixty of them, evenly spaced.
        assert (len(tried), min(tried), max(tried)) == (60, 2, 198)
        assert set(np.diff(sorted(tried))) == {3, 4}
    else:
        assert sorted(tried) == rows


@pytest.mark.parametrize(("p", "at", "is_tried"), [(0.045, (), True), (0.055, (), False), (0.9, (3,), True)])
def test_steps_are_tested_where_a_drift_of_the_focus_has_a_p_value_of_a_twentieth(monkeypatch, p, at, is_tried):
    """Or where a change point is known."""
    _, tried, _ = search(monkeypatch, 8, ramp=found_of(p=p, chi2=1.0), steps=lambda row: found_of(), both=CLEAN, at=at)
    assert bool(tried) is is_tried


@pytest.mark.parametrize(
    ("changes", "is_found"),
    [
        ({"p": 0.9e-5}, True),
        ({"p": 1.1e-5}, False),
        ({"change": -0.0021}, True),
        ({"change": -0.0019}, False),
        ({"noise_m": 2.9e-3}, True),
        ({"noise_m": 3.1e-3}, False),
    ],
)
def test_a_change_of_focus_of_two_thousandths(monkeypatch, changes, is_found):
    """As unlikely as 1e-5 without one, and with a noise that an arm may have (3 mm)."""
    for ramp_chi2 in (1.0, 99.0):
        ramp = found_of(**changes, chi2=ramp_chi2)
        found, _, _ = search(monkeypatch, 8, ramp=ramp, steps=lambda row: found_of(**changes), both=CLEAN)
        assert (found is not None) is is_found


def test_the_likeliest_row_is_named_or_a_gradual_change(monkeypatch):
    def steps(row):
        return found_of(chi2={4: 80.0}.get(row, 50.0), change=0.001 * row)

    found, _, rivals = search(monkeypatch, 8, ramp=found_of(chi2=79.0), steps=steps, both=CLEAN)
    assert found.evidence == pytest.approx(
        {"change": 0.004, "change_sigma": 1e-4, "p_value_if_constant": 1e-9, "pair": 104.0}
    )
    assert rivals == [(False, (part, 4)) for part in MovedPart]
    found, _, rivals = search(monkeypatch, 8, ramp=found_of(chi2=81.0, change=0.007), steps=steps, both=CLEAN)
    assert found.evidence == pytest.approx({"change": 0.007, "change_sigma": 1e-4, "p_value_if_constant": 1e-9})
    assert rivals == [(True, (part, place)) for part in MovedPart for place in (4, "ramp")]
    _, _, rivals = search(monkeypatch, 8, ramp=found_of(chi2=79.0), steps=steps, both=CLEAN, at=(6,))
    assert set(rivals) == {(False, (part, place)) for part in MovedPart for place in (4, 6)}


@pytest.mark.parametrize(
    ("p_change", "p_other", "is_found"),
    [(0.009, 0.5, False), (0.011, 0.5, True), (0.004, 0.005, False), (0.006, 0.005, True)],
)
def test_a_moved_part_that_explains_the_pairs_better(monkeypatch, p_change, p_other, is_found):
    """A p-value below 1 % without it, and below that without the change of the focus."""
    both = found_of(p_change=p_change, p_other=p_other)
    found, _, _ = search(monkeypatch, 8, ramp=found_of(chi2=1.0), steps=lambda row: found_of(), both=both)
    assert (found is not None) is is_found


def test_a_unit_of_the_change_is_the_whole_focal_length():
    """Corners of the second half under a focal length 0.5 % longer, to first order; the prior sigma is 30 %."""
    simulated = make_problem("fixed", 8, 4)
    problem = convert(simulated, False)
    observations = observations_of(problem)
    start = InitialEstimate(simulated.hand_eye_true, simulated.nuisance_true, "estimate")
    hypotheses = _FocalHypotheses.about(problem, observations, start, NOISE)
    matrix = problem.camera.matrix
    later = np.arange(8) >= 4
    seen = se3.apply(observations.pose_fits.camera_T_board, observations.corners.points_m)
    longer = replace(
        problem.camera,
        matrix=matrix * [[1.005], [1.005], [1]]
        + [[0, 0, -0.005 * matrix[0, 2]], [0, 0, -0.005 * matrix[1, 2]], [0] * 3],
    )
    pixels = observations.corners.corners_px.copy()
    for row in np.flatnonzero(later):
        pixels[row] += longer.project(seen[row]) - problem.camera.project(seen[row])
    changed = observations.seen_with(problem, replace(observations.corners, corners_px=pixels), observations.pose_fits)
    found = _FocalHypotheses.about(problem, changed, start, NOISE).nuisance_estimate(later.astype(float))
    sigma = float(np.sqrt(found.covariance[0, 0]))
    clean = hypotheses.nuisance_estimate(later.astype(float))
    assert found.estimate[0] - clean.estimate[0] == pytest.approx(0.005, abs=0.0003)
    assert abs(clean.estimate[0]) < 4 * sigma < 0.003


def drifting(p_value, *, part=MovedPart.BOARD, change=(3e-4, 0, 4e-4, 0, CREEP_RAD, 0), drift=True):
    hypothesis = SimpleNamespace(p_value=p_value, drift=SimpleNamespace(moved_part=part), change=np.array(change))
    model = SimpleNamespace(without_columns=lambda count: ("without", count))
    return SimpleNamespace(drift=drift or None, drifts=[hypothesis], model=model)


def pairs_at(times_s):
    return [SimpleNamespace(base_T_flange=np.eye(4), time_s=time) for time in times_s]


@pytest.mark.parametrize(
    ("p_value", "is_arm", "drift", "is_found"),
    [
        (0.95e-3, False, True, True),
        (1.05e-3, False, True, False),
        (1e-6, True, True, False),
        (1e-6, False, False, False),
    ],
)
def test_a_drift_is_a_finding_once_in_a_thousand_sessions_without_one(monkeypatch, p_value, is_arm, drift, is_found):
    monkeypatch.setattr(drift_finding, "_is_error_of_arm", lambda *_: is_arm)
    found = find_drift(None, drifting(p_value, drift=drift), pairs_at([0.0, 900.0, 1800.0]))
    assert (found is not None) is is_found
    if found is not None:
        assert found.evidence == pytest.approx(
            {
                "translation_mm": 0.5,
                "rotation_deg": 0.05,
                "p_value": p_value,
                "mm_per_hour": 1.0,
                "deg_per_hour": 0.1,
            }
        )


@pytest.mark.parametrize(("part", "fixture"), [(MovedPart.BOARD, "board"), (MovedPart.CAMERA, "camera")])
def test_a_drift_without_every_instant_has_no_rate(monkeypatch, part, fixture):
    """Nor has one whose clock did not go on; the part that crept is what is tightened."""
    monkeypatch.setattr(drift_finding, "_is_error_of_arm", lambda *_: False)
    for times in ([0.0, None, 1800.0], [5.0, 6.0, 5.0], [None] * 3):
        found = find_drift(None, drifting(1e-6, part=part), pairs_at(times))
        assert set(found.evidence) == {"translation_mm", "rotation_deg", "p_value"}
        assert f"of the {fixture}" in found.remedy


@pytest.mark.parametrize(("gain", "is_found"), [(6.8, False), (7.0, True)])
def test_errors_of_the_arm_are_a_thousand_times_less_likely_than_a_drift(monkeypatch, gain, is_found):
    """The logarithm of 1000 is 6.91."""
    models = []
    monkeypatch.setattr(drift_finding, "evenly_spaced_rows", lambda count: np.arange(count))
    monkeypatch.setattr(drift_finding, "replace", lambda joint, model: joint)

    def arm_offsets(_, model, *__):
        models.append(model)
        return model

    monkeypatch.setattr(drift_finding, "arm_offsets", arm_offsets)
    monkeypatch.setattr(drift_finding, "reml_variances", lambda *_: (None,))

    def contrasts(model):
        value = 10.0 if isinstance(model, tuple) else 10.0 + gain
        return SimpleNamespace(log_likelihood=lambda variances: value)

    monkeypatch.setattr(drift_finding, "ErrorContrasts", SimpleNamespace(of=contrasts))
    found = find_drift(None, drifting(1e-6), pairs_at([0.0, 1.0, 2.0]))
    assert (found is not None) is is_found
    assert models[1] == ("without", 6)
