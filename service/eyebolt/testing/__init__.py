"""For the tests of cameras and boards: a conformance check and an exact board drawing."""

__all__ = []
