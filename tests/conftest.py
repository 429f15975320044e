"""Fixtures of several packages: the real images from outside the project; and how the suite treats its processes."""

from __future__ import annotations

import gc
import os
import signal
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NoReturn

import hypothesis
import pytest

from support import opencv_doc, processes, warm_start

pytest_plugins = ["support.board_fixtures", "support.camera_fixtures", "support.daemon_fixtures"]

# Programs that the tests start are ended as by Ctrl-C; a suite started in the background has inherited that it is
# ignored, and its children would inherit it in turn.
signal.signal(signal.SIGINT, signal.default_int_handler)

# An example's time, and that of drawing its inputs, depend on how busy the machine is, and fail nothing.
hypothesis.settings.register_profile("suite", deadline=None, suppress_health_check=[hypothesis.HealthCheck.too_slow])
hypothesis.settings.load_profile("suite")


def pytest_sessionstart() -> None:
    """Collection makes a million objects that all stay: to search them for garbage takes a third of its time."""
    gc.disable()


def pytest_collection_finish() -> None:
    """What is collected is never searched again."""
    gc.freeze()
    gc.enable()


@pytest.fixture(scope="session", autouse=True)
def _no_process_survives() -> Iterator[None]:
    """Fails the run if a process that a test has started is alive after the last test, and kills it."""
    processes.adopt_orphans()
    # A debugger's or a plugin's.
    before = {process.pid for process in processes.descendants()}
    yield
    warm_start.end_template()
    survivors = [process for process in processes.descendants() if process.pid not in before]
    processes.kill(survivors)
    assert not survivors, "processes of the tests were still running at the end:\n" + "\n".join(
        f"{survivor.pid}: {survivor.command}" for survivor in survivors
    )


def _without_evidence(reason: str) -> NoReturn:
    """Skip at a desk; fail where the evidence is what the run is for."""
    if os.environ.get("CI", "").lower() in ("1", "true", "yes") or os.environ.get("EYEBOLT_REQUIRE_EVIDENCE") == "1":
        pytest.fail(f"evidence is required here: {reason}", pytrace=False)
    pytest.skip(f"no evidence: {reason}")


@pytest.fixture(scope="session")
def evidence_files() -> Callable[[str], Path]:
    """From a file's name to its path in Debian's `opencv-doc`, fetched if need be."""
    try:
        documents: Path = opencv_doc.evidence_folder()
    except opencv_doc.EvidenceMissing as missing:
        _without_evidence(str(missing))

    def path_of(name: str) -> Path:
        try:
            found: Path = opencv_doc.find_file(documents, name)
        except opencv_doc.EvidenceMissing as missing:
            _without_evidence(str(missing))
        return found

    return path_of


@pytest.fixture(scope="session")
def stereo_images(evidence_files: Callable[[str], Path]) -> dict[str, list[Path]]:
    """13 pairs, "left" and "right", of a chessboard of 10 x 7 squares of 25 mm; there is no pair 10."""
    numbers = [n for n in range(1, 15) if n != 10]
    return {side: [evidence_files(f"{side}{n:02d}.jpg") for n in numbers] for side in ("left", "right")}
