"""The result document, its summary and error map, and the result that the station uses."""

from eyebolt.results.document import Provenance, accepted_transform, result_document, to_text
from eyebolt.results.files import (
    accept_session,
    accepted_session_name,
    build_result,
    read_accepted_transform,
    utc_timestamp,
    write_result,
)
from eyebolt.results.summary import summary
from eyebolt.results.waypoints import csv_text, plan_lines

__all__ = [
    "Provenance",
    "accept_session",
    "accepted_session_name",
    "accepted_transform",
    "build_result",
    "csv_text",
    "plan_lines",
    "read_accepted_transform",
    "result_document",
    "summary",
    "to_text",
    "utc_timestamp",
    "write_result",
]
