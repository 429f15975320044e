"""The order of the diagnosis: which check is made when, and on which pairs."""

from importlib import import_module
from types import SimpleNamespace

import numpy as np
import pytest

from eyebolt.calibration.diagnosis.diagnose import diagnose, prioritized
from eyebolt.calibration.diagnosis.intrinsics import INITIAL_NOISE
from eyebolt.calibration.diagnosis.refit import IntrinsicsFit
from eyebolt.calibration.estimation import Drift, InitialEstimate, MovedPart
from eyebolt.calibration.finding import Finding, FindingCode, Severity
from eyebolt.calibration.problem import RobotNoise
from eyebolt.calibration.robust import ChangePoint, StepChange
from eyebolt_sim.problems import make_problem
from support.problems import convert, observations_of

# The package has a function of the same name.
diagnosis = import_module("eyebolt.calibration.diagnosis.diagnose")
NOISE = RobotNoise(1e-4, 3e-4)
START = InitialEstimate(np.eye(4), np.eye(4), "closed form")


def finding(code=FindingCode.FOCUS_CHANGED, severity=Severity.STOP):
    return Finding(code, severity, "", {}, "")


STOP, WARN = finding(), finding(FindingCode.DRIFT, Severity.WARN)


@pytest.fixture(scope="module")
def pairs():
    """A problem of eight pairs, its observations, and the fit under board and lens as stated."""
    problem = convert(make_problem("fixed", 8, 1))
    observations = observations_of(problem)
    return problem, observations, IntrinsicsFit.as_stated(problem, observations)


@pytest.mark.parametrize(
    ("by_images", "residual_mm", "gross", "has_estimate", "called"),
    [
        (True, 3.9, (), False, ["lens"]),
        (True, 3.9, (), True, ["lens"]),
        (True, 4.1, (), True, ["gross", "estimate"]),
        (True, 4.1, (STOP,), True, ["gross"]),
        (False, 4.1, (STOP,), True, ["gross"]),
        (False, 4.1, (), False, ["gross", "lens"]),
        (False, 3.9, (STOP,), True, ["estimate"]),
        (False, 3.9, (STOP,), False, ["lens"]),
    ],
)
def test_what_is_examined_when(monkeypatch, pairs, by_images, residual_mm, gross, has_estimate, called):
    """Poses that fit to 4 mm under the lens that the images show leave board and lens; worse ones are a fault of all
    pairs, if one is found. Pairs that repeat a pose or contradict their joints are named beside either."""
    problem, observations, stated = pairs
    calls = []

    def noted(name, found):
        def check(*_):
            calls.append(name)
            return found

        return check

    monkeypatch.setattr(diagnosis, "intrinsics_from_images", lambda *_: stated if by_images else None)
    monkeypatch.setattr(diagnosis, "best_initial_estimate", lambda *_: (START, 1e-3 * residual_mm))
    monkeypatch.setattr(diagnosis, "_intrinsics_without_estimate", noted("lens", (WARN,)))
    monkeypatch.setattr(diagnosis, "_gross_findings", noted("gross", gross))
    monkeypatch.setattr(diagnosis, "_findings_of_estimate", noted("estimate", (WARN,)))
    stale, joints = finding(FindingCode.STALE_POSE), finding(FindingCode.BOARD_MOVED)
    monkeypatch.setattr(diagnosis, "find_stale_pairs", lambda *_: [stale])
    monkeypatch.setattr(diagnosis, "find_wrong_joint_angles", lambda *_: joints)
    found = diagnose(problem, observations, problem.pairs, SimpleNamespace() if has_estimate else None)
    assert calls == called
    assert found == (*(gross if called == ["gross"] else (WARN,)), stale, joints)
    numbering = finding(FindingCode.CORNER_NUMBERING)
    monkeypatch.setattr(diagnosis, "find_wrong_row_length", lambda *_: numbering)
    assert diagnose(problem, observations, problem.pairs, None) == (numbering,)


