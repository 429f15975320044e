"""The error map: in the document, and as an SVG drawing."""

import json
import os
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from eyebolt.calibration.acceptance import AcceptanceCause, ResultAcceptance
from eyebolt.calibration.problem import WorkingVolume
from eyebolt.calibration.problem_file import read_problem
from eyebolt.calibration.solution import Refusal, RefusalCode
from eyebolt.calibration.solve import solve
from eyebolt.config import BoardSection
from eyebolt.geometry import CameraModel, Mount
from eyebolt.geometry.pose_format import PoseFormat
from eyebolt.observations import Dataset
from eyebolt.protocol import ToleranceOf
from eyebolt.results.document import Provenance, ResultDocument
from eyebolt.results.error_map import error_map_svg
from eyebolt.results.files import write_result
from eyebolt.results.summary import summary
from eyebolt_sim.problems import make_problem
from support.solutions import result_format

SVG = "{http://www.w3.org/2000/svg}"
BOARD = BoardSection(kind="chessboard", columns=12, rows=9, square_mm=20.0)
REFUSAL = Refusal(RefusalCode.INSUFFICIENT_ROTATION, "the waypoints turn too little", "tilt more", 4)


def document_of(outcome, mount=Mount.FIXED, station="bay-3", pose_format=None):
    pose_format = pose_format or PoseFormat("mm", "euler-ZYX", "deg")
    provenance = Provenance(
        station, "20260314-091500-01", mount, result_format(pose_format), {}, "2026-03-14T09:15:00Z"
    )
    return ResultDocument.of(
        provenance, outcome, ResultAcceptance(AcceptanceCause.ERROR_WITHIN_TOLERANCE, "as good as it must be")
    )


def solved(mount, turns="free", **made):
    text = json.dumps(make_problem(mount, poses=10, seed=3, turns=turns, **made).to_json())
    problem, _ = read_problem(text, "made up")
    return problem, solve(problem)


@pytest.fixture(scope="module", params=["fixed", "arm"])
def answer(request):
    problem, outcome = solved(request.param)
    return problem, outcome, document_of(outcome, request.param)


def drawn(document, tolerance_mm):
    return ET.fromstring(error_map_svg(document, tolerance_mm))


def cell_numbers(root):
    return [float(t.text) for t in root.iter(f"{SVG}text") if t.text.replace(".", "").isdigit()]


def test_the_map_is_distance_by_row_by_column_of_the_whole_image(answer):
    problem, outcome, document = answer
    error_map = document.error_map
    camera = problem.camera
    assert error_map.u_px == pytest.approx(np.arange(9) * (camera.width_px - 1) / 8)
    assert error_map.v_px == pytest.approx(np.arange(9) * (camera.height_px - 1) / 8)
    assert error_map.distance_mm == pytest.approx([600, 700, 800, 900, 1000])
    planes = np.array(error_map.p95_mm)
    assert planes.shape == (5, 9, 9)
    assert np.isfinite(planes).all()
    assert (np.round(planes, 4) == planes).all()
    assert planes.max() == pytest.approx(outcome.expected_error_mm.worst_p95, abs=1e-4)
    assert planes.min() < outcome.expected_error_mm.p95 < planes.max()


def test_each_number_is_the_p95_at_its_own_point(answer):
    """Against plain drawing from the covariance at single points, which also fixes which index is which."""
    problem, outcome, document = answer
    draws = np.random.default_rng(5).multivariate_normal(np.zeros(6), outcome.covariance, 20_000)
    error_map = document.error_map
    planes = np.array(error_map.p95_mm)
    for k, row, column in [(0, 0, 0), (0, 0, 8), (0, 8, 0), (4, 0, 8), (4, 8, 0), (2, 4, 4), (4, 2, 7)]:
        pixel = [error_map.u_px[column], error_map.v_px[row], 1.0]
        # The lens of these problems has no distortion.
        point = np.linalg.solve(problem.camera.matrix, pixel) * error_map.distance_mm[k] / 1e3
        moved_mm = 1e3 * np.linalg.norm(draws[:, :3] + np.cross(draws[:, 3:], point), axis=1)
        # Standard deviation of a p95 from 1024 draws: 2 %.
        assert planes[k, row, column] == pytest.approx(np.quantile(moved_mm, 0.95), rel=0.06)


