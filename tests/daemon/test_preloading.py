"""Libraries preloaded in a thread are usable by other threads meanwhile; each race in a process of its own."""

import itertools
import json
import os
import subprocess
import sys

import pytest

# What a robot may ask of a daemon whose doors have just opened, against the thread that loads.
USES = {
    "a pose in Euler angles": "PoseFormat('mm', 'euler-ZYX').to_fields(np.eye(4))",
    "a chance": "chi2_sf(6, 20.0)",
    "a crowd of squares": "largest_cluster(DetectedMarkers(np.zeros(0, int), squares[:0], squares))",
    "a triangular system": "scipy.linalg.solve_triangular(np.eye(2), np.ones(2))",
}
DELAYS_S = (0.0, 0.05, 0.2)
RACES = """
import json, os, sys, threading, time
import numpy as np
import scipy
from eyebolt.boards.marker_detector import DetectedMarkers, largest_cluster
from eyebolt.daemon.executor import preload_libraries
from eyebolt.geometry import PoseFormat
from eyebolt.calibration.estimation.statistics import chi2_sf
squares = np.arange(6)[:, None, None] * 10.0 + np.array([[0, 0], [8, 0], [8, 8], [0, 8]])
assert not any(name in sys.modules for name in ("scipy.sparse", "scipy.special", "scipy.spatial", "scipy.linalg"))
assert threading.active_count() == 1, "a fork copies one thread"
for use, delay_s in json.loads(sys.argv[1]):
    child = os.fork()
    if child == 0:
        loading = threading.Thread(target=preload_libraries)
        loading.start()
        time.sleep(delay_s)
        eval(use)
        loading.join()
        wanted = ("scipy.sparse.csgraph", "scipy.special", "scipy.spatial.transform", "scipy.linalg")
        assert all(name in sys.modules for name in wanted)
        break
    status = os.waitpid(child, 0)[1]
    assert status == 0, (use, delay_s, status)
"""


@pytest.mark.parametrize(
    "races",
    [
        pytest.param(list(zip(USES.values(), itertools.cycle(DELAYS_S))), id="one of each use"),
        pytest.param(list(itertools.product(USES.values(), DELAYS_S)), id="all", marks=pytest.mark.long),
    ],
)
def test_a_use_during_preloading(races):
    # With one thread, as the commands set it: a fork copies no other.
    environment = os.environ | {"OPENBLAS_NUM_THREADS": "1"}
    command = [sys.executable, "-c", RACES, json.dumps(races)]
    raced = subprocess.run(command, capture_output=True, text=True, env=environment)
    assert raced.returncode == 0, raced.stderr
    assert not raced.stderr
