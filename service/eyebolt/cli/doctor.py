"""``eyebolt doctor``: what can be known of a station before its arm moves, a line for each thing."""

from __future__ import annotations

import shutil
import sys
import textwrap
from collections.abc import Iterator, Sequence
from pathlib import Path

import typer

from eyebolt.doctor import CheckResult, Progress, State, examine, exit_code
from eyebolt.plain_text import clean_line

_STATE_WIDTH, _SUBJECT_WIDTH = 10, 14
_MIN_WIDTH = 60
# The word alone is enough; colour repeats it.
_COLOURS = {State.OK: "green", State.WARNING: "yellow", State.FAULT: "red", State.NOT_TRIED: None}


def run_doctor(station_file: Path, pose_wait_s: float | None, as_json: bool) -> int:
    """Prints each result as it is found; returns the exit code."""
    results: list[CheckResult] = []
    for step in examine(station_file, pose_wait_s):
        if isinstance(step, Progress):
            _show_progress(step)
            continue
        _clear_progress()
        results.append(step)
        if as_json:
            typer.echo(step.model_dump_json())
        else:
            for line in _lines(step):
                typer.echo(line)
    _clear_progress()
    code = exit_code(results)
    if not as_json:
        typer.echo(_verdict(results))
    return code


def _lines(result: CheckResult) -> Iterator[str]:
    colour = _COLOURS[result.state]
    state = f"{result.state.upper() if result.state is State.FAULT else result.state:<{_STATE_WIDTH}}"
    indent = " " * (_STATE_WIDTH + _SUBJECT_WIDTH)
    first, *rest = _wrapped(clean_line(result.message), len(indent))
    yield f"{typer.style(state, fg=colour) if colour else state}{result.subject:<{_SUBJECT_WIDTH}}{first}"
    for line in rest:
        yield indent + line
    if result.remedy:
        for line in _wrapped(f"> {clean_line(result.remedy)}", len(indent)):
            yield indent + line


def _wrapped(text: str, indent: int) -> Sequence[str]:
    """Lines of the terminal's width; one line where the output goes to a program."""
    if not sys.stdout.isatty():
        return [text]
    width = max(shutil.get_terminal_size().columns, _MIN_WIDTH) - indent - 1
    return textwrap.wrap(text, width, break_long_words=False, break_on_hyphens=False) or [""]


def _verdict(results: Sequence[CheckResult]) -> str:
    counts = [(sum(result.state is state for result in results), state) for state in State]
    plurals = {State.WARNING: "warnings", State.FAULT: "faults"}
    text = ", ".join(
        f"{count} {state if count == 1 else plurals.get(state, state)}" for count, state in counts if count
    )
    states = {result.state for result in results}
    if State.FAULT in states:
        return f"Not ready: {text}. Mend the faults first."
    if State.WARNING in states:
        return f"Ready, with warnings: {text}."
    return f"Ready: {text}."


def _show_progress(step: Progress) -> None:
    if sys.stderr.isatty():
        text = f"{step.subject}: being checked, {step.limit_s:g} s at most"
        typer.echo(f"\r\033[K{'':<{_STATE_WIDTH}}{text}", err=True, nl=False)


def _clear_progress() -> None:
    if sys.stderr.isatty():
        typer.echo("\r\033[K", err=True, nl=False)
