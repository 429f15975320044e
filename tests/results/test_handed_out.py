"""Random sessions up to the reply to ``result``: nothing wrong is handed out. ``bench.accepted_results`` in short."""

import pytest

from bench.accepted_results.sessions import Plan, run

BASE = Plan(
    seed=2,
    mount="fixed",
    turns="vertical",
    rotation="angle-z",
    result_rotation="quaternion-wxyz",
    height="stated",
    level=1,
    pairs=9,
    undo=False,
    restart=False,
    accept="person",
    change=None,
)


def plan(**changes):
    return Plan(**{**vars(BASE), **changes})


@pytest.mark.parametrize(
    ("chosen", "solve", "acceptance", "result"),
    [
        (plan(), 0, "accepted", 0),
        (plan(result_rotation=None), 36, "result-incomplete", 36),
        (plan(height="unknown", accept="insisting"), 36, "accepted", 36),
        (plan(height="unknown", accept="rule"), 36, "none", 36),
        (plan(mount="arm", height="touched", seed=7), 0, "accepted", 0),
        (plan(mount="arm", turns="free", rotation="euler-ZYX", height="not needed", accept="rule"), 0, "accepted", 0),
        (plan(turns="free", rotation="quaternion-wxyz", height="not needed", pairs=5), 0, "too-few-pairs", 36),
        (plan(change="mount"), 0, "accepted", 36),
        (plan(change="comment", undo=True, restart=True), 0, "accepted", 0),
    ],
    ids=lambda value: value.kind if isinstance(value, Plan) else str(value),
)
def test_what_is_handed_out_is_known_accepted_and_right(chosen, solve, acceptance, result):
    done = run(chosen)
    assert done.wrong == []
    assert (done.solve_code, done.acceptance, done.result_code) == (solve, acceptance, result)


@pytest.mark.long
def test_a_hundred_random_sessions():
    assert [done.wrong for done in map(run, map(Plan.draw, range(100))) if done.wrong] == []
