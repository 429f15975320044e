"""Lens pictures and pairs in one estimate: the lens file with its covariance as the prior of the solve.

Against the pairs alone, and against the lens first, taken as exact, then the transform.
"""

from dataclasses import replace

import numpy as np
import pytest

from eyebolt.calibration import WorkingVolume, solve
from eyebolt.geometry import se3
from eyebolt.lens import LensView, calibrate_lens
from eyebolt_sim.lens import Lens
from eyebolt_sim.problems import DEFAULT_LENS, make_problem
from support import long_forms
from support.problems import camera_of, convert

LENS = Lens(2448, 2048, DEFAULT_LENS.matrix, np.array([-0.1, 0.05, 0.0003, -0.0002]))
# What somebody knows who has a data sheet of camera and lens.
DATA_SHEET = {"fx": 12.0, "fy": 12.0, "cx": 10.0, "cy": 10.0, "k1": 0.02, "k2": 0.05, "p1": 0.002, "p2": 0.002}


def lens_from_pictures(seed, count=10):
    """The lens from pictures of their own: another board pose and another noise than those of the pairs."""
    seen = make_problem("fixed", count, 100_000 + seed, camera=LENS)
    views = [LensView(str(k), *corners) for k, corners in enumerate(zip(seen.corner_ids, seen.corners_px, strict=True))]
    return calibrate_lens(views, (2448, 2048), seen.board_corners_m, 4).camera


def errors_mm(problem, simulated):
    """Errors of the transform over the working volume (405,), and the stated p95, mm."""
    outcome = solve(problem)
    grid = WorkingVolume(simulated.near_m, simulated.far_m).grid(camera_of(LENS, {}))
    between = se3.apply(outcome.X, grid) - se3.apply(simulated.scene.hand_eye, grid)
    return np.linalg.norm(between, axis=-1) * 1e3, outcome.expected_error_mm.p95


@pytest.mark.parametrize("mount", ["fixed", "arm"])
@long_forms.seeds(2, 60)
def test_the_joint_estimate_is_never_worse_than_either_alone(mount, seeds):
    """Measured over 60 seeds, see the README of the package; a solve without lens pictures knows the data sheet."""
    squares = {"joint": 0.0, "lens first": 0.0, "pairs alone": 0.0}
    shares = []
    for seed in seeds:
        simulated = make_problem(mount, 10, seed, camera=LENS)
        problem, generator = convert(simulated), np.random.default_rng(seed)
        lens = lens_from_pictures(seed)
        exact = replace(lens, sigma=dict.fromkeys(lens.sigma, 1e-9), correlation=None)
        off = {name: sigma * generator.normal() for name, sigma in DATA_SHEET.items()}
        rough = replace(camera_of(LENS, DATA_SHEET).perturbed(off))
        for name, camera in (("joint", lens), ("lens first", exact), ("pairs alone", rough)):
            errors, p95 = errors_mm(replace(problem, camera=camera), simulated)
            squares[name] += float(np.mean(errors**2))
            if name == "joint":
                shares.append(np.mean(errors <= p95))
    assert squares["joint"] < 0.5 * squares["lens first"]
    # Two sets may be better without the lens pictures by chance, many may not; and so for the share.
    if len(seeds) >= 10:
        assert squares["joint"] < squares["pairs alone"]
        # The lens is in the stated error. One lens serves the whole working volume, so that the share scatters.
        assert np.mean(shares) == pytest.approx(0.95, abs=0.08)


def test_the_prior_of_the_solve_is_the_covariance_of_the_lens():
    simulated = make_problem("fixed", 4, 3, camera=LENS)
    lens = lens_from_pictures(3, 5)
    prior = replace(convert(simulated), camera=lens).nuisance_prior
    rows = [prior.names.index(name) for name in lens.sigma]
    assert prior.covariance[np.ix_(rows, rows)] == pytest.approx(lens.covariance, rel=1e-6, abs=1e-12)
