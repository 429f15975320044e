"""Carries out what the session commands: sockets, workers, disk, status. No decisions are made here."""
