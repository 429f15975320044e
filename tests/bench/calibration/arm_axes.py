"""In which axes, and over which distance, the errors of an arm are correlated: likelihood over simulated arms.

Three geometries by standard Denavit-Hartenberg tables: the PUMA 560 (P. Corke, "Robotics, Vision and Control"), an
invented arm whose flange is beyond the wrist, and an invented one with an offset wrist. Joint offsets of 0.03 deg and
errors of link length and offset of 0.2 mm are Gaussian, so that the covariance of the errors at any poses is known
exactly, and with it the expectation of the restricted log likelihood of a correlation; nothing is drawn but the poses.

``below``: expected restricted log likelihood, at 20 waypoints and 12 picks with the tool straight down together, below
that of the true covariance; mean over the cells, the variances being the best of each geometry and mount. ``stated``:
RMS error of the picks as the correlation states it, its variances fitted at the waypoints alone, over the true one.
"""

import itertools

import numpy as np
from scipy.optimize import minimize

from bench.calibration.common import mean
from bench.record import Table
from eyebolt.geometry import se3 as se3
from eyebolt_sim.cell_geometry import make_cell_geometry
from eyebolt_sim.problems import DEFAULT_BOARD, DEFAULT_LENS
from eyebolt_sim.views import ViewRange, random_views

# Twist deg, length m, offset m of each link.
ARMS = {
    "puma": ([90, 0, -90, 90, -90, 0], [0, 0.4318, 0.0203, 0, 0, 0], [0, 0, 0.15005, 0.4318, 0, 0]),
    "flange off": ([90, 0, 90, -90, 90, 0], [0.08, 0.46, 0.04, 0, 0, 0], [0, 0, 0, 0.48, 0, 0.08]),
    "wrist off": ([90, 0, 0, 90, -90, 0], [0, -0.45, -0.42, 0, 0, 0], [0.1, 0, 0, 0.13, 0.1, 0.09]),
}
WAYPOINTS, PICKS, NEAR_M, FAR_M = 20, 12, 0.6, 1.0
PARAMETER_SIGMA = np.repeat([np.deg2rad(0.03), 2e-4], [6, 12])
# Floor of the white part: what corners of 0.1 px leave.
FLOOR = np.repeat([3e-5, np.deg2rad(0.005)], 3) ** 2
# Name: axes, shape, length in m, chord, share of an error constant in the flange frame.
CORRELATIONS = {
    "flange, Gaussian 2 m / 4": ("flange", "gauss", 2.0, 4.0, 0.0),
    "base, Gaussian 1 m / 4": ("base", "gauss", 1.0, 4.0, 0.25),
    "cylinder, Gaussian 0.6 m / 4": ("cylinder", "gauss", 0.6, 4.0, 0.25),
    "cylinder, Gaussian 1 m / 4": ("cylinder", "gauss", 1.0, 4.0, 0.25),
    "cylinder, Gaussian 2 m / 4": ("cylinder", "gauss", 2.0, 4.0, 0.25),
    "cylinder, Gaussian 1 m / 2": ("cylinder", "gauss", 1.0, 2.0, 0.25),
    "cylinder, Matern 1 m / 8": ("cylinder", "matern", 1.0, 8.0, 0.25),
}


def run(bench):
    """Prints the section."""
    cells = bench.seeds(8)
    table = Table(
        f"arm-axes: correlation of an arm's errors over its poses, {cells} cells",
        ("mount", 5),
        ("arm", 10),
        ("correlation", 29),
        ("below", 14),
        ("stated", 14),
    )
    for mount in bench.mounts:
        for arm in ARMS:
            found = [cell for cell in bench.each_seed(arm_cell, cells, mount, arm) if cell is not None]
            for name, correlation in CORRELATIONS.items():
                below = -mean(fitted(found, correlation, WAYPOINTS + PICKS)[0]).value
                variances = fitted(found, correlation, WAYPOINTS)[1]
                stated = [stated_over_true(cell, correlation, variances) for cell in found]
                table.row(mount, arm, name, below, mean(stated))


