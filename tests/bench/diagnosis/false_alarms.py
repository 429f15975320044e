"""Sessions without a fault: false alarms.

``stop``: fraction of sessions with a stop finding; bar 1 % on arms with white noise (1000 sessions), 2 % on arms with
joint offsets of 0.03 deg and link errors of 0.2 mm (200 sessions). ``warn``: the same for warnings, without a bar.
Noise estimated.
"""

from collections import Counter

from bench.calibration.arms_with_kinematic_errors import KINEMATIC, session
from bench.calibration.common import bar, share
from bench.diagnosis.sessions import usual
from bench.record import Table
from eyebolt.calibration.solve import solve

# Sessions of each mount, and the bar.
ARMS = {"white": (500, 0.01), "kinematic": (100, 0.02)}


def run(bench):
    """Prints the section."""
    table = Table(
        "clean: sessions without a fault",
        ("arm", 9),
        ("mount", 5),
        ("level", 6),
        ("pairs", 5),
        ("sessions", 8),
        ("stop", 14),
        ("bar", 26),
        ("warn", 14),
        ("which", 0),
    )
    for arm, (default, max_rate) in ARMS.items():
        for mount in bench.mounts:
            for level in bench.levels("usual") if arm == "white" else ("-",):
                for poses in bench.poses(5, 10, 20):
                    seeds = bench.seeds(default)
                    found = bench.each_seed(findings_of_session, seeds, arm, mount, poses, level)
                    stop, warn = (share([severity in codes for codes in found]) for severity in ("stop", "warn"))
                    which = Counter(code for by_severity in found for codes in by_severity.values() for code in codes)
                    names = " ".join(f"{code} {count}" for code, count in which.most_common())
                    table.row(arm, mount, level, poses, seeds, stop, bar(stop, at_most=max_rate), warn, names)


def findings_of_session(seed, arm, mount, poses, level):
    """Codes of stop and warn findings, by severity."""
    if arm == "white":
        problem = usual(mount, poses, seed, level)[1]
    else:
        problem = session(mount, poses, seed, KINEMATIC, picks=0).problem
    found = {}
    for finding in solve(problem).findings:
        if finding.severity != "note":
            found.setdefault(finding.severity, []).append(finding.code)
    return found
