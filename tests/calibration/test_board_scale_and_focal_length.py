"""A board larger than stated and a focal length longer than stated are estimated and separated."""

from dataclasses import replace

from eyebolt.calibration.solution import Solution
from eyebolt.calibration.solve import solve
from eyebolt_sim.lens import simple_lens
from eyebolt_sim.problems import DEFAULT_LENS, make_problem
from eyebolt_sim.views import ViewRange, chessboard_shape
from support import long_forms

VARIED = ViewRange(tilt_deg=(0.0, 35.0))


def stated_board():
    return chessboard_shape(12, 9, 0.020).corners_m


def sigmas(value, truth):
    return abs(value.deviation - truth) / value.sigma


@long_forms.seeds(1, 2)
@long_forms.crossed_with_noise({"off": [0.01, -0.01], "mount": ["fixed", "arm"]})
def test_a_board_one_percent_off(cases, mount, stated, off, seeds):
    """scale = true size / stated size - 1: a larger board is positive."""
    for seed in seeds:
        simulated = make_problem(mount, 15, seed, board=chessboard_shape(12, 9, 0.020 * (1 + off)), limits=VARIED)
        problem = replace(cases.convert(simulated, stated), board_corners_m=stated_board())
        solution = solve(problem)
        assert isinstance(solution, Solution)
        assert len(solution.excluded) <= 2, "the board is at fault, not the pairs"
        assert sigmas(solution.board_scale, off) < 4, (seed, solution.board_scale)
        assert sigmas(solution.board_scale, 0) > 4, (seed, solution.board_scale)
        assert sigmas(solution.focal_length, 0) < 4, (seed, solution.focal_length)


@long_forms.seeds(1, 2)
@long_forms.crossed_with_noise({"off": [0.01, -0.01], "mount": ["fixed", "arm"]})
def test_a_lens_one_percent_off(cases, mount, stated, off, seeds):
    """focal = true focal length / stated - 1: a longer lens is positive."""
    for seed in seeds:
        simulated = make_problem(mount, 15, seed, camera=simple_lens(2448, 2048, 2400.0 * (1 + off)), limits=VARIED)
        stated_camera = cases.camera_of(DEFAULT_LENS)
        solution = solve(replace(cases.convert(simulated, stated), camera=stated_camera))
        assert isinstance(solution, Solution)
        assert len(solution.excluded) <= 2, "the lens is at fault, not the pairs"
        assert sigmas(solution.focal_length, off) < 4, (seed, solution.focal_length)
        assert sigmas(solution.focal_length, 0) > 4, (seed, solution.focal_length)
        assert sigmas(solution.board_scale, 0) < 4, (seed, solution.board_scale)
