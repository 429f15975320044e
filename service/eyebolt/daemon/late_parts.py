"""Libraries that take long to load and that no robot needs at once: loaded when the doors are open.

Every use of them loads them too, and tells what cannot be loaded: only the time of the first answers hangs on this.
"""

from __future__ import annotations

import importlib

# A package before its parts, as a use loads them: two threads that load a package and a part of it each from its own
# end get hold of half-loaded modules.
_PARTS = ("scipy.sparse", "scipy.sparse.csgraph", "scipy.special", "scipy.spatial")


def load_late_parts() -> None:
    """Takes half a second."""
    for name in _PARTS:
        importlib.import_module(name)
