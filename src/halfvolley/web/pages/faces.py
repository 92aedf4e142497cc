"""Faces: what is blurred in pictures and videos that are handed on, frame by frame."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from nicegui import ui
from nicegui.element import Element

from halfvolley.errors import HalfvolleyError
from halfvolley.session.edit import set_clip, set_words
from halfvolley.session.schema import ClipEntry, Session, read_session
from halfvolley.types import ClipInfo
from halfvolley.web.pages.frame import (
    bar,
    clip_tabs,
    guarded,
    open_session,
    reading,
    redraw,
    trouble_page,
    writer_banner,
)
from halfvolley.web.pages.report import undo_panel
from halfvolley.web.parts import announce, button, draft, link, note, quoted, tag
from halfvolley.web.pictures import open_film, session_stamp
from halfvolley.web.undo import Restore

if TYPE_CHECKING:
    from halfvolley.web.app import Bench

CHOICES = (
    ("no", "Leave players as they were filmed"),
    ("heads", "Blur what moves where players' heads can be"),
)


class FacesView(Element, component="faces.js"):
    """The canvas with frames as they are handed on, and regions."""

    def __init__(self, base: str, info: ClipInfo, regions: Any, handed: str) -> None:
        super().__init__()
        self.props["base"] = base
        self.props["times"] = np.round(info.pts_s, 4).tolist()
        self.props["size"] = list(info.size_px)
        self.props["start"] = [[list(p) for p in region] for region in regions]
        self.props["editable"] = True
        self.props["handed"] = handed


async def faces(bench: "Bench", key: str, clip: str) -> None:
    """Draw the screen."""
    try:
        state, session = await open_session(bench, key)
        entry = session.clip(clip)
        bench.places.check(session, [entry])
        info = (await reading(open_film, bench, session, entry)).info
    except HalfvolleyError as error:
        trouble_page(str(error))
        return
    ui.page_title(f"{state.title}: faces - halfvolley")
    bar(key, state.title, "report", clip)
    may_write = writer_banner(bench, state.folder)
    with tag("div", "", "split", id="main", tabindex="-1"):
        with tag("div", "", "split-main"):
            tag("h1", f"Faces: {clip}", "unseen")
            clip_tabs(key, "faces", state, clip)
            base = f"/picture/{key}/{quoted(clip)}"
            drawn = draft(f"{state.folder}/{clip}/blur")
            regions = drawn.setdefault("regions", entry.blur_px)
            view = FacesView(base, info, regions, str(session_stamp(session)))
            view.on("regions", lambda event: drawn.update(regions=event.args))
        with tag("aside", "", "side", aria_label="What is blurred"):
            undo_panel(bench, state.folder, may_write, drawn)
            _heads(bench, session, may_write)
            _regions(bench, session, entry, view, may_write, drawn)
            with tag("section", "", "panel"):
                link("Back to the report", f"/s/{key}/report/{quoted(clip)}", "button")


def _kept(bench: "Bench", folder: Path, restore: Restore) -> None:
    bench.changes(folder, "report").did("the blurring", restore)
    announce("Kept. It counts for what is made from now on.")
    redraw()


def _heads(bench: "Bench", session: Session, may_write: Any) -> None:
    def choose(name: str) -> None:
        old = session.report.blur
        set_words(read_session(session.folder), "report", blur=name)
        _kept(bench, session.folder, lambda s: set_words(s, "report", blur=old))

    with tag("section", "", "panel"), tag("fieldset", "", "choice"):
        tag("legend", "Players", "like-h2")
        for name, words in CHOICES:
            with tag("div"):
                box = tag("input", type="radio", name_="blur", id=f"blur-{name}",
                          checked=name == session.report.blur)  # fmt: skip
                box.on("change", lambda _, name=name: guarded(may_write, choose)(name))
                tag("label", words, for_=f"blur-{name}")
        note("No face is recognised: a head that keeps still for most of the clip, and people who "
             "stand elsewhere, stay as they are. Look through the frames, and draw a region over "
             "whoever is left.", "doubt")  # fmt: skip


def _regions(
    bench: "Bench", session: Session, entry: ClipEntry, view: FacesView, may_write: Any,
    drawn: dict[str, Any],
) -> None:  # fmt: skip
    def keep() -> None:
        regions = [[[round(float(u), 1), round(float(v), 1)] for u, v in r]
                   for r in drawn["regions"]]  # fmt: skip
        name, old = entry.name, entry.blur_px or None
        set_clip(read_session(session.folder), name, blur_px=regions or None)
        drawn.clear()
        _kept(bench, session.folder, lambda s: set_clip(s, name, blur_px=old))

    with tag("section", "", "panel"):
        tag("h2", "Regions that are always blurred")
        tag("p", "A bench, a spectator, a name on a wall: blurred in every frame.", "soft")
        with tag("div", "", "buttons"):
            button("Add a region", lambda: view.run_method("add"))
            button("Remove the last", lambda: view.run_method("remove"), "quiet")
        button("Keep the regions", guarded(may_write, keep), "main")