@pytest.mark.parametrize("is_changed", [True, False])
def test_without_an_estimate_a_changed_focus_comes_before_the_lens(monkeypatch, pairs, is_changed):
    problem, _, stated = pairs
    given = []

    def noted(found):
        def check(*args):
            given.append(args)
            return found

        return check

    monkeypatch.setattr(diagnosis, "find_focus_change", noted(STOP if is_changed else None))
    monkeypatch.setattr(diagnosis, "findings_on_intrinsics", noted((WARN,)))
    found = diagnosis._intrinsics_without_estimate(problem, stated, stated, START, problem.pairs)
    assert found == ((STOP,) if is_changed else (WARN,))
    assert given[0][0] is stated.relaxed_problem
    assert given[0][1:] == (stated.observations, START, INITIAL_NOISE, [pair.index for pair in problem.pairs])
    assert is_changed or given[1] == (problem, stated, stated, START, None)


@pytest.mark.parametrize(
    ("pairing", "formats", "change", "wanted"),
    [
        ((None, STOP, WARN), (WARN,), STOP, (STOP, WARN)),
        ((None, None, None), (WARN,), STOP, (WARN,)),
        ((None, None, None), (), STOP, (STOP,)),
        ((None, None, None), (), None, ()),
    ],
)
def test_a_fault_of_all_pairs(monkeypatch, pairs, pairing, formats, change, wanted):
    """Their pairing, else the pose format, else a gross change."""
    problem, observations, _ = pairs
    for name, found in zip(("find_pair_shift", "find_half_turns", "find_swapped_pair"), pairing, strict=True):
        monkeypatch.setattr(diagnosis, name, lambda *_, found=found: found)
    monkeypatch.setattr(diagnosis, "findings_on_pose_format", lambda *_: formats)
    monkeypatch.setattr(diagnosis, "find_gross_change", lambda *_: change)
    assert diagnosis._gross_findings(problem, observations, problem.pairs, 0.05) == wanted


def with_estimate(monkeypatch, pairs, *, points=(), explained=(), focus=None, on_lens=(), coarse=None, drift=None):
    """The findings that need the estimate, its row 4 being an outlier; and what each check was given."""
    problem, observations, stated = pairs
    given = {}
    answers = iter(explained)

    def noted(name, found):
        def check(*args):
            given.setdefault(name, []).append(args)
            return found

        return check

    def explains_motion(selected, start, noise, part, profile):
        given.setdefault("explains", []).append((len(selected.observations.A), part, profile.tolist()))
        return next(answers)

    checks = {
        "find_focus_change": focus,
        "findings_on_intrinsics": on_lens,
        "find_drift": WARN,
        "findings_on_change_points": [],
        "find_change_among_excluded": None,
        "find_swapped_outliers": [],
        "find_coarse_pose_resolution": coarse,
        "find_excess_pose_noise": WARN,
    }
    for name, found in checks.items():
        monkeypatch.setattr(diagnosis, name, noted(name, found))
    monkeypatch.setattr(diagnosis, "explains_motion", explains_motion)
    used = np.arange(8) != 4
    for point in points:
        used &= ~point.excluded_rows(8)
    joint = SimpleNamespace(X=np.eye(4), Y=np.eye(4), noise=SimpleNamespace(best=NOISE), drift=drift)
    estimate = SimpleNamespace(joint=joint, used=used, change_points=points)
    return diagnosis._findings_of_estimate(problem, observations, problem.pairs, stated, estimate), given


def change_at(row, kept_before, part=MovedPart.CAMERA):
    return ChangePoint(StepChange(part, row, np.zeros(6), 1e-6), row, kept_before)


def test_pairs_beyond_a_change_point_are_no_outliers(monkeypatch, pairs):
    """Focus and lens may explain both sides of it: they are tested on all pairs but the outlier, at its place there."""
    _, given = with_estimate(monkeypatch, pairs, points=(change_at(6, True),), explained=(True,))
    ((_, observations, _, noise, indices, rows),) = given["find_focus_change"]
    assert (len(observations.A), noise, indices, rows) == (7, NOISE, [0, 1, 2, 3, 5, 6, 7], [5])
    assert given["explains"] == [(7, MovedPart.CAMERA, [0, 0, 0, 0, 0, 1, 1])]
    ((_, selected, again, _, noise),) = given["findings_on_intrinsics"]
    assert selected is again and len(selected.observations.A) == 7 and noise is NOISE
    ((_, _, _, outliers, _),) = given["find_swapped_outliers"]
    assert outliers.tolist() == [4]
    assert [pair.index for pair in given["find_drift"][0][2]] == [0, 1, 2, 3, 5]
    assert "find_change_among_excluded" not in given


