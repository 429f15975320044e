"""The delay of the poses, from the motion of the board in the images."""

import numpy as np
import pytest

from eyebolt.geometry import Mount, se3
from eyebolt.guidance import MAX_DELAY_S, MotionModel, PoseStream, combine_segments, fit_segment
from eyebolt_sim.hand_guiding import HandGuidedArm, StreamTiming
from eyebolt_sim.noise import PoseNoise

X = se3.exp([0.5, -0.2, 0.4, 0.3, 1.1, -0.4])
Y = se3.exp([0.05, 0.02, 0.1, -0.2, 0.3, 2.0])


def guided(seed, timing):
    rng = np.random.default_rng(seed)
    places = [se3.exp(rng.normal(0, [0.1, 0.1, 0.1, 0.3, 0.3, 0.3])) for _ in range(4)]
    arm = HandGuidedArm(places, PoseNoise(0.05, 0.01), rng)
    instants_s, arrived_s = timing.draw(arm.end_s + 1, rng)
    stream = PoseStream()
    # The buffer holds seconds, and the motion begins after the first rest.
    begin_s = arm.rests[0].end_s
    for at_s, pose in zip(arrived_s, arm.reported_at(instants_s), strict=True):
        if begin_s - 0.3 < at_s < begin_s + 3.0:
            stream.add(at_s, pose)
    times_s = begin_s + np.arange(60) / 30
    return arm, stream, times_s, rng


def views(mount, arm, times_s, rng):
    noise = se3.exp(rng.normal(0, [1e-4, 1e-4, 4e-4, 4e-4, 4e-4, 1e-4], (len(times_s), 6)))
    flange = arm.true_at(times_s)
    exact = se3.inverse(X) @ flange @ Y if mount is Mount.FIXED else se3.inverse(flange @ X) @ Y
    return exact @ noise


@pytest.mark.parametrize("mount", list(Mount))
@pytest.mark.parametrize(("rate_hz", "delay_s"), [(125, 0.02), (500, 0.12)])
def test_two_seconds_of_motion_show_the_delay_to_a_few_milliseconds(mount, rate_hz, delay_s):
    arm, stream, times_s, rng = guided(7, StreamTiming(rate_hz=rate_hz, delay_s=delay_s))
    fitted = fit_segment(mount, stream, times_s, views(mount, arm, times_s, rng))
    assert fitted is not None
    assert fitted.delay_s == pytest.approx(delay_s, abs=0.003)
    model = MotionModel(mount)
    assert model.delay is None
    model.add(fitted)
    found = model.delay
    assert found is not None
    assert abs(found.delay_s - delay_s) < found.half_width_s < 0.02


def test_an_arm_at_rest_shows_no_delay():
    arm, stream, times_s, rng = guided(7, StreamTiming())
    at_rest = np.repeat(arm.rests[0].end_s - 0.1, len(times_s))
    assert fit_segment(Mount.FIXED, stream, times_s, views(Mount.FIXED, arm, at_rest, rng)) is None


def test_a_stream_that_ends_too_early_shows_no_delay():
    arm, stream, times_s, rng = guided(7, StreamTiming())
    late_s = times_s + 1.0 + MAX_DELAY_S
    assert fit_segment(Mount.FIXED, stream, late_s, views(Mount.FIXED, arm, late_s, rng)) is None


def test_the_interval_of_segments_covers_the_delay():
    rng = np.random.default_rng(1)
    inside = []
    for _ in range(400):
        sigma_s = rng.uniform(1e-4, 1e-3, 6)
        delays_s = 0.06 + rng.normal(0, np.sqrt(sigma_s**2 + 0.0015**2))
        found = combine_segments(delays_s, sigma_s**2)
        inside.append(abs(found.delay_s - 0.06) <= found.half_width_s)
    assert np.mean(inside) > 0.93
    assert combine_segments(np.empty(0), np.empty(0)) is None


def test_a_segment_of_wrong_views_is_left_out():
    found = combine_segments(np.array([0.06, 0.061, 0.06, 0.059, 0.2]), np.full(5, 1e-8))
    assert found.delay_s == pytest.approx(0.06, abs=1e-3)
    assert found.half_width_s < 0.003


@pytest.mark.parametrize("mount", list(Mount))
def test_the_motion_model_predicts_the_board_where_the_arm_has_moved_before(mount):
    arm, stream, times_s, rng = guided(7, StreamTiming(jitter_s=1e-4, stalls_per_s=0))
    model = MotionModel(mount)
    seen = views(mount, arm, times_s, rng)
    model.add(fit_segment(mount, stream, times_s, seen))
    poses = arm.reported_at(times_s[[20, 22]])
    predicted, sigma_m = model.predict(seen[20], poses[0], poses)
    moved_m = np.linalg.norm((seen[22] - seen[20])[:3, 3])
    assert np.linalg.norm((predicted[1] - seen[22])[:3, 3]) < 0.1 * moved_m + 1e-3
    assert sigma_m[0] == pytest.approx(0, abs=1e-9)
    # Nothing was learnt of a model without segments: any motion of the board is possible.
    assert MotionModel(mount).predict(seen[20], poses[0], poses)[1][1] > 100 * sigma_m[1]
