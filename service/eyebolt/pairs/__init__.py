"""A pair (one pose, one picture), the board's pose in it, and the verdict that one view alone can give. Pure."""
