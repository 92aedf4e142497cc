"""The workbench as one application: what it knows, its pages, its pictures, its guard."""

import contextlib
import ctypes
import gc
import platform
import socket
import threading
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path

from fastapi import FastAPI
from nicegui import Client, ui
from starlette.types import ASGIApp

from halfvolley.errors import BadInput
from halfvolley.web.film import Films
from halfvolley.web.glances import Glances
from halfvolley.web.guard import Guard, Rules
from halfvolley.web.jobs import Jobs
from halfvolley.web.places import Places
from halfvolley.web.undo import Changes
from halfvolley.web.writers import Writers

STATIC = Path(__file__).parent / "static"
AWAY_S = 60.0  # a window that was busy or asleep so long finds everything as it left it
M_ARENA_MAX = -8  # of mallopt(3)
ARENAS = 2


@dataclass(frozen=True, slots=True, eq=False)
class Bench:
    """What all pages share."""

    places: Places
    jobs: Jobs
    films: Films
    writers: Writers
    glances: Glances
    made: dict[tuple[Path, str], Changes] = field(default_factory=dict)

    def changes(self, folder: Path, screen: str) -> Changes:
        """What was changed on one screen of a session."""
        return self.made.setdefault((folder, screen), Changes(folder))


def make_bench(root: Path, footage: tuple[Path, ...] = ()) -> Bench:
    """A workbench for the sessions below a folder.

    Raises
    ------
    BadInput
        If one of the folders does not exist.
    """
    for folder in (root, *footage):
        if not folder.is_dir():
            raise BadInput(f"no such folder: {folder}; make it, or give another one")
    return Bench(Places(root, footage), Jobs(), Films(), Writers(_is_open), Glances())


def make_app(bench: Bench, rules: Rules) -> ASGIApp:
    """The application that a server serves.

    Parameters
    ----------
    bench : Bench
        What it shows.
    rules : Rules
        Who is let in.
    """
    from starlette.staticfiles import StaticFiles

    from halfvolley.web.files import file_routes
    from halfvolley.web.pages import build
    from halfvolley.web.pictures import picture_routes
    from halfvolley.web.upload import upload_routes

    @contextlib.asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        yield
        bench.jobs.stop_all()

    app = FastAPI(lifespan=lifespan, docs_url=None, redoc_url=None, openapi_url=None)
    app.mount("/static", StaticFiles(directory=STATIC))
    app.include_router(picture_routes(bench))
    app.include_router(upload_routes(bench))
    app.include_router(file_routes(bench))
    ui.run_with(
        app, root=lambda: build(bench), title="halfvolley", favicon=STATIC / "mark.svg", dark=False,
        tailwind=False, show_welcome_message=False, binding_refresh_interval=None,
        reconnect_timeout=AWAY_S,
    )  # fmt: skip
    return Guard(app, rules)


def serve(bench: Bench, rules: Rules, listening: socket.socket) -> None:
    """Serve until somebody presses Ctrl-C."""
    import uvicorn

    _share_memory()
    threading.Thread(target=_get_ready, name="get ready", daemon=True).start()
    config = uvicorn.Config(
        make_app(bench, rules), log_level="warning", ws_max_size=1 << 20, lifespan="on",
        server_header=False, timeout_graceful_shutdown=2,
    )  # fmt: skip
    uvicorn.Server(config).run(sockets=[listening])


def listen(address: str, port: int) -> socket.socket:
    """A listening socket.

    Raises
    ------
    BadInput
        If the address is not one of this machine, or the port is taken.
    """
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    listening = socket.socket(family, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((address, port))
    except OSError as error:
        listening.close()
        raise BadInput(
            f"cannot listen on {address}, port {port}: {error.strerror or error}; choose another "
            "with --host and --port"
        ) from None
    listening.listen(128)
    return listening


def _share_memory() -> None:
    """Have threads share what was freed: pictures are decoded now in one, now in another.

    The C library of Linux keeps an arena of memory for each of them otherwise, with room for the
    most that it ever held.
    """
    if platform.libc_ver()[0] == "glibc":
        ctypes.CDLL(None).mallopt(M_ARENA_MAX, ARENAS)


def _get_ready() -> None:
    """Load what screens need when they are first shown, so that nobody's first click waits."""
    import pyarrow.dataset
    import pyarrow.parquet  # noqa: F401

    from halfvolley.physics import fly

    fly((0.0, 0.0, 1.0), (1.0, 0.0, 0.0), (0.0, 0.0, 0.0), (0.0, 0.01))
    gc.collect()
    gc.freeze()  # what libraries made stays; looking through it again held pages up for 0.25 s


def _is_open(window: str) -> bool:
    client = Client.instances.get(window)
    return client is not None and client.has_socket_connection
