"""The strip at the foot of every screen: what is at work, how far it is, and how it ended."""

import time
from collections.abc import Callable
from typing import TYPE_CHECKING

from nicegui import ui

from halfvolley.web.jobs import Job, State
from halfvolley.web.parts import button, link, tag

if TYPE_CHECKING:
    from halfvolley.web.app import Bench

LOOK_EVERY_S = 0.5
SHOWN_AFTER_S = 12.0  # how long the end of a job stays in sight; a failure stays until put away


def job_strip(bench: "Bench", when_over: Callable[[Job], None]) -> None:
    """Draw the strip, and keep it true."""
    strip = tag("section", "", "jobs", aria_label="Work in the background")
    put_away: set[int] = set()
    seen: dict[int, tuple[State, str, float]] = {}

    def look() -> None:
        nonlocal seen
        jobs = [job for job in _newest(bench.jobs.all()) if _is_shown(job, put_away)]
        now = {j.number: (j.state, j.doing, round(j.share, 2)) for j in jobs}
        if now == seen:
            return
        was_at_work = {n for n, (state, *_) in seen.items() if state in ("waiting", "running")}
        over = [job for job in jobs if job.is_over and job.number in was_at_work]
        seen = now
        strip.clear()
        with strip:
            for job in jobs:
                _draw(bench, job, put_away)
        for job in over:
            when_over(job)

    look()
    ui.timer(LOOK_EVERY_S, look)


def _newest(jobs: list[Job]) -> list[Job]:
    """Of the same work on a session only how it ended last."""
    last = {(job.folder, job.title): job for job in jobs}
    return [job for job in jobs if not job.is_over or last[job.folder, job.title] is job]


def _is_shown(job: Job, put_away: set[int]) -> bool:
    if job.number in put_away:
        return False
    return not job.is_over or job.state == "failed" or time.time() - job.ended_s < SHOWN_AFTER_S


def _draw(bench: "Bench", job: Job, put_away: set[int]) -> None:
    with tag("div", "", f"job {job.state}"):
        with tag("div", "", "job-words"):
            link(job.folder.name, f"/s/{bench.places.key_of(job.folder)}", "job-session")
            words = job_words(job)
            said = words.casefold().startswith(job.title.casefold())
            tag("span", words.capitalize() if said else f"{job.title} · {words}")
        if job.state == "running":
            tag(
                "progress", look="meter", max=100, value=round(100 * job.share),
                aria_label=f"{job.title}, this step",
            )  # fmt: skip
        if job.is_over:
            button("Put away", lambda: put_away.add(job.number), "quiet small")
        else:
            button("Stop", lambda: bench.jobs.stop(job.number), "small")


def job_words(job: Job) -> str:
    """What a job is doing, or how it ended."""
    if job.state == "waiting":
        return "waits for the work before it"
    if job.state == "running":
        return f"{job.doing or 'starting'} …"
    return job.words
