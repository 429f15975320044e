"""What a solve amounts to in a session, computed once; and whether a reply has to wait for its solve.

A reply waits where the solve may change it: where it may end the session, where a stop is to be expected, and where
the pair may be an outlier. Every other reply precedes its solve, which runs while the arm travels. The cost of a solve
grows with the pairs, so a long session whose goal is met goes on without one for each pair. The rule rests on recorded
facts alone, so that the replies do not depend on how fast the computer is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from eyebolt.calibration import (
    MIN_PAIRS,
    AcceptanceStatus,
    FindingCode,
    Refusal,
    ResultAcceptance,
    ResultFormat,
    ResultGap,
    Severity,
    Solution,
    assess_result,
)
from eyebolt.observations import ViewAcceptance
from eyebolt.planning import Coverage, Goal, ProgressReport
from eyebolt.protocol import Code, FindingSummary, GapSummary, ToleranceOf, describe_reservation
from eyebolt.session import messages as msg
from eyebolt.session.facts import (
    AcceptanceRecord,
    PredictionRecord,
    SolveBasis,
    SolveFact,
)
from eyebolt.session.session_log import SessionLog

# With fewer pairs a disagreement cannot be attributed to one of them. ``_MIN_PAIRS_TO_REJECT`` of the solver is one
# more, since it is for outliers of a few times an estimated noise; gross outliers, and outliers under a stated noise,
# are excluded with fewer pairs.
MIN_PAIRS_FOR_OUTLIERS = 6
# A wrong pose format and a wrong mount are diagnosed from four pairs on (``_MIN_PAIRS`` of the diagnosis
# ``misread_poses``). The reply to the fifth waits too, for a fault that four pairs left undetermined: the robot program
# must stop there.
_DIAGNOSIS_PAIR_COUNTS = (4, 5)
# A pair below this p-value may be an outlier. The solver's own test excludes pairs that are at least ten times less
# probable, so outliers hardly ever pass, and one inlier in fifty waits for a solve without need.
_P_VALUE_THRESHOLD = 0.02
# Beyond so many pairs a session whose goal is met may go on without a solve for each pair.
_MAX_PAIRS_SOLVED_EACH = 40
# Such a goal is met with a tenth of the tolerance to spare, so that further inliers do not lose it: one pair among 41
# with a p-value of 0.02 raises the estimated error by 4 %, among more by less.
_SETTLED_SHARE = 0.9
# Fraction of new pairs after which the next solve of a settled session is due.
_SETTLED_INTERVAL = 0.1
# The reply code for each finding that stops the robot program. Half-turned views are not among them: a session
# corrects those itself.
STOP_CODES: dict[FindingCode, Code] = {
    **dict.fromkeys((FindingCode.POSE_FORMAT, FindingCode.PAIRS_SHIFTED), Code.POSE_FORMAT_MISMATCH),
    FindingCode.MOUNT: Code.WRONG_MOUNT,
    **dict.fromkeys((FindingCode.CAMERA_MOVED, FindingCode.TOOL_CHANGED, FindingCode.FRAME_CHANGED), Code.SETUP_MOVED),
    **dict.fromkeys(
        (FindingCode.CORNER_NUMBERING, FindingCode.BOARD_SCALE, FindingCode.BOARD_OR_LENS), Code.BOARD_OR_LENS_MISMATCH
    ),
    **dict.fromkeys(
        (
            FindingCode.LENS_RESOLUTION,
            FindingCode.ALREADY_UNDISTORTED,
            FindingCode.DISTORTION,
            FindingCode.FOCAL_LENGTH,
            FindingCode.PRINCIPAL_POINT,
            FindingCode.FOCUS_CHANGED,
        ),
        Code.BOARD_OR_LENS_MISMATCH,
    ),
}


def find_stop(outcome: Solution | Refusal) -> ViewAcceptance | None:
    """The reply to a finding after which no further waypoint helps; None if there is none."""
    for finding in outcome.findings:
        if finding.severity == Severity.STOP and finding.code in STOP_CODES:
            # The log shows the message only, and the line to change must be in it.
            return ViewAcceptance.from_code(
                STOP_CODES[finding.code], f"{finding.message}: {finding.remedy}", finding.remedy
            )
    return None


@dataclass(frozen=True)
class SolveReport:
    """Everything that a session derives from one solve; made once, when the solve ends."""

    command: msg.Solve
    """What was solved."""
    outcome: Solution | Refusal
    kept: int
    """Pairs kept once the request that it was done for counts."""
    tolerance_of: ToleranceOf
    """Which error the tolerance is for."""
    acceptance: ResultAcceptance
    gap: ResultGap | None
    """Why the robot is not given the solution, even once it is accepted; None if it is, and after a refusal."""
    stop: ViewAcceptance | None
    """The reply to a finding that stops the robot program."""
    pairs_wanted: int
    """Pairs still wanted, an estimate."""
    goal_met: bool
    is_settled: bool
    """Further inliers change no reply, see ``SolveFact.is_settled``."""
    coverage: Coverage | None
    duration_ns: int

    @classmethod
    def of(
        cls,
        goal: Goal,
        result_format: ResultFormat,
        command: msg.Solve,
        event: msg.Solved,
        kept: int,
        stop: ViewAcceptance | None,
    ) -> SolveReport:
        """The report of a solve; ``kept`` as above, ``stop`` from ``find_stop``."""
        outcome = event.outcome
        return cls(
            command=command,
            outcome=outcome,
            kept=kept,
            tolerance_of=goal.tolerance_of,
            acceptance=assess_result(outcome, goal.tolerance_mm, goal.tolerance_of),
            gap=None if isinstance(outcome, Refusal) else result_format.find_gap(outcome.X, outcome.unobservable),
            stop=stop,
            pairs_wanted=goal.pairs_wanted(kept, outcome),
            goal_met=goal.is_met(kept, outcome),
            is_settled=_is_settled(goal, command, outcome, kept, stop),
            coverage=event.coverage,
            duration_ns=event.duration_ns,
        )

    @property
    def p95_upper_mm(self) -> float | None:
        """Upper confidence bound of the p95, which is compared with the tolerance; None after a refusal."""
        outcome = self.outcome
        return None if isinstance(outcome, Refusal) else outcome.error_compared_mm(self.tolerance_of).p95_upper

    @property
    def findings(self) -> tuple[FindingSummary, ...]:
        """The findings of the solve, as recorded and published."""
        return tuple(
            FindingSummary(code=f.code, severity=f.severity, message=f.message, remedy=f.remedy)
            for f in self.outcome.findings
        )

    @property
    def reservation(self) -> str:
        """What speaks against taking the solution as it stands; empty if nothing, or after a refusal."""
        outcome = self.outcome
        if isinstance(outcome, Refusal):
            return ""
        return describe_reservation(outcome.pairs_used, len(outcome.excluded), self.findings)

    def fact(self, is_background: bool) -> SolveFact:
        """The fact to record. ``is_background``: no reply waited for the solve."""
        outcome, solution = self.outcome, self.outcome if isinstance(self.outcome, Solution) else None
        prediction = None if solution is None else solution.prediction
        return SolveFact(
            based_on=basis_of(self.command),
            is_background=is_background,
            kept=self.kept,
            refusal_code=outcome.code if isinstance(outcome, Refusal) else None,
            p95_upper_mm=self.p95_upper_mm,
            tolerance_of=self.tolerance_of,
            acceptance=AcceptanceRecord(status=self.acceptance.status, reason=self.acceptance.reason),
            gap=None if self.gap is None else GapSummary(message=self.gap.message, remedy=self.gap.remedy),
            stop_code=None if self.stop is None else self.stop.code,
            pairs_wanted=self.pairs_wanted,
            goal_met=self.goal_met,
            is_settled=self.is_settled,
            excluded=tuple(p.pair for p in outcome.excluded),
            findings=self.findings,
            prediction=None if prediction is None else PredictionRecord.of(prediction),
            progress=ProgressReport.after(outcome, self.coverage),
            duration_ms=round(self.duration_ns / 1e6, 3),
        )

    def result_command(self, accept_when_proven: bool) -> msg.WriteResult:
        """The command that writes the result. ``accept_when_proven``: the station's rule for accepting it."""
        is_proven = self.acceptance.status is AcceptanceStatus.ACCEPT and self.goal_met and self.gap is None
        accept = is_proven and accept_when_proven
        command = self.command
        return msg.WriteResult(command.task, command.dataset, self.outcome, self.acceptance, accept, self.coverage)


