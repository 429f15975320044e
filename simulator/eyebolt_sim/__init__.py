"""A simulated cell: an arm, a camera and a board whose true poses are known.

The truth is computed with SciPy and plain 4x4 matrices, never with ``eyebolt.geometry``: an error in one of the two
implementations shows as a difference instead of cancelling.
"""
