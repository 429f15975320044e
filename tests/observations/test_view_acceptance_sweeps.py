"""Rendered views on either side of each limit are accepted or refused rightly; long form: bench.view_acceptance."""

import numpy as np
import pytest

from support.rendered_views import Bench, with_glare
from support.view_acceptance_sweeps import SWEEPS, half_turned

VIEWS = 5


@pytest.mark.parametrize("name", SWEEPS)
def test_every_view_away_from_the_limit_gets_the_right_code(name):
    cases = [case for case in SWEEPS[name](VIEWS, seed=3) if case.counts]
    assert {case.over > 1 for case in cases} == {True, False}, "views on both sides"
    wrong = [case for case in cases if not case.right]
    assert not wrong


def test_clean_views_are_kept():
    bench = Bench(seed=5)
    for k, view in enumerate(bench.views(5)):
        found, _, measured = bench.assessed(bench.image(view, 2 * k), bench.image(view, 2 * k + 1))
        assert found.code == 0
        assert measured.motion_check is not None


@pytest.mark.parametrize(
    ("towards", "place"),
    [((1, 0), "right"), ((-1, 0), "left"), ((0, 1), "lower"), ((-0.7, -0.7), "upper left")],
)
def test_the_region_of_the_glare_is_named_by_its_direction_in_the_image(towards, place):
    # The centroid of half a board lies to that side, but not exactly on a rotated board: "lower" may be lower right.
    bench = Bench(seed=1)
    view = bench.views(1)[0]
    image, _ = with_glare(bench, bench.image(view), view, 0.45, towards)
    found, *_ = bench.assessed(image)
    assert found.code == 25
    assert place in found.message.split("at the ")[1]
    named = found.message.split("at the ")[1]
    assert named.endswith(" of the board")
    assert f"Turn the lamp away from the {named}" in found.remedy


def test_tilt_distance_and_residual_are_those_of_the_view():
    bench = Bench(seed=2)
    view = bench.views(1)[0]
    _, _, measured = bench.assessed(bench.image(view))
    centre = view[:3, :3] @ bench.print.shape.centre_m + view[:3, 3]
    cosine = view[:3, 2] @ centre / np.linalg.norm(centre)
    assert measured.distance_mm == pytest.approx(1e3 * np.linalg.norm(centre), abs=0.1)
    assert measured.tilt_deg == pytest.approx(np.rad2deg(np.arccos(cosine)), abs=0.2)
    assert measured.residual_px < 0.02


def test_a_half_turn_symmetric_chessboard_is_numbered_by_majority():
    ((alike, pairs, turned),) = half_turned(1, seed=2, pairs=7)
    assert 0 < turned < pairs, "some were read from the opposite end"
    assert alike == pairs
