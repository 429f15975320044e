"""One random session, from the first capture to the reply to ``result``, without images, sockets or a clock.

Session, solver, record and acceptance are the product's own; the corners come from the simulator, whose truth (SciPy
and 4x4 matrices) the reply is compared with. What is random: mount, arm, noise, pose format and form of the reply, what
determines the height of a vertical arm, number of pairs, undo and restarts, who accepts, and whether the station is
changed afterwards.
"""

from __future__ import annotations

import json
import random
import tempfile
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from eyebolt.boards.detection import Detection
from eyebolt.config.template import station_template
from eyebolt.context import STATION_SNAPSHOT, StationContext, load_context
from eyebolt.errors import EyeboltError
from eyebolt.observations.board_pose import fit_board_pose
from eyebolt.results import accept_session, read_accepted
from eyebolt.results.files import write_result
from eyebolt.session import messages as msg
from eyebolt.session.facts import encode_fact
from eyebolt.store import SessionFolder
from eyebolt_sim.pose_format import PoseFormat
from eyebolt_sim.problems import DEFAULT_LENS, Problem, make_problem
from support.session_world import GOOD_LIGHT, World
from support.touched_board import TIP_MM, lay_board

# Corner noise px, robot noise mm and deg per axis.
LEVELS = ((0.05, 0.02, 0.005), (0.1, 0.1, 0.02), (0.2, 0.2, 0.03))
FULL_FORMS = ("quaternion-wxyz", "quaternion-xyzw", "euler-ZYX", "rotation-vector")
TOLERANCE_MM = 2.0


@dataclass(frozen=True)
class Plan:
    """What a session is to be."""

    seed: int
    mount: str
    turns: str
    rotation: str
    result_rotation: str | None
    height: str
    """``stated``, ``touched`` or ``unknown``; of no meaning where the arm rotates freely"""
    level: int
    pairs: int
    undo: bool
    restart: bool
    accept: str
    """``rule``, ``person`` or ``insisting``: a person with every word that overrides"""
    change: str | None
    """what is changed in the station file after the acceptance"""

    @classmethod
    def draw(cls, seed: int) -> Plan:
        """The plan of a seed; both mounts and both kinds of arm in turn."""
        rng = random.Random(seed)
        vertical = seed % 4 >= 2
        return cls(
            seed=seed,
            mount=("fixed", "arm")[seed % 2],
            turns="vertical" if vertical else "free",
            rotation=rng.choice(("angle-z", *FULL_FORMS[:2]) if vertical else FULL_FORMS),
            result_rotation=rng.choice((None, *FULL_FORMS)),
            height=rng.choice(("stated", "touched", "unknown")) if vertical else "not needed",
            level=rng.randrange(len(LEVELS)),
            pairs=rng.choice((5, 9, 10, 12, 15)),
            undo=rng.random() < 0.3,
            restart=rng.random() < 0.3,
            accept=rng.choice(("rule", "person", "insisting")),
            change=rng.choice((*[None] * 8, "comment", "mount", "name", "board")),
        )

    @property
    def kind(self) -> str:
        """The row of the table that it belongs to."""
        return f"{self.mount}, {self.turns}" + (f", height {self.height}" if self.turns == "vertical" else "")

    @property
    def is_open(self) -> bool:
        """Nothing determines the height."""
        return self.height == "unknown"


@dataclass
class Run:
    """What came of a plan."""

    plan: Plan
    solve_code: int = 0
    """code of the reply to ``solve``"""
    acceptance: str = "none"
    """code of the fault of ``accept``; ``accepted`` if there was none"""
    result_code: int = 0
    """code of the reply to ``result``"""
    error_mm: float = np.nan
    """95 % of the working volume are nearer to the truth than this"""
    stated_mm: float = np.nan
    """stated p95"""
    wrong: list[str] = field(default_factory=list)
    """what must not be"""

    @property
    def ratio(self) -> float:
        """True error by stated error; NaN if nothing was handed out."""
        return self.error_mm / self.stated_mm


