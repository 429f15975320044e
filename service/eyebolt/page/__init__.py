"""The station's page: what the camera sees and what to do now, for a browser at the arm. Read-only."""

from eyebolt.page.access import PageAccess, page_access
from eyebolt.page.server import run_page

__all__ = [
    "PageAccess",
    "page_access",
    "run_page",
]
