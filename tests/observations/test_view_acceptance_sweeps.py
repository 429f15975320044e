"""Rendered views on either side of each limit get the right verdict; the long version is tests/bench/verdicts."""

import numpy as np
import pytest

from support.rendered_views import Bench, with_glare
from support.view_acceptance_sweeps import SWEEPS, half_turned

VIEWS = 7


@pytest.mark.parametrize("name", SWEEPS)
def test_every_view_away_from_the_limit_gets_the_right_verdict(name):
    cases = [case for case in SWEEPS[name](VIEWS, seed=3) if case.counts]
    assert {case.over > 1 for case in cases} == {True, False}, "views on both sides"
    wrong = [case for case in cases if not case.right]
    assert not wrong


def test_clean_views_are_kept():
    bench = Bench(seed=5)
    for k, view in enumerate(bench.views(5)):
        found, _, measured = bench.judged(bench.picture(view, 2 * k), bench.picture(view, 2 * k + 1))
        assert found.code == 0
        assert measured.motion_check is not None


@pytest.mark.parametrize(
    ("towards", "place"),
    [((1, 0), "right"), ((-1, 0), "left"), ((0, 1), "lower"), ((-0.7, -0.7), "upper left")],
)
def test_the_place_of_the_glare_is_named_as_the_camera_sees_it(towards, place):
    # Half a board has its middle to that side, but on a turned board not straight to it: "lower" may be lower right.
    bench = Bench(seed=1)
    view = bench.views(1)[0]
    picture, _ = with_glare(bench, bench.picture(view), view, 0.45, towards)
    found, *_ = bench.judged(picture)
    assert found.code == 25
    assert place in found.message.split("at the ")[1]
    named = found.message.split("at the ")[1]
    assert named.endswith(" of the board")
    assert f"Turn the lamp away from the {named}" in found.remedy


def test_tilt_distance_and_size_are_those_of_the_view():
    bench = Bench(seed=2)
    view = bench.views(1)[0]
    _, _, measured = bench.judged(bench.picture(view))
    centre = view[:3, :3] @ bench.print.shape.centre_m + view[:3, 3]
    cosine = view[:3, 2] @ centre / np.linalg.norm(centre)
    assert measured.distance_m == pytest.approx(np.linalg.norm(centre), abs=1e-4)
    assert np.rad2deg(measured.tilt_rad) == pytest.approx(np.rad2deg(np.arccos(cosine)), abs=0.2)
    assert measured.residual_px < 0.02


def test_a_chessboard_that_looks_alike_from_both_ends_is_numbered_by_the_majority():
    ((alike, pairs, turned),) = half_turned(1, seed=2, pairs=7)
    assert 0 < turned < pairs, "some were read from the other end"
    assert alike == pairs
