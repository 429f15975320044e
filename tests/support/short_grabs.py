"""``python -m support.short_grabs``: ``eyebolt`` that waits 4 s for an image, for tests in which none comes."""

from __future__ import annotations

from eyebolt.cli.main import main
from eyebolt.daemon import acquisition

GRAB_TIMEOUT_S = 4.0

if __name__ == "__main__":
    acquisition.GRAB_TIMEOUT_S = GRAB_TIMEOUT_S
    main()
