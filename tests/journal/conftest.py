"""Lets the tests beside this file import their helpers, and the world of the session's tests."""

import sys
from pathlib import Path

HERE = Path(__file__).parent
sys.path += [str(HERE), str(HERE.parent / "session")]
