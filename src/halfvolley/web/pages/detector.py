"""Detector: which one looks for the ball, how good each is here, and teaching a better one."""

import asyncio
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from nicegui import ui

from halfvolley.errors import HalfvolleyError
from halfvolley.session.detector import suiting
from halfvolley.session.models import use_detector
from halfvolley.session.pipeline import kept_result
from halfvolley.session.schema import Session, read_session
from halfvolley.web.detector_data import (
    Comparison,
    Known,
    Teaching,
    known_detectors,
    read_comparison,
    read_teaching,
)
from halfvolley.web.pages.frame import (
    bar,
    guarded,
    measure_button,
    open_session,
    trouble_page,
    writer_banner,
)
from halfvolley.web.pages.teaching import TeachingPanel
from halfvolley.web.parts import announce, button, link, note, quoted, sentence, tag
from halfvolley.web.state import SessionState
from halfvolley.web.work import compare_detectors

if TYPE_CHECKING:
    from halfvolley.web.app import Bench

MOST_COMPARED = 5  # each has to look through the footage
FIGURES: tuple[tuple[str, str, Callable[[dict[str, Any]], str]], ...] = (
    ("Found", "of the balls that are known", lambda f: _percent(f["recall"])),
    ("Right", "of what it calls a ball", lambda f: _percent(f["precision"])),
    ("Off", "centre of the ball, median", lambda f: _pixels(f["off_px"])),
    ("Speed", "frames a second here", lambda f: _number(f["frames_per_s"])),
)
AGAINST = {
    "truth": "the truth of this made footage", "labels": "the session's labels",
    "no ball": "clips without a ball",
}  # fmt: skip


async def detector(bench: "Bench", key: str, clip: str) -> None:
    """Draw the screen."""
    try:
        state, session = await open_session(bench, key)
    except HalfvolleyError as error:
        trouble_page(str(error))
        return
    compared, teaching, suits = await asyncio.to_thread(_read, session)
    known = known_detectors(session, compared, suits)
    ui.page_title(f"{state.title}: detector - halfvolley")
    bar(key, state.title, "detector", clip)
    may_write = writer_banner(bench, state.folder)
    with tag("div", "", "split", id="main", tabindex="-1"):
        with tag("div", "", "split-main roomy"):
            tag("h1", "Detector", "unseen")
            _choice(bench, state, known, compared, may_write)
            _Worst(key, known).draw()
        with tag("aside", "", "side", aria_label="Teaching a detector"):
            TeachingPanel(bench, state, teaching, may_write).draw()


def _read(session: Session) -> tuple[Comparison | None, Teaching, str]:
    """The newest comparison, how training stands, and what suits the first clip."""
    probed = kept_result(session, session.clips[0].name, "probe")
    suits = "" if probed is None else suiting(probed.info)
    return read_comparison(session.folder), read_teaching(session), suits


# --- which one, and how good each is ------------------------------------------------------------
def _choice(
    bench: "Bench", state: SessionState, known: list[Known], compared: Comparison | None,
    may_write: Any,
) -> None:  # fmt: skip
    def use(name: str) -> None:
        use_detector(read_session(state.folder), name)
        announce("Kept. It counts from the next measurement.")
        ui.navigate.reload()

    with tag("div", "", "title-row"):
        tag("h2", "What looks for the ball", "grow")
        if bench.jobs.current(state.folder) is None:
            words = "Compare again" if compared else "Compare them here"
            button(words, lambda: _compare(bench, state, known))
        measure_button(bench, state)
    with tag("table", "", "choices"):
        with tag("thead"), tag("tr"):
            tag("th", "In use", scope="col")
            tag("th", "Detector", scope="col")
            for name, words, _ in FIGURES:
                with tag("th", "", "value", scope="col"):
                    tag("span", name)
                    tag("small", words)
        with tag("tbody"):
            for one in known:
                _row(one, guarded(may_write, use))
    if compared is None:
        tag("p", "How good each is on this footage is not known yet. Comparing looks through the "
            "frames of which something is known and takes a few minutes.", "soft")  # fmt: skip
        return
    tag("p", f"Held against {AGAINST.get(compared.known_by, 'what is known')}.", "soft small-text")
    for words in compared.notes:
        note(sentence(words), "doubt" if words.startswith("LEAKY") else "info")


