"""pytest runs in forks of a process that has the libraries loaded, but not the product: it is loaded from a copy.

A fork starts in a few milliseconds where a new interpreter needs seconds for NumPy, SciPy and OpenCV. The product and
the tests are imported in the child, the product from the copy, which child processes of the tests find too.
"""

from __future__ import annotations

import contextlib
import importlib
import multiprocessing
import multiprocessing.pool
import os
import resource
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from support import processes

REPOSITORY = Path(__file__).resolve().parents[3]
SERVICE = REPOSITORY / "service"
TESTS = REPOSITORY / "tests"
PACKAGE = "eyebolt"

# What product and tests import.
_LIBRARIES = (
    "numpy",
    "numpy.testing",
    "scipy.linalg",
    "scipy.optimize",
    "scipy.spatial.transform",
    "scipy.special",
    "scipy.stats",
    "cv2",
    "pydantic",
    "structlog",
    "zmq",
    "zmq.asyncio",
    "rich.console",
    "rich.live",
    "typer",
    "typer.testing",
    "pytest",
    "asyncio",
    "coverage",
)
_POLL_S = 0.01
# Address space; a mutant may allocate without end.
_MEMORY_BYTES = 8 * 2**30


def load_libraries() -> None:
    """Loads what product and tests import, so that forks share it."""
    for name in _LIBRARIES:
        with contextlib.suppress(ImportError):
            importlib.import_module(name)
    loaded = [name for name in sys.modules if name.split(".")[0] in (PACKAGE, "eyebolt_sim")]
    if loaded:
        raise RuntimeError(f"loaded before the fork, so no mutant of it would be seen: {loaded}")


class Overlay:
    """A copy of the product in a temporary folder, in which one module at a time is changed."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        shutil.copytree(SERVICE / PACKAGE, folder / PACKAGE, ignore=shutil.ignore_patterns("*.md", "README*"))
        # Each change has a time of its own: byte code of another change of the same length must not be taken.
        self._time = time.time()

    @contextlib.contextmanager
    def changed(self, module: str, text: str) -> Iterator[None]:
        """``module`` (path below the folder) has another text meanwhile."""
        try:
            self._write(module, text)
            yield
        finally:
            self._write(module, (SERVICE / module).read_text(encoding="utf-8"))

    def _write(self, module: str, text: str) -> None:
        path = self.folder / module
        path.write_text(text, encoding="utf-8")
        self._time += 2
        os.utime(path, (self._time, self._time))


_overlay: Overlay | None = None


def own_overlay() -> Overlay:
    """The copy that this worker may change."""
    if _overlay is None:
        raise RuntimeError("only workers of `pool` have a copy")
    return _overlay


def _begin_worker(folder: str) -> None:
    global _overlay
    _overlay = Overlay(Path(folder) / str(os.getpid()))
    processes.adopt_orphans()
    processes.end_with_parent()


@contextlib.contextmanager
def pool(jobs: int) -> Iterator[multiprocessing.pool.Pool]:
    """Workers with the libraries loaded and a copy of the product each."""
    load_libraries()
    with (
        tempfile.TemporaryDirectory(prefix="eyebolt-mutants-") as folder,
        multiprocessing.get_context("fork").Pool(jobs, _begin_worker, (folder,)) as workers,
    ):
        yield workers
        workers.close()
        workers.join()


@dataclass(frozen=True)
class Ended:
    """How a fork ended."""

    code: int | None
    """Exit code; None if it was killed because of its limit of time."""
    output: str
    """What it printed."""


def run(child: Callable[[], int], source: Path, cpu_s: float, wall_s: float) -> Ended:
    """Runs ``child`` in a fork that imports the product from ``source``; ends what it leaves running.

    ``cpu_s``: limit of processor time; ``wall_s``: limit by the clock, for one that waits for ever.
    """
    with tempfile.TemporaryFile() as output, tempfile.TemporaryDirectory(prefix="eyebolt-mutants-") as scratch:
        sys.stdout.flush()
        sys.stderr.flush()
        pid = os.fork()
        if pid == 0:
            _be_child(child, source, output.fileno(), Path(scratch), cpu_s)
        code = _wait(pid, wall_s)
        # Daemons of the tests, when the fork was killed before it could end them.
        processes.kill(processes.descendants())
        while True:
            try:
                if os.waitpid(-1, os.WNOHANG) == (0, 0):
                    time.sleep(_POLL_S)
            except ChildProcessError:
                break
        output.seek(0)
        return Ended(code, output.read().decode(errors="replace"))


def _wait(pid: int, wall_s: float) -> int | None:
    begun = time.monotonic()
    while time.monotonic() - begun < wall_s:
        done, status = os.waitpid(pid, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status) if not os.WIFSIGNALED(status) else _killed_by(os.WTERMSIG(status))
        time.sleep(_POLL_S)
    return None


def _killed_by(number: int) -> int | None:
    return None if number in (signal.SIGXCPU, signal.SIGKILL) else -number


def _be_child(child: Callable[[], int], source: Path, output: int, scratch: Path, cpu_s: float) -> None:
    """The life of the fork; does not return."""
    code = 70
    try:
        os.setsid()
        processes.end_with_parent()
        resource.setrlimit(resource.RLIMIT_CPU, (int(cpu_s) + 1, int(cpu_s) + 2))
        resource.setrlimit(resource.RLIMIT_AS, (_MEMORY_BYTES, _MEMORY_BYTES))
        for stream in (1, 2):
            os.dup2(output, stream)
        os.chdir(REPOSITORY)
        paths = [str(source), *(p for p in os.environ.get("PYTHONPATH", "").split(os.pathsep) if p)]
        os.environ["PYTHONPATH"] = os.pathsep.join(paths)
        # Found examples and temporary files are no part of the work tree, nor of the next mutant.
        os.environ["HYPOTHESIS_STORAGE_DIRECTORY"] = str(scratch / "hypothesis")
        os.environ["TMPDIR"] = str(scratch)
        tempfile.tempdir = None
        sys.path.insert(0, str(source))
        code = child()
    except BaseException as error:
        print(f"{type(error).__name__}: {error}", file=sys.stderr)
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


def pytest_main(arguments: list[str], plugins: Sequence[object] = ()) -> int:
    """pytest in this process, without other workers; its exit code."""
    import pytest

    return int(
        pytest.main(["-q", "-n", "0", "--tb=line", "--no-header", "-p", "no:cacheprovider", *arguments], plugins)
    )
