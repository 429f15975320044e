"""Real images from Debian's `opencv-doc` (Apache-2.0 and BSD-3), fetched once into a cache.

    python tests/support/opencv_doc.py

The cache is the folder named by EYEBOLT_EVIDENCE, or `.evidence` in the project. No administrator rights are needed:
the package is downloaded and unpacked, not installed.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

PACKAGE = "opencv-doc"
_INSIDE = Path("usr/share/doc/opencv-doc")
_PROBE = Path("examples/data/left01.jpg")
_DOWNLOAD_LIMIT_S = 900


class EvidenceMissing(Exception):
    """The images are missing and could not be downloaded; the message states the reason and the remedy."""


def cache_folder() -> Path:
    """Where the evidence is kept."""
    named = os.environ.get("EYEBOLT_EVIDENCE")
    return Path(named).expanduser() if named else Path(__file__).resolve().parents[2] / ".evidence"


def evidence_folder(say: Callable[[str], None] = lambda line: None) -> Path:
    """The unpacked documentation folder of `opencv-doc`, with `examples/data` in it; downloads it if it is missing.

    ``say`` gets a line for each step. Raises EvidenceMissing.
    """
    cache = cache_folder()
    documents = cache / "x" / _INSIDE
    if (documents / _PROBE).is_file():
        return documents
    for tool in ("apt-get", "dpkg-deb"):
        if shutil.which(tool) is None:
            raise EvidenceMissing(
                f"{tool} is not on this machine. Unpack Debian's package {PACKAGE} elsewhere (dpkg-deb -x) and name the"
                f" folder that holds x/{_INSIDE} in EYEBOLT_EVIDENCE."
            )
    cache.mkdir(parents=True, exist_ok=True)
    # A folder of its own for each attempt: several test processes may try at once, and one may be stopped half-way.
    with tempfile.TemporaryDirectory(dir=cache, prefix="fetching-") as work_name:
        work = Path(work_name)
        say(f"downloading {PACKAGE} (about 96 MB) with apt-get")
        _run(["apt-get", "download", PACKAGE], work, "try `apt-get update` first, or check the network")
        archives = sorted(work.glob(f"{PACKAGE}_*.deb"))
        if not archives:
            raise EvidenceMissing(f"apt-get reported success but left no {PACKAGE}_*.deb in {work}")
        say(f"unpacking {archives[0].name}")
        _run(["dpkg-deb", "-x", str(archives[0]), str(work / "x")], work, "check the free space on the disk")
        if not (work / "x" / _INSIDE / _PROBE).is_file():
            raise EvidenceMissing(f"{archives[0].name} holds no {_INSIDE / _PROBE}; another version of the package?")
        target = cache / "x"
        if not (documents / _PROBE).is_file():
            if target.exists():
                shutil.rmtree(target)
            (work / "x").rename(target)
    return documents


def find_file(documents: Path, name: str) -> Path:
    """The one file called ``name`` below ``documents``. Raises EvidenceMissing if there is none, or more than one."""
    hits = sorted(documents.rglob(name))
    if len(hits) != 1:
        raise EvidenceMissing(f"{len(hits)} files called {name} below {documents}, where one was expected")
    return hits[0]


def _run(command: list[str], folder: Path, remedy: str) -> None:
    try:
        done = subprocess.run(
            command, cwd=folder, capture_output=True, text=True, timeout=_DOWNLOAD_LIMIT_S, check=False
        )
    except subprocess.TimeoutExpired as late:
        raise EvidenceMissing(f"`{' '.join(command)}` took more than {_DOWNLOAD_LIMIT_S} s; {remedy}") from late
    if done.returncode != 0:
        raise EvidenceMissing(f"`{' '.join(command)}` failed: {done.stderr.strip() or done.stdout.strip()}; {remedy}")


def main(arguments: Sequence[str] | None = None) -> None:
    """Downloads the images if they are missing, and prints their folder."""
    parser = argparse.ArgumentParser(
        description=f"Downloads Debian's package {PACKAGE} (about 96 MB) into a cache, once, and prints its folder.",
        epilog="The cache is the folder named by EYEBOLT_EVIDENCE, or .evidence in the project.",
    )
    parser.parse_args(arguments)
    try:
        print(evidence_folder(say=print))
    except EvidenceMissing as missing:
        sys.exit(f"The images could not be downloaded: {missing}")


if __name__ == "__main__":
    main()
