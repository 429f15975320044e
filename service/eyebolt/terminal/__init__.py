"""The operator's view: one status message drawn so that it can be read from two metres away."""
