"""The picture and the words of `calibrate`: does the model fit this table?"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from halfvolley.report.picture import draw_model, first_picture, write_picture
from halfvolley.session.pipeline import calibrate_clip
from halfvolley.session.schema import Session


@dataclass(frozen=True, slots=True)
class Drawn:
    """What `calibrate_and_draw` gives."""

    picture: Path
    words: tuple[str, ...]


def calibrate_and_draw(
    session: Session, name: str, *, progress: Callable[[str, float], None] | None = None
) -> Drawn:
    """Find the camera of a clip and draw the table's model over its first frame.

    Parameters
    ----------
    session : Session
        As read.
    name : str
        Which clip.
    progress : callable, optional
        Told what is being done and which share of it is done.

    Returns
    -------
    Drawn
        The picture's path, and how well the model fits in words.

    Raises
    ------
    FootageError, NoCamera, BadInput, StorageError
        As for `measure`.
    """
    recording, found = calibrate_clip(session, name, progress=progress)
    path = session.folder / "report" / f"{name}-camera.png"
    fit = f"fits to {found.residual_px:.2f} px, {found.residual_mm:.1f} mm on the table"
    picture = first_picture(session, session.clip(name), recording, found.camera)
    write_picture(path, draw_model(picture, found.camera, fit))
    x, y, z = found.camera.centre_m
    words = [
        f"{name}: the model {fit}; camera at x {x:+.2f}, y {y:+.2f} m, {z:.2f} m above the table"
    ]
    words += [f"  note: {warning}" for warning in found.warnings]
    return Drawn(path, tuple(words))
