"""A result in a few lines of plain text, for a terminal."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def summary(document: Mapping[str, Any], with_acceptance: bool = True) -> list[str]:
    """Lines of text for one result document; solving again says nothing about its acceptance."""
    lines = [f"verdict: {document['acceptance']} - {document['reason']}"]
    pairs = document["pairs"]
    if document["transform"] is None:
        lines += [f"  {f['message']}. What to do: {f['remedy']}" for f in document["findings"]]
        lines += [f"pairs: {pairs['used']} usable"]
    else:
        transform, error, pick = (
            document["transform"],
            document["expected_error_mm"],
            document["expected_pick_error_mm"],
        )
        pose = transform["robot_pose"]
        numbers = ", ".join(f"{value:.{_decimals(pose, k)}f}" for k, value in enumerate(pose["values"]))
        units = f"{pose['length']}, {pose['rotation']}" + (
            "" if pose["rotation"].startswith("quaternion") else f" {pose['angle']}"
        )
        noise = document["robot_noise"]
        lines.append(f"{transform['name']} ({units}): {numbers}")
        # Results written by older versions have none.
        if "sigma" in pose:
            lines.append(f"  one sigma of each: {_sigmas(pose)}")
        lines += [
            f"expected error: median {error['median']:.3f} mm, p95 {error['p95']:.3f} mm,"
            f" p95 at the worst point {error['worst_p95']:.3f} mm",
            f"expected at the pick, through this arm's own errors: p95 {pick['p95']:.3f} mm",
            _cross_validation_line(document["cross_validation"]),
            f"corners: {document['corner_rms_px']:.3f} px rms; arm: {noise['mm']:.3f} mm, {noise['deg']:.4f} deg"
            f" ({'stated' if noise['stated'] else 'estimated'})",
            "board scale {:+.3f} % (sigma {:.3f} %), focal length {:+.3f} % (sigma {:.3f} %) off the stated".format(
                *(100 * document[key][part] for key in ("scale", "focal") for part in ("deviation", "sigma"))
            ),
            f"pairs: {pairs['used']} used, {len(pairs['excluded'])} left out",
        ]
        # Results written by older versions have none.
        if document.get("coverage"):
            lines.append(_coverage_line(document["coverage"]))
        if document["checks"]["count"]:
            checks = document["checks"]
            lines.append(f"checks: {checks['count']}, rms {checks['rms_mm']:.3f} mm, worst {checks['worst_mm']:.3f} mm")
        if document["touches"]["count"]:
            touches = document["touches"]
            lines.append(
                f"touches: {touches['count']}, rms {touches['rms_mm']:.3f} mm, worst {touches['worst_mm']:.3f} mm,"
                f" {touches['reduced_chi2']:.2f} of the predicted error squared"
            )
        # Results written by older versions have none.
        height = document.get("height")
        if height is not None and height["determined_by"] is not None:
            lines.append(
                f"height of the camera: {height['mm']:.3f} mm (sigma {height['sigma_mm']:.3f} mm),"
                f" known by {height['determined_by']}"
            )
        if document.get("refined_lens"):
            lines += _lens(document["refined_lens"])
        lines += [f"{f['severity']}: {f['message']}: {f['remedy']}" for f in document["findings"]]
    lines += [f"  pair {p['pair']}: {p['reason']}" for p in pairs["excluded"]]
    accepted = document["accepted"]
    if with_acceptance:
        lines.append(f"accepted by {accepted['by']} at {accepted['at']}" if accepted else "not accepted yet")
    return lines


def _coverage_line(coverage: Mapping[str, Any]) -> str:
    x, y, z = coverage["rotation_range_deg"]
    return (
        f"waypoints: turned {x:.0f} and {y:.0f} deg aslant and {z:.0f} deg in the picture, {coverage['near_mm']:.0f} to"
        f" {coverage['far_mm']:.0f} mm away, {100 * coverage['image_coverage']:.0f} % of the picture; known worst:"
        f" {coverage['weakest']} (sigma {coverage['weakest_sigma_mm']:.3f} mm)"
    )


def _lens(lens: Mapping[str, Any]) -> list[str]:
    (fx, _, cx), (_, fy, cy), _ = lens["matrix"]
    pixels = {"fx": fx, "fy": fy, "cx": cx, "cy": cy}
    distortion = dict(zip((n for n in lens["sigma"] if n not in pixels), lens["distortion"], strict=True))
    lines = ["the lens as the pairs see it (the station still uses its lens file):"]
    lines += [f"  {name} {value:.3f} px (sigma {lens['sigma'][name]:.3f})" for name, value in pixels.items()]
    return lines + [f"  {name} {value:.5f} (sigma {lens['sigma'][name]:.5f})" for name, value in distortion.items()]


def _cross_validation_line(scores: Mapping[str, Any]) -> str:
    if not scores["count"]:
        return "left out one by one: no pair could be"
    return f"left out one by one: rms {scores['rms_mm']:.3f} mm, worst {scores['worst_mm']:.3f} mm at the board"


def _sigmas(pose: Mapping[str, Any]) -> str:
    return ", ".join(
        "unobservable" if value is None else f"{value:.{_decimals(pose, k)}f}" for k, value in enumerate(pose["sigma"])
    )


def _decimals(pose: Mapping[str, Any], k: int) -> int:
    if k < 3:
        return {"mm": 3, "m": 6, "um": 0}[pose["length"]]
    return 6 if pose["rotation"].startswith("quaternion") or pose["angle"] == "rad" else 4
