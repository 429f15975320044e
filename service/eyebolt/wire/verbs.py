"""The verb table: what each request carries and how it is answered."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal


@dataclass(frozen=True)
class Verb:
    """One row: ``numbers`` are the names of the fields between seq and pose, ``whole`` those that are whole numbers.

    ``remembered``: the same line again gets the stored answer. ``reply`` is "count" (code,seq,count,aux) or "numbers"
    (code,seq, and numbers); ``reply_numbers`` is how many, None meaning as many as a pose has. ``answered`` is false
    for live poses.
    """

    name: str
    has_seq: bool = True
    numbers: tuple[str, ...] = ()
    whole: tuple[str, ...] = ()
    pose: Literal["none", "required", "optional"] = "none"
    remembered: bool = True
    reply: Literal["count", "numbers"] = "count"
    reply_numbers: int | None = 0
    answered: bool = True

    def reply_number_count(self, pose_field_count: int) -> int:
        """Numbers after ``code,seq,`` in every answer to this verb, good or bad; 0 for count replies."""
        return pose_field_count if self.reply_numbers is None else self.reply_numbers

    def field_counts(self, pose_field_count: int) -> tuple[int, ...]:
        """The allowed numbers of fields after the verb, joint angles aside."""
        before_pose = int(self.has_seq) + len(self.numbers)
        with_pose = before_pose + pose_field_count
        return {"none": (before_pose,), "required": (with_pose,), "optional": (before_pose, with_pose)}[self.pose]


_ROWS = (
    Verb("hello", remembered=False),
    Verb("begin"),
    Verb("capture", pose="required"),
    Verb("check", pose="required"),
    Verb("place", pose="optional"),
    Verb("touch", numbers=("k",), whole=("k",), pose="required"),
    Verb("pose", has_seq=False, pose="required", remembered=False, answered=False),
    Verb("again", remembered=False),
    Verb("undo"),
    Verb("status", remembered=False),
    Verb("solve"),
    Verb("bye"),
    Verb("result", remembered=False, reply="numbers", reply_numbers=None),
    Verb("locate", numbers=("x", "y", "z"), pose="optional", remembered=False, reply="numbers", reply_numbers=3),
    Verb("pixel", numbers=("u", "v", "h"), pose="optional", remembered=False, reply="numbers", reply_numbers=3),
)

VERBS: Mapping[str, Verb] = MappingProxyType({row.name: row for row in _ROWS})
