"""Reads what evidence_ledger.py wrote: fails unless every test marked ``evidence`` ran, and there was one."""

import json
import sys
from pathlib import Path


def say(line: str) -> None:
    """One line for whoever reads the run."""
    sys.stderr.write(f".ci/run: {line}\n")


def main(path: Path) -> int:
    """The exit code: 0 if all outside evidence was looked at."""
    if not path.is_file():
        say("no pytest of the test command has kept a ledger of the evidence tests")
        return 1
    runs = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    not_run = {test: reason for run in runs for test, reason in run["not_run"].items()}
    passed = {test for run in runs for test in run["passed"]}
    for test, reason in sorted(not_run.items()):
        say(f"outside evidence was not looked at: {test}: {reason}")
    if not passed:
        say("not one test marked 'evidence' has passed")
    say(f"{len(passed)} evidence tests passed, {len(not_run)} not run")
    return 1 if not_run or not passed else 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
