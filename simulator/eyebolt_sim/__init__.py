"""A simulated cell: an arm, a camera, a board, and the truth about where they are.

The truth is computed with SciPy and plain 4x4 matrices, never with ``eyebolt.geometry``: a convention that one side
reads wrongly must show as a difference, not cancel itself out.
"""
