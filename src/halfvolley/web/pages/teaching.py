"""Teaching a detector: on which sessions, starting, watching, stopping and going on."""

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING, Any

from nicegui import ui
from nicegui.element import Element

from halfvolley.errors import BadInput
from halfvolley.session.schema import read_session
from halfvolley.session.unfinished import (
    Unfinished,
    give_up_unfinished,
    is_given_up,
    read_unfinished,
    take_up_again,
)
from halfvolley.web.detector_data import Teaching, curve_points, ready_labels
from halfvolley.web.jobs import Job
from halfvolley.web.pages.frame import guarded
from halfvolley.web.parts import button, note, sentence, tag
from halfvolley.web.places import Place
from halfvolley.web.state import SessionState
from halfvolley.web.work import train_detector

if TYPE_CHECKING:
    from halfvolley.web.app import Bench

LOOK_EVERY_S = 2.0
MINUTES = (3, 12, 30, 60)


class CurveView(Element, component="curve.js"):
    """The curve of a training."""

    def __init__(self) -> None:
        super().__init__()
        self.show([], 0, 0)

    def show(self, points: list[dict[str, Any]], steps: int, best: int) -> None:
        """Draw points up to so many steps; the best step is marked, 0 where none is known."""
        self.props["points"] = points
        self.props["steps"] = steps
        self.props["best"] = best
        self.update()


