"""Files of a session's report and tables, for the preview and to hand on."""

from typing import TYPE_CHECKING

from fastapi import APIRouter, Response
from starlette.responses import FileResponse, PlainTextResponse

from halfvolley.errors import HalfvolleyError
from halfvolley.web.pages.report import shown_files

if TYPE_CHECKING:
    from halfvolley.web.app import Bench

# what is shown may load and run nothing, whatever it holds
_STILL = {
    "Content-Security-Policy": "default-src 'none'; img-src 'self' data:; media-src 'self'; "
    "style-src 'unsafe-inline'; frame-ancestors 'self'; sandbox",
    "Cache-Control": "no-store",
}


def file_routes(bench: "Bench") -> APIRouter:
    """Addresses below /file; only names that the session itself lists are found."""
    routes = APIRouter(prefix="/file")

    @routes.get("/{key}/{name}")
    def file(key: str, name: str) -> Response:
        try:
            path = shown_files(bench.places.session(key)).get(name)
        except HalfvolleyError as error:
            return PlainTextResponse(str(error), 404)
        if path is None or not bench.places.allows(path):
            return PlainTextResponse("there is no such file; make the report again", 404)
        return FileResponse(path, headers=_STILL)

    return routes