def forward(arm, joints, errors=None):
    """Frames base_T_link (7, n, 4, 4) at ``joints`` (n, 6), with ``errors`` (3, 6) of angle, length and offset."""
    errors = np.zeros((3, 6)) if errors is None else errors
    twists, lengths, offsets = (np.array(values, dtype=float) for values in ARMS[arm])
    frames = [np.tile(np.eye(4), (len(joints), 1, 1))]
    for link in range(6):
        angle, length, offset = joints[:, link] + errors[0, link], lengths[link] + errors[1, link], offsets[link]
        c, s = np.cos(angle), np.sin(angle)
        ct, st = np.cos(np.deg2rad(twists[link])), np.sin(np.deg2rad(twists[link]))
        step = np.zeros((len(joints), 4, 4))
        step[:, 0] = np.stack([c, -s * ct, s * st, length * c], axis=-1)
        step[:, 1] = np.stack([s, c * ct, -c * st, length * s], axis=-1)
        step[:, 2] = [0, st, ct, offset + errors[2, link]]
        step[:, 3, 3] = 1
        frames.append(frames[-1] @ step)
    return np.array(frames)


def reached(arm, poses, start):
    """Joints (n, 6) at which the arm reaches ``poses`` (n, 4, 4) in the configuration of ``start``; NaN elsewhere."""
    joints = np.array(start, dtype=float)
    for _ in range(80):
        frames = forward(arm, joints)
        off = se3.log(se3.inverse(frames[-1]) @ poses)
        axes, places = frames[:6, :, :3, 2], frames[:6, :, :3, 3]
        rotation = np.swapaxes(frames[-1][:, :3, :3], -1, -2)
        moment = np.cross(axes, frames[-1][None, :, :3, 3] - places)
        J = np.concatenate([rotation @ np.moveaxis(moment, 0, -1), rotation @ np.moveaxis(axes, 0, -1)], axis=1)
        damping = 1e-4 * np.clip((off**2).sum(-1), 1e-6, 1)[:, None, None] * np.eye(6)
        step = np.swapaxes(J, 1, 2) @ np.linalg.solve(J @ np.swapaxes(J, 1, 2) + damping, off[..., None])
        joints = joints + np.clip(step[..., 0], -0.2, 0.2)
    joints[np.abs(se3.log(se3.inverse(forward(arm, joints)[-1]) @ poses)).max(axis=1) > 1e-8] = np.nan
    return joints


def arm_cell(seed, mount, arm):
    """Poses, the Jacobian of their errors by the parameters, design, pick Jacobian of a cell; None if unreachable."""
    rng = np.random.default_rng([seed, 17, list(ARMS).index(arm)])
    for attempt in range(60):
        scene = make_cell_geometry(mount, seed + 10_000 * attempt, (NEAR_M + FAR_M) / 2, DEFAULT_BOARD.size_m, "free")
        views = list(itertools.islice(random_views(DEFAULT_LENS, DEFAULT_BOARD, ViewRange(), rng), 3 * WAYPOINTS))
        flanges = np.array([scene.flange_for(view) for view in views])
        start = None
        for _ in range(8):
            found = reached(arm, flanges[:1], rng.uniform(-2.5, 2.5, (1, 6)))
            if np.isfinite(found).all():
                start = found[0]
                break
        if start is None:
            continue
        joints = reached(arm, flanges, np.tile(start, (len(flanges), 1)))
        good = np.flatnonzero(np.isfinite(joints[:, 0]))[:WAYPOINTS]
        if len(good) < WAYPOINTS:
            continue
        waypoints = flanges[good]
        pixels, depth = rng.uniform(0, 1, (200, 2)) * [2447, 2047], rng.uniform(NEAR_M, FAR_M, 200)
        points = np.c_[(pixels - [1223.5, 1023.5]) / 2400, np.ones(200)] * depth[:, None]
        views_of = waypoints[rng.integers(0, WAYPOINTS, 200)]
        in_base = se3.apply(scene.hand_eye, points)
        if mount == "arm":
            in_base = (views_of[:, :3, :3] @ in_base[..., None])[..., 0] + views_of[:, :3, 3]
        picks = np.tile(np.diag([1.0, -1.0, -1.0, 1.0]), (200, 1, 1))
        about = rng.uniform(-np.pi, np.pi, 200)
        picks[:, :3, :3] = se3.exp_rotation(about[:, None] * [0.0, 0.0, 1.0]) @ picks[:, :3, :3]
        picks[:, :3, 3] = in_base
        nearest = np.linalg.norm(picks[:, None] - waypoints[None], axis=(-1, -2)).argmin(axis=1)
        at_picks = reached(arm, picks, joints[good][nearest])
        chosen = np.flatnonzero(np.isfinite(at_picks[:, 0]))[:PICKS]
        if len(chosen) == PICKS:
            poses = np.concatenate([waypoints, picks[chosen]])
            J = parameter_jacobian(arm, np.concatenate([joints[good], at_picks[chosen]]))
            design = design_of(scene, mount, poses)
            return poses, J, design, pick_jacobian(scene, mount, poses, design, points[chosen], views_of[chosen])
    return None


