"""Live proof of a result: a right one is consistent with further views, one that is a few millimetres off is not."""

from dataclasses import replace

import numpy as np
import pytest

from calibration.test_prediction import observed_board_pose, split
from eyebolt.calibration.solve import solve
from eyebolt.calibration.uncertainty import compare_view, summarize_proof, with_view
from eyebolt.calibration.uncertainty.live_proof import MAX_PROVEN_AGE_S, MAX_PROVEN_VIEWS, ProvenView
from eyebolt.geometry import se3
from eyebolt.observations import half_turn_about_centre
from support import long_forms

OFF_M = 0.003
MOUNTS = pytest.mark.parametrize("mount", ["fixed", "arm"])


def proven(problem, prediction, pair, time_s=0.0, **options):
    observed = observed_board_pose(problem, pair)
    return compare_view(prediction, problem.camera, problem.board_corners_m, pair.base_T_flange, observed,
                        pair.corners_px, time_s, **options)  # fmt: skip


def views_of(problem, prediction, further):
    views = ()
    for k, pair in enumerate(further):
        views = with_view(views, proven(problem, prediction, pair, float(k)))
    return views


@long_forms.seeds(6, 100)
@MOUNTS
def test_a_right_result_is_consistent_and_one_that_is_3_mm_off_is_not(cases, mount, seeds):
    consistent, single = [], []
    for seed in seeds:
        problem, further = split(cases, mount, False, "free", seed)
        prediction = solve(problem).prediction
        views = views_of(problem, prediction, further)
        consistent.append(summarize_proof(views).consistent)
        single += [view.distance_m <= view.allowed_m(1) for view in views]
        shift = np.zeros(6)
        shift[seed % 3] = OFF_M
        moved = replace(prediction, X=prediction.X @ se3.exp(shift))
        assert summarize_proof(views_of(problem, moved, further)).consistent is False
        assert not summarize_proof(views_of(problem, moved, further[:1])).consistent
    # Views of one result share its error: with 6 seeds one may be off.
    assert np.mean(consistent) >= (0.95 if len(consistent) >= 100 else 0.8)
    assert np.mean(single) >= 0.85


@MOUNTS
def test_distances_are_those_of_the_moved_board(cases, mount):
    problem, further = split(cases, mount, True, "free", seed=3)
    prediction = solve(problem).prediction
    view = proven(problem, prediction, further[0])
    # The same view, with the board 10 mm further along its own x axis than predicted.
    predicted = prediction.predict(further[0].base_T_flange, problem.board_corners_m)
    shift = np.eye(4)
    shift[0, 3] = 0.01
    seen_px = problem.camera.project(se3.apply(predicted @ shift, problem.board_corners_m[further[0].ids]))
    moved = proven(problem, prediction, replace(further[0], corners_px=seen_px))
    assert moved.distance_m == pytest.approx(0.01, rel=0.01)
    still_px = problem.camera.project(se3.apply(predicted, problem.board_corners_m[further[0].ids]))
    apart_px = np.sqrt(((seen_px - still_px) ** 2).sum(axis=-1).mean())
    assert moved.distance_px == pytest.approx(apart_px, rel=0.02)
    assert moved.expected_sq_m2 == pytest.approx(view.expected_sq_m2, rel=0.05)


def test_the_nearer_numbering_of_a_board_without_markers_counts(cases):
    problem, further = split(cases, "fixed", True, "free", seed=1)
    prediction = solve(problem).prediction
    turned = replace(prediction, Y=prediction.Y @ half_turn_about_centre(problem.board_corners_m))
    wanted = proven(problem, prediction, further[0])
    found = proven(problem, turned, further[0], half_turn_ambiguous=True)
    assert found.distance_m == pytest.approx(wanted.distance_m, rel=0.05)
    assert found.distance_px == pytest.approx(wanted.distance_px, rel=0.05)
    assert proven(problem, turned, further[0]).distance_m > 0.05


def test_a_result_without_a_stated_error_is_neither_consistent_nor_not(cases):
    problem, further = split(cases, "fixed", True, "free", seed=1)
    view = proven(problem, solve(problem).prediction, further[0], states_error=False)
    proof = summarize_proof([view])
    assert (proof.allowed_mm, proof.consistent) == (None, None) and proof.distance_mm > 0 and proof.remedy


def made_up(x_m, distance_m, time_s=0.0, expected_m=1e-3):
    pose = np.eye(4)
    pose[0, 3] = x_m
    return ProvenView(pose, time_s, distance_px=1e3 * distance_m, distance_m=distance_m,
                      expected_sq_m2=expected_m**2, shape=3.0, dof=1e9)  # fmt: skip


def test_the_allowed_distance_is_the_quantile_of_a_sum_of_squares():
    # Three equal squares: chi-squared with 3 degrees of freedom, 7.8147 and 11.3449 at 5 and 1 %.
    assert made_up(0, 0).allowed_m(1) == pytest.approx(1e-3 * np.sqrt(7.8147 / 3), rel=1e-4)
    assert made_up(0, 0).allowed_m(5) == pytest.approx(1e-3 * np.sqrt(11.3449 / 3), rel=1e-4)


def test_a_place_counts_once_and_the_newest_places_count():
    views = with_view(with_view((), made_up(0.0, 9e-3)), made_up(0.002, 1e-3, 1.0))
    assert [view.distance_m for view in views] == [1e-3]
    for k in range(MAX_PROVEN_VIEWS + 3):
        views = with_view(views, made_up(0.1 * (k + 1), 1e-3, 2.0 + k))
    assert len(views) == MAX_PROVEN_VIEWS and views[-1].time_s == 4.0 + MAX_PROVEN_VIEWS
    assert len(with_view(views, made_up(9.0, 1e-3, 100.0 + MAX_PROVEN_AGE_S))) == 1


def test_the_shown_numbers_are_those_that_were_compared():
    # The far view may be further off than the near one, which is the one at fault.
    far, near = made_up(0.0, 3e-3, expected_m=4e-3), made_up(0.5, 2.5e-3, expected_m=0.5e-3)
    proof = summarize_proof([far, near])
    assert proof.consistent is False and proof.p95_mm == 2.5 and proof.p95_mm > proof.allowed_mm
    assert summarize_proof([far]).consistent is True
    assert (proof.views, proof.distance_mm, proof.p95_px) == (2, 2.5, 3.0)


def test_of_twenty_views_one_may_be_further_off():
    views = [made_up(0.1 * k, 0.5e-3) for k in range(20)]
    assert summarize_proof([*views[:19], made_up(5.0, 9e-3)]).consistent is True
    assert summarize_proof([*views[:18], made_up(5.0, 9e-3), made_up(6.0, 9e-3)]).consistent is False
