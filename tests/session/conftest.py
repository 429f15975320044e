"""Lets the tests beside this file import the world that they share."""

import sys
from pathlib import Path

sys.path.append(str(Path(__file__).parent))
