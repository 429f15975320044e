"""A result in a few lines of plain text, for a terminal."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def summary(document: Mapping[str, Any], with_acceptance: bool = True) -> list[str]:
    """Lines of text for one result document; solving again says nothing about its acceptance."""
    lines = [f"verdict: {document['verdict']} - {document['why']}"]
    pairs = document["pairs"]
    if document["transform"] is None:
        lines += [f"  {f['says']}. What to do: {f['remedy']}" for f in document["findings"]]
        lines += [f"pairs: {pairs['kept']} usable"]
    else:
        transform, error, pick = document["transform"], document["expected_error_mm"], document["expected_pick_mm"]
        terms = transform["robot_terms"]
        numbers = ", ".join(f"{value:.{_decimals(terms, k)}f}" for k, value in enumerate(terms["values"]))
        units = f"{terms['length']}, {terms['rotation']}" + (
            "" if terms["rotation"].startswith("quaternion") else f" {terms['angle']}"
        )
        noise = document["robot_noise"]
        lines.append(f"{transform['name']} ({units}): {numbers}")
        # Results written by older versions have none.
        if "sigma" in terms:
            lines.append(f"  one sigma of each: {_sigmas(terms)}")
        lines += [
            f"expected error: median {error['median']:.3f} mm, p95 {error['p95']:.3f} mm,"
            f" p95 at the worst point {error['worst_p95']:.3f} mm",
            f"expected at the pick, through this arm's own errors: p95 {pick['p95']:.3f} mm",
            _left_out_one_by_one(document["held_out"]),
            f"corners: {document['corner_rms_px']:.3f} px rms; arm: {noise['mm']:.3f} mm, {noise['deg']:.4f} deg"
            f" ({'stated' if noise['stated'] else 'estimated'})",
            "board scale {:+.3f} % (sigma {:.3f} %), focal length {:+.3f} % (sigma {:.3f} %) off the stated".format(
                *(100 * document[key][part] for key in ("scale", "focal") for part in ("estimate", "sigma"))
            ),
            f"pairs: {pairs['kept']} used, {len(pairs['left_out'])} left out",
        ]
        # Results written by older versions have none.
        if document.get("knowledge"):
            lines.append(_known(document["knowledge"]))
        if document["checks"]["count"]:
            checks = document["checks"]
            lines.append(f"checks: {checks['count']}, rms {checks['rms_mm']:.3f} mm, worst {checks['worst_mm']:.3f} mm")
        if document["touches"]["count"]:
            touches = document["touches"]
            lines.append(
                f"touches: {touches['count']}, rms {touches['rms_mm']:.3f} mm, worst {touches['worst_mm']:.3f} mm,"
                f" {touches['normalised']:.2f} of the predicted error squared"
            )
        # Results written by older versions have none.
        height = document.get("height")
        if height is not None and height["closed_by"] is not None:
            lines.append(
                f"height of the camera: {height['mm']:.3f} mm (sigma {height['sigma_mm']:.3f} mm),"
                f" known by {height['closed_by']}"
            )
        if document.get("refined_lens"):
            lines += _lens(document["refined_lens"])
        lines += [f"{f['severity']}: {f['says']}: {f['remedy']}" for f in document["findings"]]
    lines += [f"  pair {p['pair']}: {p['reason']}" for p in pairs["left_out"]]
    accepted = document["accepted"]
    if with_acceptance:
        lines.append(f"accepted by {accepted['by']} at {accepted['at']}" if accepted else "not accepted yet")
    return lines


def _known(known: Mapping[str, Any]) -> str:
    x, y, z = known["turned_deg"]
    return (
        f"waypoints: turned {x:.0f} and {y:.0f} deg aslant and {z:.0f} deg in the picture, {known['near_mm']:.0f} to"
        f" {known['far_mm']:.0f} mm away, {100 * known['picture_share']:.0f} % of the picture; known worst:"
        f" {known['weakest']} (sigma {known['weakest_mm']:.3f} mm)"
    )


def _lens(lens: Mapping[str, Any]) -> list[str]:
    (fx, _, cx), (_, fy, cy), _ = lens["matrix"]
    pixels = {"fx": fx, "fy": fy, "cx": cx, "cy": cy}
    bending = dict(zip((n for n in lens["sigma"] if n not in pixels), lens["distortion"], strict=True))
    lines = ["the lens as the pairs see it (the station still uses its lens file):"]
    lines += [f"  {name} {value:.3f} px (sigma {lens['sigma'][name]:.3f})" for name, value in pixels.items()]
    return lines + [f"  {name} {value:.5f} (sigma {lens['sigma'][name]:.5f})" for name, value in bending.items()]


def _left_out_one_by_one(held: Mapping[str, Any]) -> str:
    if not held["count"]:
        return "left out one by one: no pair could be"
    return f"left out one by one: rms {held['rms_mm']:.3f} mm, worst {held['worst_mm']:.3f} mm at the board"


def _sigmas(terms: Mapping[str, Any]) -> str:
    return ", ".join(
        "unknown" if value is None else f"{value:.{_decimals(terms, k)}f}" for k, value in enumerate(terms["sigma"])
    )


def _decimals(terms: Mapping[str, Any], k: int) -> int:
    if k < 3:
        return {"mm": 3, "m": 6, "um": 0}[terms["length"]]
    return 6 if terms["rotation"].startswith("quaternion") or terms["angle"] == "rad" else 4
