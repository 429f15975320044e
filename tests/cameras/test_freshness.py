import random

import pytest

from eyebolt.cameras.freshness import ArrivalGate

MS = 1_000_000
PERIOD_MS = 66


def gate_after(*gaps_ms, **kwargs):
    gate = ArrivalGate(max_latency_ns=100 * MS, **kwargs)
    now_ms = 1_000_000
    gate.add_arrival(now_ms * MS)
    for gap_ms in gaps_ms:
        now_ms += gap_ms
        gate.add_arrival(round(now_ms * MS))
    return gate, round(now_ms * MS)


REGULAR = [PERIOD_MS] * 30


def test_regular_arrivals_open_the_gate_and_the_largest_latency_dates_the_frame():
    gate, now_ns = gate_after(*REGULAR)
    assert gate.frame_period_ns() == pytest.approx(PERIOD_MS * MS)
    assert gate.earliest_exposure_ns() == now_ns - 100 * MS


@pytest.mark.parametrize("gap_in_periods", [0.0, 0.3, 0.49, 1.71, 3, 40])
@pytest.mark.parametrize("later", [0, 1, 2])
def test_one_irregular_interval_shuts_the_gate_until_three_regular_ones(gap_in_periods, later):
    odd = [*REGULAR, gap_in_periods * PERIOD_MS]
    assert gate_after(*odd, *[PERIOD_MS] * later)[0].earliest_exposure_ns() is None
    assert gate_after(*odd, *[PERIOD_MS] * 3)[0].is_steady()


@pytest.mark.parametrize("factor", [0.51, 1.69])
def test_jitter_within_the_bounds_is_steady(factor):
    assert gate_after(*REGULAR, *[factor * PERIOD_MS] * 3)[0].is_steady()


@pytest.mark.parametrize("stall_ms", [500, 3000, 9000, 60_000])
def test_a_backlog_after_a_stall_never_opens_the_gate(stall_ms):
    burst = [4] * (stall_ms // PERIOD_MS)
    past = REGULAR * 5
    for sent in range(1, len(burst) + 1, 7):
        assert gate_after(*past, stall_ms, *burst[:sent])[0].earliest_exposure_ns() is None
    assert gate_after(*past, stall_ms, *burst, *[PERIOD_MS] * 4)[0].is_steady()


def test_an_initial_burst_does_not_pass_for_the_frame_rate():
    burst = [5] * 45
    for sent in range(1, len(burst) + 1):
        assert not gate_after(*burst[:sent])[0].is_steady()
    assert gate_after(*burst, *REGULAR)[0].frame_period_ns() == pytest.approx(PERIOD_MS * MS)


def test_nothing_is_trusted_before_the_rate_is_learned_or_given():
    assert not gate_after(*[PERIOD_MS] * 10)[0].is_steady()
    assert gate_after(*[PERIOD_MS] * 3, period_ns=PERIOD_MS * MS)[0].is_steady()
    assert not gate_after(*[PERIOD_MS] * 2, period_ns=PERIOD_MS * MS)[0].is_steady()


def test_a_new_frame_rate_is_learned():
    assert not gate_after(*[33] * 300, *[100] * 10)[0].is_steady()
    assert gate_after(*[33] * 300, *[100] * 60)[0].is_steady()


def test_memory_stays_bounded():
    gate, _ = gate_after(*[10] * 20_000)
    assert len(gate._intervals_ns) <= 1001


def test_a_stalling_line_without_losses_is_never_trusted_while_it_lags():
    """Frames queue before a line that stops at random and then empties at once: no trusted frame may be late."""
    chance = random.Random(5)
    gate = ArrivalGate(max_latency_ns=100 * MS)
    line_free_ms, trusted, stalled = 0.0, 0, 0
    for k in range(6000):
        exposed_ms = k * PERIOD_MS
        if chance.random() < 0.02:
            line_free_ms = max(line_free_ms, exposed_ms + chance.uniform(100, 4000))
        arrived_ms = max(exposed_ms + chance.uniform(20, 60), line_free_ms)
        line_free_ms = max(line_free_ms, arrived_ms) + 3
        stalled += arrived_ms > exposed_ms + 100
        gate.add_arrival(round(arrived_ms * MS))
        earliest_ns = gate.earliest_exposure_ns()
        if earliest_ns is not None:
            trusted += 1
            assert earliest_ns <= exposed_ms * MS
    assert stalled > 500
    assert trusted > 1000
