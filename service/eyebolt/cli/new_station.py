"""``eyebolt new``: a station file from options and, on a terminal, from answers to a few questions.

Every answer is checked by the rules of the station file as it is given; the file is written at the end, all at once.
"""

from __future__ import annotations

import json
import os
import shutil
import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Protocol

import typer

from eyebolt.cli.runner import print_line, write_text_file
from eyebolt.config import CameraSection, station_template
from eyebolt.errors import InputFault
from eyebolt.geometry import (
    FlangeRotation,
    Mount,
    PoseFormat,
    PoseReading,
    describe_pose,
    numbers_in,
    possible_readings,
)

_ANGLE_Z_AXES = 4
_AXES = (4, 5, 6, 7)
_USUAL_FAR_MM = 900.0
_LOOPBACK = ("127.", "localhost", "[::1]")
# The addresses of a further station on one computer: robot, status, control; the simulated camera is at + 10.
_PORTS = (4750, 4770, 4790, 4810)
_CAMERA_HINT = (
    "a number or /dev/... for a video device, an address such as rtsp://..., a folder of images, push for a program"
    " that sends them, simulated for none yet"
)


@dataclass(frozen=True)
class StationOptions:
    """What is known of a new station; None: not stated."""

    name: str | None = None
    """Its name."""
    mount: Mount | None = None
    """Where the camera is."""
    axes: int | None = None
    """Number of axes of the arm; with 4 its flange rotates about the vertical only."""
    listen: str | None = None
    """Address at which robots connect."""
    dial: str | None = None
    """Address of a robot that only waits for a connection."""
    allow: tuple[str, ...] = ()
    """Addresses of robots."""
    pose_line: str | None = None
    """One line with a pose as the controller writes it."""
    pose_format: PoseFormat | None = None
    """How the controller writes poses."""
    camera: str | None = None
    """Device, address, folder, ``push`` or ``simulated``."""
    tolerance_mm: float | None = None
    """Largest error of a pick."""
    near_mm: float | None = None
    """Nearest working distance from the camera."""
    far_mm: float | None = None
    """Farthest one."""


class Conversation(Protocol):
    """Somebody who answers."""

    def say(self, line: str) -> None:
        """Shows one line."""

    def ask(self, question: str, default: str) -> str:
        """The answer; ``default`` for none."""
        ...


def make_station(path: Path, options: StationOptions, conversation: Conversation | None) -> str:
    """Writes the station file, with what ``conversation`` answers for what is not stated; returns its name.

    Raises InputFault if the file exists or a value is invalid; nothing is written then.
    """
    if os.path.lexists(path):
        raise InputFault("file-exists", f"{path} exists already", "name another file, or move the old one away.")
    if conversation is not None:
        options = _Questions(path, options, conversation).all()
    elif options.pose_line is not None and options.pose_format is None:
        options = replace(options, pose_format=_only_reading(options.pose_line, options.axes))
    text = _text(path, options)
    write_text_file(path, text, make_folder=True)
    return str(path)


def next_steps(path: str) -> list[str]:
    """What to do with a new station file, for people."""
    return [
        f"{path} written. Its comments explain the rest. Next:",
        f"  the board: measure it and correct [board]; eyebolt board {path} prints one",
        f"  the lens: eyebolt lens {path} --pictures FOLDER",
        f"  all of it checked: eyebolt doctor {path}",
    ]


def _text(path: Path, options: StationOptions) -> str:
    """Raises InputFault ``station-file`` with every invalid value."""
    stated: dict[str, Any] = {
        "name": options.name,
        "mount": options.mount,
        "tolerance_mm": options.tolerance_mm,
        "near_mm": options.near_mm,
        # A nearest distance beyond the usual farthest one needs another.
        "far_mm": _far_mm(options),
        "allow": options.allow or None,
    }
    if options.axes == _ANGLE_Z_AXES:
        stated["turns"] = FlangeRotation.VERTICAL
    pose_format = options.pose_format
    if pose_format is None and options.axes == _ANGLE_Z_AXES:
        pose_format = PoseFormat(rotation="angle-z")
    if pose_format is not None:
        stated |= {"length": pose_format.length, "rotation": pose_format.rotation, "angle": pose_format.angle}
    if options.dial is not None:
        stated["connection"] = f"dial = {json.dumps(options.dial)}"
    elif options.listen is not None:
        stated["connection"] = f"listen = {json.dumps(options.listen)}"
        base = _base_port(options.listen)
        stated |= {"status": f"tcp://127.0.0.1:{base + 1}", "control": f"tcp://127.0.0.1:{base + 2}"}
    if options.camera is not None:
        stated["camera_lines"] = _camera_lines(options.camera, path.parent, _base_port(options.listen) + 10)
    return station_template(**{key: value for key, value in stated.items() if value is not None})


