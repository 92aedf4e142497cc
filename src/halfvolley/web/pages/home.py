"""Home: all sessions below the folder; and the start of a new one."""

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING, Any

from nicegui import ui

from halfvolley.errors import HalfvolleyError
from halfvolley.session.edit import new_session, set_clip
from halfvolley.session.files import storing
from halfvolley.session.schema import FILE_NAME
from halfvolley.web.jobs import Job
from halfvolley.web.pages.frame import measure_button
from halfvolley.web.pages.jobs import LOOK_EVERY_S as TELL_EVERY_S
from halfvolley.web.pages.jobs import job_words
from halfvolley.web.pages.theme import theme_button
from halfvolley.web.parts import announce, button, choice, link, note, quoted, shown_path, tag
from halfvolley.web.places import Place
from halfvolley.web.state import SHOWS, SessionState, session_state
from halfvolley.web.work import make_demo

if TYPE_CHECKING:
    from halfvolley.web.app import Bench

DEMO_S = 8.0
COLOURS = {"unknown": "find out", "white": "white", "orange": "orange"}
LOOK_EVERY_S = 3.0


async def home(bench: "Bench") -> None:
    """Draw Home."""
    ui.page_title("Sessions - halfvolley")
    _bar()
    with tag("div", "", "page", id="main", tabindex="-1"):
        with tag("div", "", "title-row"):
            with tag("div", "", "grow"):
                tag("h1", "Sessions")
                tag("p", f"in {shown_path(bench.places.root)}", "soft")
            with tag("div", "", "buttons"):
                button("Make a demo", lambda: start_demo())
                link("New session", "/new", "button main")
        place = tag("div", "", "sessions")
    shown: list[object] = []

    async def start_demo() -> None:
        _start_demo(bench)
        await draw()

    async def draw() -> None:
        nonlocal shown
        states = await asyncio.to_thread(_states, bench)
        coming = [job for job in bench.jobs.all() if is_coming(job)]
        now: list[object] = [
            *((key, s.words, len(s.due), bench.jobs.current(s.folder)) for key, s in states),
            *coming,
        ]
        if shown and now == shown:
            return
        shown = now
        place.clear()
        with place:
            if not (states or coming):
                _empty()
            for job in coming:
                _coming_card(job)
            for key, state in states:
                _card(bench, key, state)

    async def look() -> None:
        """While something is at work, sessions appear and stages are done."""
        if any(not job.is_over for job in bench.jobs.all()):
            await draw()

    await draw()
    ui.timer(LOOK_EVERY_S, look)


def _states(bench: "Bench") -> list[tuple[str, SessionState]]:
    return [(p.key, session_state(p.path, p.title)) for p in bench.places.sessions()]


def is_coming(job: Job) -> bool:
    """Whether it makes a session that is not there yet."""
    return not (job.is_over or (job.folder / FILE_NAME).is_file())


def _bar() -> None:
    with tag("header", "", "bar"):
        link("halfvolley", "/", "brand")
        tag("span", "", "grow")
        theme_button()


def _empty() -> None:
    with tag("div", "", "empty"):
        tag("h2", "No session yet")
        tag(
            "p",
            "A session is one afternoon of play: your clips and all that is measured from them. "
            "Start one from a clip of your camera, or make a demo first: a game that never was, "
            "filmed by the program itself, ready in two or three minutes.",
        )


def _coming_card(job: Job) -> None:
    with tag("article", "", "card coming", aria_label=job.folder.name):
        tag("div", "", "card-picture")
        with tag("div", "", "card-words"):
            tag("h2", job.folder.name)
            tag("p", "A game that never was, filmed by the program itself. It is measured as soon "
                "as its clip is there; all in all two or three minutes.", "soft")  # fmt: skip
            _at_work(job)


def _at_work(job: Job) -> None:
    """What is being done, and how far it is."""
    words = tag("p", "", "state-words", role="status")
    meter = tag("progress", look="meter", max=100, aria_label=f"{job.title}, this step")

    def tell() -> None:
        if words.text != job_words(job):
            words.set_text(job_words(job))
        if meter.props.get("value") != round(100 * job.share):
            meter.props["value"] = round(100 * job.share)
            meter.update()

    tell()
    ui.timer(TELL_EVERY_S, tell)


def _card(bench: "Bench", key: str, state: SessionState) -> None:
    with tag("article", "", "card", aria_label=state.title):
        address = f"/s/{key}"
        clip = state.session.clips[0].name if state.session is not None else None
        with tag("div", "", "card-picture"):
            if clip is not None:
                tag("img", alt="", src=f"/picture/{key}/{quoted(clip)}/0.jpg?width=320",
                    loading="lazy")  # fmt: skip
        with tag("div", "", "card-words"):
            with tag("h2"):
                link(state.title, address, "cover")
            with tag("p", "", "soft facts"):
                for words in filter(None, (state.venue, state.when)):
                    tag("span", words)
            _progress(state, bench.jobs.current(state.folder))
            if state.trouble:
                note(state.trouble.replace(f"{state.folder}/", ""), "trouble")
            elif state.doubts:
                n = len(state.doubts)
                tag("p", f"{n} {'doubt' if n == 1 else 'doubts'}: {state.doubts[0]}", "doubt-line")
            measure_button(bench, state, "small over")


