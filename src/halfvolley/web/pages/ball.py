"""Ball: why each candidate was taken or refused, and where no ball is to be looked for."""

import asyncio
from typing import TYPE_CHECKING, Any

import numpy as np
from nicegui import ui
from nicegui.element import Element

from halfvolley.errors import HalfvolleyError
from halfvolley.session.edit import set_clip
from halfvolley.session.schema import ClipEntry, read_session
from halfvolley.types import ClipInfo
from halfvolley.web.ball_data import Candidates, read_candidates
from halfvolley.web.pages.frame import (
    bar,
    clip_tabs,
    guarded,
    measure_button,
    open_session,
    reading,
    redraw,
    taken_back,
    trouble_page,
    undo_button,
    writer_banner,
)
from halfvolley.web.parts import announce, button, draft, link, note, quoted, tag
from halfvolley.web.pictures import open_film
from halfvolley.web.state import SessionState

if TYPE_CHECKING:
    from halfvolley.web.app import Bench


class BallView(Element, component="ball.js"):
    """The canvas with candidates and regions."""

    def __init__(
        self, base: str, info: ClipInfo, found: Candidates, unkept: dict[str, Any]
    ) -> None:
        super().__init__()
        self.props["first"] = unkept.get("frame", -1)
        self.props["base"] = base
        self.props["times"] = np.round(info.pts_s, 4).tolist()
        self.props["size"] = list(info.size_px)
        self.props["found"] = found.frames()
        self.props["known"] = found.known
        self.props["start"] = [[list(p) for p in region] for region in unkept["regions"]]
        self.props["editable"] = True


async def ball(bench: "Bench", key: str, clip: str, frame: str = "") -> None:
    """Draw the screen; it begins at a frame where one is named."""
    try:
        state, session = await open_session(bench, key)
        entry = session.clip(clip)
        bench.places.check(session, [entry])
        film = await reading(open_film, bench, session, entry)
        info = film.info
        await asyncio.to_thread(bench.glances.prepare, bench, session, entry, film)
        found = await asyncio.to_thread(read_candidates, state.folder, clip, len(info.pts_s))
    except HalfvolleyError as error:
        trouble_page(str(error))
        return
    ui.page_title(f"{state.title}: ball - halfvolley")
    bar(key, state.title, "ball", clip)
    may_write = writer_banner(bench, state.folder)
    with tag("div", "", "split", id="main", tabindex="-1"):
        with tag("div", "", "split-main"):
            tag("h1", f"Ball: {clip}", "unseen")
            clip_tabs(key, "ball", state, clip)
            unkept = draft(f"{state.folder}/{clip}/masks")
            unkept.setdefault("regions", entry.masks_px)
            asked = unkept.get("asked") != frame  # else the screen is drawn again
            if asked and frame.isdecimal() and int(frame) < len(info.pts_s):
                unkept["frame"] = int(frame)
            unkept["asked"] = frame
            view = BallView(f"/picture/{key}/{quoted(clip)}", info, found, unkept)
        with tag("aside", "", "side", aria_label="Regions to leave out"):
            _tally(bench, key, clip, state, found)
            _Regions(bench, state, entry, found, view, may_write, unkept).draw()

    def look(event: Any) -> None:
        unkept["frame"] = int(event.args)
        view.run_method("show", int(event.args), found.of_frame(int(event.args)))

    view.on("look", look)


def _tally(bench: "Bench", key: str, clip: str, state: SessionState, found: Candidates) -> None:
    frames = found.frames()
    n = sum(f == 2 for f in frames)
    with tag("section", "", "panel"):
        job = bench.jobs.current(state.folder)
        if job is not None:
            note(f"{job.title} is at work. What was taken for the ball, and why, is shown when it "
                 "has finished.")  # fmt: skip
        elif found.known:
            tag("h2", f"Found in {n} of {len(frames)} frames")
            words = (
                "Between rallies there is often no ball to find. Green on the strip: found. Step "
                "through frames in which it is missing to see what stood in the way."
            )
            tag("p", words, "soft")
        else:
            note("The ball has not been looked for as things stand. Measure, and every candidate "
                 "of every frame is shown with the reason why it was taken or refused.",
                 "doubt")  # fmt: skip
        measure_button(bench, state)
        link("What looks for the ball, and how well", f"/s/{key}/detector/{quoted(clip)}")


class _Regions:
    """Regions of the picture to leave out: drawn, weighed, kept, undone."""

    def __init__(
        self, bench: "Bench", state: SessionState, entry: ClipEntry, found: Candidates,
        view: BallView, may_write: Any, unkept: dict[str, Any],
    ) -> None:  # fmt: skip
        self._bench, self._state, self._entry, self._found = bench, state, entry, found
        self._view, self._may_write = view, may_write
        self._unkept = unkept
        self._changes = bench.changes(state.folder, f"ball/{entry.name}")
        view.on("regions", self._changed)

    def draw(self) -> None:
        """The panel."""
        with tag("section", "", "panel"):
            tag("h2", "Leave out a region")
            tag("p", "A lamp, a poster, a second table, a bowl of balls: where no ball of this "
                "game can be, none needs to be looked for.", "soft")  # fmt: skip
            with tag("div", "", "buttons"):
                button("Add a region", lambda: self._view.run_method("add"))
                button("Remove the last", lambda: self._view.run_method("remove"), "quiet")
            self._effect = note("", "info")
            self._weigh()
            with tag("div", "", "buttons"):
                button("Keep the regions", guarded(self._may_write, self._keep), "main")
                undo_button(self._changes, self._may_write, self._undone)

    async def _changed(self, event: Any) -> None:
        self._unkept["regions"] = event.args
        self._weigh()

    def _weigh(self) -> None:
        arrays = [np.array(region, np.float64) for region in self._unkept["regions"]]
        lost, other = self._found.within(arrays)
        taken = sum(f == 2 for f in self._found.frames())
        words = f"{len(arrays)} {'region' if len(arrays) == 1 else 'regions'}: "
        if self._found.known:
            words += (
                f"of the sightings now known, {lost} of {taken} of the ball would be lost, and "
                f"{other} of other things."
            )
        else:
            words += "what they cost is known when the clip has been measured."
        self._effect.text = words if arrays else "No region is left out."  # type: ignore[attr-defined]

    def _undone(self) -> None:
        del self._unkept["regions"]
        taken_back()

    def _keep(self) -> None:
        regions = [[[round(float(u), 1), round(float(v), 1)] for u, v in region]
                   for region in self._unkept.pop("regions")]  # fmt: skip
        name, old = self._entry.name, self._entry.masks_px or None
        set_clip(read_session(self._state.folder), name, masks_px=regions or None)
        self._changes.did("the regions", lambda session: set_clip(session, name, masks_px=old))
        announce("Kept. It counts from the next measurement.")
        redraw()