@pytest.fixture(scope="module")
def folded():
    """A lens whose distortion folds before it reaches the corners of the image; it leaves the board's corners alone."""
    text = json.dumps(make_problem("fixed", poses=10, seed=3).to_json())
    problem, _ = read_problem(text, "made up")
    # The pixels that it reaches end at two thirds of the radius at which it folds.
    radius = 1.35 * problem.camera.rays([0.0, 0.0])[:2]
    camera = replace(problem.camera, distortion=np.array([-1 / (3 * float(radius @ radius)), 0, 0, 0]))
    directions = problem.camera.rays(np.array([p.corners_px for p in problem.pairs]))
    pairs = [replace(p, corners_px=camera.project(d)) for p, d in zip(problem.pairs, directions, strict=True)]
    kept = tuple(p for p in pairs if np.isfinite(p.corners_px).all())
    problem = replace(problem, camera=camera, pairs=kept)
    return problem, solve(problem)


def test_the_map_has_no_number_where_the_lens_has_no_ray(folded):
    problem, outcome = folded
    document = document_of(outcome)
    planes = np.array(document.error_map.p95_mm, dtype=float)
    u, v = np.meshgrid(document.error_map.u_px, document.error_map.v_px)
    no_ray = np.isnan(problem.camera.rays(np.stack([u, v], axis=-1))).any(axis=-1)
    assert 4 <= no_ray.sum() <= 40
    assert (np.isnan(planes) == no_ray).all()
    assert len(problem.grid) == 5 * (~no_ray).sum()
    # What no pixel sees is not in the statement either.
    assert np.nanmax(planes) == pytest.approx(outcome.expected_error_mm.worst_p95, abs=1e-4)
    radius = np.linalg.norm(problem.grid[:, :2] / problem.grid[:, 2:], axis=-1)
    assert radius.max() < problem.camera.max_radius
    text = document.to_text()
    assert "NaN" not in text
    assert ResultDocument.from_text(text) == document
    root = drawn(document, 1.0)
    assert cell_numbers(root) == pytest.approx(planes[np.isfinite(planes)], abs=6e-4)
    assert sum(t.text == "-" for t in root.iter(f"{SVG}text")) == 5 * no_ray.sum()


def test_a_lens_without_a_ray_for_any_pixel_of_the_grid():
    camera = CameraModel(640, 480, np.array([[500.0, 0, 2000], [0, 500, 2000], [0, 0, 1]]), np.array([-0.3, 0, 0, 0]))
    volume = WorkingVolume(0.5, 1.0)
    assert not volume.is_seen(camera).any()
    assert volume.grid(camera) == pytest.approx(np.outer([0.5, 0.625, 0.75, 0.875, 1.0], [0, 0, 1]))


def test_a_refusal_has_no_map_and_no_drawing():
    document = document_of(REFUSAL)
    assert document.error_map is None
    assert error_map_svg(document, 1.0) is None


def test_the_drawing_shows_every_number_in_its_place(answer):
    _, _, document = answer
    root = drawn(document, 1.0)
    width, height = float(root.get("width")), float(root.get("height"))
    numbers = np.array(document.error_map.p95_mm).ravel()
    assert cell_numbers(root) == pytest.approx(numbers, abs=6e-4)
    for element in root.iter():
        if element.tag in (f"{SVG}rect", f"{SVG}text") and element.get("x"):
            assert 0 <= float(element.get("x")) <= width
            assert 0 <= float(element.get("y")) <= height
    least, largest = (t for t in root.iter(f"{SVG}text") if t.text in ("0 mm", "tolerance, 1 mm"))
    assert (least.get("y"), float(least.get("x")) < float(largest.get("x"))) == (largest.get("y"), True)
    captions = [t.text for t in root.iter(f"{SVG}text") if t.text.startswith("at ")]
    assert [c.split(":")[0] for c in captions] == [f"at {d} mm" for d in (600, 700, 800, 900, 1000)]


