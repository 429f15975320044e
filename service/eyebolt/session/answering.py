"""Whether a capture is answered before its solve, while the arm travels, or after it.

Answered after its solve is what may hang on it: the end of the session, a stop, a pair that does not belong. Everything
else is answered first. What the rule looks at are facts that are recorded, so that it does not matter how fast the
computer was.
"""

from __future__ import annotations

from eyebolt.pairs.view import View
from eyebolt.session.facts import Log, pairs_of
from eyebolt.session.judging import flange_of
from eyebolt.session.solving import FEWEST_TO_SOLVE, solve_is_owed
from eyebolt.session.state import State, Task
from eyebolt.solve.expectation import Expectation

# With fewer pairs a disagreement does not say whose fault it is.
FEWEST_FOR_MAJORITY = 6
# The pairs with which wrong terms and a wrong mount come out: the robot program is to stop there, not later.
_DIAGNOSED_AT_ONCE = (4, 5)
# A pair less probable than this may be one that the solver leaves out. In a clean set it leaves out none that is not at
# least ten times less probable still (solve/outliers), so few pairs that belong wait in vain, and hardly one of the
# others passes.
_DEPARTS = 0.02


def waits_for_solve(state: State, task: Task) -> bool:
    """Whether the answer to the task, whose view is good, may hang on the solve with its own pair.

    Pairs still wanted are never more than ``most`` leaves room for: 37 comes after a wait as well. A check is no part
    of what is solved: its answer never hangs on it.
    """
    log = state.log
    if task.verb != "capture" or log is None:
        return False
    pairs = len(pairs_of(log.solvable)) + 1
    if pairs < FEWEST_TO_SOLVE:
        return False
    if state.wanted <= 1 or pairs in _DIAGNOSED_AT_ONCE:
        return True
    if pairs < FEWEST_FOR_MAJORITY:
        return False
    return solve_is_owed(log) or _stops(log) or not fits(task.fits)


def _stops(log: Log) -> bool:
    return log.solved is not None and log.solved.get("stop") is not None


def fits(chance: float | None) -> bool:
    """Whether a pair so probable is surely none that the solver would leave out; None: nobody can tell."""
    return chance is not None and chance >= _DEPARTS


def chance_of(state: State, task: Task, view: View | None) -> float | None:
    """How probable it is that the last solution sees a pair that belongs as far off as that of the task."""
    solved = state.log.solved if state.log is not None else None
    expects = None if solved is None else solved.get("expects")
    board = None if view is None else view.board
    if task.verb != "capture" or expects is None or board is None:
        return None
    return Expectation.from_json(expects).chance(flange_of(task), board)
