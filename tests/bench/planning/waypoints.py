"""How many pairs a session needs that follows a plan made from a rough guess, against random waypoints.

Cells and tolerances as in the section next-view. The guess is off by 50 mm and 5 deg, for camera and board each, in
random directions; the plan assumes 0.1 mm, 0.02 deg and 0.1 px. The session follows the plan, translations first, and
then the suggested next views. Bar: the median of the ratio at most 0.50. ``exact guess``: the same for a plan made from
the truth. ``whole board``: share of the plan's waypoints with every corner in the image under the wrong guess;
``found``: with enough of the board for a pair (half of it). ``bound``: median ratio of the fewest pairs whose
information, at the best views within 45 deg, equals that of 20 random pairs: no plan can do better.
"""

import time
from dataclasses import replace

import numpy as np

from bench.calibration.common import bar, mean
from bench.planning.next_view import LEAST_RANDOM, follow, spread
from bench.planning.sessions import FEWEST, Shooter, goal_at, median, outcome_of, tight_session
from bench.record import Table
from eyebolt.calibration.problem import RobotNoise
from eyebolt.geometry import se3
from eyebolt.planning.candidates import BoardOutline, candidate_flanges
from eyebolt.planning.information import SetupEstimate, forecast
from eyebolt.planning.waypoints import GuessUncertainty, plan_waypoints

ASSUMED_NOISE, ASSUMED_PX = RobotNoise(1e-4, float(np.deg2rad(0.02))), 0.1


def run(bench):
    """Prints the section."""
    seeds = bench.seeds(50)
    table = Table(
        f"plan: pairs needed when following it, {seeds} seeds",
        ("mount", 5),
        ("noise", 6),
        ("random", 12),
        ("planned", 12),
        ("ratio, median", 14),
        ("bar", 30),
        ("exact guess", 14),
        ("bound", 14),
        ("whole board", 14),
        ("found", 14),
        ("time s", 14),
    )
    for mount in bench.mounts:
        for level in bench.levels("usual"):
            found = np.array(bench.each_seed(one_cell, seeds, mount, level), dtype=float)
            random, planned, exact, least, whole, half, took = found.T
            ratio = median(planned / random)
            table.row(
                mount,
                level,
                spread(random),
                spread(planned),
                ratio,
                bar(ratio, at_most=0.5),
                median(exact / random),
                median(least / LEAST_RANDOM),
                mean(whole),
                mean(half),
                median(took),
            )
    table.note("random, planned: pairs, 10th, 50th and 90th percentile")


def one_cell(seed, mount, level):
    """Pairs at random, as planned from a rough and from an exact guess, the bound; shares in view; time, s."""
    simulated, problem, tolerance, needed = tight_session(mount, seed, level, LEAST_RANDOM)
    empty = replace(problem, pairs=())
    truth = SetupEstimate(empty, simulated.hand_eye_true, simulated.nuisance_true, ASSUMED_NOISE, ASSUMED_PX)
    guessed = off_by(truth, np.random.default_rng([seed, 29]))
    began = time.process_time()
    rough = planned_flanges(guessed, tolerance, GuessUncertainty())
    took = time.process_time() - began
    planned, seen = walk(simulated, problem, rough, tolerance, level, seed)
    exact, _ = walk(simulated, problem, planned_flanges(truth, tolerance, None), tolerance, level, seed)
    least = fewest_like(truth, problem.pairs[:LEAST_RANDOM])
    return needed, planned, exact, least, np.mean(seen == 1), np.mean(seen >= 0.5), took


def off_by(truth, rng):
    """A guess of the truth: camera and board each 50 mm and 5 deg off, the board about its centre."""
    guess = GuessUncertainty()
    directions = rng.normal(size=(4, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    sizes = np.array([guess.translation_m, guess.rotation_rad, guess.translation_m, guess.rotation_rad])
    off = (directions * sizes[:, None]).reshape(2, 6)
    middle = se3.compose_parts(np.eye(3), BoardOutline.of(truth.problem.board_corners_m).centre_m)
    board = truth.Y @ middle @ se3.exp(off[1]) @ se3.inverse(middle)
    return replace(truth, X=truth.X @ se3.exp(off[0]), Y=board)


def planned_flanges(setup, tolerance, guess):
    """The flange poses of a plan, without its check."""
    made = plan_waypoints(setup, [], goal_at(tolerance), 0.0, guess)
    return [w.base_T_flange for w in made.waypoints if w.kind != "check"]


def walk(simulated, problem, flanges, tolerance, level, seed):
    """Pairs kept until the goal is met, and the share of the board seen at every waypoint of the plan."""
    shooter, goal, pairs = Shooter(simulated, level, seed), goal_at(tolerance), []
    seen = np.array([shooter.pair(0, flange)[1] for flange in flanges])
    for flange in flanges:
        pair, share = shooter.pair(len(pairs), flange)
        if share < 0.5:
            continue
        pairs.append(pair)
        if len(pairs) >= FEWEST and goal.is_met(len(pairs), outcome_of(problem, pairs)):
            return len(pairs), seen
    return follow(problem, pairs, shooter, goal, []), seen


def fewest_like(truth, random):
    """Fewest of the best views, chosen greedily, with the information of the pairs ``random``."""
    ahead = forecast(truth, random, candidate_flanges(truth, None, 600))
    wanted = float(ahead.mean_square_m2(ahead.known_information))
    known_information, count = ahead.known_information - forecast_of(truth, random), 0
    while float(ahead.mean_square_m2(known_information)) > wanted:
        known_information = (
            known_information
            + ahead.information_gains[int(np.argmin(ahead.mean_square_after_each_m2(known_information)))]
        )
        count += 1
    return count


def forecast_of(truth, pairs):
    """Information of the pairs alone."""
    one = candidate_flanges(truth, None, 1)
    return forecast(truth, pairs, one).known_information - forecast(truth, [], one).known_information
