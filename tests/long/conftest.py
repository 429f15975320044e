"""Long forms of tests that stand elsewhere; they run with ``pytest -m long`` only."""

import sys
from pathlib import Path

TESTS = Path(__file__).parents[1]
sys.path += [str(TESTS / folder) for folder in ("session", "journal", "daemon")]
