"""``python -m eyebolt_sim`` is ``eyebolt-sim``."""

from eyebolt_sim.cli import main

main()
