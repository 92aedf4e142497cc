"""Where somebody moves about quickly in a clip: pictures at once, from a small copy if need be.

Which clips need a copy is the session's rule; it is made in the background, and what is there of it
is used. The exact frame is shown as soon as somebody stops.
"""

import contextlib
import threading
from collections import OrderedDict
from pathlib import Path
from typing import TYPE_CHECKING

from halfvolley.errors import HalfvolleyError
from halfvolley.session.proxy import Pieces, pieces_of, why_slow
from halfvolley.session.recording import probe_recording
from halfvolley.session.schema import ClipEntry, Session
from halfvolley.web.film import Film, JpegStore
from halfvolley.web.jobs import Job
from halfvolley.web.work import make_small_copy

if TYPE_CHECKING:
    from halfvolley.web.app import Bench

OPEN_PIECES = 4
KEPT_BYTES = 48 << 20


class Glances:
    """Small copies of the clips that need one."""

    def __init__(self) -> None:
        self._why: dict[tuple[Path, int], str] = {}  # by film and its time of change
        self._pieces: dict[tuple[Path, str, int], Pieces] = {}
        self._jobs: dict[tuple[Path, str], Job] = {}
        self._store = JpegStore(KEPT_BYTES)
        self._lock = threading.Lock()
        self._open: OrderedDict[Path, Film] = OrderedDict()

    def picture(
        self, session: Session, entry: ClipEntry, film: Film, index: int, width_px: int
    ) -> tuple[bytes, int]:
        """A picture near a frame, quickly, and which frame it is of.

        Raises
        ------
        BadInput, FootageError
            If there is no such frame, or nothing can be decoded there.
        """
        if not self.why(film):
            return film.jpeg(index, width_px), index
        pieces = self._pieces_of(session, entry, film)
        found = pieces.find(index)
        if found is None:
            return film.near(index, width_px)
        path, place, shown = found
        return self._piece(path).jpeg(place, width_px), shown

    def why(self, film: Film) -> str:
        """Why a clip needs a small copy; "" where it needs none."""
        name = (film.info.path, film.changed_ns)
        if name not in self._why:
            self._why[name] = why_slow(film.info)
        return self._why[name]

    def prepare(self, bench: "Bench", session: Session, entry: ClipEntry, film: Film) -> str:
        """Have the small copy made where one is needed; what to say of it, "" for nothing."""
        why = self.why(film)
        if not why:
            return ""
        pieces = self._pieces_of(session, entry, film)
        if not pieces.missing:
            return f"Quick jumps use a small copy, since {why}. Where you stop, the frame is exact."
        self._begin(bench, session, entry)
        return (
            f"A small copy for quick jumps is being made, since {why}. All can be used meanwhile; "
            "where you stop, the frame is exact."
        )

    def _pieces_of(self, session: Session, entry: ClipEntry, film: Film) -> Pieces:
        """As `pieces_of`, which looks through all times of a clip, once."""
        name = (session.folder, entry.name, film.changed_ns)
        if name not in self._pieces:
            self._pieces[name] = pieces_of(session, entry, film.info)
        return self._pieces[name]

    def _begin(self, bench: "Bench", session: Session, entry: ClipEntry) -> None:
        """Start it once; who stopped it does not want it again."""
        name = (session.folder, entry.name)
        if name in self._jobs:
            return
        with contextlib.suppress(HalfvolleyError):
            self._jobs[name] = bench.jobs.start(
                session.folder, f"Small copy of {entry.name}", make_small_copy, remakes=False,
                aside=True, clip=entry.name,
            )  # fmt: skip

    def _piece(self, path: Path) -> Film:
        with self._lock:
            piece = self._open.get(path)
            if piece is None:
                piece = self._open[path] = Film(probe_recording((path,)), self._store)
            self._open.move_to_end(path)
            while len(self._open) > OPEN_PIECES:
                self._open.popitem(last=False)
            return piece
