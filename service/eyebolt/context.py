"""A station with every file that its station file names, loaded; and the solve of a data set on it.

This is the one place where a recorded session becomes a problem of the solver: daemon, commands and replay solve here.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from eyebolt.addresses import is_remote_endpoint, resolve_endpoint, validate_endpoint
from eyebolt.boards import Board
from eyebolt.bounded_file import read_bounded
from eyebolt.calibration import (
    PRINTED_SCALE_SIGMA,
    JointConvention,
    PoseConvention,
    Problem,
    Refusal,
    ResultFormat,
    RobotNoise,
    Solution,
    WorkingVolume,
    measured_scale_sigma,
    solve,
    solve_with_free_intrinsics,
)
from eyebolt.config import Station, parse_lens_record, parse_station
from eyebolt.errors import InputFault, reading_remedy
from eyebolt.geometry import CameraModel, PoseFormat
from eyebolt.lens import view_fingerprint
from eyebolt.observations import DEFAULT_TIP_SIGMA_M, Dataset, Pair, PointerTip, resolve_half_turns
from eyebolt.planning import Coverage, Goal, coverage_after
from eyebolt.security import ClientKeys, local_client_keys
from eyebolt.session import SessionConfig, SessionLog, decode_facts, fold
from eyebolt.store import SessionFolder

STATION_SNAPSHOT = "station.toml"
LENS_SNAPSHOT = "camera.json"
# Of a station file or lens file; larger ones are another kind of file.
_MAX_BYTES = 1 << 20
_NAME_A_STATION = "check the path; a new station file is written by: eyebolt new FILE"


@dataclass(frozen=True)
class SolvedDataset:
    """The outcome of a solve, with its problem."""

    problem: Problem
    """The problem that was solved, its corners numbered from the same end of the board."""
    outcome: Solution | Refusal
    """The solution, or why there is none."""
    coverage: Coverage | None
    """Coverage by the pairs used; None after a refusal."""
    refined_lens: CameraModel | None = None
    """Lens estimated jointly with the transform, if requested and solved."""


@dataclass(frozen=True)
class StationContext:
    """A station, loaded."""

    station: Station
    """Content of the station file."""
    lens: CameraModel
    """Content of the lens file."""
    board: Board
    """The board of the station file."""
    folder: Path
    """Folder of the station file, to which its relative paths refer."""
    snapshots: dict[str, bytes]
    """Station file and lens file as they were read, for the session's folder."""
    lens_pictures: frozenset[str] = frozenset()
    """Marks of the pictures that the lens was calibrated from, as far as its file states them."""
    pose_format_override: PoseFormat | None = None
    """Format in which recorded poses are read instead of that of the station file."""

    @property
    def pose_format(self) -> PoseFormat:
        """Format of the robot's poses."""
        return self.pose_format_override or self.station.pose_format

    @property
    def record_folder(self) -> Path:
        """Folder of the sessions."""
        return self.folder / self.station.record.folder

    @property
    def keys_folder(self) -> Path | None:
        """Folder of the station's keys, if it has any."""
        keys = self.station.station.keys
        return None if keys is None else self.folder / keys

    @property
    def digests(self) -> dict[str, str]:
        """SHA-256 digest of each snapshot, by its name."""
        return {name: hashlib.sha256(data).hexdigest() for name, data in self.snapshots.items()}

    @property
    def session_config(self) -> SessionConfig:
        """The configuration of a session on this station."""
        goal, camera = self.station.goal, self.station.camera
        return SessionConfig(
            station=self.station.station.name,
            mount=self.station.station.mount,
            pose_format=self.pose_format,
            result_format=self.result_format,
            flange_T_tool=self.station.flange_T_tool,
            lens_size_px=(self.lens.width_px, self.lens.height_px),
            lens_focal_px=float(np.sqrt(self.lens.matrix[0, 0] * self.lens.matrix[1, 1])),
            board_corner_count=self.board.corner_count,
            goal=Goal(goal.tolerance_mm, goal.min_pairs, goal.max_pairs, goal.tolerance_of),
            settle_ns=camera.settle_ms * 1_000_000,
            accept_when_proven=goal.accept == "when-proven",
            has_tip=self.station.robot.tip_mm is not None,
            # A folder holds one image per capture.
            takes_preview=camera.motion_check == "two-images" and camera.source != "folder",
            exposure_ns=None if camera.exposure_us is None else round(camera.exposure_us * 1e3),
            guided=self.station.robot.guided,
            reply_wait_ns=round(self.station.robot.reply_wait_s * 1e9),
            inputs=self.digests,
        )

    @property
    def volume(self) -> WorkingVolume:
        """The working volume of the station's job."""
        return WorkingVolume(self.station.goal.near_mm / 1e3, self.station.goal.far_mm / 1e3)

    @property
    def result_format(self) -> ResultFormat:
        """How the robot is given the transform."""
        points_m, tolerance_mm = self.volume.grid(self.lens), self.station.goal.tolerance_mm
        # As the robot writes its poses, here in the format that was stated instead, but for a rotation of its own.
        rotation = self.station.robot.result_rotation or self.pose_format.rotation
        return ResultFormat(replace(self.pose_format, rotation=rotation), points_m, tolerance_mm)

    def problem(self, pairs: tuple[Pair, ...]) -> Problem:
        """The solver's problem of these pairs on this station."""
        noise = self.station.robot_noise_m_rad
        return Problem(
            mount=self.station.station.mount,
            camera=self.lens_without(pairs),
            board_corners_m=self.board.corners_m(),
            pairs=pairs,
            volume=self.volume,
            flange_rotation=self.station.station.turns,
            pick=self.station.goal.pick,
            robot_noise=None if noise is None else RobotNoise(*noise),
            height_m=None if self.station.goal.board_height_mm is None else self.station.goal.board_height_mm / 1e3,
            tip=self.tip,
            pose_convention=self.pose_convention,
            joint_convention=self.joint_convention,
            board_scale_sigma=self.board_scale_sigma,
        )

    def lens_without(self, pairs: Sequence[Pair]) -> CameraModel:
        """The lens as known without the pictures of ``pairs``, which a solve of these pairs counts by itself.

        Every picture of the calibration is taken to have contributed alike, so the variances grow as the rest of them
        shrinks. Where no other picture is left, nothing is known of the lens's uncertainty but the default.
        """
        shared = (
            sum(view_fingerprint(pair.corners_px) in self.lens_pictures for pair in pairs) if self.lens_pictures else 0
        )
        if not shared or not self.lens.sigma:
            return self.lens
        left = 1 - shared / len(self.lens_pictures)
        if left <= 0:
            return replace(self.lens, sigma={}, correlation=None)
        return replace(self.lens, sigma={name: sigma * left**-0.5 for name, sigma in self.lens.sigma.items()})

    @property
    def board_scale_sigma(self) -> float:
        """Relative standard deviation of the board's size."""
        board = self.station.board
        if board.scale_sigma_percent is not None:
            return board.scale_sigma_percent / 100
        return PRINTED_SCALE_SIGMA if board.scale_from == "printed" else measured_scale_sigma(10 * self.board.pitch_m)

    @property
    def pose_convention(self) -> PoseConvention:
        """How the robot writes the poses of its flange."""
        return PoseConvention(self.pose_format, self.station.flange_T_tool)

    @property
    def joint_convention(self) -> JointConvention | None:
        """How the robot writes its joints, if the station file states the model of the arm."""
        robot = self.station.robot
        if robot.arm is None:
            return None
        return JointConvention(robot.arm, robot.joint_units, robot.joint_names or ())

    @property
    def tip(self) -> PointerTip | None:
        """The tip of the pointer, if the station file states it."""
        robot = self.station.robot
        if robot.tip_mm is None:
            return None
        sigma_m = DEFAULT_TIP_SIGMA_M if robot.tip_sigma_mm is None else robot.tip_sigma_mm / 1e3
        return PointerTip(np.array(robot.tip_mm) / 1e3, sigma_m)

    def with_pose_format(self, pose_format: PoseFormat) -> StationContext:
        """The same station with another format of the robot's poses."""
        return replace(self, pose_format_override=pose_format)

    def reinterpret_poses(self, dataset: Dataset) -> Dataset:
        """The data set with the poses of pairs and checks recomputed from the numbers that the robot sent.

        Raises InputFault ``no-pose-numbers`` if they were not recorded, ``pose-numbers`` if they are not a pose.
        """

        def reinterpret(pairs: tuple[Pair, ...]) -> tuple[Pair, ...]:
            if any(pair.fields is None for pair in pairs):
                raise InputFault(
                    "no-pose-numbers",
                    "the numbers that the robot sent are not recorded in this session",
                    "correct the station file and capture the pairs again.",
                )
            convention = self.pose_convention
            return tuple(
                replace(pair, base_T_flange=convention.remove_tool(self.pose_format.to_matrix(pair.fields or ())))
                for pair in pairs
            )

        return replace(dataset, pairs=reinterpret(dataset.pairs), checks=reinterpret(dataset.checks))

    def resolve_half_turns(self, dataset: Dataset) -> Dataset:
        """The data set with the corners of all pairs and checks numbered from the same end of a symmetric board."""
        pairs = (*dataset.pairs, *dataset.checks)
        resolved = resolve_half_turns(pairs, self.lens, self.board, self.station.station.mount)
        count = len(dataset.pairs)
        return replace(dataset, pairs=resolved[:count], checks=resolved[count:])

    def solve(self, dataset: Dataset, refine_lens: bool = False) -> SolvedDataset:
        """Solves the pairs, tested on checks and touches. ``refine_lens``: the lens is estimated as well."""
        resolved = self.resolve_half_turns(dataset)
        return solve_problem(self.problem(resolved.pairs), resolved, refine_lens)


