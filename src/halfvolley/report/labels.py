"""Labels for people: how many of which kind, and the review queue on contact sheets."""

import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from halfvolley.learn.queue import Queued
from halfvolley.learn.store import Step
from halfvolley.report.draw import disc, polyline, text
from halfvolley.report.look import END_B, INK, PAPER, SOFT, rgb
from halfvolley.report.picture import write_picture
from halfvolley.session.files import storing
from halfvolley.session.labels import label_pictures
from halfvolley.types import ByteImage, FloatArray, Label, LabelSet

FOLDER = "labels"  # within report/
COLUMNS, ROWS = 5, 4  # of a sheet
CELL_PX, CAPTION_PX, GAP_PX = 240, 46, 10
RADII_SHOWN = 12.0  # a crop shows so many radii of the ball across, or its whole streak
LEAST_CROP_PX = 48
MANY = 20  # rows of the queue on the console
KINDS = ("positive", "recovered", "negative", "none")
MEANING = {
    "positive": "the ball, detected", "recovered": "the ball, found by its flight",
    "negative": "looks like the ball and is not", "none": "no ball in the picture",
}  # fmt: skip


def print_labels(labels: LabelSet, queue: Sequence[Queued], console: Console) -> None:
    """Print the counts of labels and the head of the review queue.

    Parameters
    ----------
    labels : LabelSet
        All labels of a session.
    queue : sequence of Queued
        As `label_queue` gives it.
    console : rich.console.Console
        Where to.
    """
    count: Counter[tuple[str, str]] = Counter(
        (label.kind, label.decision) for label in labels.labels
    )
    table = _table(("kind", "accepted", "to review", "rejected", "meaning"))
    for kind in KINDS:
        numbers = [str(count[kind, said]) for said in ("accepted", "open", "rejected")]
        table.add_row(kind, *numbers, MEANING[kind])
    console.print(table)
    persons = sum(label.by_person for label in labels.labels)
    clips = len({label.clip for label in labels.labels})
    console.print(
        f"{len(labels.usable)} labels of {clips} clips are ready for training; {persons} were "
        "decided by people.",
        soft_wrap=True,
    )
    if not queue:
        console.print("Nothing waits for review.")
        return
    table = _table(("label", "clip", "frame", "t", "kind", "sure", "what to look at"))
    for item in queue[:MANY]:
        x = item.label
        table.add_row(
            str(x.label_id), escape(x.clip), str(x.frame), f"{x.t_s:.3f} s", x.kind,
            f"{100 * x.confidence:.0f} %", escape(x.why),
        )  # fmt: skip
    console.print(table)
    if len(queue) > MANY:
        console.print(f"[dim]… and {len(queue) - MANY} more[/dim]")


def print_steps(steps: Sequence[Step], console: Console) -> None:
    """Print the history, oldest first."""
    table = _table(("when (UTC)", "what", "who", "labels", ""))
    for step in steps:
        when = time.strftime("%Y-%m-%d %H:%M:%S", time.gmtime(step.when_s))
        undone = "undone" if step.undone else ""
        table.add_row(when, escape(step.what), escape(step.who or "-"), str(step.n_labels), undone)
    console.print(table)


def _table(heads: Sequence[str]) -> Table:
    table = Table(box=None, pad_edge=False, header_style="dim")
    for head in heads:
        table.add_column(head, no_wrap=True)
    return table


def write_sheets(folder: Path | str, queue: Sequence[Queued]) -> tuple[Path, ...]:
    """Draw the review queue on contact sheets, in its order.

    Parameters
    ----------
    folder : Path or str
        The session folder.
    queue : sequence of Queued
        As `label_queue` gives it.

    Returns
    -------
    tuple of Path
        report/labels/sheet_01.png and so on; older sheets are removed.

    Raises
    ------
    FootageError
        If a clip cannot be read.
    StorageError
        If a sheet cannot be written.
    """
    labels = [item.label for item in queue]
    return draw_sheets(folder, labels, Path(folder) / "report" / FOLDER, "sheet")


def draw_sheets(
    folder: Path | str, labels: Sequence[Label], place: Path, stem: str
) -> tuple[Path, ...]:
    """Draw places in pictures on contact sheets, in their order.

    Parameters
    ----------
    folder : Path or str
        The session folder.
    labels : sequence of Label
        What is shown.
    place : Path
        Where to; older sheets of that name are removed.
    stem : str
        Name of the files, before _01.png and so on.

    Returns
    -------
    tuple of Path
        The sheets.

    Raises
    ------
    FootageError
        If a clip cannot be read.
    StorageError
        If a sheet cannot be written.
    """
    wanted: dict[tuple[str, int], list[int]] = {}
    for i, label in enumerate(labels):
        wanted.setdefault((label.clip, label.frame), []).append(i)
    cells: dict[int, ByteImage] = {}
    for clip, frame, picture in label_pictures(folder, labels):
        for i in wanted.get((clip, frame), ()):
            cells[i] = draw_cell(picture, labels[i])
    per_sheet = COLUMNS * ROWS
    out = []
    for first in range(0, len(labels), per_sheet):
        page = [cells[i] for i in range(first, min(first + per_sheet, len(labels))) if i in cells]
        path = place / f"{stem}_{first // per_sheet + 1:02d}.png"
        write_picture(path, lay_out(page))
        out.append(path)
    for old in place.glob(f"{stem}_[0-9]*.png"):
        if old not in out:
            with storing(old):
                old.unlink()
    return tuple(out)


