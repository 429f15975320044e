"""Sets without a fault: how often anything says stop.

``stop``: share of sets with a stop finding; bar 1 % on arms that scatter (1000 sets), 2 % on arms with joint offsets of
0.03 deg and link errors of 0.2 mm (200 sets). ``warn``: the same for warnings, without a bar. Noise estimated.
"""

from collections import Counter

from bench.calibration.arms_with_kinematic_errors import KINEMATIC, session
from bench.calibration.common import Table, bar, share
from bench.diagnosis.sessions import usual
from eyebolt.calibration.solve import solve

# Sets over both mounts, and the bar.
ARMS = {"white": (500, 0.01), "kinematic": (100, 0.02)}


def run(bench):
    """Prints the section."""
    table = Table(
        "clean: sets without a fault",
        ("arm", 9),
        ("mount", 5),
        ("level", 6),
        ("pairs", 5),
        ("sets", 5),
        ("stop", 14),
        ("bar", 26),
        ("warn", 14),
        ("which", 0),
    )
    for arm, (default, most) in ARMS.items():
        for mount in bench.mounts:
            for level in bench.levels("usual") if arm == "white" else ("-",):
                for poses in bench.poses(5, 10, 20):
                    seeds = bench.seeds(default)
                    found = bench.each_seed(one_set, seeds, arm, mount, poses, level)
                    stop, warn = (share([severity in said for said in found]) for severity in ("stop", "warn"))
                    which = Counter(code for said in found for codes in said.values() for code in codes)
                    names = " ".join(f"{code} {count}" for code, count in which.most_common())
                    table.row(arm, mount, level, poses, seeds, stop, bar(stop, at_most=most), warn, names)


def one_set(seed, arm, mount, poses, level):
    """Codes of stop and warn findings, by severity."""
    if arm == "white":
        problem = usual(mount, poses, seed, level)[1]
    else:
        problem = session(mount, poses, seed, KINEMATIC, picks=0).problem
    said = {}
    for finding in solve(problem).findings:
        if finding.severity != "note":
            said.setdefault(finding.severity, []).append(finding.code)
    return said
