"""Results in the robot's terms: the result document, and which one the station uses."""
