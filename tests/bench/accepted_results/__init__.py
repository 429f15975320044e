"""Accepted results against the truth."""