class SimulatedStation(World):
    """A daemon with a real record and solver, whose camera sees the corners that ``sees`` holds."""

    def __init__(self, context: StationContext) -> None:
        super().__init__(context.session_config)
        self.context = context
        self.folder: SessionFolder | None = None
        # The corners are the simulator's, image by image: the world must not shift them so that images differ.
        self.is_frozen = True

    def read_accepted_result(self, command: msg.ReadAcceptedResult) -> None:
        self.happens(msg.AcceptedResultRead(command.number, read_accepted(self.context)))

    def solve(self, command: msg.Solve) -> None:
        solved = self.context.solve(command.dataset)
        self.happens(msg.Solved(command.task, solved.outcome, 0, solved.coverage))

    def write_result(self, command: msg.WriteResult) -> None:
        outcome, acceptance = command.outcome, command.acceptance
        assert self.folder is not None
        write_result(
            self.context, self.folder.path, command.dataset, outcome, acceptance, command.accept, command.coverage
        )
        self.happens(msg.AcceptedResultChanged(read_accepted(self.context)))
        self.happens(msg.ResultWritten(command.task))

    def _on_disk(self, command: Any) -> Any:
        if isinstance(command, msg.OpenSession):
            fact = command.first_fact(f"20260314-091500-{len(self.disk) + 1:02d}")
            first = encode_fact(fact)
            self.disk.append([first])
            self.folder = SessionFolder.create(
                self.context.record_folder, fact.session, self.context.snapshots, first=[first]
            )
            return msg.SessionOpened(command.task, fact)
        event = super()._on_disk(command)
        if isinstance(command, msg.RecordFacts):
            assert self.folder is not None
            self.folder.append([encode_fact(fact) for fact in command.facts])
        return event

    def _view(self) -> Any:
        found, camera = self.sees, self.context.lens
        fitted = fit_board_pose(camera, found.ids, found.corners_px, self.context.board.corners_m())
        return None, None if fitted is None else fitted[0]


def run(plan: Plan) -> Run:
    """Carries out a plan in a folder of its own."""
    with tempfile.TemporaryDirectory() as place:
        return _Cell(plan, Path(place)).run()


