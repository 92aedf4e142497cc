"""The frame around all screens, and which screen an address shows."""

from collections.abc import Callable
from typing import TYPE_CHECKING, Any
from urllib.parse import unquote

from nicegui import context, ui

from halfvolley.web.jobs import Job
from halfvolley.web.pages.ball import ball
from halfvolley.web.pages.camera import camera
from halfvolley.web.pages.detector import detector
from halfvolley.web.pages.enter import enter
from halfvolley.web.pages.faces import faces
from halfvolley.web.pages.home import home, new
from halfvolley.web.pages.jobs import job_strip
from halfvolley.web.pages.labels import labels
from halfvolley.web.pages.play import play
from halfvolley.web.pages.report import report
from halfvolley.web.parts import tag

if TYPE_CHECKING:
    from halfvolley.web.app import Bench

SHARED = "film", "flight", "court", "replay", "timeline"  # read before a screen asks for them
HEAD = """
<link rel="stylesheet" href="/static/look.css">
<script src="/static/window.js"></script>
""" + "".join(f'<link rel="modulepreload" href="/static/{name}.js">' for name in SHARED)


def build(bench: "Bench") -> None:
    """One window: its frame, and within it the screen of the address."""
    ui.add_head_html(HEAD)
    ui.query(".nicegui-content").classes(replace="frame")
    tag("a", "Skip to the content", "skip", href="#main")
    pages: dict[str, Callable[..., Any]] = {
        "/": lambda: home(bench),
        "/new": lambda: new(bench),
        "/s/{key}": lambda key: enter(bench, key),
        "/s/{key}/camera/{clip}": lambda key, clip: camera(bench, key, unquote(clip)),
        "/s/{key}/ball/{clip}": lambda key, clip, frame="": ball(bench, key, unquote(clip), frame),
        "/s/{key}/labels/{clip}": lambda key, clip: labels(bench, key, unquote(clip)),
        "/s/{key}/detector/{clip}": lambda key, clip: detector(bench, key, unquote(clip)),
        "/s/{key}/play/{clip}": lambda key, clip: play(bench, key, unquote(clip)),
        "/s/{key}/faces/{clip}": lambda key, clip: faces(bench, key, unquote(clip)),
        "/s/{key}/report/{clip}": lambda key, clip: report(bench, key, unquote(clip)),
    }
    screen = ui.sub_pages(pages).classes(replace="screen")
    router = context.client.sub_pages_router

    def over(job: Job) -> None:
        """Draw again what the job has made another; nobody loses their place for less."""
        path, own = router.current_path, f"/s/{bench.places.key_of(job.folder)}/"
        files = not job.aside and ("/report/" in path or "/detector/" in path)
        concerned = path.startswith(own) and (job.remakes or files)
        if path == "/" or concerned:
            screen.refresh()

    job_strip(bench, over)
    tag("div", "", "announcer", id="announcer", role="status", aria_live="polite")
