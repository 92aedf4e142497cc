"""Pictures for pages: frames of clips, and what was cut out of them."""

from collections.abc import Callable
from functools import lru_cache
from typing import TYPE_CHECKING

from fastapi import APIRouter, Response
from starlette.responses import PlainTextResponse

from halfvolley.errors import BadInput, HalfvolleyError
from halfvolley.session.pipeline import kept_result
from halfvolley.session.schema import FILE_NAME, ClipEntry, Session, read_session
from halfvolley.session.veil import Veil, handed_on
from halfvolley.web.film import WIDTHS_PX, Film

if TYPE_CHECKING:
    from halfvolley.web.app import Bench

GLANCE_PX = 960  # wide, while somebody moves about
_KEEP = {"Cache-Control": "private, max-age=3600"}  # the address changes with the file


def picture_routes(bench: "Bench") -> APIRouter:
    """Addresses below /picture; a session is named by its key, a clip by its name."""
    routes = APIRouter(prefix="/picture")

    @routes.get("/{key}/{clip}/strip.jpg")
    def strip(
        key: str, clip: str, frame: int, u: float, v: float, side: float, near: int = 2
    ) -> Response:
        def make() -> bytes:
            _, _, film = film_of(bench, key, clip)
            if not (0 <= near <= 3 and 8.0 <= side <= 2.0 * max(film.info.size_px)):
                raise BadInput("such a strip is not made")
            if not 0 <= frame < len(film.info.pts_s):
                raise BadInput(f"there is no frame {frame}")
            return film.strip(frame, (u, v), side, near)

        return _jpeg(make)

    @routes.get("/{key}/{clip}/{index}.jpg")
    def frame(key: str, clip: str, index: int, width: int = 960, handed: str = "") -> Response:
        def make() -> bytes:
            if width not in WIDTHS_PX:
                raise BadInput(f"pictures are {WIDTHS_PX} px wide")
            session, entry, film = film_of(bench, key, clip)
            veil = _veil(session, entry, film, session_stamp(session)) if handed else None
            return film.jpeg(index, width) if veil is None else film.veiled(index, width, veil)

        return _jpeg(make)

    @routes.get("/{key}/{clip}/{index}/near.jpg")
    def near(key: str, clip: str, index: int) -> Response:
        try:
            session, entry, film = film_of(bench, key, clip)
            if not 0 <= index < len(film.info.pts_s):
                raise BadInput(f"there is no frame {index}")
            data, shown = bench.glances.picture(session, entry, film, index, GLANCE_PX)
        except HalfvolleyError as error:
            return PlainTextResponse(str(error), 404)
        said = {"X-Frame": str(shown), "Cache-Control": "no-store"}
        return Response(data, media_type="image/jpeg", headers=said)

    return routes


def session_stamp(session: Session) -> int:
    """Names what session.toml says now."""
    return (session.folder / FILE_NAME).stat().st_mtime_ns


@lru_cache(maxsize=2)
def _veil(session: Session, entry: ClipEntry, film: Film, stamp: int) -> Veil | None:
    """What is blurred in a clip when it is handed on."""
    del stamp  # when session.toml was written
    return handed_on(session, entry, film.recording)


def film_of(bench: "Bench", key: str, clip: str) -> tuple[Session, ClipEntry, Film]:
    """A session's clip, and the film of it.

    Raises
    ------
    BadInput, BadSession, FootageError
        If there is no such session or clip, or its file is gone or lies elsewhere.
    """
    session = read_session(bench.places.session(key))
    entry = session.clip(clip)
    bench.places.check(session, [entry])
    return session, entry, open_film(bench, session, entry)


def open_film(bench: "Bench", session: Session, entry: ClipEntry) -> Film:
    """The film of a clip; a long one that is measured need not be looked through again.

    Raises
    ------
    BadSession, FootageError
        If a file is gone, or cannot be read.
    """
    return bench.films.of(entry.files, lambda: kept_result(session, entry.name, "probe"))


def _jpeg(make: Callable[[], bytes]) -> Response:
    try:
        return Response(make(), media_type="image/jpeg", headers=_KEEP)
    except HalfvolleyError as error:
        return PlainTextResponse(str(error), 404)
