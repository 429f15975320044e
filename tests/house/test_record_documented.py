"""The tables of facts in DEVELOPERS.md against facts that were recorded: every key stands there, and none besides."""

import re
from pathlib import Path

from eyebolt.boards.detection import NoDetection
from eyebolt.boards.exposure import ExposureStats
from eyebolt.store.session_folder import SessionFolder

ROOT = Path(__file__).resolve().parents[2]
GOLDEN = ROOT / "tests/journal/golden/version-1"


def documented():
    """Keys of each kind of fact as the tables have them, those of objects within as ``seen.found``."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text.split("\n### Facts\n")[1].split("\nThe facts of one capture stand in the order")[0]
    tables, kind = {}, None
    for line in section.splitlines():
        if heading := re.match(r"`([a-z]+)`[:,]", line):
            kind = heading.group(1)
            tables[kind] = set()
        elif row := re.match(r"\| (`[^|]*) \|", line):
            tables[kind] |= set(re.findall(r"`([A-Za-z0-9_.]+)`", row.group(1)))
    return tables


def keys_of(facts, tables):
    """The same of ``facts``; an object is looked into where its kind's table does."""
    found = {}
    for fact in facts:
        keys = found.setdefault(fact["type"], set())
        looked_into = {key.split(".")[0] for key in tables.get(fact["type"], ()) if "." in key}
        for key, value in fact.items():
            if key in looked_into and isinstance(value, dict):
                keys |= {f"{key}.{inner}" for inner in value}
            elif key != "type" and not (key in looked_into and value is None):
                keys.add(key)
    return found


def test_the_tables_of_facts_are_true_and_complete(recorded_session):
    tables = documented()
    nothing = NoDetection("dark", ExposureStats(0, 0.1, 0, 1, 0.5), (1280, 960))
    unseen = {"type": "detection", "detection": nothing.to_record().model_dump(mode="json")}
    # No pointer in the recorded session: the golden one has touches.
    touches = [fact for fact in SessionFolder.view(GOLDEN).records if fact["type"] == "touch"]
    written = keys_of([*SessionFolder.view(recorded_session).records, *touches, unseen], tables)
    for keys in tables.values():
        # The row of an object whose keys have rows of their own.
        keys -= {key.split(".")[0] for key in keys if "." in key}
    assert written == tables
