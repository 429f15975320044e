"""A pytest plugin that writes down what became of each test marked ``evidence``.

pytest's own reports do not carry marks, so the mark travels as a user property of the test, which also survives the way
from a worker process. A module that is skipped whole never shows its tests: it counts if its text has the mark.
"""

from __future__ import annotations

import json
import os
from collections.abc import Generator
from pathlib import Path

import pytest

_VARIABLE = "EYEBOLT_EVIDENCE_LEDGER"
_PROPERTY = ("marked", "evidence")


def pytest_configure(config: pytest.Config) -> None:
    """Starts a ledger, unless this is a worker or a pytest that a test has started: those find no variable."""
    path = os.environ.pop(_VARIABLE, None)
    is_worker = hasattr(config, "workerinput")
    # Workers read the options in the environment once more; no later process may.
    if is_worker or not config.getoption("numprocesses", None):
        os.environ["PYTEST_ADDOPTS"] = os.environ.get("PYTEST_ADDOPTS", "").replace(f"-p {__name__}", "")
    if path and not is_worker:
        config.pluginmanager.register(_Ledger(Path(path), config.rootpath))


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Generator[None, object, object]:
    """Hangs the mark on the test's reports, before anything can skip it."""
    if item.get_closest_marker("evidence") and _PROPERTY not in item.user_properties:
        item.user_properties.append(_PROPERTY)
    return (yield)


class _Ledger:
    def __init__(self, path: Path, root: Path) -> None:
        self.path = path
        self.root = root
        self.passed: list[str] = []
        self.not_run: dict[str, str] = {}

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if _PROPERTY not in [tuple(pair) for pair in report.user_properties]:
            return
        # An expected failure is reported as a skip, and is not evidence either.
        if report.skipped:
            self.not_run[report.nodeid] = _reason(report)
        elif report.when == "call" and report.passed:
            self.passed.append(report.nodeid)

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if not report.skipped:
            return
        module = self.root / report.nodeid.split("::")[0]
        if module.is_file() and "mark.evidence" in module.read_text(encoding="utf-8"):
            self.not_run[report.nodeid] = _reason(report)

    def pytest_sessionfinish(self) -> None:
        with self.path.open("a", encoding="utf-8") as ledger:
            ledger.write(json.dumps({"passed": self.passed, "not_run": self.not_run}) + "\n")


def _reason(report: pytest.TestReport | pytest.CollectReport) -> str:
    expected = getattr(report, "wasxfail", None)
    if expected is not None:
        return f"expected to fail: {expected}"
    return str(report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr)