def basis_of(solve: msg.Solve) -> SolveBasis:
    """The captures that a solve rests on."""
    dataset = solve.dataset
    return SolveBasis(pairs=tuple(p.index for p in dataset.pairs), checks=tuple(p.index for p in dataset.checks))


def _is_settled(
    goal: Goal, solve: msg.Solve, outcome: Solution | Refusal, kept: int, stop: ViewAcceptance | None
) -> bool:
    strict = replace(goal, tolerance_mm=_SETTLED_SHARE * goal.tolerance_mm)
    # Beside certain outliers the solver excludes pairs that a prediction alone does not: then each pair is solved.
    is_clean = stop is None and not outcome.excluded
    return len(solve.dataset.pairs) > _MAX_PAIRS_SOLVED_EACH and is_clean and strict.is_met(kept, outcome)


def is_solve_due(log: SessionLog) -> bool:
    """Whether there are pairs or checks on record that call for a solve: those that the newest one does not rest on.

    In a settled session the next solve is due with a tenth more pairs, or where the last one rests on pairs or checks
    that no longer count.
    """
    pairs = tuple(c.index for c in log.usable)
    if log.is_closed or len(pairs) < MIN_PAIRS:
        return False
    if log.last_solve is None:
        return True
    solved, checks = log.last_solve.based_on, tuple(c.index for c in log.checks)
    if log.settled_solve is not None and checks == solved.checks and pairs[: len(solved.pairs)] == solved.pairs:
        return len(pairs) >= len(solved.pairs) * (1 + _SETTLED_INTERVAL)
    return solved != SolveBasis(pairs=pairs, checks=checks)


def capture_needs_solve(log: SessionLog, pairs_wanted: int, p_value: float | None) -> bool:
    """Whether the reply to a capture, whose view is accepted, waits for the solve with its own pair.

    ``pairs_wanted`` before it: never more than the maximum of pairs leaves room for, so that the last one waits too.
    """
    if log.settled_solve is not None:
        return is_solve_due(log) or not is_consistent(p_value)
    pairs = len(log.usable) + 1
    if pairs < MIN_PAIRS:
        return False
    if pairs_wanted <= 1 or pairs in _DIAGNOSIS_PAIR_COUNTS:
        return True
    if pairs < MIN_PAIRS_FOR_OUTLIERS:
        return False
    has_stop = log.last_solve is not None and log.last_solve.stop_code is not None
    return is_solve_due(log) or has_stop or not is_consistent(p_value)


def is_consistent(p_value: float | None) -> bool:
    """Whether a pair with this p-value is certainly an inlier; None: there was no prediction to test it with."""
    return p_value is not None and p_value >= _P_VALUE_THRESHOLD
