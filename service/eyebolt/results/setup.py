"""Whether an accepted result is still that of the station: of its name, its mount, its lens and its board.

Values are compared, not files: a comment or another order of the keys changes nothing.
"""

from __future__ import annotations

from collections.abc import Mapping

from eyebolt.calibration import ResultGap
from eyebolt.context import StationContext
from eyebolt.results.document import Lens, ResultDocument, Setup


def find_setup_change(document: ResultDocument, context: StationContext) -> ResultGap | None:
    """What differs between the station now and when the result of ``document`` was solved; None if nothing does."""
    station = context.station.station
    if document.setup is None or document.transform is None:
        return ResultGap(
            "the accepted result does not state the lens and the board that it was solved with",
            "solve its session again with this version (send solve), and accept it again.",
        )
    now = Setup.of(context.lens, context.station.board)
    then_and_now: list[tuple[str, object, object]] = [
        ("[station] name", document.station, station.name),
        ("[station] mount", document.mount.value, station.mount.value),
        ("transform", document.transform.name, station.mount.transform_name),
        *(("lens file: " + key, old, new) for key, old, new in _lens_values(document.setup.lens, now.lens)),
        *(("[board] " + key, old, new) for key, old, new in _board_values(document.setup.board, now.board)),
    ]
    for what, then, present in then_and_now:
        if then != present:
            return ResultGap(
                f"the accepted result is of another setup: {what} was {_text(then)}, and is now {_text(present)}",
                "correct the station file or the lens file if that change is a mistake; otherwise calibrate again and"
                " accept the new result.",
            )
    return None


def _lens_values(then: Lens, now: Lens) -> list[tuple[str, object, object]]:
    """Standard deviations are left out: they change how much a result is trusted, not what it is."""
    count = max(len(then.distortion), len(now.distortion))
    distortions = [(*lens.distortion, *[0.0] * (count - len(lens.distortion))) for lens in (then, now)]
    return [
        ("width", then.width, now.width),
        ("height", then.height, now.height),
        ("matrix", then.matrix, now.matrix),
        ("distortion", distortions[0], distortions[1]),
    ]


def _board_values(
    then: Mapping[str, str | int | float], now: Mapping[str, str | int | float]
) -> list[tuple[str, object, object]]:
    keys = [*now, *(key for key in then if key not in now)]
    return [(key, then.get(key), now.get(key)) for key in keys]


def _text(value: object) -> str:
    return "not set" if value is None else f"{value!r}" if isinstance(value, str) else str(value)
