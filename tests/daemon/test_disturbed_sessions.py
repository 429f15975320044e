"""Random sessions on disturbed lines: the same pairs and the same result as without disturbances.

The bench ``disturbed_sessions`` has a thousand of them.
"""

import random

import pytest

from support import long_forms
from support.disturbed_sessions import Disturber, Mishap
from support.prepared_daemon import prepared_daemons

RATE = 0.7


@pytest.fixture(scope="module")
def disturber():
    return Disturber("fixed", cell_seed=3)


@long_forms.seeds(short=14, long=200)
def test_disturbed_sessions_have_the_same_pairs_and_the_same_result(seeds, disturber):
    happened = dict.fromkeys(Mishap, 0)
    with prepared_daemons() as errors:
        for seed in seeds:
            session = disturber.run(random.Random(seed), RATE)
            assert not session.differences(disturber.undisturbed), f"seed {seed}: {session.mishaps}"
            assert not errors, f"seed {seed}"
            for mishap, count in session.mishaps.items():
                happened[mishap] += count
    assert min(happened.values()) > 0, happened