def _progress(state: SessionState, job: Job | None) -> None:
    with tag("div", "", "stages"):
        with tag("ol", aria_label="Steps of the measurement"):
            for stage in state.stages:
                words = "done" if stage.done else f"to do: {stage.why}"
                with tag("li", "", "done" if stage.done else "due", title=f"{stage.name}: {words}"):
                    tag("span", f"{stage.name}: {words}", "unseen")
        if job is None:
            tag("p", state.words, "state-words")
        else:
            _at_work(job)


def _start_demo(bench: "Bench") -> None:
    folder = bench.places.new_folder("demo")
    number = sum(p.path.name.startswith("demo") for p in bench.places.sessions()) + 1
    try:
        with storing(folder):
            folder.mkdir()
        bench.jobs.start(folder, "Making a demo", make_demo, seed=number, duration_s=DEMO_S)
    except HalfvolleyError as error:
        announce(str(error), "trouble")


async def new(bench: "Bench") -> None:
    """Draw the start of a new session."""
    ui.page_title("New session - halfvolley")
    _bar()
    chosen: dict[str, Any] = {
        "clips": set(), "name": "", "colour": "unknown", "venue": "", "kind": "play",
    }  # fmt: skip
    with tag("div", "", "page narrow", id="main", tabindex="-1"):
        tag("h1", "New session")
        with tag("section", "", "part"):
            tag("h2", "1  Which clips?")
            zone = tag("div", "", "drop", id="drop")
            with zone:
                tag("p", "Drop clips here, or")
                tag("label", "choose files", "button", for_="files")
                tag("input", look="hidden-input", type="file", id="files", multiple=True,
                    accept="video/*,.mkv,.mts,.m2ts")  # fmt: skip
            root = shown_path(bench.places.root)
            words = f"They are copied below {root}. Clips that lie there already need no copy:"
            tag("p", words, "soft")
            listed = tag("ul", "", "clips")
        with tag("section", "", "part"):
            tag("h2", "2  What was it?")
            with tag("div", "", "fields"):
                _field("Name of the session", "name", chosen)
                _field("Where it was filmed", "venue", chosen)
                choice("What it shows", "field-kind", SHOWS, "play",
                       lambda kind: chosen.update(kind=kind))  # fmt: skip
                choice("Colour of the ball", "field-colour", COLOURS, "unknown",
                       lambda colour: chosen.update(colour=colour))  # fmt: skip
        with tag("div", "", "title-row"):
            link("Back", "/", "button")
            button("Start the session", lambda: _start(bench, chosen), "main")

    async def show(_: object = None) -> None:
        found = await asyncio.to_thread(_free_clips, bench)
        listed.clear()
        with listed:
            for place in found:
                _clip_line(place, chosen)
            if not found:
                tag("li", "No clip lies here that is not in a session already.", "soft")

    zone.on("uploaded", show)
    ui.run_javascript(f"halfvolley.takeDrops({zone.id})")
    await show()


def _free_clips(bench: "Bench") -> list[Place]:
    """Clips that no session uses yet."""
    used: set[Path] = set()
    for place in bench.places.sessions():
        state = session_state(place.path, place.title)
        if state.session is not None:
            used |= {file.resolve() for entry in state.session.clips for file in entry.files}
    return [place for place in bench.places.clips() if place.path.resolve() not in used]


def _clip_line(place: Place, chosen: dict[str, Any]) -> None:
    def turn() -> None:
        chosen["clips"] ^= {place.key}

    with tag("li"):
        box = tag("input", type="checkbox", id=f"clip-{place.key}",
                  checked=place.key in chosen["clips"])  # fmt: skip
        box.on("change", turn)
        size = place.path.stat().st_size if place.path.is_file() else 0
        tag("label", place.title, for_=f"clip-{place.key}")
        tag("span", f"{size / 1e6:.0f} MB" if size < 1e9 else f"{size / 1e9:.1f} GB", "soft")


def _field(words: str, name: str, chosen: dict[str, Any]) -> None:
    with tag("div", "", "field"):
        tag("label", words, for_=f"field-{name}")
        box = tag("input", type="text", id=f"field-{name}", maxlength=80, autocomplete="off")
        box.on("input", lambda event: chosen.update({name: str(event.args)}),
               js_handler="(e) => emit(e.target.value)")  # fmt: skip


def _start(bench: "Bench", chosen: dict[str, Any]) -> None:
    try:
        clips = [bench.places.clip(key) for key in sorted(chosen["clips"])]
        if not clips:
            announce("Choose or drop at least one clip first.", "trouble")
            return
        folder = bench.places.new_folder(chosen["name"] or clips[0].stem)
        venue = chosen["venue"].strip()
        session = new_session(folder, clips, colour=chosen["colour"], venue=venue)
        if chosen["kind"] != "play":
            for entry in session.clips:
                session = set_clip(session, entry.name, kind=chosen["kind"])
    except HalfvolleyError as error:
        announce(str(error), "trouble")
        return
    ui.navigate.to(f"/s/{bench.places.key_of(folder)}")