class TeachingPanel:
    """What the Detector screen says and offers of training."""

    def __init__(
        self, bench: "Bench", state: SessionState, teaching: Teaching, may_write: Any
    ) -> None:
        self._bench, self._state, self._teaching = bench, state, teaching
        self._may_write = may_write
        self._minutes = MINUTES[1]
        self._others: set[str] = set()  # keys of further sessions to learn from

    def draw(self) -> None:
        """The panels."""
        t = self._teaching
        with tag("section", "", "panel"):
            tag("h2", "Teach it on this footage")
            if t.trouble:
                note(sentence(t.trouble), "doubt")
                return
            job = self._job()
            if job is not None:
                self._running(job)
            elif self._bench.jobs.current(self._state.folder) is not None:
                note("Other work on this session comes first; then training can begin.")
            elif t.unfinished is not None:
                self._stopped(t.unfinished)
            else:
                self._idle()
        if job is None and t.unfinished is None and t.newest is not None:
            self._newest(t.newest)

    def _job(self) -> Job | None:
        job = self._bench.jobs.current(self._state.folder)
        return job if job is not None and job.work is train_detector else None

    def _idle(self) -> None:
        t = self._teaching
        if not t.ready:
            todo = "Propose some" if self._state.measured else "Measure the session, then look"
            note(f"A detector learns from labels, and none is ready yet. {todo} on the Labels "
                 "screen.")  # fmt: skip
            return
        tag("p", f"{t.ready} labels are ready, {t.by_people} of them decided by people. The "
            "detector learns from some rallies and is judged on others; the better one is used "
            "afterwards, the old one is kept.", "soft")  # fmt: skip
        self._more_sessions()
        with tag("div", "", "field"):
            tag("label", "Minutes of training, at most", for_="minutes")
            box = tag("select", id="minutes", look="short")
            with box:
                for n in MINUTES:
                    tag("option", str(n), value=str(n), selected=n == self._minutes)
            box.on("change", self._set_minutes, js_handler="(e) => emit(e.target.value)")
        with tag("div", "", "buttons"):
            button("Start training", guarded(self._may_write, self._start), "main")
            if is_given_up(self._state.folder):
                button("Undo giving up", guarded(self._may_write, self._take_up))

    def _set_minutes(self, event: Any) -> None:
        self._minutes = int(event.args)

    # --- which sessions
    def _more_sessions(self) -> None:
        """Further sessions, looked through when somebody wants to see them."""
        others = [p for p in self._bench.places.sessions() if p.path != self._state.folder]
        if not others:
            return
        more = tag("details", "", "more")
        with more:
            tag("summary", "Learn from other sessions too")
            listed = tag("ul", "", "clips")

        async def fill() -> None:
            ready = await asyncio.to_thread(lambda: [ready_labels(p.path)[0] for p in others])
            with listed:
                for place, n in zip(others, ready, strict=True):
                    self._session_line(place, n)

        more.on("toggle.once", fill)

    def _session_line(self, place: Place, ready: int) -> None:
        def turn() -> None:
            self._others ^= {place.key}

        with tag("li"):
            box = tag("input", type="checkbox", id=f"from-{place.key}", disabled=not ready)
            box.on("change", turn)
            tag("label", place.title, for_=f"from-{place.key}")
            tag("span", f"{ready} labels" if ready else "no labels yet", "soft small-text")

    def _start(self) -> None:
        others = [self._bench.places.session(key) for key in sorted(self._others)]
        self._begin({"minutes": self._minutes}, others)

    def _begin(self, settings: dict[str, Any], others: list[Path], **more: str) -> None:
        folder = self._state.folder
        for one in (folder, *others):
            self._bench.places.check(read_session(one))
        said = {"settings": settings, "others": [str(path) for path in others]} | more
        self._bench.jobs.start(folder, "Training", train_detector, said=said)
        ui.navigate.reload()

    # --- one that was stopped
    def _stopped(self, at: Unfinished) -> None:
        words = (
            f"A training was stopped at step {at.step}, after {_minutes(at.took_s)}. Nothing of "
        )
        note(f"{words}it is lost.")
        with tag("div", "", "buttons"):
            button("Go on", guarded(self._may_write, lambda: self._go_on(at)), "main")
            button("Give it up", guarded(self._may_write, self._give_up))
        CurveView().show(curve_points(at.curve), at.settings["steps"], 0)

    def _go_on(self, at: Unfinished) -> None:
        here = {str(place.path): place.path for place in self._bench.places.sessions()}
        gone = [name for name in at.sessions[1:] if name not in here]
        if gone:
            raise BadInput(
                f"{Path(gone[0]).name}, which it learns from too, is no session here any more; "
                "bring it back, or give the training up"
            )
        others = [here[name] for name in at.sessions[1:]]
        self._begin(at.settings, others, start=at.start, split_by=at.split_by)

    def _give_up(self) -> None:
        give_up_unfinished(self._state.folder)
        ui.navigate.reload()

    def _take_up(self) -> None:
        take_up_again(self._state.folder)
        ui.navigate.reload()

    # --- one that runs
    def _running(self, job: Job) -> None:
        words = tag("p", "", "strong number", role="status")
        facts = tag("p", "", "soft small-text")
        button("Stop", lambda: self._stop(job))
        tag("p", "Stopping keeps all that was learned; go on whenever you like. You may close "
            "this window meanwhile.", "soft small-text")  # fmt: skip
        curve = CurveView()
        shown: list[object] = []

        async def look() -> None:
            nonlocal shown
            at = await asyncio.to_thread(read_unfinished, self._state.folder)
            now: list[object] = [job.doing, at and at.step, round(job.share, 2)]
            if now == shown or curve.is_deleted:
                return
            shown = now
            words.set_text(_progress(job, at))
            if at is not None:
                facts.set_text(_facts(at))
                curve.show(curve_points(at.curve), at.settings["steps"], 0)

        ui.timer(LOOK_EVERY_S, look)

    def _stop(self, job: Job) -> None:
        self._bench.jobs.stop(job.number)
        ui.navigate.reload()

    def _newest(self, card: dict[str, Any]) -> None:
        with tag("section", "", "panel"):
            name = card["file"].removesuffix(".onnx")
            tag("h2", f"Taught last: {name}")
            gain = card["gain"]
            tag("p", f"{100 * gain['gain']:+.1f} points of average precision on what was held "
                f"out (95 % interval {100 * gain['low']:+.1f} to {100 * gain['high']:+.1f}). "
                f"{card['curve'][-1]['step']} steps in {_minutes(card['took_s'])} on "
                f"{card['device']}.", "soft")  # fmt: skip
            last = card["curve"][-1]["step"]
            CurveView().show(curve_points(card["curve"]), last, card["best_step"])


def _progress(job: Job, at: Unfinished | None) -> str:
    if job.doing != "training" or at is None:
        return f"{job.doing or 'starting'} …".capitalize()
    words = f"Step {at.step}" if at.step else "First steps"
    return words if at.left_s is None else f"{words}, about {_minutes(at.left_s)} left"


def _facts(at: Unfinished) -> str:
    n, sessions = at.labels, len(at.sessions)
    where = f" of {sessions} sessions" if sessions > 1 else ""
    return (
        f"On {at.device}, from {at.start}: {n['train']} labels{where} to learn from, "
        f"{n['validation']} to choose with, {n['test']} held out."
    )


def _minutes(seconds: float) -> str:
    if seconds < 90.0:
        return f"{seconds:.0f} s"
    return f"{seconds / 60.0:.0f} minutes"
