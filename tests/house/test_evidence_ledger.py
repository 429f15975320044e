"""The ledger that CI keeps of outside evidence: whatever way a marked test is not run, it is noticed."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

CI = Path(__file__).resolve().parents[2] / ".ci"
CONFIG = """
[pytest]
addopts = -p no:cacheprovider --strict-markers
markers = evidence: from outside
"""
GOOD = "import pytest\n@pytest.mark.evidence\ndef test_good(): pass\ndef test_plain_skip(): pytest.skip('no matter')\n"
NOT_RUN = {
    "skipped by a mark": "@pytest.mark.evidence\n@pytest.mark.skip(reason='WHY')\ndef test_it(): pass\n",
    "skipped within": "@pytest.mark.evidence\ndef test_it(): pytest.skip('WHY')\n",
    "skipped in a fixture": "@pytest.fixture\ndef f(): pytest.skip('WHY')\n"
    "@pytest.mark.evidence\ndef test_it(f): pass\n",
    "expected to fail": "@pytest.mark.evidence\n@pytest.mark.xfail(reason='WHY')\ndef test_it(): 1/0\n",
    "marked by its module": "pytestmark = pytest.mark.evidence\ndef test_it(): pytest.skip('WHY')\n",
    "module skipped whole": "pytest.skip('WHY', allow_module_level=True)\n@pytest.mark.evidence\ndef test_it(): pass\n",
    "module lacks a library": "pytest.importorskip('no_such_library', reason='WHY')\n"
    "@pytest.mark.evidence\ndef test_it(): pass\n",
}


def keep(folder, *options):
    """pytest's exit code in ``folder``, and the verdict on its ledger with what was said."""
    (folder / "pytest.ini").write_text(CONFIG)
    environment = os.environ | {
        "EYEBOLT_EVIDENCE_LEDGER": str(folder / "ledger"),
        "PYTEST_ADDOPTS": "-p evidence_ledger",
        "PYTHONPATH": str(CI),
        # Half of the time of a short run goes into loading plugins.
        "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1",
    }
    for name in ("PYTEST_XDIST_WORKER", "PYTEST_CURRENT_TEST"):
        environment.pop(name, None)
    run = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", *options, str(folder)],
        cwd=folder, env=environment, capture_output=True, text=True, check=False,
    )  # fmt: skip
    verdict = subprocess.run(
        [sys.executable, "-I", str(CI / "evidence_verdict.py"), str(folder / "ledger")],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    return run, verdict


@pytest.mark.parametrize("options", [[], ["-p", "xdist", "-n", "1"]], ids=["one process", "workers"])
def test_evidence_that_did_not_run_is_named_and_other_skips_do_not_matter(tmp_path, options):
    (tmp_path / "test_good.py").write_text(GOOD)
    for number, text in enumerate(NOT_RUN.values()):
        (tmp_path / f"test_lacking_{number}.py").write_text("import pytest\n" + text.replace("WHY", f"WHY-{number}"))
    run, verdict = keep(tmp_path, *options)
    assert run.returncode == 0, run.stdout + run.stderr
    assert verdict.returncode == 1
    for number, way in enumerate(NOT_RUN):
        line = [said for said in verdict.stderr.splitlines() if f"test_lacking_{number}.py" in said]
        assert len(line) == 1, (way, verdict.stderr)
        assert f"WHY-{number}" in line[0], (way, verdict.stderr)
    assert f"1 evidence tests passed, {len(NOT_RUN)} not run" in verdict.stderr


def test_evidence_that_ran_is_enough(tmp_path):
    (tmp_path / "test_good.py").write_text(GOOD)
    run, verdict = keep(tmp_path)
    assert run.returncode == 0, run.stdout + run.stderr
    assert verdict.returncode == 0, verdict.stderr
    assert "1 evidence tests passed, 0 not run" in verdict.stderr


def test_no_evidence_at_all_is_not_enough(tmp_path):
    (tmp_path / "test_plain.py").write_text("def test_plain(): pass\n")
    run, verdict = keep(tmp_path)
    assert run.returncode == 0
    assert verdict.returncode == 1
    assert "not one test marked 'evidence' has passed" in verdict.stderr


def test_a_run_without_a_ledger_is_not_enough(tmp_path):
    done = subprocess.run(
        [sys.executable, "-I", str(CI / "evidence_verdict.py"), str(tmp_path / "absent")],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 1
    assert "no pytest of the test command" in done.stderr


def test_a_pytest_started_by_a_test_writes_nothing_into_the_ledger(tmp_path):
    inner = tmp_path / "inner"
    inner.mkdir()
    (inner / "test_inner.py").write_text("import pytest\n@pytest.mark.evidence\ndef test_it(): pytest.skip('WHY')\n")
    (inner / "pytest.ini").write_text(CONFIG)
    (tmp_path / "test_good.py").write_text(
        GOOD + "def test_outer():\n    import subprocess, sys\n"
        f"    assert subprocess.run([sys.executable, '-m', 'pytest', {str(inner)!r}]).returncode == 0\n"
    )
    run, verdict = keep(tmp_path, "--ignore", str(inner))
    assert run.returncode == 0, run.stdout + run.stderr
    assert verdict.returncode == 0, verdict.stderr
