"""Clip and camera: exact frames, what the clip is, and the table's model over the picture."""

import asyncio
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from nicegui import ui
from nicegui.element import Element

from halfvolley.errors import HalfvolleyError, Unknown
from halfvolley.session.edit import set_clip
from halfvolley.session.pipeline import kept_result
from halfvolley.session.schema import ClipEntry, Session, read_session
from halfvolley.types import FloatArray
from halfvolley.web.film import Film
from halfvolley.web.pages.frame import (
    bar,
    clip_tabs,
    guarded,
    measure_button,
    reading,
    redraw,
    taken_back,
    trouble_page,
    undo_button,
    writer_banner,
)
from halfvolley.web.parts import announce, button, choice, note, quoted, sentence, tag
from halfvolley.web.pictures import open_film
from halfvolley.web.state import SHOWS, SessionState, session_state
from halfvolley.web.work import find_camera

if TYPE_CHECKING:
    from halfvolley.camera import Calibration
    from halfvolley.types import Camera, ClipCamera
    from halfvolley.web.app import Bench

STILL_PX = 1.0  # a camera that moves less than this needs no words
CURVE_PX = 320, 60  # units of a drawing
Corners = list[list[float]]


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What the screen shows of one clip."""

    session: Session
    entry: ClipEntry
    film: Film
    found: "Calibration | None"
    watched: "ClipCamera | None"  # through the clip, where it is measured
    state: SessionState
    copy: str  # what is to be said of a small copy for quick jumps

    @property
    def corners(self) -> Corners:
        """Where the corners are: as found, as given, or somewhere to begin with."""
        if self.found is not None:
            from halfvolley.camera import project
            from halfvolley.camera.table import CORNERS_M

            return [[float(u), float(v)] for u, v in project(self.found.camera, CORNERS_M)]
        if self.entry.corners_px is not None:
            return [list(corner) for corner in self.entry.corners_px]
        w, h = self.film.info.size_px
        shares = ((0.25, 0.66), (0.35, 0.5), (0.65, 0.5), (0.75, 0.66))
        return [[w * x, h * y] for x, y in shares]


class CameraView(Element, component="camera.js"):
    """The canvas with its frames and corners."""

    def __init__(self, key: str, seen: Seen, editable: bool) -> None:
        super().__init__()
        info = seen.film.info
        camera = None if seen.found is None else seen.found.camera
        self.props["base"] = f"/picture/{key}/{quoted(seen.entry.name)}"
        self.props["count"] = len(info.pts_s)
        self.props["times"] = np.round(info.pts_s, 4).tolist()
        self.props["size"] = list(info.size_px)
        self.props["corners"] = seen.corners
        self.props["lines"] = [] if camera is None else _model(camera)
        self.props["editable"] = editable


async def camera(bench: "Bench", key: str, clip: str) -> None:
    """Draw the screen."""
    try:
        seen = await reading(_see, bench, key, clip)
    except HalfvolleyError as error:
        trouble_page(str(error))
        return
    folder = seen.session.folder
    ui.page_title(f"{seen.state.title}: camera - halfvolley")
    bar(key, seen.state.title, "camera", seen.entry.name)
    may_write = writer_banner(bench, folder)
    with tag("div", "", "split", id="main", tabindex="-1"):
        with tag("div", "", "split-main"):
            clip_tabs(key, "camera", seen.state, seen.entry.name)
            tag("h1", f"Clip and camera: {seen.entry.name}", "unseen")
            view = CameraView(key, seen, editable=bench.jobs.current(folder) is None)
        with tag("aside", "", "side", aria_label="About this clip"):
            _what_to_do(bench, seen)
            if bench.jobs.current(folder) is None:
                _Corners(bench, seen, view, may_write).draw()
            _fit(seen)
            _facts(bench, seen, may_write)


def _see(bench: "Bench", key: str, clip: str) -> Seen:
    folder = bench.places.session(key)
    session = read_session(folder)
    entry = session.clip(clip)
    bench.places.check(session, [entry])
    film = open_film(bench, session, entry)
    found = kept_result(session, entry.name, "camera")
    scan = kept_result(session, entry.name, "scan")
    watched = None if scan is None else scan.camera
    copy = bench.glances.prepare(bench, session, entry, film)
    state = session_state(folder, folder.name)
    return Seen(session, entry, film, found, watched, state, copy)


def _what_to_do(bench: "Bench", seen: Seen) -> None:
    job = bench.jobs.current(seen.session.folder)
    with tag("section", "", "panel"):
        if job is not None:
            note(f"{job.title} is at work. Corners can be moved when it has finished.")
        elif seen.found is None and seen.entry.corners_px is None:
            note("The table has not been looked for yet. Measure finds it by itself; if it does "
                 "not, drag the four corners onto the table's.")  # fmt: skip
        elif seen.found is None:
            note("The corners are kept, but no camera fits them yet. Find the camera to see how "
                 "well the lines agree.", "doubt")  # fmt: skip
        elif seen.found.warnings:
            for words in seen.found.warnings:
                note(sentence(words), "doubt")
        measure_button(bench, seen.state)


class _Corners:
    """What a person can say about the table: corners, and which end is A; each can be undone."""

    def __init__(self, bench: "Bench", seen: Seen, view: CameraView, may_write: Any) -> None:
        self._bench, self._seen, self._view = bench, seen, view
        self._may_write = may_write
        self._points = seen.corners
        self._changes = bench.changes(seen.session.folder, f"camera/{seen.entry.name}")

    def draw(self) -> None:
        """The panel."""
        with tag("section", "", "panel"):
            tag("h2", "The table")
            tag(
                "p",
                "The lines should lie on the table's edges and the net. Drag a corner where they "
                "do not, with Shift more slowly; an arrow key moves it by a pixel, with Shift by "
                "ten.",
                "soft",
            )
            with tag("div", "", "buttons"):
                self._button("Keep these corners", self._keep, "main")
                self._button("Find the table by itself", self._automatic)
                self._button("Swap A and B", self._swap)
                undo_button(self._changes, self._may_write, self._undone)
            self._words = tag("p", "", "small-text number", role="status")
            self._view.on("corners", self._asked)

    def _button(self, words: str, act: Any, look: str = "") -> None:
        button(words, guarded(self._may_write, act), look)

    async def _asked(self, event: Any) -> None:
        corners, frame = event.args
        self._points = [[float(u), float(v)] for u, v in corners][:4]
        lines, words = await asyncio.to_thread(_model_of, self._points, self._seen, int(frame))
        if self._view.is_deleted:  # another screen is shown by now
            return
        self._words.set_text(words)
        self._words.classes(add="" if lines else "note doubt", remove="note doubt" if lines else "")
        self._view.run_method("showModel", lines)

    def _keep(self) -> None:
        points = [[round(u, 2), round(v, 2)] for u, v in self._points]
        self._say("the corners", corners_px=points)

    def _automatic(self) -> None:
        self._say("the corners", corners_px=None)

    def _swap(self) -> None:
        given = self._seen.entry.corners_px
        if given is not None:
            self._say("the swap", corners_px=[list(given[k]) for k in (2, 3, 0, 1)])
            return
        points = np.array(self._points)
        along = points[:2].mean(axis=0) - points[2:].mean(axis=0)
        if abs(along[0]) > abs(along[1]):
            self._say("the swap", end_a="right" if along[0] < 0 else "left")
        else:
            self._say("the swap", end_a="far" if along[1] > 0 else "near")

    def _say(self, what: str, **said: Any) -> None:
        name, old = self._seen.entry.name, {key: getattr(self._seen.entry, key) for key in said}
        set_clip(read_session(self._seen.session.folder), name, **said)
        self._changes.did(what, lambda session: set_clip(session, name, **old))
        self._find("Kept")

    def _find(self, words: str) -> None:
        name = self._seen.entry.name
        self._bench.jobs.start(
            self._seen.session.folder, "Finding the camera", find_camera, clip=name
        )
        announce(f"{words}. The camera is being fitted to the table's lines.")
        redraw()

    def _undone(self) -> None:
        old = self._seen.entry
        now = read_session(self._seen.session.folder).clip(old.name)
        if (now.corners_px, now.end_a) == (old.corners_px, old.end_a):
            taken_back()
        else:
            self._find("Taken back")


def _model_of(points: Corners, seen: Seen, frame: int) -> tuple[list[Corners], str]:
    """The model over a frame for four corners, and how well it fits or why there is none."""
    from halfvolley.camera.hand import camera_of_corners, check_corners, corner_miss

    size_px = seen.film.info.size_px
    try:
        corners = check_corners(points, size_px)
        camera = camera_of_corners(corners, size_px)
        words = _lines_words(seen, camera, frame)
    except HalfvolleyError as error:
        return [], f"These corners cannot be a table: {error}."
    off_px, off_mm = corner_miss(camera, corners)
    return _model(
        camera
    ), f"A table can lie like this, to {off_px:.1f} px, {off_mm:.0f} mm. {words}"


def _lines_words(seen: Seen, camera: "Camera", frame: int) -> str:
    """How far the lines of a frame are from the model's."""
    from halfvolley.camera import Tone
    from halfvolley.camera.hand import line_miss

    tone = None if seen.found is None else Tone(seen.found.gamma, seen.found.sigma_px)
    miss = line_miss(seen.film.luma(frame), camera, tone)
    if isinstance(miss, Unknown):
        return f"But {miss.reason}: move the corners."
    return (
        f"The white lines miss it by {miss.px:.1f} px, {miss.mm:.0f} mm ({100 * miss.share:.0f} % "
        "of them seen); what is left is fitted when you keep the corners."
    )