def test_the_drawing_as_a_whole(answer):
    """``EYEBOLT_UPDATE_SCREENS=1`` updates the file; open it in a browser."""
    _, _, document = answer
    error_map = {
        "u_px": (0.0, 320.0, 640.0),
        "v_px": (0.0, 480.0),
        "distance_mm": (600.0, 700.0, 800.0),
        "p95_mm": (((0.25, 1.0, 2.5), (0.0, None, 1.25)), ((None,) * 3,) * 2, ((0.5, 1.5, 2.0), (1.75, 2.25, 3.0))),
    }
    document = document.model_copy(
        update={
            "error_map": document.error_map.model_copy(update=error_map),
            "transform": document.transform.model_copy(update={"name": "base_T_camera"}),
            "expected_error_mm": document.expected_error_mm.model_copy(update={"p95": 0.75, "p95_upper": 0.8}),
        }
    )
    drawing, path = error_map_svg(document, 1.0), Path(__file__).with_name("error-map.svg")
    if os.environ.get("EYEBOLT_UPDATE_SCREENS"):
        path.write_text(drawing, encoding="utf-8")
    assert drawing == path.read_text(encoding="utf-8")


@pytest.mark.parametrize(("rows_by_column", "cell_height_px"), [(2.0, 48 * 1.4), (0.5, 24.0), (0.2, 48 * 0.45)])
def test_the_cells_have_the_aspect_of_the_image_within_limits(answer, rows_by_column, cell_height_px):
    _, _, document = answer
    error_map = document.error_map.model_copy(update={"v_px": [rows_by_column * u for u in document.error_map.u_px]})
    root = drawn(document.model_copy(update={"error_map": error_map}), 1.0)
    cells = [rect for g in root.iter(f"{SVG}g") if g.get("stroke") == "#ffffff" for rect in g.iter(f"{SVG}rect")]
    assert {float(cell.get("width")) for cell in cells} == {48.0}
    assert all(float(cell.get("height")) == pytest.approx(cell_height_px, abs=0.05) for cell in cells)


def test_cells_over_the_tolerance_are_marked_and_counted(answer):
    _, _, document = answer
    numbers = np.sort(np.array(document.error_map.p95_mm).ravel())
    for count in (0, 1, 57, 405):
        tolerance = float(numbers[-1]) + 1 if count == 0 else float(numbers[-count]) - 5e-5
        expected = int((numbers > tolerance).sum())
        root = drawn(document, tolerance)
        marked = sum(len(g) for g in root.iter(f"{SVG}g") if g.get("fill") == "url(#over)")
        assert marked == expected
        message = " ".join(t.text for t in root.iter(f"{SVG}text"))
        assert f"; {expected or 'none'} of 405 points above it" in message


def test_the_title_names_station_session_p95_and_tolerance(answer):
    _, _, document = answer
    root = drawn(document, 0.75)
    message = " ".join(t.text for t in root.iter(f"{SVG}text"))
    assert root.find(f"{SVG}title").text == "Error map of bay-3, session 20260314-091500-01"
    assert f"p95 {document.expected_error_mm.p95:.3f} mm" in message
    assert "tolerance 0.75 mm" in message


def test_darker_is_larger(answer):
    _, _, document = answer
    root = drawn(document, 1.0)
    panels = [g for g in root.iter(f"{SVG}g") if g.get("stroke") == "#ffffff"]
    shades = [int(rect.get("fill")[1:3], 16) for panel in panels for rect in panel.iter(f"{SVG}rect")]
    numbers = np.array(document.error_map.p95_mm).ravel()
    assert len(shades) == 405
    order = np.argsort(numbers)
    assert (np.diff(np.array(shades)[order]) <= 0).all()
    assert shades[order[-1]] < shades[order[0]] - 20


def test_the_darkest_shade_is_the_tolerance(answer):
    """A fifth of the tolerance is pale, whatever the largest number of the map is."""
    _, _, document = answer
    plane = [[0.0, 0.2, 0.5, 1.0, 1.2, 0.2, 0.2, 0.2, 0.2]] * 9
    drawn_map = document.error_map.model_copy(update={"p95_mm": [plane] * 5})
    root = drawn(document.model_copy(update={"error_map": drawn_map}), 1.0)
    panel = next(g for g in root.iter(f"{SVG}g") if g.get("stroke") == "#ffffff")
    none, fifth, half, full, over, *_ = [int(rect.get("fill")[1:3], 16) for rect in panel.iter(f"{SVG}rect")]
    assert full == over < half < fifth < none
    assert (none - fifth) / (none - full) == pytest.approx(0.2, abs=0.01)