def _far_mm(options: StationOptions) -> float | None:
    if options.far_mm is not None or options.near_mm is None:
        return options.far_mm
    return max(_USUAL_FAR_MM, 1.5 * options.near_mm)


def _base_port(listen: str | None) -> int:
    """The port of the robot if it is one that is proposed here, else the first of these."""
    port = (listen or "").rpartition(":")[2]
    return int(port) if port.isdigit() and int(port) in _PORTS else _PORTS[0]


def _camera_lines(text: str, folder: Path, port: int) -> tuple[str, ...]:
    """The lines of [camera] for what a person calls the camera. Raises InputFault ``camera-path``."""
    source, key, value = _camera_source(text.strip(), folder, port)
    return f"source = {json.dumps(source)}", f"{key} = {json.dumps(value)}"


def _camera_source(text: str, folder: Path, port: int) -> tuple[str, str, str]:
    """Source, key and value of [camera]."""
    if text in ("simulated", "push"):
        return text, "endpoint", f"tcp://127.0.0.1:{port}"
    if text.startswith(("tcp://", "ipc://")):
        return "push", "endpoint", text
    if text.isdigit() or text.startswith("/dev/") or "://" in text:
        return "device", "path", text
    place = Path(text)
    if place.is_dir() or place.is_file():
        # Paths of a station file are relative to it.
        shown = text if place.is_absolute() else os.path.relpath(place, folder)
        return "folder" if place.is_dir() else "device", "path", shown
    raise InputFault("camera-path", f'"{text}" is no camera, and there is no such folder', f"write {_CAMERA_HINT}.")


def _only_reading(line: str, axes: int | None) -> PoseFormat:
    """The format of a line that can be read in one way. Raises InputFault ``pose-line`` with all of them otherwise."""
    readings = possible_readings(numbers_in(line), axes == _ANGLE_Z_AXES)
    formats = [pose_format for reading in readings for pose_format in (reading.pose_format, *reading.alike)]
    if len(formats) == 1:
        return formats[0]
    listed = "; ".join(f"{_option_text(r.pose_format)}: {_meaning(r)}" for r in readings)
    raise InputFault(
        "pose-line",
        f"{len(formats)} ways of writing a pose fit this line: {listed}",
        "see how the arm stands, and name one of them with --pose-format.",
    )


def _meaning(reading: PoseReading) -> str:
    others = "".join(f", or {_option_text(pose_format)}" for pose_format in reading.alike)
    return describe_pose(reading.base_T_flange) + others


def _option_text(pose_format: PoseFormat) -> str:
    """The format as --pose-format takes it."""
    unit = "" if pose_format.is_quaternion else f",{pose_format.angle}"
    return f"{pose_format.rotation}{unit},{pose_format.length}"


