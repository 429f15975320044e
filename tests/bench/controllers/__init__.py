"""Sessions of modelled controllers."""