def parameter_jacobian(arm, joints, step=1e-6):
    """(n, 6, 18): error of the flange per error of joint angle, link length and link offset."""
    nominal, columns = forward(arm, joints)[-1], []
    for kind, link in itertools.product(range(3), range(6)):
        errors = np.zeros((3, 6))
        errors[kind, link] = step
        columns.append(se3.log(se3.inverse(nominal) @ forward(arm, joints, errors)[-1]) / step)
    return np.stack(columns, axis=-1)


def design_of(scene, mount, poses):
    """(n, 6, 12): derivative of the flange's error by the transforms of camera and board."""
    design = np.empty((len(poses), 6, 12))
    if mount == "fixed":
        design[..., :6], design[..., 6:] = (
            -se3.adjoint(se3.inverse(poses) @ scene.hand_eye),
            se3.adjoint(scene.nuisance),
        )
    else:
        design[..., :6], design[..., 6:] = (
            se3.adjoint(scene.hand_eye),
            -se3.adjoint(se3.inverse(poses) @ scene.nuisance),
        )
    return design


def pick_jacobian(scene, mount, poses, design, points, views):
    """(q, 3, 6 n): tip minus object at the picks by the errors at all poses, X being estimated under white noise."""
    weight = np.tile(np.repeat([1 / 2e-4, 1 / 4e-4], 3) ** 2, WAYPOINTS)
    flat = design[:WAYPOINTS].reshape(-1, 12)
    gain = np.linalg.pinv(flat.T @ (weight[:, None] * flat), rcond=1e-12) @ (flat.T * weight)
    R = scene.hand_eye[:3, :3]
    by_X = np.concatenate([np.broadcast_to(R, (PICKS, 3, 3)), -R @ se3.skew(points)], axis=-1)
    out = np.zeros((PICKS, 3, 6 * len(poses)))
    if mount == "arm":
        by_X = views[:, :3, :3] @ by_X
        at_flange = se3.apply(scene.hand_eye, points)
        identity = np.broadcast_to(np.eye(3), (PICKS, 3, 3))
        by_view = -views[:, :3, :3] @ np.concatenate([identity, -se3.skew(at_flange)], axis=-1)
        seen_from = np.linalg.norm(poses[None, :WAYPOINTS] - views[:, None], axis=(-1, -2)).argmin(axis=1)
        for pick, waypoint in enumerate(seen_from):
            out[pick, :, 6 * waypoint : 6 * waypoint + 6] = by_view[pick]
    out[:, :, : 6 * WAYPOINTS] += by_X @ gain[:6]
    for pick in range(PICKS):
        at = 6 * (WAYPOINTS + pick)
        out[pick, :, at : at + 3] += poses[WAYPOINTS + pick, :3, :3]
    return out


