"""Sessions on disturbed lines."""
