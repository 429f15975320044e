"""The catalogue of findings: every finding of the diagnosis conforms to it, and findings are listed by priority."""

from dataclasses import replace

import pytest

from bench.diagnosis.corrupted_sessions import FAULTS
from eyebolt.calibration.diagnosis import prioritized
from eyebolt.calibration.finding import EVIDENCE_KEYS, FINDING_KINDS, Finding, FindingCode, Severity
from eyebolt.calibration.solve import solve
from eyebolt_sim.problems import make_problem
from support import touched_board
from support.shown_whole import assert_finding_shown_whole


def assert_conforms(finding: Finding) -> None:
    kind = FINDING_KINDS[finding.code]
    assert finding.severity in kind.severities
    assert set(kind.evidence) <= set(finding.evidence) <= {*kind.evidence, *kind.optional_evidence}
    assert all(isinstance(value, float) for value in finding.evidence.values())
    assert finding.message and not finding.message.endswith(".")
    assert finding.remedy
    assert_finding_shown_whole(finding.code, finding.severity, finding.message, finding.remedy)


def test_the_catalogue_describes_every_code_and_every_key():
    assert list(FINDING_KINDS) == list(FindingCode)
    used = [key for kind in FINDING_KINDS.values() for key in (*kind.evidence, *kind.optional_evidence)]
    assert set(used) == set(EVIDENCE_KEYS)


# Six pairs yield every code but those of a small slip, of a creep and of outlier corners.
PAIRS = {"slip 1 mm": 10, "already-undistorted": 10, "creep 1 mm .07 deg": 10}


# Their findings have the code and the evidence of another fault's.
ALIKE = {
    "Euler kind",
    "vector as Euler",
    "rad read as deg",
    "lag -2",
    "board -2 %",
    "focal -2 %",
    "slip 1 mm",
    "arm's geometry",
}


@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=pytest.mark.long if name in ALIKE else ()) for name in FAULTS]
)
def test_the_findings_of_a_corrupted_session_conform(name):
    findings = solve(FAULTS[name]("fixed", PAIRS.get(name, 6), 3, "usual").problem).findings
    assert findings
    for finding in findings:
        assert_conforms(finding)


@pytest.mark.parametrize("height_m", [None, 0.3])
def test_the_findings_on_a_height_conform(cases, height_m):
    simulated = make_problem("fixed", 12, 1, turns="vertical")
    tip = touched_board.tip_of(simulated, 0.2)
    problem = replace(cases.convert(simulated, drift_sigma_m=None), tip=tip, height_m=height_m)
    findings = solve(problem, (), [touched_board.lay_board(simulated, 1)]).findings
    expected = FindingCode.HEIGHT_FROM_TOUCH if height_m is None else FindingCode.HEIGHT_MISMATCH
    assert expected in {finding.code for finding in findings}
    for finding in findings:
        assert_conforms(finding)


def finding(code: FindingCode, severity: Severity) -> Finding:
    return Finding(code, severity, "something")


def test_findings_are_listed_by_severity_and_then_by_code():
    note = finding(FindingCode.ARM_LIMITED, Severity.NOTE)
    warn = finding(FindingCode.STALE_IMAGE, Severity.WARN)
    first, second = (finding(code, Severity.STOP) for code in (FindingCode.DISTORTION, FindingCode.FOCAL_LENGTH))
    assert prioritized([note, second, warn, first]) == (first, second, warn, note)


def test_beside_a_fundamental_stop_only_notes_remain():
    note = finding(FindingCode.ARM_LIMITED, Severity.NOTE)
    warn = finding(FindingCode.STALE_IMAGE, Severity.WARN)
    fundamental, other = (finding(code, Severity.STOP) for code in (FindingCode.MOUNT, FindingCode.FOCAL_LENGTH))
    assert prioritized([warn, other, note, fundamental]) == (fundamental, note)
