"""`halfvolley labels`: harvest, look, exchange, check, undo."""

import json
import time
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer

from halfvolley.terminal import console, plain_errors, progress_bars

labels_app = typer.Typer(
    name="labels",
    help="Labels of the ball for training a detector: proposed by flights, decided by you.",
    no_args_is_help=True,
)
SessionFolder = Annotated[Path, typer.Argument(help="The session folder.", metavar="SESSION")]


class Style(StrEnum):
    """Formats of labels in files."""

    rows = "rows"
    coco = "coco"
    voc = "voc"


class PictureStyle(StrEnum):
    """Formats of pictures."""

    png = "png"
    jpg = "jpg"


class By(StrEnum):
    """What is never on two sides of a split."""

    rally = "rally"
    clip = "clip"
    hall = "hall"
    frame = "frame"


Json = Annotated[bool, typer.Option("--json", help="Say it for machines.")]


@labels_app.command()
@plain_errors
def harvest(
    folder: SessionFolder,
    clip: Annotated[
        list[str] | None, typer.Option(help="Name of a clip; by default all of play.")
    ] = None,
    as_json: Json = False,
) -> None:
    """Propose labels from what was measured; what a person decided stays as it is."""
    from halfvolley.session.labels import harvest_labels

    with progress_bars() as progress:
        done = harvest_labels(folder, clip or (), progress=progress)
    if as_json:
        rows = [
            {
                "clip": c.clip, "accepted": c.accepted, "open": c.open, "hidden": c.hidden,
                "added": c.merged.added, "changed": c.merged.changed,
                "removed": c.merged.removed, "left_to_a_person": c.merged.left,
            }
            for c in done.clips
        ]  # fmt: skip
        _print({"clips": rows, "not_harvested": dict(done.not_harvested)})
        return
    for c in done.clips:
        m = c.merged
        typer.echo(
            f"{c.clip}: {c.accepted} labels accepted, {c.open} to review ({m.added} new, "
            f"{m.changed} changed, {m.removed} gone; {m.left} left to a person's decisions)"
        )
    for name, why in done.not_harvested:
        typer.echo(f"{name} was not harvested: {why}")
    if any(c.open for c in done.clips):
        typer.echo(f"Next: halfvolley labels list {folder} --sheets")


@labels_app.command("list")
@plain_errors
def list_(
    folder: SessionFolder,
    sheets: Annotated[
        bool, typer.Option("--sheets", help="Also draw the review queue on contact sheets (PNG).")
    ] = False,
    history: Annotated[
        bool, typer.Option("--history", help="Show what was done, oldest first.")
    ] = False,
    as_json: Json = False,
) -> None:
    """How many labels of which kind there are, and the review queue, most useful first."""
    from halfvolley.report.labels import print_labels, print_steps, write_sheets
    from halfvolley.session.labels import label_queue, open_labels, read_labels

    labels, queue = read_labels(folder), label_queue(folder)
    drawn = write_sheets(folder, queue) if sheets else ()
    if as_json:
        from dataclasses import asdict

        rows = [{"rank": i, **asdict(q.label)} for i, q in enumerate(queue, start=1)]
        _print({"labels": len(labels.labels), "accepted": len(labels.usable), "queue": rows,
                "sheets": [str(path) for path in drawn]})  # fmt: skip
        return
    if history:
        with open_labels(folder) as store:
            print_steps(store.steps(), console())
        return
    print_labels(labels, queue, console())
    for path in drawn:
        typer.echo(f"Sheet: {path}")


@labels_app.command()
@plain_errors
def decide(
    folder: SessionFolder,
    label: Annotated[list[int], typer.Argument(help="Numbers of labels.", metavar="LABEL...")],
    who: Annotated[str, typer.Option(help="Your name.")],
    accept: Annotated[
        bool, typer.Option("--accept/--reject", help="Whether these labels are true.")
    ] = True,
) -> None:
    """Decide labels of the review queue by their numbers; each is kept at once."""
    from halfvolley.session.labels import open_labels

    with open_labels(folder) as store:
        for number in label:
            said = store.decide(
                number, "accepted" if accept else "rejected", who=who, when_s=time.time()
            )
            typer.echo(f"{said.decision}: label {number}, {said.clip} frame {said.frame}")