def solve_problem(problem: Problem, dataset: Dataset, refine_lens: bool = False) -> SolvedDataset:
    """Solves ``problem``, tested on the checks and touches of ``dataset``."""
    lens = None
    if refine_lens:
        outcome, lens = solve_with_free_intrinsics(problem, dataset.checks, dataset.placed_boards)
    else:
        outcome = solve(problem, dataset.checks, dataset.placed_boards)
    coverage = coverage_after(problem, outcome)
    return SolvedDataset(problem, outcome, coverage, None if isinstance(outcome, Refusal) else lens)


@dataclass(frozen=True)
class RecordedSession:
    """A session as its folder holds it."""

    context: StationContext
    """The station as it was when the session began."""
    log: SessionLog
    """State accumulated from the session's facts."""


def load_session(folder: SessionFolder) -> RecordedSession:
    """Reads a session with its own copies of station file and lens file.

    Raises RecordFault, or InputFault for what cannot be read.
    """
    context = load_context(folder.path / STATION_SNAPSHOT, folder.path / LENS_SNAPSHOT)
    log = fold(decode_facts(folder.records, str(folder.path))) or SessionLog(name=folder.path.name)
    return RecordedSession(context, log)


def load_station(station_file: Path) -> Station:
    """The station file alone, without the lens file.

    Raises InputFault ``file-unreadable``, ``station-file``, ``endpoint-length``.
    """
    return _parse_station_file(_read_file(station_file, "the station file", _NAME_A_STATION), station_file)


