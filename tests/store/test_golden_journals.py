"""Journals of every version of the format, recorded once and never changed: they stay readable for ever.

``golden/version-<n>`` is the record of a simulated session (four pairs, two checks, a board placed and four of its
corners touched) as the first program that wrote version n left it, without its images; ``expected.json`` is what it
amounted to then. ``support.golden_session`` recorded them. A new version gets a folder of its own.
"""

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from eyebolt.cli.solving import SolveOptions, solve_session
from eyebolt.session import decode_facts, fold
from eyebolt.store.journal import HEADER, SECTOR_BYTES, VERSION, encode_padded
from eyebolt.store.session_folder import SessionFolder

GOLDEN = Path(__file__).parent / "golden"
VERSIONS = sorted(GOLDEN.iterdir())
NEWEST = GOLDEN / f"version-{VERSION}"


def test_the_version_written_now_has_one():
    assert f"version-{VERSION}" in [path.name for path in VERSIONS]


@pytest.mark.parametrize("path", VERSIONS, ids=lambda path: path.name)
def test_it_reads_and_means_what_it_meant(path):
    expected = json.loads((path / "expected.json").read_text())
    folder = SessionFolder.open_read_only(path)
    log = fold(decode_facts(folder.records))
    assert folder.loss is None
    assert len(folder.records) == expected["records"]
    assert [taken.index for taken in log.kept] == expected["kept"]
    assert [taken.index for taken in log.checks] == expected["checks"]
    assert [[touch.placed_board, touch.corner] for touch in log.touches] == expected["touched"]
    assert {str(seq): [a.code, a.count, a.aux] for seq, a in log.replies.items()} == expected["replies"]
    assert (log.is_closed, log.last_seq) == (True, expected["last_seq"])


@pytest.mark.parametrize("path", VERSIONS, ids=lambda path: path.name)
def test_it_solves_to_what_it_solved_to(path):
    """The solver may get better; where the camera is may not move by more than a hundredth of its stated error."""
    expected = json.loads((path / "expected.json").read_text())
    document = solve_session(SessionFolder.open_read_only(path), SolveOptions())
    now, then = np.array(document.transform.matrix_m), np.array(expected["matrix"])
    stated_mm = document.expected_error_mm.median
    assert np.linalg.norm(now[:3, 3] - then[:3, 3]) * 1e3 < 0.01 * stated_mm
    assert abs(stated_mm - expected["median_mm"]) < 0.01 * stated_mm


def test_the_newest_is_written_byte_for_byte_as_then():
    data = (NEWEST / "facts.journal").read_bytes()
    records = [HEADER, *SessionFolder.open_read_only(NEWEST).records]
    written, together = b"", []
    for number, (line, record) in enumerate(zip(data.splitlines(), records, strict=True)):
        together.append(record)
        # What was written together ends with the padding.
        if line.endswith(b" "):
            written += b"".join(encode_padded(number + 1 - len(together), together, len(written)))
            together = []
    assert written == data and len(data) % SECTOR_BYTES == 0


def test_a_journal_of_any_version_can_be_continued(tmp_path):
    for version in VERSIONS:
        copy = tmp_path / version.name
        shutil.copytree(version, copy)
        before = (copy / "facts.journal").read_bytes()
        with SessionFolder.open(copy) as folder:
            assert folder.loss is None
            records = list(folder.records)
            folder.append([b'{"type":"further"}'])
        assert SessionFolder.open_read_only(version).records == records
        assert SessionFolder.open_read_only(copy).records == [*records, b'{"type":"further"}']
        assert (copy / "facts.journal").read_bytes().startswith(before)
