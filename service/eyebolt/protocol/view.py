"""What the camera sees, which the daemon publishes beside the status while anybody subscribes to it.

A message has three parts: the topic ``view``, one JSON object (``ViewMessage``), and a JPEG image, empty where there is
none. Keys that a reader does not know are ignored; any other change changes ``schema``.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from eyebolt.protocol.codes import Code
from eyebolt.protocol.status import LiveProof, OptionalNumber, Text

VIEW_TOPIC = b"view"
VIEW_SCHEMA: Literal[1] = 1
MAX_VIEW_SIDE_PX = 960
"""Longest side of the JPEG, px."""
MAX_VIEW_BYTES = 1 << 20
"""Of a view message; a JPEG of that side has 50 to 200 kB."""
MAX_VIEW_CORNERS = 4000
"""Of a board; far above any."""

Size = tuple[Annotated[int, Field(gt=0)], Annotated[int, Field(gt=0)]]
Coordinate = Annotated[float, Field(allow_inf_nan=False)]
PixelPoint = tuple[Coordinate, Coordinate]
Outline = tuple[PixelPoint, PixelPoint, PixelPoint, PixelPoint]
Share = Annotated[float, Field(ge=0, le=1)]


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True)


class ViewReason(_Part):
    """Why the board was not found, or why there is no image: as the robot would be answered."""

    code: Code
    """Reply code."""
    message: Text
    """Reason, for the operator; no full stop."""
    remedy: Text
    """What to do about it; may be empty."""


class ViewMessage(_Part):
    """One image of the camera, and what was found in it. Points are [x, y] in pixels of the JPEG."""

    schema_version: Literal[1] = Field(default=VIEW_SCHEMA, alias="schema")
    """Version of these keys."""
    station: Text
    """Name of the station."""
    time_s: float
    """When the frame was exposed, or, without an image, when the message was made: Unix time, s."""
    image_size: Size
    """Width and height of the camera's images, px."""
    view_size: Size | None
    """Width and height of the JPEG, px; null without an image."""
    is_of_capture: bool
    """The image is that of the newest capture: the camera gives none in between."""
    found: bool
    """Whether the board was found."""
    reason: ViewReason | None
    """Why it was not found, or why there is no image; null if the board was found."""
    corners_px: Annotated[tuple[PixelPoint, ...], Field(max_length=MAX_VIEW_CORNERS)]
    """Its corners that were found; empty if it was not."""
    board_outline_px: Outline | None
    """Outline of the board where it is seen; null if it was not found."""
    predicted_outline_px: Outline | None
    """Outline of the board where the result in use and the arm's pose put it; null without either, or out of view."""
    brightness: Share | None
    """Median gray value, 1 is white; on the board if it was found, else of the whole image; null without an image."""
    saturated_fraction: Share | None
    """Share of these pixels that are saturated; null without an image."""
    edge_blur_px: OptionalNumber
    """Width of the edges between squares (standard deviation of the edge profile), px of the camera; null if it was not
    measured."""
    tilt_deg: OptionalNumber
    """Angle between the board's normal and the line of sight, deg; null if the board was not found."""
    distance_mm: OptionalNumber
    """Distance of the board's middle from the camera, mm; null if the board was not found."""
    proof: LiveProof | None
    """Where the result in use puts the board, against where it is seen; null without a comparison so far."""

    def to_json(self) -> bytes:
        """The message's second part."""
        return self.model_dump_json(by_alias=True).encode("utf-8")