def axes_of(kind, poses):
    """(n, 3, 3): the axes in flange coordinates."""
    to_flange = np.swapaxes(poses[:, :3, :3], -1, -2)
    if kind == "flange":
        return np.broadcast_to(np.eye(3), to_flange.shape)
    if kind == "base":
        return to_flange
    radial = poses[:, :3, 3] * [1.0, 1.0, 0.0]
    radial = radial / np.linalg.norm(radial, axis=-1, keepdims=True)
    up = np.broadcast_to([0.0, 0.0, 1.0], radial.shape)
    return to_flange @ np.stack([radial, np.cross(up, radial), up], axis=-1)


def components(correlation, poses):
    """(4, 6 n, 6 n): covariance per unit of the correlated translation and rotation, of the white ones."""
    kind, shape, length_m, chord_length, constant_share = correlation
    n, axes = len(poses), axes_of(kind, poses)
    distance = np.linalg.norm(poses[:, None, :3, 3] - poses[None, :, :3, 3], axis=-1)
    chord = np.linalg.norm(poses[:, None, :3, :3] - poses[None, :, :3, :3], axis=(-1, -2)) / np.sqrt(2)
    scaled = np.hypot(distance / length_m, chord / chord_length)
    k = np.exp(-0.5 * scaled**2)
    if shape == "matern":
        k = (1 + np.sqrt(3) * scaled) * np.exp(-np.sqrt(3) * scaled)
    parts = np.zeros((4, n, 6, n, 6))
    for number, part in enumerate((slice(0, 3), slice(3, 6))):
        parts[number][:, part, :, part] = np.einsum("nm,nia,mja->nimj", k, axes, axes)
        parts[number][:, part, :, part] += constant_share * np.eye(3)[None, :, None, :]
        parts[number + 2][np.arange(n), part, np.arange(n), part] = np.eye(3)
    return parts.reshape(4, 6 * n, 6 * n)


def fitted(cells, correlation, count):
    """Expected restricted log likelihood of each cell over the first ``count`` poses, and the best variances (4,)."""
    prepared = []
    for poses, J, design, _ in cells:
        flat = design[:count].reshape(6 * count, 12)
        flat = flat / np.abs(flat).max(axis=0)
        Q = np.linalg.qr(flat, mode="complete")[0][:, np.linalg.matrix_rank(flat) :]
        floor, by_parameters = np.tile(FLOOR, count), J[:count].reshape(-1, 18) * PARAMETER_SIGMA
        true = Q.T @ (by_parameters @ by_parameters.T + np.diag(floor)) @ Q
        prepared.append((true, Q.T @ components(correlation, poses[:count]) @ Q, (Q.T * floor) @ Q))

    def losses(u):
        out, gradients = [], []
        for true, parts, floor in prepared:
            C = floor + np.tensordot(np.exp(u), parts, axes=1)
            W = np.linalg.inv(C)
            out.append(0.5 * (np.linalg.slogdet(C)[1] + (W * true).sum()))
            gradients.append(0.5 * np.exp(u) * np.tensordot(parts, W - W @ true @ W, axes=2))
        return np.array(out), np.array(gradients)

    def objective(u):
        out, gradients = losses(u)
        return out.sum(), gradients.sum(axis=0)

    start = 2 * np.log([3e-4, 5e-4, 3e-5, 5e-5])
    u = minimize(objective, start, jac=True, method="L-BFGS-B", bounds=[(-32.0, -6.0)] * 4).x
    reference = np.array([0.5 * (np.linalg.slogdet(true)[1] + len(true)) for true, _, _ in prepared])
    return reference - losses(u)[0], np.exp(u)


def stated_over_true(cell, correlation, variances):
    """RMS error of the picks under the correlation over the true one."""
    poses, J, _, by_errors = cell
    stated = np.tensordot(variances, components(correlation, poses), axes=1)
    by_parameters = by_errors @ (J.reshape(-1, 18) * PARAMETER_SIGMA)
    return np.sqrt(np.einsum("qai,ij,qaj->", by_errors, stated, by_errors, optimize=True) / (by_parameters**2).sum())
