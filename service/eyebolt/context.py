"""A station with everything its file points to, read from disk."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from eyebolt.boards import Board
from eyebolt.calibration import PoseConvention, Problem, Refusal, RobotNoise, Solution, WorkingVolume, solve
from eyebolt.config import Station, parse_lens, parse_station
from eyebolt.errors import InputFault
from eyebolt.geometry import CameraModel
from eyebolt.observations import DEFAULT_TIP_SIGMA_M, Pair, PlacedBoard, PointerTip, resolve_half_turns
from eyebolt.planning import Coverage, Goal, coverage_after
from eyebolt.session import SessionConfig

STATION_SNAPSHOT = "station.toml"
LENS_SNAPSHOT = "camera.json"


@dataclass(frozen=True)
class StationContext:
    """``folder``: what relative paths are relative to. ``snapshots``: the files as they were, for the session."""

    station: Station
    lens: CameraModel
    board: Board
    folder: Path
    snapshots: dict[str, bytes]

    @property
    def record_folder(self) -> Path:
        """Where sessions are kept."""
        return self.folder / self.station.record.folder

    @property
    def keys_folder(self) -> Path | None:
        """Where the station's keys are, if it has any."""
        keys = self.station.station.keys
        return None if keys is None else self.folder / keys

    @property
    def digests(self) -> dict[str, str]:
        """SHA-256 of each keepsake."""
        return {name: hashlib.sha256(data).hexdigest() for name, data in self.snapshots.items()}

    @property
    def terms(self) -> SessionConfig:
        """What a session takes as given."""
        goal, camera = self.station.goal, self.station.camera
        return SessionConfig(
            station=self.station.station.name,
            mount=self.station.station.mount,
            pose_format=self.station.pose_format,
            flange_T_tool=self.station.flange_T_tool,
            lens_size_px=(self.lens.width_px, self.lens.height_px),
            board_corner_count=self.board.corner_count,
            goal=Goal(goal.tolerance_mm, goal.min_pairs, goal.max_pairs),
            settle_ns=camera.settle_ms * 1_000_000,
            accept_when_proven=goal.accept == "when-proven",
            has_tip=self.station.robot.tip_mm is not None,
            # Recorded pictures come one for each capture.
            takes_preview=camera.motion_check == "two-pictures" and camera.source != "folder",
            exposure_ns=None if camera.exposure_us is None else round(camera.exposure_us * 1e3),
        )

    def problem(self, pairs: tuple[Pair, ...]) -> Problem:
        """The problem that these pairs pose on this station."""
        noise = self.station.robot_noise_m_rad
        return Problem(
            mount=self.station.station.mount,
            camera=self.lens,
            board_corners_m=self.board.corners_m(),
            pairs=pairs,
            volume=WorkingVolume(self.station.goal.near_mm / 1e3, self.station.goal.far_mm / 1e3),
            flange_rotation=self.station.station.turns,
            robot_noise=None if noise is None else RobotNoise(*noise),
            height_m=None if self.station.goal.board_height_mm is None else self.station.goal.board_height_mm / 1e3,
            tip=self.tip,
            pose_convention=PoseConvention(self.station.pose_format, self.station.flange_T_tool),
        )

    def resolve_half_turns(self, pairs: tuple[Pair, ...], checks: tuple[Pair, ...]) -> tuple[tuple[Pair, ...], ...]:
        """Pairs and checks, their corners numbered from the same end of a board that looks alike from both."""
        both = resolve_half_turns((*pairs, *checks), self.lens, self.board, self.station.station.mount)
        return both[: len(pairs)], both[len(pairs) :]

    def solve_pairs(
        self, pairs: tuple[Pair, ...], checks: tuple[Pair, ...], placed: tuple[PlacedBoard, ...]
    ) -> tuple[Solution | Refusal, Coverage | None]:
        """What comes of these pairs, tested on ``checks`` and the touches of ``placed``, and what the pairs know."""
        alike, checks = self.resolve_half_turns(pairs, checks)
        problem = self.problem(alike)
        outcome = solve(problem, checks, placed)
        return outcome, coverage_after(problem, outcome)

    @property
    def tip(self) -> PointerTip | None:
        """The pointer's tip, if the station file states it."""
        robot = self.station.robot
        if robot.tip_mm is None:
            return None
        sigma_m = DEFAULT_TIP_SIGMA_M if robot.tip_sigma_mm is None else robot.tip_sigma_mm / 1e3
        return PointerTip(np.array(robot.tip_mm) / 1e3, sigma_m)


def load_station(station_file: Path) -> Station:
    """A station by its file alone, without the lens file. Raises InputFault ``file-unreadable``, ``station-file``."""
    data = _read_file(station_file, "the station file")
    return parse_station(_decode_utf8(data, station_file), str(station_file))


def load_context(station_file: Path, lens_file: Path | None = None) -> StationContext:
    """Reads a station file and the lens file it names (or ``lens_file``). Raises InputFault saying what is wrong."""
    station_bytes = _read_file(station_file, "the station file")
    station = parse_station(_decode_utf8(station_bytes, station_file), str(station_file))
    lens_path = lens_file or station_file.parent / station.camera.intrinsics
    lens_bytes = _read_file(
        lens_path,
        "the lens file named by [camera] intrinsics",
        "check the path; the file is JSON with width, height, matrix (3 x 3) and distortion of the calibrated lens.",
    )
    lens = parse_lens(_decode_utf8(lens_bytes, lens_path), str(lens_path))
    return StationContext(
        station=station,
        lens=lens,
        board=station.board.to_board(),
        folder=station_file.parent,
        snapshots={STATION_SNAPSHOT: station_bytes, LENS_SNAPSHOT: lens_bytes},
    )


def _read_file(path: Path, what: str, remedy: str = "check the path and the permission.") -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        reason = error.strerror or "cannot be read"
        raise InputFault(
            "file-unreadable",
            f"{what}, {path}, cannot be read: {reason}",
            remedy,
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
