"""Where the board was in the kept pairs, and the last refusal, reach the status."""

from dataclasses import replace

import numpy as np
import pytest

from eyebolt.observations.view_quality import View
from eyebolt.session.facts import DetectionFact
from eyebolt.session.session_log import fold
from eyebolt.session.state import State
from support.session_world import SIZE_PX, World, capture, check, config, detection

TILTED = View(tilt_deg=31.04, tilt_direction_deg=-45.26, distance_mm=812.34)


def at(x_px, y_px):
    """A board of two rows of ten corners, its first one there."""
    seen = detection()
    return replace(seen, corners_px=seen.corners_px + np.array([x_px, y_px]) - seen.corners_px[0])


def test_the_views_of_the_kept_pairs_are_published_with_outline_tilt_and_distance():
    world = World()
    robot = world.connect()
    world.measures = TILTED
    for seq, (x_px, y_px) in enumerate([(0, 0), (300, 100), (1100, 900)], start=1):
        world.sees = at(x_px, y_px)
        world.say(robot, capture(seq))
    world.say(robot, capture(4, 3))  # the same pose once more
    world.say(robot, check(5, 9))
    first, second, _ = views = world.status().kept_views
    assert {(v.tilt_deg, v.tilt_direction_deg, v.distance_mm) for v in views} == {(31.0, -45.3, 812.3)}
    columns, rows = 140 / SIZE_PX[0], 40 / SIZE_PX[1]
    x, y = np.array(first.outline).T
    assert [x.min(), x.max(), y.min(), y.max()] == pytest.approx([0, columns, 0, rows], abs=0.002)
    moved = np.min(second.outline, axis=0) - np.min(first.outline, axis=0)
    assert moved == pytest.approx([300 / SIZE_PX[0], 100 / SIZE_PX[1]], abs=0.002)


def test_the_outline_goes_round_the_corners_once():
    world = World()
    robot = world.connect()
    world.say(robot, capture(1))
    outline = np.array(world.status().kept_views[0].outline)
    edges = np.roll(outline, -1, axis=0) - outline
    turns = edges[:, 0] * np.roll(edges, -1, axis=0)[:, 1] - edges[:, 1] * np.roll(edges, -1, axis=0)[:, 0]
    assert 3 <= len(outline) <= 16
    assert (turns >= 0).all()


def test_a_pair_that_the_solve_left_out_and_one_that_was_taken_back():
    world = World()
    robot = world.connect()
    world.excluded = (4,)
    for seq in range(1, 9):
        world.say(robot, capture(seq))
    assert [v.is_used for v in world.status().kept_views] == [True] * 4 + [False] + [True] * 3
    world.say(robot, "undo 9")
    assert len(world.status().kept_views) == 7


def test_the_number_of_views_is_bounded():
    world = World()
    robot = world.connect()
    world.say(robot, capture(1))
    log = world.state.log
    crowded = replace(world.state, log=replace(log, captures=log.captures * 500))
    world.state = crowded
    assert len(world.status().kept_views) == 100
    assert len(world.status().to_json()) < 32_000


def test_records_without_measures_have_an_outline_only():
    world = World()
    robot = world.connect()
    world.say(robot, capture(1))
    facts = [f.model_copy(update={"view": None}) if isinstance(f, DetectionFact) else f for f in world.facts]
    world.state = State(config(), log=fold(facts))
    (view,) = world.status().kept_views
    assert view.outline
    assert (view.tilt_deg, view.tilt_direction_deg, view.distance_mm) == (None, None, None)


def test_the_last_refusal_stays_while_other_replies_follow():
    world = World()
    robot = world.connect()
    world.say(robot, capture(1))
    assert world.status().last_refusal is None
    assert world.say(robot, capture(2, 1)).startswith("26,")
    world.say(robot, capture(3))
    world.say(robot, "solve 4")
    status = world.status()
    assert status.last_reply.seq == 4
    assert (status.last_refusal.seq, status.last_refusal.code) == (2, 26)
    assert status.last_refusal.remedy
