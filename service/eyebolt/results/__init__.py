"""The result document, its summary and error map, and the result that the station uses."""

from eyebolt.results.document import Origin, accepted_transform, result_document, to_text
from eyebolt.results.files import accept_session, accepted_session, find_accepted, result_of, wall_now, write_result
from eyebolt.results.summary import summary
from eyebolt.results.waypoints import csv_text, plan_lines

__all__ = [
    "Origin",
    "accept_session",
    "accepted_session",
    "accepted_transform",
    "csv_text",
    "find_accepted",
    "plan_lines",
    "result_document",
    "result_of",
    "summary",
    "to_text",
    "wall_now",
    "write_result",
]
