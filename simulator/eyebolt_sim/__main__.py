"""``python -m eyebolt_sim`` runs the command ``eyebolt-sim``."""

from eyebolt_sim.cli import main

main()
