"""Which folders and clips the workbench may touch.

A browser never names a path: it names a key that the server gave to something it found itself
below the chosen folders. So no path outside them can be asked for.
"""

import hashlib
import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from halfvolley.errors import BadInput, FootageError
from halfvolley.session.schema import FILE_NAME, ClipEntry, Session

DEEPEST = 4  # folders below the chosen one in which sessions and clips are looked for
MOST_FOLDERS = 5000
VIDEO_ENDINGS = frozenset((".mp4", ".mov", ".mkv", ".avi", ".m4v", ".mts", ".m2ts", ".webm", ".ts"))
_OWN = frozenset(("computed", "tables", "report", "models"))  # within a session
_RESERVED = frozenset(
    ("con", "prn", "aux", "nul", *(f"com{i}" for i in range(10)), *(f"lpt{i}" for i in range(10)))
)


@dataclass(frozen=True, slots=True)
class Place:
    """Something found below the chosen folders."""

    key: str
    path: Path
    title: str  # its path from the chosen folder, for people


class Places:
    """The chosen folders and what lies in them.

    Parameters
    ----------
    root : Path
        Sessions lie and are made below it.
    footage : sequence of Path
        Further folders whose clips may be read.
    """

    def __init__(self, root: Path, footage: Sequence[Path] = ()) -> None:
        self.root = root.resolve()
        self.readable = (self.root, *(path.resolve() for path in footage))
        self._found: dict[str, Path] = {}  # sessions by key, as last seen

    def sessions(self) -> list[Place]:
        """All sessions, by name."""
        found = [
            self._place(folder, self.root)
            for folder, _, files in _walk(self.root)
            if FILE_NAME in files
        ]
        self._found = {place.key: place.path for place in found}
        return sorted(found, key=lambda place: place.title.casefold())

    def session(self, key: str) -> Path:
        """The folder of a session.

        Raises
        ------
        BadInput
            If no session has this key.
        """
        path = self._found.get(key)
        if path is None or not (path / FILE_NAME).is_file():
            self.sessions()
            path = self._found.get(key)
        if path is not None:
            return path
        raise BadInput("there is no such session any more; go back to all sessions")

    def key_of(self, folder: Path) -> str:
        """The key of a session's folder."""
        return _key(folder.resolve())

    def clips(self) -> list[Place]:
        """All video files that are no part of a report, newest first."""
        found: dict[Path, Place] = {}
        for top in self.readable:
            for folder, _, files in _walk(top):
                for name in files:
                    if Path(name).suffix.lower() in VIDEO_ENDINGS:
                        path = folder / name
                        found.setdefault(path, self._place(path, top))
        return sorted(found.values(), key=lambda place: -_changed_s(place.path))

    def clip(self, key: str) -> Path:
        """A video file.

        Raises
        ------
        BadInput
            If no file has this key.
        """
        for place in self.clips():
            if place.key == key:
                return place.path
        raise BadInput("this clip is gone from the folder; choose another one")

    def allows(self, path: Path) -> bool:
        """Whether a path lies below the chosen folders, links followed."""
        real = path.resolve()
        return any(real.is_relative_to(top) for top in self.readable)

    def check(self, session: Session, entries: Sequence[ClipEntry] | None = None) -> None:
        """Refuse clips that lie elsewhere.

        Raises
        ------
        FootageError
            Naming the first such clip and the remedy.
        """
        for entry in session.clips if entries is None else entries:
            for path in entry.files:
                if not self.allows(path):
                    raise FootageError(
                        f"{entry.name} lies outside the chosen folders; start the workbench with: "
                        f"halfvolley workbench {self.root} --footage {path.parent}"
                    )

    def new_folder(self, said: str) -> Path:
        """A folder for a new session, named as a person said as far as a file system can."""
        name = safe_name(said) or "session"
        folder, n = self.root / name, 2
        while folder.exists():
            folder, n = self.root / f"{name}-{n}", n + 1
        return folder

    def _place(self, path: Path, top: Path) -> Place:
        title = path.relative_to(top).as_posix()
        return Place(_key(path), path, path.name if title == "." else title)


def safe_name(said: str) -> str:
    """What of a text can be the name of a file or folder on every system; "" where nothing can."""
    kept = re.sub(r"[^\w .()+-]", "_", said).strip(" .")[:80].strip(" .")
    if not re.search(r"[^\W_]", kept):
        return ""
    return f"_{kept}" if kept.split(".")[0].casefold() in _RESERVED else kept


def _walk(top: Path) -> Iterator[tuple[Path, list[str], list[str]]]:
    """Folders below one, links left alone, what the program computes left out."""
    for seen, (name, folders, files) in enumerate(os.walk(top)):
        folder = Path(name)
        depth = len(folder.relative_to(top).parts)
        own = _OWN if FILE_NAME in files else frozenset()
        folders[:] = sorted(
            f for f in folders if not f.startswith(".") and f not in own and depth < DEEPEST
        )
        yield folder, folders, [f for f in files if not f.startswith(".")]
        if seen >= MOST_FOLDERS:
            return


def _key(path: Path) -> str:
    return hashlib.blake2b(os.fsencode(path), digest_size=8).hexdigest()


def _changed_s(path: Path) -> float:
    try:
        return path.stat().st_mtime
    except OSError:
        return 0.0