def _model(camera: Any) -> list[Corners]:
    from halfvolley.camera import model_polylines

    return [_finite(line) for line in model_polylines(camera)]


def _finite(line: FloatArray) -> Corners:
    kept = line[np.isfinite(line).all(axis=1)]
    return [[round(float(u), 2), round(float(v), 2)] for u, v in kept]


def _fit(seen: Seen) -> None:
    found = seen.found
    if found is None:
        return
    from halfvolley.camera import table_error_mm

    x, y, z = found.camera.centre_m
    how = "given by hand" if found.source == "corners" else "found by itself"
    with tag("section", "", "panel"):
        tag("h2", "How well it fits")
        _pairs(
            ("Corners", how),
            ("Lines miss by", f"{found.residual_px:.2f} px, {found.residual_mm:.1f} mm"),
            ("Camera stands", f"{np.hypot(x, y):.1f} m away, {z:.1f} m above the table"),
        )  # fmt: skip
        _watched(seen.watched)
        tag("h3", "Error from the camera alone over the table, in mm")
        errors = table_error_mm(found.camera).T[::-1]
        with tag("table", "", "error-map"):
            tag("caption", "Seen from above, end A on the left", "unseen")
            with tag("tbody"):
                for row in errors:
                    with tag("tr"):
                        for mm in row:
                            deep = min(1.0, float(mm) / 20.0)
                            tag("td", f"{mm:.1f}" if mm < 10 else f"{mm:.0f}").style(
                                f"--deep: {deep:.2f}"
                            )
        tag("p", "A at the left, B at the right, the net in the middle.", "soft small-text")


