"""Labels: what the flights left open, decided by a person with the keyboard."""

import asyncio
import getpass
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from nicegui import ui
from nicegui.element import Element

from halfvolley.errors import BadSession, HalfvolleyError
from halfvolley.session.labels import labels_path
from halfvolley.web.labels_data import Listed, decide, list_labels, take_back
from halfvolley.web.pages.frame import (
    bar,
    measure_button,
    open_session,
    trouble_page,
    writer_banner,
)
from halfvolley.web.parts import announce, button, tag
from halfvolley.web.state import SessionState
from halfvolley.web.work import propose_labels

if TYPE_CHECKING:
    from halfvolley.web.app import Bench

LISTS = (
    ("review", "To review", "Nothing waits for you. Look over what the program is sure of, or "
     "measure more clips."),
    ("ball", "The ball", "No label is sure yet."),
    ("other", "Not the ball", "Nothing that looks like the ball was found to be something else."),
    ("person", "Decided by people", "Nobody has decided anything yet."),
)  # fmt: skip


class LabelsView(Element, component="labels.js"):
    """The labels of one list, one at a time or many on a sheet."""

    def __init__(self, key: str) -> None:
        super().__init__()
        self.props["base"] = f"/picture/{key}"
        self.props["list"] = []
        self.props["sheet"] = False
        self.props["emptyWords"] = ""


async def labels(bench: "Bench", key: str, clip: str) -> None:
    """Draw the screen."""
    try:
        state, _ = await open_session(bench, key)
    except HalfvolleyError as error:
        trouble_page(str(error))
        return
    ui.page_title(f"{state.title}: labels - halfvolley")
    bar(key, state.title, "labels", clip)
    may_write = writer_banner(bench, state.folder)
    with tag("div", "", "fill", id="main", tabindex="-1"):
        tag("h1", "Labels of the ball", "unseen")
        if not labels_path(state.folder).is_file():
            _nothing_yet(bench, state)
            return
        screen = _Screen(bench, state.folder, key, may_write)
        await screen.draw()


def _nothing_yet(bench: "Bench", state: SessionState) -> None:
    with tag("div", "", "empty lone"):
        tag("h2", "No labels yet")
        tag(
            "p",
            "Labels say where the ball is in a picture; a detector learns from them. The flights "
            "propose them, and you decide what they leave open.",
        )
        if bench.jobs.current(state.folder) is not None:
            tag("p", "They will be here when the work below has finished.")
        elif state.due:
            tag("p", "First the session must be measured.")
            measure_button(bench, state)
        else:
            button("Propose labels", lambda: _propose(bench, state.folder), "main")


def _propose(bench: "Bench", folder: Path) -> None:
    try:
        bench.jobs.start(folder, "Proposing labels", propose_labels)
    except HalfvolleyError as error:
        announce(str(error), "trouble")


@dataclass(slots=True)
class _Choice:
    which: str = "review"
    sheet: bool = False


class _Screen:
    """The lists, the view, and what a person decides."""

    def __init__(self, bench: "Bench", folder: Path, key: str, may_write: Any) -> None:
        self._bench, self._folder, self._key, self._may_write = bench, folder, key, may_write
        self._choice = _Choice()
        self._who = _user()
        self._decided = 0

    async def draw(self) -> None:
        """All of it."""
        with tag("div", "", "list-bar"):
            self._tabs = tag("div", "", "buttons", role="group", aria_label="Which labels")
            self._progress = tag("p", "", "soft grow number", role="status")
            self._one = button("One at a time", lambda: self._lay(False), "small")
            self._many = button("Many at a glance", lambda: self._lay(True), "small")
        self._view = LabelsView(self._key)
        self._view.on("decide", lambda event: self._decide(event.args))
        self._view.on("undo", lambda event: self._undo(int(event.args)))
        self._view.on("again", self._show)
        self._lay(False)
        await self._show()

    def _lay(self, sheet: bool) -> None:
        self._choice.sheet = sheet
        self._one.props["aria-pressed"] = str(not sheet).lower()
        self._many.props["aria-pressed"] = str(sheet).lower()
        self._view.props["sheet"] = sheet

    async def _show(self) -> None:
        which = self._choice.which
        try:
            self._listed = await asyncio.to_thread(list_labels, self._folder, which)
        except HalfvolleyError as error:
            announce(str(error), "trouble")
            self._listed = Listed([], 0, 0, 0)
        self._decided = 0
        self._tabs.clear()
        with self._tabs:
            for name, words, empty in LISTS:
                here = name == which
                button(words, self._turn_to(name), "small", aria_pressed=str(here).lower())
                if here:
                    self._view.props["emptyWords"] = empty
        self._view.props["list"] = self._listed.rows
        self._tell()

    def _turn_to(self, which: str) -> Any:
        async def turn() -> None:
            self._choice.which = which
            await self._show()

        return turn

    def _tell(self) -> None:
        n = self._listed
        left = max(0, n.waiting - self._decided) if self._choice.which == "review" else n.waiting
        self._progress.set_text(
            f"{self._decided} decided as {self._who} · {left} wait · {n.ready} ready for training"
        )

    def _decide(self, said: dict[str, Any]) -> None:
        self._write(int(said["id"]), lambda: decide(self._folder, said, self._who), 1)

    def _undo(self, label_id: int) -> None:
        self._write(label_id, lambda: take_back(self._folder, self._who), -1)

    def _write(self, label_id: int, act: Any, change: int) -> None:
        try:
            if not self._may_write():
                raise BadSession("another window writes to this session; choose Write here instead")
            act()
            self._decided += change
            self._tell()
        except HalfvolleyError as error:
            announce(str(error), "trouble")
            self._view.run_method("failed", label_id)


def _user() -> str:
    """The name under which a decision is kept: whoever has logged in to this machine."""
    try:
        return getpass.getuser() or "somebody"
    except (OSError, KeyError):
        return "somebody"