@labels_app.command("export")
@plain_errors
def export(
    folder: SessionFolder,
    target: Annotated[Path, typer.Argument(help="A new folder.", metavar="FOLDER")],
    style: Annotated[
        Style, typer.Option("--format", help="Text rows, COCO JSON or Pascal VOC XML.")
    ] = Style.coco,
    pictures: Annotated[
        PictureStyle, typer.Option(help="Of the pictures; jpg is smaller.")
    ] = PictureStyle.png,
    split: Annotated[
        By | None,
        typer.Option(help="Also list pictures to train, choose and test with; frame is leaky."),
    ] = None,
) -> None:
    """Write labels with their pictures, so that any trainer can use them."""
    from halfvolley.session.labels import export_labels

    with progress_bars() as progress:
        done = export_labels(
            folder,
            target,
            style=style.value,
            picture_format=pictures.value,
            split_by=None if split is None else split.value,
            progress=progress,
        )
    typer.echo(f"Wrote {done.boxes} balls in {done.pictures} pictures to {target}")
    if split is By.frame:
        typer.echo("LEAKY: split by random frames; scores made from it are too good")


@labels_app.command("import")
@plain_errors
def import_(
    folder: SessionFolder,
    source: Annotated[Path, typer.Argument(help="Folder or file with labels.", metavar="FOLDER")],
    who: Annotated[str, typer.Option(help="Whose word they are.")],
    style: Annotated[
        Style | None, typer.Option("--format", help="Found out where it is left out.")
    ] = None,
    ball: Annotated[str, typer.Option(help="Name of the class that is the ball.")] = "ball",
    first_pixel: Annotated[
        int, typer.Option(min=0, max=1, help="For voc: number of the first pixel.")
    ] = 1,
) -> None:
    """Bring in labels made or changed elsewhere, all or none of them."""
    from halfvolley.session.labels import import_labels

    found, merged = import_labels(
        folder,
        source,
        who=who,
        style=None if style is None else style.value,
        ball=ball,
        first_pixel=first_pixel,
    )
    typer.echo(
        f"{len(found.labels)} labels: {found.restored} as exported, {found.new} new, "
        f"{found.removed} taken away; here {merged.added} added, {merged.changed} changed, "
        f"{merged.unchanged} known already"
    )


@labels_app.command()
@plain_errors
def check(
    folder: SessionFolder,
    split: Annotated[
        By, typer.Option(help="What is never on two sides of a split; frame is leaky.")
    ] = By.rally,
    pictures: Annotated[
        Path | None, typer.Option(help="Also check the pictures of an exported data set.")
    ] = None,
    as_json: Json = False,
) -> None:
    """What is wrong with the labels: one line each, with the remedy."""
    from halfvolley.session.labels import check_labels

    found = check_labels(folder, split_by=split.value, pictures=pictures)
    if as_json:
        rows = [{"what": f.what, "remedy": f.remedy, "n": f.n, "examples": list(f.examples)}
                for f in found]  # fmt: skip
        _print({"findings": rows})
        return
    for finding in found:
        typer.echo(finding.line)
    if not found:
        typer.echo("Nothing is wrong with these labels.")


@labels_app.command()
@plain_errors
def undo(folder: SessionFolder) -> None:
    """Take back the newest change of the labels; the history keeps it."""
    from halfvolley.session.labels import undo_labels

    step = undo_labels(folder)
    typer.echo("Nothing to undo." if step is None else f"Undone: {step.what} ({step.n_labels})")


def _print(content: Any) -> None:
    typer.echo(json.dumps(content, indent=1))