def _watched(camera: "ClipCamera | None") -> None:
    """Whether the camera stood still."""
    if camera is None:
        return
    from halfvolley.camera import drift_px

    moved = drift_px(camera)
    most = int(np.argmax(moved))
    if moved[most] < STILL_PX:
        words = f"The camera stood still throughout, to {max(moved[most], 0.1):.1f} px."
        tag("p", words, "small-text")
        return
    at_s = camera.knot_t_s[most]
    note(f"The camera moved, by {moved[most]:.1f} px at {at_s:.1f} s. This is followed.", "doubt")
    _drift_curve(camera.knot_t_s, moved)


def _drift_curve(t_s: FloatArray, moved_px: FloatArray) -> None:
    """How far the table moved in the picture, through the clip."""
    with tag("figure", "", "curve"):
        title = f"Movement of the table in the picture, up to {np.max(moved_px):.1f} px"
        with tag("figcaption"):
            tag("span", title, "key-of")
            tag("span", f"{t_s[0]:.0f} s to {t_s[-1]:.0f} s")
        svg = Element("svg")
        svg.props["viewBox"] = f"0 -2 {CURVE_PX[0]} {CURVE_PX[1] + 4}"
        svg.props["aria-hidden"] = "true"
        with svg:
            Element("polyline").classes("line b").props["points"] = curve_points(t_s, moved_px)


def curve_points(x: FloatArray, y: FloatArray, most: int = 200) -> str:
    """A rising x (n,) and a y (n,) from 0 up as points of a line over the whole drawing.

    Of more than `most` values the largest y of each neighbourhood stands for it.
    """
    starts = np.arange(0, len(x), max(1, -(-len(x) // most)))
    across = CURVE_PX[0] * (x[starts] - x[0]) / max(float(x[-1] - x[0]), 1e-9)
    high = np.maximum.reduceat(y, starts) / max(float(np.max(y)), 1e-9)
    down = CURVE_PX[1] * (1.0 - high)
    return " ".join(f"{u:.1f},{v:.1f}" for u, v in zip(across, down, strict=True))


def _facts(bench: "Bench", seen: Seen, may_write: Any) -> None:
    info, name, old = seen.film.info, seen.entry.name, seen.entry.kind
    folder = seen.session.folder

    def shows(kind: str) -> None:
        set_clip(read_session(folder), name, kind=kind)
        bench.changes(folder, f"camera/{name}").did(
            "what it shows", lambda session: set_clip(session, name, kind=old)
        )
        announce("Kept. It counts from the next measurement.")
        redraw()

    seconds = float(info.pts_s[-1] - info.pts_s[0]) + info.frame_interval_s
    width, height = info.size_px
    with tag("section", "", "panel"):
        tag("h2", "The clip")
        _pairs(
            ("Picture", f"{width} × {height} px"),
            ("Frames", f"{1.0 / info.frame_interval_s:.2f} a second, {len(info.pts_s)} in all"),
            ("Length", f"{seconds / 60:.0f} min {seconds % 60:.0f} s" if seconds >= 100
             else f"{seconds:.1f} s"),
            ("Sound", "yes" if info.has_audio else "none"),
            ("File", Path(info.path).name),
        )  # fmt: skip
        choice("What it shows", "shows", SHOWS, old, guarded(may_write, shows))
        for words in info.warnings:
            note(sentence(words), "doubt")
        if seen.copy:
            note(seen.copy)


def _pairs(*pairs: tuple[str, str]) -> None:
    with tag("dl", "", "pairs"):
        for name, value in pairs:
            tag("dt", name)
            tag("dd", value, "number")
