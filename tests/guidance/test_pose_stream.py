"""The live poses of an arm: when they were sampled, and the pose between two of them."""

import numpy as np
import pytest

from eyebolt.geometry import se3
from eyebolt.guidance import LivePosesRecord, PoseStream, sample_instants, sampling_period
from eyebolt.guidance.live_poses import MAX_RECORDED_POSES


def arrivals(rate_hz, seconds, jitter_s, seed=0):
    rng = np.random.default_rng(seed)
    true_s = np.arange(int(rate_hz * seconds)) / rate_hz
    return true_s, np.maximum.accumulate(true_s + 0.05 + rng.exponential(jitter_s, len(true_s)))


@pytest.mark.parametrize("rate_hz", [125, 500])
def test_the_random_part_of_the_delays_is_taken_off(rate_hz):
    true_s, arrived_s = arrivals(rate_hz, 4, 0.004)
    # A stall, after which everything arrives at once.
    held = (arrived_s > 2.0) & (arrived_s < 2.08)
    arrived_s[held] = 2.08
    late_s = sample_instants(arrived_s) - true_s
    assert np.ptp(late_s) < 0.002
    assert np.median(late_s) == pytest.approx(0.05, abs=0.001)
    assert sampling_period(arrived_s) == pytest.approx(1 / rate_hz, rel=1e-3)
    assert np.ptp(arrived_s - true_s) > 0.02


def test_a_pause_of_the_stream_is_not_a_delay():
    true_s, arrived_s = arrivals(125, 4, 0.002)
    true_s[250:] += 0.7
    arrived_s[250:] += 0.7
    late_s = sample_instants(arrived_s) - true_s
    assert np.abs(late_s - 0.05).max() < 0.005


def test_poses_between_samples_lie_on_the_screw():
    twist = np.array([0.1, 0.0, 0.02, 0.0, 0.4, 0.0])
    stream = PoseStream()
    for k in range(50):
        stream.add(k * 0.01, se3.exp(twist * k * 0.01))
    found = stream.poses_at(np.array([0.123, 0.4]))
    assert np.allclose(found, se3.exp(twist * np.array([[0.123], [0.4]])), atol=1e-6)
    assert stream.covers(0.1, 0.4)
    assert not stream.covers(0.1, 0.6)
    assert not stream.covers(-0.1, 0.2)


def test_the_buffer_is_bounded():
    stream = PoseStream()
    for k in range(20000):
        stream.add(k / 500, np.eye(4))
    assert len(stream) <= 4001
    assert stream.arrivals_s[-1] == pytest.approx(19999 / 500)


def test_recorded_poses_are_those_that_were_streamed():
    rng = np.random.default_rng(3)
    poses = se3.exp(np.cumsum(rng.normal(0, 1e-3, (3000, 6)), axis=0))
    arrived_s = 1000.0 + np.arange(3000) / 500
    record = LivePosesRecord.of(arrived_s, poses, 1003.0)
    assert record.count == MAX_RECORDED_POSES
    assert len(record.data) < 40_000
    after_s, decoded = LivePosesRecord.model_validate_json(record.model_dump_json()).decode()
    assert np.allclose(after_s, arrived_s[-MAX_RECORDED_POSES:] - 1003.0, atol=1e-6)
    assert np.allclose(decoded, poses[-MAX_RECORDED_POSES:], atol=2e-6)
    with pytest.raises(ValueError, match="poses have"):
        record.model_copy(update={"count": 7}).decode()
