"""What is said of boards that lie still and of corners touched."""

from __future__ import annotations

from eyebolt.geometry.rigid import Array
from eyebolt.pairs.verdict import Verdict
from eyebolt.session.terms import Terms
from eyebolt.solve.outcome import Refusal, Solution


def says_of_place(terms: Terms, base_T_flange: Array | None, found: Verdict) -> str:
    """The board was seen, with code 0 or with advice; ``base_T_flange`` as the robot sent it, if it did."""
    says = "the board lies still and is seen: touch its corners" + (f" ({found.says})" if found.code else "")
    noted = terms.mount == "fixed" and base_T_flange is not None
    return says + ("; the pose is noted, a fixed camera needs none" if noted else "")


def says_of_touch(outcome: Solution | Refusal) -> str:
    """The touch is recorded; how far off all touches are, if that can be said."""
    if isinstance(outcome, Refusal) or outcome.touches is None:
        return "the corner is touched; there is no result yet to compare it with"
    return (
        f"the corner is touched; {outcome.touches.count} so far lie {outcome.touches.rms_mm:.2f} mm (RMS) from where"
        f" the result has them, worst {outcome.touches.worst_mm:.2f} mm"
    )