@dataclass
class _Questions:
    """The questions in their order; each answer is checked by the rules of the station file."""

    path: Path
    options: StationOptions
    person: Conversation

    def all(self) -> StationOptions:
        """The options with every answer."""
        self._say("Enter takes what stands in brackets. Ctrl-C ends, and nothing is written.")
        self._ask("name", "Name of the station", self._default_name(), str)
        self._ask("mount", "Is the camera fixed in the cell, or on the arm? (fixed, arm)", "fixed", _mount)
        question = "How many axes has the arm? With 4 its flange turns about the vertical only"
        self._ask("axes", question, "6", _axes)
        if self.options.dial is None:
            self._ask_listen()
        self._ask_pose_format()
        self._ask_camera()
        self._ask("tolerance_mm", "Largest error of a pick that the job tolerates, mm", "1.0", _number)
        self._ask("near_mm", "Nearest working distance from the camera, mm", "500", _number)
        self._ask("far_mm", "Farthest working distance, mm", f"{_far_mm(self.options):g}", _number)
        return self.options

    def _default_name(self) -> str:
        name = self.path.resolve().parent.name
        try:
            station_template(name)
        except InputFault:
            return "bay-3"
        return name

    def _ask(self, key: str, question: str, default: str, convert: Callable[[str], Any]) -> None:
        """Asks until the answer is valid; nothing if the option is stated."""
        if getattr(self.options, key) is not None:
            return
        while True:
            try:
                answered = replace(self.options, **{key: convert(self.person.ask(question, default).strip())})
                _text(self.path, _without_camera(answered))
            except (ValueError, InputFault) as error:
                self._say(f"  {_reason(error)}")
            else:
                self.options = answered
                return

    def _ask_listen(self) -> None:
        while self.options.listen is None:
            question = "Address and port of this computer at which the robot connects"
            self._ask("listen", question, f"127.0.0.1:{_free_base_port()}", str)
            if not self._is_listen_usable():
                self.options = replace(self.options, listen=None)
        is_local = self.options.listen.startswith(_LOOPBACK)
        if is_local:
            self._say("  Only a program on this computer can connect there: good for trying.")
        elif not self.options.allow:
            self._ask_controller()

    def _is_listen_usable(self) -> bool:
        from eyebolt.doctor import listening_fault

        fault = listening_fault(str(self.options.listen), "[robot] listen")
        if fault is None:
            self._say("  That address is this computer's, and the port is free.")
            return True
        self._say(f"  {fault.message}. {fault.remedy}")
        return self._keep("It can be mended later. Keep it?", default="n")

    def _ask_controller(self) -> None:
        while not self.options.allow:
            answered = replace(self.options, allow=(self.person.ask("Address of the robot controller", "").strip(),))
            try:
                _text(self.path, _without_camera(answered))
            except InputFault as error:
                self._say(f"  {_reason(error)}")
            else:
                self.options = answered

    def _ask_pose_format(self) -> None:
        """One line of the controller narrows its format down; where the arm stands decides among what is left."""
        if self.options.pose_format is not None:
            return
        line = self.options.pose_line
        known: tuple[PoseFormat, ...] | None = None
        while True:
            if line is None:
                again = "Another line" if known else "One line with a pose of the flange, as the controller shows it"
                line = self.person.ask(f"{again} (Enter: {'take the first' if known else 'later'})", "").strip()
            if not line:
                if known:
                    self._take(known[0])
                return
            try:
                readings = _restricted(possible_readings(numbers_in(line), self.options.axes == _ANGLE_Z_AXES), known)
            except InputFault as error:
                self._say(f"  {_reason(error)}")
                line = None
                continue
            line = None
            chosen = self._choose(readings)
            if chosen is None:
                continue
            known = (chosen.pose_format, *chosen.alike)
            if len(known) == 1:
                self._take(chosen.pose_format)
                return
            self._say(f"  In this pose {len(known)} formats are alike: {', '.join(map(_option_text, known))}.")
            self._say("  To tell them apart: turn the wrist so that all its angles differ, and paste that pose.")

    def _choose(self, readings: Sequence[PoseReading]) -> PoseReading | None:
        """The reading that the person names; None for another line."""
        if not readings:
            self._say("  This line contradicts the one before: with none of its readings does it agree.")
            return None
        if len(readings) == 1:
            self._show(readings)
            return readings[0]
        self._say("  It can be read in these ways. Base axes: x, y, and z up. Which one is how the arm stands?")
        self._show(readings)
        while True:
            answer = self.person.ask("Its number (0: none of them, Enter: not known)", "").strip()
            if not answer:
                return None
            if answer == "0":
                self._say("  Then it is another pose, frame or tool, or a format that eyebolt solve can find later.")
                return None
            if answer.isdigit() and 1 <= int(answer) <= len(readings):
                return readings[int(answer) - 1]
            self._say(f"  a number from 0 to {len(readings)}")

    def _show(self, readings: Sequence[PoseReading]) -> None:
        for number, reading in enumerate(readings, 1):
            self._say(f"  {number}  {_option_text(reading.pose_format)}: {describe_pose(reading.base_T_flange)}", 5)
            if reading.alike:
                self._say(f"     or {', '.join(map(_option_text, reading.alike))}", 5)

    def _take(self, pose_format: PoseFormat) -> None:
        self.options = replace(self.options, pose_format=pose_format)
        self._say(f"  Taken: {pose_format.description}. The pairs will show whether it is right.")

    def _ask_camera(self) -> None:
        is_asked = self.options.camera is None
        while True:
            if is_asked:
                self._say(f"Camera: {_CAMERA_HINT}.")
                self.options = replace(self.options, camera=self.person.ask("Camera", "simulated").strip())
            try:
                _text(self.path, self.options)
                is_usable = self._is_camera_usable()
            except InputFault as error:
                if not is_asked:
                    raise
                self._say(f"  {_reason(error)}")
                continue
            if is_usable or self._keep("It can be mended later. Keep it?", default="y"):
                return
            is_asked = True

    def _is_camera_usable(self) -> bool:
        from eyebolt.doctor import CAMERA_LIMIT_S, State, run_bounded, try_camera

        folder = self.path.parent
        source, key, value = _camera_source(str(self.options.camera), folder, _base_port(self.options.listen) + 10)
        # Without fork a check cannot be given up, and a camera can hang for ever.
        if source == "simulated" or not hasattr(os, "fork"):
            return True
        section = CameraSection.model_validate({"source": source, key: value, "intrinsics": "camera.json"})
        self._say(f"  Looking for it, {CAMERA_LIMIT_S:g} s at most ...")
        is_usable = True
        for result in run_bounded("camera", lambda report: try_camera(section, folder, report), CAMERA_LIMIT_S):
            remedy = f". {result.remedy}" if result.remedy else ""
            self._say(f"  {result.subject}: {result.message}{remedy}")
            is_usable &= result.state is not State.FAULT
        return is_usable

    def _keep(self, question: str, default: str) -> bool:
        while (answer := self.person.ask(f"  {question} (y, n)", default).strip().lower()) not in ("y", "n"):
            pass
        return answer == "y"

    def _say(self, text: str, indent: int = 2) -> None:
        width = max(shutil.get_terminal_size().columns - 1, 40)
        first = " " * (len(text) - len(text.lstrip()))
        for line in textwrap.wrap(
            text, width, subsequent_indent=" " * indent if first else "", break_long_words=False, break_on_hyphens=False
        ):
            self.person.say(line)


