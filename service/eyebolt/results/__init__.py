"""Results: the document, its summary and error map, the result that the station uses, and waypoint plans as text."""

from eyebolt.results.document import Provenance, ResultDocument
from eyebolt.results.error_map import error_map_svg
from eyebolt.results.files import (
    ACCEPTED_NAME,
    REPLACED_NAME,
    Acceptance,
    accept_session,
    accepted_signature,
    build_result,
    read_accepted,
    read_result,
    unreadable_accepted,
    utc_timestamp,
    write_result,
)
from eyebolt.results.summary import summary
from eyebolt.results.waypoints import csv_text, plan_lines

__all__ = [
    "ACCEPTED_NAME",
    "REPLACED_NAME",
    "Acceptance",
    "Provenance",
    "ResultDocument",
    "accept_session",
    "accepted_signature",
    "build_result",
    "csv_text",
    "error_map_svg",
    "plan_lines",
    "read_accepted",
    "read_result",
    "summary",
    "unreadable_accepted",
    "utc_timestamp",
    "write_result",
]