@pytest.mark.parametrize("value", [0.0, 1e-9, 12.0, 5e4, 1e12])
def test_any_size_of_error_can_be_drawn(answer, value):
    _, _, document = answer
    extreme = document.error_map.model_copy(update={"p95_mm": [[[value] * 9] * 9] * 5})
    root = drawn(document.model_copy(update={"error_map": extreme}), 1.0)
    texts = [t.text for g in root.iter(f"{SVG}g") if g.get("font-size") == "12" for t in g.iter(f"{SVG}text")]
    assert len(texts) == 405
    assert all(len(t) <= 5 for t in texts)


def test_a_name_that_xml_would_trip_over(answer):
    _, _, document = answer
    root = drawn(document.model_copy(update={"session": 'a<b>&"c"'}), 1.0)
    assert root.find(f"{SVG}title").text == 'Error map of bay-3, session a<b>&"c"'


@pytest.mark.parametrize(
    "pose_format", [PoseFormat("mm", "quaternion-wxyz"), PoseFormat("m", "rotation-vector", "rad")]
)
def test_the_values_of_the_robot_pose_have_standard_deviations(answer, pose_format):
    problem, outcome, _ = answer
    pose = document_of(outcome, problem.mount, pose_format=pose_format).transform.robot_pose
    assert len(pose.sigma) == len(pose.values)
    assert all(np.isfinite(pose.sigma))
    assert all(s > 0 for s in pose.sigma)
    shift = outcome.X[:3, :3] @ outcome.covariance[:3, :3] @ outcome.X[:3, :3].T
    unit = {"mm": 1e3, "m": 1.0}[pose_format.length]
    assert pose.sigma[:3] == pytest.approx(np.sqrt(np.diagonal(shift)) * unit, rel=1e-6)


@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_the_height_that_a_vertical_arm_cannot_show_has_no_sigma(mount):
    problem, outcome = solved(mount, turns="vertical")
    document = document_of(outcome, mount)
    pose = document.transform.robot_pose
    for numbers in (pose.sigma, pose.values, document.board_transform.robot_pose.values):
        assert [number is None for number in numbers] == [False, False, True, False, False, False]
    assert sum("unobservable" in line for line in summary(document)) >= 1
    # With the height stated it is a number like the others.
    known = solve(replace(problem, height_m=0.1))
    assert all(s > 0 for s in document_of(known, mount).transform.robot_pose.sigma)


def test_the_drawing_on_disk_is_that_of_the_newest_result(tmp_path):
    problem, outcome = solved("fixed")
    dataset = Dataset(tuple(problem.pairs))
    station = SimpleNamespace(name="bay-3", mount=Mount.FIXED)
    context = SimpleNamespace(
        station=SimpleNamespace(
            station=station, board=BOARD, goal=SimpleNamespace(tolerance_mm=1.0, tolerance_of=ToleranceOf.PICK)
        ),
        lens=problem.camera,
        result_format=result_format(),
        digests={},
        record_folder=tmp_path,
    )
    session = tmp_path / "20260314-091500-01"
    session.mkdir()
    good = ResultAcceptance(AcceptanceCause.ERROR_WITHIN_TOLERANCE, "as good as it must be")
    write_result(context, session, dataset, outcome, good, accept=False)
    assert sorted(p.name for p in session.iterdir()) == ["error-map.svg", "result.json"]
    root = ET.fromstring((session / "error-map.svg").read_text(encoding="utf-8"))
    assert len(cell_numbers(root)) == 405
    refused = ResultAcceptance(AcceptanceCause.REFUSED, "refused")
    write_result(context, session, dataset, REFUSAL, refused, accept=False)
    assert [p.name for p in session.iterdir()] == ["result.json"]
    write_result(context, session, dataset, outcome, good, accept=True)
    assert sorted(p.name for p in session.iterdir()) == ["error-map.svg", "result.json"]