def local_status_source(
    station_file: Path, station: Station, given: ClientKeys | None = None
) -> tuple[str, ClientKeys | None]:
    """Status address of a station of this computer, and the keys for it: those ``given``, or its own if it has some.

    Raises the InputFaults of the key files.
    """
    return _local_source(station_file, station, station.station.status, given)


def local_control_source(
    station_file: Path, station: Station, given: ClientKeys | None = None
) -> tuple[str, ClientKeys | None] | None:
    """Control address of a station of this computer, and the keys for it as in ``local_status_source``; None without.

    Raises the InputFaults of the key files.
    """
    control = station.station.control
    return None if control is None else _local_source(station_file, station, control, given)


def _local_source(
    station_file: Path, station: Station, endpoint: str, given: ClientKeys | None
) -> tuple[str, ClientKeys | None]:
    keys = station.station.keys
    if given is None and keys is not None and is_remote_endpoint(endpoint):
        given = local_client_keys(station_file.parent / keys)
    # The daemon may bind all addresses of its computer; a client needs one of them.
    return endpoint.replace("//0.0.0.0:", "//127.0.0.1:").replace("//[::]:", "//[::1]:"), given


def load_context(station_file: Path, lens_file: Path | None = None) -> StationContext:
    """Reads a station file and the lens file that it names, or ``lens_file``.

    Raises InputFault ``file-unreadable``, ``station-file``, ``endpoint-length``, ``lens-file``.
    """
    station_bytes = _read_file(station_file, "the station file", _NAME_A_STATION)
    station = _parse_station_file(station_bytes, station_file)
    lens_path = lens_file or station_file.parent / station.camera.intrinsics
    lens_bytes = _read_file(
        lens_path,
        "the lens file named by [camera] intrinsics",
        "check the path, or make the file from pictures of the board: eyebolt lens STATION --pictures FOLDER",
    )
    record = parse_lens_record(_decode_utf8(lens_bytes, lens_path), str(lens_path))
    return StationContext(
        station=station,
        lens=record.to_camera(),
        board=station.board.to_board(),
        folder=station_file.parent,
        snapshots={STATION_SNAPSHOT: station_bytes, LENS_SNAPSHOT: lens_bytes},
        lens_pictures=frozenset(record.pictures),
    )


def _parse_station_file(data: bytes, path: Path) -> Station:
    """The station, its ``ipc://`` paths relative to the file as all its paths are."""
    station = parse_station(_decode_utf8(data, path), str(path))
    section, endpoint = station.station, station.camera.endpoint
    for key, given in (("status", section.status), ("control", section.control)):
        if given is not None and (resolved := _resolve_endpoint(given, path)) != given:
            station = station.model_copy(update={"station": station.station.model_copy(update={key: resolved})})
    if endpoint is not None and (resolved := _resolve_endpoint(endpoint, path)) != endpoint:
        camera = station.camera.model_copy(update={"endpoint": resolved})
        station = station.model_copy(update={"camera": camera})
    return station


def _resolve_endpoint(endpoint: str, station_file: Path) -> str:
    resolved = resolve_endpoint(endpoint, str(station_file.parent))
    try:
        return validate_endpoint(resolved)
    except ValueError as limit:
        raise InputFault(
            "endpoint-length",
            f'"{endpoint}" in {station_file} is {resolved}, which is not {limit}',
            "choose a shorter absolute path, such as one below /run.",
            endpoint=resolved,
        ) from None


def _read_file(path: Path, what: str, remedy: str) -> bytes:
    try:
        return read_bounded(path, _MAX_BYTES)
    except OSError as error:
        raise InputFault(
            "file-unreadable",
            f"{what}, {path}, cannot be read: {error.strerror}",
            reading_remedy(error) or remedy,
            path=str(path),
        ) from None


def _decode_utf8(data: bytes, path: Path) -> str:
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputFault(
            "file-unreadable",
            f"{path} is not a text file in UTF-8 (byte {error.start})",
            "save it as UTF-8 text.",
            path=str(path),
        ) from None
