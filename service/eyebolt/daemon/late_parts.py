"""Libraries that take long to load and that nothing needs before the first picture: loaded while the doors are open.

Every use of them loads them too, so that nothing hangs on this but the time of the first answer.
"""

from __future__ import annotations

import importlib

_PARTS = ("scipy.sparse.csgraph", "scipy.special", "scipy.spatial.transform")


def load_late_parts() -> None:
    """Takes half a second."""
    for name in _PARTS:
        importlib.import_module(name)
