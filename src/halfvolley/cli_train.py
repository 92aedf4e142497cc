"""`halfvolley train` and `halfvolley score`: teach the detector, and see how good it is."""

import json
from pathlib import Path
from typing import Annotated

import typer

from halfvolley.cli_labels import By
from halfvolley.terminal import console, plain_errors, progress_bars

train_app = typer.Typer()
SessionFolder = Annotated[Path, typer.Argument(help="The session folder.", metavar="SESSION")]
Json = Annotated[bool, typer.Option("--json", help="Say it for machines.")]


@train_app.command()
@plain_errors
def train(
    folders: Annotated[list[Path], typer.Argument(help="Session folders.", metavar="SESSION...")],
    rounds: Annotated[
        int,
        typer.Option(
            min=1,
            max=20,
            help="More than 1: measure, harvest and train again until nothing changes, so often "
            "at most.",
        ),
    ] = 1,
    minutes: Annotated[float, typer.Option(min=0.01, help="Of training alone, at most.")] = 12.0,
    steps: Annotated[int, typer.Option(min=1, help="Of training, at most.")] = 1500,
    batch: Annotated[int, typer.Option(min=4, help="Examples of a step.")] = 32,
    made_halls: Annotated[
        int, typer.Option(min=11, help="Made halls mixed in against forgetting.")
    ] = 20,
    seed: Annotated[int, typer.Option(help="Source of all chance.")] = 1,
    split: Annotated[
        By, typer.Option(help="What is never on two sides of the split; frame is leaky.")
    ] = By.rally,
    start: Annotated[
        str | None,
        typer.Option(help="Detector to begin from; by default the session's own, else network."),
    ] = None,
    device: Annotated[str, typer.Option(help="auto, cpu, cuda or mps.")] = "auto",
    use: Annotated[
        str | None,
        typer.Option(
            help="Train nothing: use this detector from now on (classical, network, a file)."
        ),
    ] = None,
    as_json: Json = False,
) -> None:
    """Teach the detector on the sessions' labels; the better one is used from then on."""
    if use is not None:
        from halfvolley.session.models import use_in_sessions

        for said in use_in_sessions(folders, use):
            typer.echo(said)
        return
    from halfvolley.session.train import train_sessions, tune_settings

    with progress_bars() as progress:
        done = train_sessions(
            folders,
            settings=tune_settings(
                minutes=minutes, steps=steps, batch=batch, made_halls=made_halls, seed=seed
            ),
            split_by=split.value, start=start, device=device, rounds=rounds, progress=progress,
            say=lambda words: typer.echo(words, err=as_json),
        )  # fmt: skip
    from halfvolley.report.training import print_trained, write_curves

    if as_json:
        typer.echo(json.dumps({"rounds": [one.card for one in done]}, indent=1))
    for one in done:
        files = write_curves(one)
        if not as_json:
            print_trained(one, console())
            for path in files:
                typer.echo(f"Wrote {path}")


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
    as_json: Json = False,
) -> None:
    """How good detectors are here: against labels, and against the truth of made footage."""
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
