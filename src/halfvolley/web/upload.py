"""Clips that are dropped into the page: into the new session's folder, whole or not at all."""

import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from fastapi import APIRouter, Request, Response
from starlette.responses import PlainTextResponse

from halfvolley.errors import BadInput, HalfvolleyError
from halfvolley.session.files import TEMPORARY_PREFIX, storing
from halfvolley.web.places import VIDEO_ENDINGS, safe_name

if TYPE_CHECKING:
    from halfvolley.web.app import Bench

FOLDER = "clips"  # below the chosen folder
MOST_BYTES = 64 << 30
LEFT_FREE_BYTES = 2 << 30  # measuring needs room too


def upload_routes(bench: "Bench") -> APIRouter:
    """The one address that takes a file: PUT /upload/NAME with the file as the body."""
    routes = APIRouter(prefix="/upload")

    @routes.put("/{name}")
    async def upload(name: str, request: Request) -> Response:
        try:
            path = await _take(bench.places.root / FOLDER, name, request)
        except HalfvolleyError as error:
            return PlainTextResponse(str(error), 400)
        return PlainTextResponse(path.name)

    return routes


async def _take(folder: Path, name: str, request: Request) -> Path:
    said = Path(name.replace("\\", "/"))
    clean = f"{safe_name(said.stem) or 'clip'}{said.suffix.lower()}"
    if said.suffix.lower() not in VIDEO_ENDINGS:
        raise BadInput(f"{name} is no clip; drop video files such as mp4, mov or mkv")
    most = room_bytes(folder.parent)
    if int(request.headers.get("content-length") or 0) > most:
        raise BadInput(f"{name} does not fit: there is room for {most >> 20} MB; free some space")
    with storing(folder / clean):
        folder.mkdir(exist_ok=True)
        handle, unfinished = tempfile.mkstemp(dir=folder, prefix=TEMPORARY_PREFIX)
        try:
            with open(handle, "wb") as stream:
                taken = 0
                async for part in request.stream():
                    taken += len(part)
                    if taken > most:
                        raise BadInput(f"{name} does not fit on the disk; free some space")
                    stream.write(part)
            path = _free_name(folder / clean)
            Path(unfinished).rename(path)
        finally:
            Path(unfinished).unlink(missing_ok=True)
    return path


def room_bytes(folder: Path) -> int:
    """How large a dropped clip may be."""
    return min(MOST_BYTES, max(0, shutil.disk_usage(folder).free - LEFT_FREE_BYTES))


def _free_name(path: Path) -> Path:
    free, n = path, 2
    while free.exists():
        free, n = path.with_stem(f"{path.stem}-{n}"), n + 1
    return free
