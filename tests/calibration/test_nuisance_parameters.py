"""Lens parameters with a stated sigma, refinement of the lens on request, and down-weighted outlier corners."""

from dataclasses import replace

import numpy as np
import pytest

from eyebolt.calibration.solution import Solution
from eyebolt.calibration.solve import solve, solve_with_free_intrinsics
from eyebolt_sim.problems import make_problem
from support import long_forms


def lens_off(problem, rng, sigma):
    """The problem with a lens file that errs by its own stated sigma."""
    wrong = problem.camera.perturbed({name: rng.normal() * size for name, size in sigma.items()})
    return replace(problem, camera=replace(wrong, sigma={**problem.camera.sigma, **sigma}))


@long_forms.seeds(5, 25)
@long_forms.first("mount", ["arm", "fixed"])
def test_a_stated_sigma_of_the_lens_is_part_of_the_stated_error(cases, bound, mount, seeds):
    sigma = {"fx": 6.0, "fy": 6.0, "cx": 4.0, "cy": 4.0}
    inside, widening = [], []
    for seed in seeds:
        simulated = make_problem(mount, 12, seed)
        exact = cases.convert(simulated)
        solution = solve(lens_off(exact, np.random.default_rng([seed, 3]), sigma))
        errors = bound.errors_mm(solution.X, simulated, bound.working_points(simulated))
        inside.append(np.mean(errors <= solution.expected_error_mm.p95))
        widening.append(solution.expected_error_mm.p95 / solve(exact).expected_error_mm.p95)
    # The points of a seed err together: of 25 seeds, the mean of 0.95 is known to about 0.05.
    assert np.mean(inside) > 0.85
    assert np.mean(widening) > 1.2, "the sigma must matter, or the test shows nothing"


@long_forms.seeds(5, 25)
@long_forms.first("mount", ["fixed", "arm"])
def test_checks_see_through_the_lens_that_the_pairs_see(cases, mount, seeds):
    """Judged by the lens as stated, every check of a good result would lie far off."""
    sigma = {"fx": 6.0, "fy": 6.0, "cx": 4.0, "cy": 4.0}
    reduced_chi2 = []
    for seed in seeds:
        problem = lens_off(cases.convert(make_problem(mount, 14, seed)), np.random.default_rng([seed, 3]), sigma)
        reduced_chi2.append(solve(replace(problem, pairs=problem.pairs[:12]), problem.pairs[12:]).checks.reduced_chi2)
    # Twelve numbers each: of 25 seeds the mean of 1 is known to 0.08, of 5 to 0.18.
    assert np.mean(reduced_chi2) == pytest.approx(1.0, abs=0.3)


@long_forms.seeds(8, 25)
@long_forms.first("mount", ["arm", "fixed"])
def test_the_solution_says_how_far_the_pairs_see_the_lens_off(cases, mount, seeds):
    reduced_chi2 = []
    for seed in seeds:
        problem = cases.convert(make_problem(mount, 12, seed))
        off = {"fx": 8.0, "fy": 8.0, "cx": -6.0}
        uncertain = replace(
            problem.camera.perturbed(off), sigma={"fx": 20.0, "fy": 20.0, "cx": 20.0, "cy": 1e-6, "k1": 1e-9}
        )
        lens = solve(replace(problem, camera=uncertain)).lens
        assert set(lens) == {"fx", "fy", "cx", "cy", "k1"}
        assert all(lens[name].sigma < 20.0 for name in off), "the pairs determine it better than the stated sigma"
        reduced_chi2 += [(lens[name].deviation + amount) / lens[name].sigma for name, amount in off.items()]
    # Of 25 seeds 75 numbers, fx and fy nearly alike: about 50 free ones, so the mean square of 1 is known to 0.2.
    assert 0.5 < np.mean(np.square(reduced_chi2)) < 1.6


@long_forms.first("mount", ["fixed", "arm"])
def test_a_refined_lens_comes_back_to_the_true_one_and_the_trusted_one_does_not(cases, bound, mount):
    simulated = make_problem(mount, 20, 4)
    true = cases.convert(simulated)
    off = {"fx": 24.0, "fy": 22.0, "cx": 15.0, "cy": -12.0, "k1": 0.02}
    problem = replace(true, camera=true.camera.perturbed(off))
    outcome, lens = solve_with_free_intrinsics(problem)
    assert isinstance(outcome, Solution)
    found = {"fx": lens.matrix[0, 0], "fy": lens.matrix[1, 1], "cx": lens.matrix[0, 2], "cy": lens.matrix[1, 2]}
    wanted = {"fx": 2400.0, "fy": 2400.0, "cx": true.camera.matrix[0, 2], "cy": true.camera.matrix[1, 2]}
    for name, value in found.items():
        assert abs(value - wanted[name]) < 4 * lens.sigma[name]
        assert lens.sigma[name] < abs(off[name]) / 4, "the pairs must determine it"
    assert abs(lens.distortion[0] - true.camera.distortion[0]) < 4 * lens.sigma["k1"]
    points = bound.working_points(simulated)
    refined = bound.errors_mm(outcome.X, simulated, points)
    trusted = solve(problem)
    assert trusted.focal_length.prior_source == "widened", "the pairs contradict the lens that is stated to be exact"
    assert np.mean(refined) < np.mean(bound.errors_mm(trusted.X, simulated, points))
    assert np.mean(refined <= outcome.expected_error_mm.p95) > 0.8


@long_forms.seeds(4, 8)
@long_forms.crossed(
    {"mount": ["fixed", "arm"], "corner_sigma_px, off_px": {"usual": (0.1, 2.0), "sharp, far off": (0.006, 4.0)}}
)
def test_outlier_corners_cost_next_to_nothing_and_are_reported(cases, bound, mount, corner_sigma_px, off_px, seeds):
    """Outlier corners far beyond the noise bias the pose of their view until every corner of it seems off."""
    squares, clean = [], []
    for seed in seeds:
        simulated = make_problem(mount, 12, seed, corner_sigma_px)
        problem = cases.convert(simulated)
        rng = np.random.default_rng([seed, 8])
        pairs = []
        for pair in problem.pairs:
            # A shadow's edge across one corner of the board moves what lies there to one side.
            edge = pair.corners_px @ [np.cos(1.0), np.sin(1.0)]
            moved = pair.corners_px + off_px * (edge < np.quantile(edge, 0.1))[:, None] * [0.6, 0.8]
            pairs.append(replace(pair, corners_px=moved if rng.random() < 0.5 else pair.corners_px))
        spoilt = solve(replace(problem, pairs=pairs))
        assert spoilt.excluded == ()
        finding = next(f for f in spoilt.findings if f.code == "outlier-corners")
        assert finding.severity == "note" and finding.evidence["corners"] > 10
        points = bound.working_points(simulated)
        untouched = solve(problem)
        assert all(f.code != "outlier-corners" for f in untouched.findings)
        squares.append(np.mean(bound.errors_mm(spoilt.X, simulated, points) ** 2))
        clean.append(np.mean(bound.errors_mm(untouched.X, simulated, points) ** 2))
    assert np.sqrt(np.mean(squares) / np.mean(clean)) < 1.15