def _restricted(readings: Sequence[PoseReading], known: tuple[PoseFormat, ...] | None) -> list[PoseReading]:
    """The readings in formats that an earlier line has left."""
    if known is None:
        return list(readings)
    kept = []
    for reading in readings:
        formats = [pose_format for pose_format in (reading.pose_format, *reading.alike) if pose_format in known]
        if formats:
            kept.append(PoseReading(formats[0], reading.base_T_flange, tuple(formats[1:])))
    return kept


def _without_camera(options: StationOptions) -> StationOptions:
    return replace(options, camera=None)


def _free_base_port() -> int:
    """The first of the proposed ports at which a station can listen, with its status and its control."""
    from eyebolt.doctor import listening_fault

    for port in _PORTS:
        if all(listening_fault(f"127.0.0.1:{port + k}", "") is None for k in range(3)):
            return port
    return _PORTS[0]


def _reason(error: Exception) -> str:
    """What is wrong with an answer, without the lines of a file that nobody has seen."""
    if not isinstance(error, InputFault):
        return str(error)
    faults = error.data.get("faults")
    if isinstance(faults, tuple) and faults:
        return f"{faults[0].found} is not possible: {faults[0].allowed}"
    return f"{error.message}: {error.remedy}"


def _mount(text: str) -> Mount:
    try:
        return Mount(text.lower())
    except ValueError:
        raise ValueError("fixed or arm") from None


def _axes(text: str) -> int:
    if not text.isdigit() or int(text) not in _AXES:
        raise ValueError(f"a whole number from {_AXES[0]} to {_AXES[-1]}")
    return int(text)


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise ValueError("a number with a decimal point, without a unit") from None


class Terminal:
    """A person at this terminal."""

    def say(self, line: str) -> None:
        """Prints one line."""
        print_line(line)

    def ask(self, question: str, default: str) -> str:
        """Reads one line. Ctrl-C and the end of the input are KeyboardInterrupt."""
        try:
            return str(typer.prompt(question, default=default, show_default=bool(default)))
        except typer.Abort:
            typer.echo()
            raise KeyboardInterrupt from None
