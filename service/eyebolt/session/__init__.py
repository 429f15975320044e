"""A session as ``step(state, event) -> state, commands``: decides everything, does nothing. Pure."""
