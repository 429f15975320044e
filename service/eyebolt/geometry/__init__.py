"""Rigid transforms, the ways controllers write a pose, and the camera model. Pure."""