class _Cell:
    """The cell of a plan: its truth and its station."""

    def __init__(self, plan: Plan, place: Path) -> None:
        self.plan, self.place = plan, place
        pixels, mm, deg = LEVELS[plan.level]
        self.simulated = make_problem(plan.mount, plan.pairs, plan.seed, pixels, mm, deg, turns=plan.turns)
        self.write_station()

    def write_station(self, **changes: Any) -> None:
        """The station file, and the context that a daemon has of it."""
        plan, simulated = self.plan, self.simulated
        (self.place / "camera.json").write_text(json.dumps(DEFAULT_LENS.to_json()))
        x, y, z = TIP_MM
        tip_z = -z if plan.turns == "vertical" else z
        robot = [f"tip_mm = [{x}, {y}, {tip_z}]", "tip_sigma_mm = 0.2"]
        if plan.result_rotation is not None:
            robot.append(f'result_rotation = "{plan.result_rotation}"')
        chosen: dict[str, Any] = {
            "name": "bay-3",
            "mount": plan.mount,
            "turns": plan.turns,
            "rotation": plan.rotation,
            "robot_lines": robot,
            "board_lines": (
                'kind = "charuco"',
                "columns = 12",
                "rows = 9",
                "square_mm = 20.0",
                "marker_mm = 15.0",
                'dictionary = "5X5_100"',
            ),
            "tolerance_mm": TOLERANCE_MM,
            "control": None,
            "near_mm": simulated.near_m * 1e3,
            "far_mm": simulated.far_m * 1e3,
            "accept": "when-proven" if plan.accept == "rule" else "by-hand",
        }
        text = station_template(**(chosen | changes))
        if plan.height == "stated":
            height_mm = simulated.nuisance_true[2, 3] * 1e3
            text = text.replace("# board_height_mm = 850.0", f"board_height_mm = {height_mm:.3f}  #")
        (self.place / STATION_SNAPSHOT).write_text(text)
        self.context = load_context(self.place / STATION_SNAPSHOT)
        assert np.array_equal(self.context.board.corners_m(), simulated.board_corners_m)

    def run(self) -> Run:
        done, world = Run(self.plan), SimulatedStation(self.context)
        robot, format_ = world.connect(), PoseFormat(rotation=self.plan.rotation)
        seq = 0

        def send(verb: str, *words: object) -> int:
            nonlocal seq
            seq += 1
            reply = world.say(robot, " ".join(map(str, (verb, seq, *words))))
            return int(reply.split(",")[0])

        def show(ids: Any, corners_px: Any) -> None:
            size = (DEFAULT_LENS.width_px, DEFAULT_LENS.height_px)
            world.sees = Detection(ids, corners_px, GOOD_LIGHT, size, 0.6)

        def capture(index: int) -> None:
            show(self.simulated.corner_ids[index], self.simulated.corners_px[index])
            send("capture", format_.format_pose(self.simulated.base_T_flange_reported[index]))

        for index in range(self.plan.pairs):
            capture(index)
            if self.plan.restart and index == self.plan.pairs // 2:
                world.restart()
                robot = world.connect()
                world.say(robot, "hello 0")
        if self.plan.undo:
            send("undo")
            capture(self.plan.pairs - 1)
        if self.plan.height == "touched":
            board = lay_board(self.simulated, self.plan.seed)
            show(board.ids, board.corners_px)
            pose = [] if board.base_T_flange is None else [format_.format_pose(board.base_T_flange)]
            send("place", *pose)
            for touch in board.touches:
                send("touch", touch.corner, format_.format_pose(touch.base_T_flange))
        done.solve_code = send("solve")
        send("bye")
        self.accept(done, world)
        if self.plan.change is not None:
            self.change(world)
        reply = world.say(robot, f"result {seq + 1}").split(",")
        done.result_code = int(reply[0])
        self.judge(done, [float(number) for number in reply[2:]])
        return done

    def accept(self, done: Run, world: SimulatedStation) -> None:
        """A person accepts, if the plan has one; the rule accepts by itself."""
        assert world.folder is not None
        if self.plan.accept == "rule":
            # The rule may have accepted the result of fewer pairs, which a later one leaves in use.
            path = self.context.record_folder / "accepted.json"
            if path.exists():
                accepted = json.loads(path.read_text())
                proven = accepted["acceptance"] == "accept"
                within = accepted["expected_pick_error_mm"]["p95_upper"] <= TOLERANCE_MM
                done.acceptance = "accepted" if proven and within else "accepted against the rule"
            return
        insists = self.plan.accept == "insisting"
        try:
            accept_session(world.folder.path, "R. Ode", incomplete=insists, few_pairs=insists)
        except EyeboltError as fault:
            done.acceptance = fault.code
        else:
            done.acceptance = "accepted"

    def change(self, world: SimulatedStation) -> None:
        """The station file is edited, and the daemon restarted."""
        plan = self.plan
        if plan.change == "mount":
            self.write_station(mount="arm" if plan.mount == "fixed" else "fixed")
        elif plan.change == "name":
            self.write_station(name="bay-4")
        else:
            path = self.place / STATION_SNAPSHOT
            edit = (
                ("square_mm = 20.0", "square_mm = 20.1") if plan.change == "board" else ("# Lengths", "# All lengths")
            )
            path.write_text(path.read_text().replace(*edit))
            self.context = load_context(path)
        world.context = self.context
        world.state = replace(world.state, config=self.context.session_config)

    def judge(self, done: Run, numbers: list[float]) -> None:
        """What must not be: anything handed out that is open, of another setup, or wrong."""
        plan = self.plan
        if done.solve_code == 0 and plan.is_open:
            done.wrong.append("solve replied 0 with the height open")
        if done.acceptance == "accepted" and plan.is_open and plan.accept != "insisting":
            done.wrong.append("accepted with the height open")
        if done.result_code != 0:
            return
        if plan.is_open:
            done.wrong.append("handed out with the height open")
        if plan.change in ("mount", "name", "board"):
            done.wrong.append("handed out after a change of the setup")
        if done.acceptance != "accepted":
            done.wrong.append("handed out though nobody accepted it")
        found = PoseFormat(rotation=plan.result_rotation or plan.rotation).parse_pose(numbers)
        errors_mm = grid_errors_mm(self.simulated, found)
        stated = json.loads((self.context.record_folder / "accepted.json").read_text())["expected_error_mm"]
        done.error_mm, done.stated_mm = float(np.quantile(errors_mm, 0.95)), stated["p95"]
        if not done.ratio < 3:
            done.wrong.append(f"off by {done.ratio:.1f} times the stated error")


def grid_errors_mm(simulated: Problem, found: Any) -> Any:
    """Distances (405,), mm, between points of the working volume transformed by ``found`` and by the truth."""
    lens = simulated.lens
    u, v = np.meshgrid(np.linspace(0, lens.width_px - 1, 9), np.linspace(0, lens.height_px - 1, 9))
    rays = lens.rays(np.stack([u.ravel(), v.ravel()], axis=-1))
    points = (rays[None] * np.linspace(simulated.near_m, simulated.far_m, 5)[:, None, None]).reshape(-1, 3)
    between = np.asarray(found) - simulated.hand_eye_true
    return np.linalg.norm(points @ between[:3, :3].T + between[:3, 3], axis=1) * 1e3