def lay_out(cells: Sequence[ByteImage]) -> ByteImage:
    """Cells of one size in rows on one page."""
    rows = max(1, -(-len(cells) // COLUMNS))
    height, width = CELL_PX + CAPTION_PX + GAP_PX, CELL_PX + GAP_PX
    page = np.empty((rows * height + GAP_PX, COLUMNS * width + GAP_PX, 3), np.uint8)
    page[:] = rgb(PAPER)
    for i, cell in enumerate(cells):
        y, x = GAP_PX + (i // COLUMNS) * height, GAP_PX + (i % COLUMNS) * width
        page[y : y + cell.shape[0], x : x + cell.shape[1]] = cell
    return page


def draw_cell(picture: ByteImage, label: Label) -> ByteImage:
    """The neighbourhood of a label, enlarged and marked, with a caption.

    Parameters
    ----------
    picture : (h, w, 3) uint8
        The whole frame.
    label : Label
        What is shown; the whole frame for one without a place.

    Returns
    -------
    (CELL_PX + CAPTION_PX, CELL_PX, 3) uint8
        Corners mark the place, so that what lies there stays visible.
    """
    cell = np.empty((CELL_PX + CAPTION_PX, CELL_PX, 3), np.uint8)
    cell[:] = rgb(PAPER)
    if label.uv_px is None or label.radius_px is None:
        height, width = picture.shape[:2]
        size = (CELL_PX, max(1, round(CELL_PX * height / width)))
        shown = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
        cell[: min(size[1], CELL_PX)] = shown[:CELL_PX]
    else:
        streak = np.array(label.streak_px or (0.0, 0.0))
        side = crop_side_px(label)
        scale = CELL_PX / side
        shown = crop(picture, label.uv_px, side, CELL_PX)
        cell[:CELL_PX] = shown
        _mark(cell, scale * streak, scale * label.radius_px)
    number = f"{label.label_id}  {label.kind}  {100 * label.confidence:.0f} %"
    text(cell, number, (2, CELL_PX + 3), 13, rgb(INK), bold=True)
    place = f"{label.clip} frame {label.frame}"
    text(cell, place[:38], (2, CELL_PX + 18), 11, rgb(INK))
    text(cell, label.why[:40], (2, CELL_PX + 31), 11, rgb(SOFT))
    return cell


def crop_side_px(label: Label) -> float:
    """How much of the picture around a label is worth seeing: its side [px]."""
    radius, streak = label.radius_px or 0.0, label.streak_px or (0.0, 0.0)
    return max(LEAST_CROP_PX, RADII_SHOWN * radius, 2.0 * float(np.hypot(*streak)))


def crop(
    picture: ByteImage, centre_px: tuple[float, float], side_px: float, size_px: int
) -> ByteImage:
    """A square part of a picture, enlarged.

    Parameters
    ----------
    picture : (h, w, 3) uint8
        The whole frame.
    centre_px : tuple of float
        (u, v) of its middle [px].
    side_px : float
        Its side in the frame [px].
    size_px : int
        Its side as given.

    Returns
    -------
    (size_px, size_px, 3) uint8
        Grey where it reaches beyond the frame.
    """
    scale = size_px / side_px
    corner = np.array(centre_px) - 0.5 * side_px
    # pixel centres are at integers, in the crop as in the picture
    move = np.array([[scale, 0.0, -scale * corner[0]], [0.0, scale, -scale * corner[1]]])
    return np.asarray(
        cv2.warpAffine(
            picture, move, (size_px, size_px), flags=cv2.INTER_CUBIC, borderValue=rgb(SOFT)
        ),
        np.uint8,
    )


def _mark(cell: ByteImage, streak: FloatArray, radius: float) -> None:
    """Ends of the streak and four corner angles about it."""
    middle = np.array([0.5, 0.5]) * CELL_PX
    half = np.abs(0.5 * streak) + 1.8 * radius
    arm = 0.35 * half
    colour = rgb(END_B)
    for x in (-1.0, 1.0):
        for y in (-1.0, 1.0):
            tip = middle + half * [x, y]
            points = np.array([tip - [x * arm[0], 0.0], tip, tip - [0.0, y * arm[1]]])
            polyline(cell[:CELL_PX], points, colour, 2)
    if float(np.hypot(*streak)) > radius:
        for side in (-0.5, 0.5):
            disc(cell[:CELL_PX], middle + side * streak, 2.0, colour)
