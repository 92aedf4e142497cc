"""`halfvolley train` and `halfvolley score`: teach the detector, and see how good it is."""

import json
from pathlib import Path
from typing import Annotated

import typer

from halfvolley.terminal import console, plain_errors, progress_bars

train_app = typer.Typer()
SessionFolder = Annotated[Path, typer.Argument(help="The session folder.", metavar="SESSION")]


@train_app.command()
@plain_errors
def score(
    folder: SessionFolder,
    detector: Annotated[
        list[str] | None,
        typer.Option(help="classical, network or an ONNX file; by default the session's own."),
    ] = None,
    no_ball: Annotated[
        list[str] | None,
        typer.Option(help="Name of a clip that shows no ball: every find there is false."),
    ] = None,
    leaky: Annotated[
        bool,
        typer.Option("--leaky", help="Also use frames that a detector has learned from."),
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Say it for machines.")] = False,
) -> None:
    """How good detectors are on this footage: against its labels, and its truth where it is made."""
    from halfvolley.report.score import print_scores, scores_json, write_scores
    from halfvolley.session.score import score_session

    with progress_bars() as progress:
        scores = score_session(
            folder, detector or (), no_ball=no_ball or (), leaky=leaky, progress=progress
        )
        files = write_scores(scores, folder)
    if as_json:
        typer.echo(json.dumps(scores_json(scores), indent=1))
        return
    print_scores(scores, console())
    for path in files:
        typer.echo(f"Wrote {path}")