@pytest.mark.parametrize(("explained", "count"), [((True, True), 7), ((True, False), 4), ((False,), 4)])
def test_a_motion_that_the_lens_does_not_explain_leaves_one_side(monkeypatch, pairs, explained, count):
    """Every one of the changes must be explained by the lens."""
    points = (change_at(2, False), change_at(7, True, MovedPart.BOARD))
    _, given = with_estimate(monkeypatch, pairs, points=points, explained=explained)
    assert len(given["explains"]) == len(explained)
    assert len(given["findings_on_intrinsics"][0][1].observations.A) == count


@pytest.mark.parametrize("explained", [True, False])
def test_a_drift_that_the_lens_does_not_explain_is_estimated_beside_it(monkeypatch, pairs, explained):
    drift = Drift(MovedPart.BOARD, 0.0, 7.0, np.ones(6))
    _, given = with_estimate(monkeypatch, pairs, drift=drift, explained=(explained,))
    ((count, part, profile),) = given["explains"]
    assert (count, part) == (7, MovedPart.BOARD)
    assert profile == pytest.approx([k / 7 - 1 for k in (0, 1, 2, 3, 5, 6, 7)])
    selected = given["findings_on_intrinsics"][0][1]
    assert (selected.observations.drift is None) is explained


@pytest.mark.parametrize(
    ("focus", "on_lens", "coarse", "found", "unchecked"),
    [
        (None, (), None, (WARN, WARN), ()),
        (STOP, (), None, (STOP,), ("findings_on_intrinsics", "find_drift", "find_excess_pose_noise")),
        (None, (STOP,), None, (STOP,), ("find_drift", "find_change_among_excluded", "find_excess_pose_noise")),
        (None, (WARN,), None, (WARN, WARN), ("find_drift", "find_change_among_excluded")),
        (None, (), WARN, (WARN, WARN), ("find_excess_pose_noise",)),
    ],
)
def test_what_one_finding_leaves_out(monkeypatch, pairs, focus, on_lens, coarse, found, unchecked):
    """A changed focus leaves out the lens, a wrong lens leaves out motion, and a stop or rounding the excess noise."""
    findings, given = with_estimate(monkeypatch, pairs, focus=focus, on_lens=on_lens, coarse=coarse)
    assert findings == found
    expected = {"find_focus_change", "findings_on_intrinsics", "find_drift", "findings_on_change_points"}
    expected |= {"find_change_among_excluded", "find_swapped_outliers", "find_coarse_pose_resolution"}
    expected |= {"find_excess_pose_noise"}
    assert {*unchecked} <= expected - given.keys()
    assert ("find_change_among_excluded" in given) == (focus is None and not on_lens)


def test_the_worst_finding_comes_first_then_the_most_fundamental():
    note = finding(FindingCode.DRIFT, Severity.NOTE)
    assert prioritized([note, WARN, STOP]) == (STOP, WARN, note)
    codes = [FindingCode.CORNER_NUMBERING, FindingCode.FOCUS_CHANGED, FindingCode.BOARD_MOVED]
    warnings = [finding(code, Severity.WARN) for code in codes]
    assert prioritized(warnings[::-1]) == tuple(warnings)
    assert prioritized([]) == ()


@pytest.mark.parametrize(
    ("code", "is_fundamental"),
    [(code, k < 5) for k, code in enumerate(FindingCode)],
)
def test_a_fundamental_stop_leaves_only_notes(code, is_fundamental):
    """With numbering, pose format, mount, pairing or resolution of the lens wrong no other check means anything."""
    note, stop = finding(FindingCode.OUTLIER_CORNERS, Severity.NOTE), finding(code)
    later = finding(FindingCode.OUTLIER_CORNERS)
    assert prioritized([note, later, stop])[0].code is code
    assert (later in prioritized([note, later, stop])) is (not is_fundamental)
    assert note in prioritized([note, later, stop])
    assert later in prioritized([later, finding(code, Severity.WARN)])