def _row(one: Known, use: Any) -> None:
    with tag("tr", "", "used" if one.used else ""):
        with tag("td"):
            box = tag("input", type="radio", name_="detector", id=f"detector-{one.name}",
                      checked=one.used)  # fmt: skip
            box.on("change", lambda: use(one.name))
        with tag("td"), tag("label", "", for_=f"detector-{one.name}"):
            tag("span", one.title, "strong")
            tag("small", one.words)
        for _, _, show in FIGURES:
            tag("td", "–" if one.figures is None else show(one.figures), "value number")


def _percent(share: float | None) -> str:
    return "–" if share is None else f"{100 * share:.1f} %"


def _pixels(value: float | None) -> str:
    return "–" if value is None else f"{value:.2f} px"


def _number(value: float | None) -> str:
    return "–" if value is None else f"{value:.0f}"


def _compare(bench: "Bench", state: SessionState, known: list[Known]) -> None:
    # what suits the clip is one of the others
    names = sorted((one.name for one in known if one.name != "auto"), key=_used_first(known))
    try:
        bench.places.check(read_session(state.folder))
        bench.jobs.start(state.folder, "Comparing detectors", compare_detectors, remakes=False,
                         detectors=names[:MOST_COMPARED])  # fmt: skip
        ui.navigate.reload()
    except HalfvolleyError as error:
        announce(str(error), "trouble")


def _used_first(known: list[Known]) -> Any:
    used = {one.name: one.used for one in known}
    return lambda name: not used[name]


class _Worst:
    """What one detector missed and mistook, as pictures."""

    def __init__(self, key: str, known: list[Known]) -> None:
        self._key = key
        self._known = [one for one in known if one.worst]
        self._chosen = next((one for one in self._known if one.used), None)
        if self._chosen is None and self._known:
            self._chosen = self._known[0]

    def draw(self) -> None:
        """The choice, and under it the pictures."""
        if self._chosen is None:
            return
        with tag("div", "", "title-row"):
            tag("h2", "Where it goes wrong", "grow")
            tag("label", "Detector", for_="worst-of", look="small-text")
            box = tag("select", look="short", id="worst-of")
            with box:
                for one in self._known:
                    here = one is self._chosen
                    tag("option", one.title, value=one.name, selected=here)
        place = tag("div", "", "worst")

        def show(event: Any) -> None:
            self._chosen = next(one for one in self._known if one.name == str(event.args))
            place.clear()
            with place:
                self._pictures()

        box.on("change", show, js_handler="(e) => emit(e.target.value)")
        with place:
            self._pictures()

    def _pictures(self) -> None:
        assert self._chosen is not None
        for how, title, empty in (
            ("missed", "Balls that it missed, the largest first", "It missed no ball."),
            ("false", "Taken for a ball, the surest first", "Nothing was mistaken for a ball."),
        ):
            places = self._chosen.worst.get(how, [])
            tag("h3", title)
            if not places:
                tag("p", empty, "soft")
            with tag("ul", "", "crops"):
                for place in places:
                    with tag("li"):
                        self._picture(how, place)

    def _picture(self, how: str, place: dict[str, Any]) -> None:
        u, v = place["uv_px"]
        clip, frame = place["clip"], place["frame"]
        words = f"frame {frame}"
        sure = "" if how == "missed" else f"{100 * place['score']:.0f} % sure"
        told = f"{words} of {clip}, {sure or how}; show it on the Ball screen"
        address = f"/s/{self._key}/ball/{quoted(clip)}?frame={frame}"
        with link("", address, aria_label=told):
            tag("img", alt="", loading="lazy", width=144, height=144,
                src=f"/picture/{self._key}/{quoted(clip)}/strip.jpg?frame={frame}&u={u:.1f}"
                f"&v={v:.1f}&side={place['side_px']}&near=0")  # fmt: skip
            tag("span", words, "number")
            if sure:
                tag("span", sure, "number")
