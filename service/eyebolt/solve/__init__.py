"""From pairs to the camera's place: start value, joint estimate, its error, and what does not belong. Pure."""
