"""computed/: results under the hash of everything they were made from.

    computed/<stage>/<key>/manifest.json   what the key was made of, in words
    computed/<stage>/<key>/noun.json ...   the result
    computed/clips.json                    content hash of each clip, remembered by size and time

All of it can be deleted at any time; it is computed again.
"""

import hashlib
import json
import shutil
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from halfvolley.errors import FootageError
from halfvolley.session.files import folder_atomic, only_writer, remove_unfinished, write_atomic

MANIFEST = "manifest.json"
KEPT_PER_STAGE_AND_CLIP = 3  # so that a change that is taken back costs nothing
QUICK_BYTES = 64 << 20  # read in a blink
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Parts:
    """What a result is made from; its hash is the key."""

    stage: str
    version: int
    clip: str  # name, for people; not part of the key
    settings: Mapping[str, Any]  # JSON values
    inputs: Mapping[str, str]  # name of an input and its key or content hash

    @property
    def key(self) -> str:
        """Hash of all parts but the clip's name."""
        text = json.dumps(
            [self.stage, self.version, dict(self.settings), dict(self.inputs)], sort_keys=True
        )
        return hashlib.sha256(text.encode()).hexdigest()[:20]

    def changes(self, old: "Parts") -> tuple[str, ...]:
        """In words, what differs from an earlier result."""
        words = []
        if old.version != self.version:
            words.append(f"the {self.stage} stage is a newer version")
        for name in self.settings:
            if old.settings.get(name) != self.settings[name]:
                words.append(f"{name} changed")
        for name in self.inputs:
            if old.inputs.get(name) != self.inputs[name]:
                words.append(f"{name} changed")
        return tuple(words)


class Store:
    """The computed/ folder of one session."""

    def __init__(self, session_folder: Path) -> None:
        self.folder = session_folder / "computed"

    def lock(self) -> Any:
        """Context manager: this program is the only writer."""
        return only_writer(self.folder)

    def clean(self) -> None:
        """Throw away what a killed run left."""
        remove_unfinished(self.folder)

    def path(self, parts: Parts) -> Path:
        """Folder of a result, whether it is there or not."""
        return self.folder / parts.stage / parts.key

    def has(self, parts: Parts) -> bool:
        """Whether a complete result is there."""
        return (self.path(parts) / MANIFEST).is_file()

    def save(self, parts: Parts, noun: Any) -> None:
        """Keep a result.

        Raises
        ------
        StorageError
            If it could not be written; nothing is kept then.
        """
        from halfvolley.session.codec import save_noun

        path = self.path(parts)
        if path.exists():  # damaged, else it would not be made again
            shutil.rmtree(path, ignore_errors=True)
        with folder_atomic(path) as folder:
            save_noun(noun, folder)
            manifest = {
                "stage": parts.stage,
                "version": parts.version,
                "clip": parts.clip,
                "settings": dict(parts.settings),
                "inputs": dict(parts.inputs),
                "made": time.time(),
                "packages": package_versions(),
            }
            (folder / MANIFEST).write_text(json.dumps(manifest, indent=1), encoding="utf-8")
        self._forget_old(parts)

    def load(self, parts: Parts, kind: type[T]) -> T:
        """A result that is there.

        Raises
        ------
        BadInput
            If it is damaged; compute it again then.
        """
        from halfvolley.session.codec import load_noun

        return load_noun(kind, self.path(parts))

    def latest(self, stage: str, clip: str) -> Parts | None:
        """What the newest kept result of a stage was made from, to say what changed since."""
        made = self._manifests(stage, clip)
        if not made:
            return None
        _, path, manifest = max(made, key=lambda item: item[0])
        del path
        return Parts(stage, manifest["version"], clip, manifest["settings"], manifest["inputs"])

    def _manifests(self, stage: str, clip: str) -> list[tuple[float, Path, dict[str, Any]]]:
        found = []
        for path in (self.folder / stage).glob(f"*/{MANIFEST}"):
            try:
                manifest = json.loads(path.read_text(encoding="utf-8"))
                if manifest["clip"] == clip:
                    found.append((float(manifest["made"]), path.parent, manifest))
            except (OSError, ValueError, KeyError, TypeError):
                continue  # damaged; it will be made again
        return found

    def _forget_old(self, parts: Parts) -> None:
        made = sorted(self._manifests(parts.stage, parts.clip), key=lambda item: item[0])
        for _, path, _ in made[:-KEPT_PER_STAGE_AND_CLIP]:
            shutil.rmtree(path, ignore_errors=True)


class ClipHashes:
    """Content hash of each clip, read once and remembered by path, size and time of change."""

    def __init__(self, store: Store) -> None:
        self._path = store.folder / "clips.json"
        try:
            self._known = json.loads(self._path.read_text(encoding="utf-8"))
            if not isinstance(self._known, dict):
                raise ValueError
        except (OSError, ValueError):
            self._known = {}

    def of(self, clip: Path, *, progress: Callable[[float], None] | None = None) -> str:
        """Hash of a clip's content.

        Parameters
        ----------
        clip : Path
            The file.
        progress : callable, optional
            Told the share that has been read.

        Raises
        ------
        FootageError
            If there is no such file, or it cannot be read.
        """
        try:
            if clip.is_dir():
                raise FootageError(f"{clip} is a folder, expected a video file; check the path")
            stat = clip.stat()
            known = self._known.get(str(clip))
            if known is not None and known[:2] == [stat.st_size, stat.st_mtime_ns]:
                return str(known[2])
            digest = _hash_file(clip, stat.st_size, progress)
        except FileNotFoundError:
            raise FootageError(f"no such file: {clip}; check the path in session.toml") from None
        except FootageError:
            raise
        except OSError as error:
            raise FootageError(f"{clip} cannot be read: {error.strerror}") from None
        self._known[str(clip)] = [stat.st_size, stat.st_mtime_ns, digest]
        return digest

    def is_remembered(self, clip: Path) -> bool:
        """Whether `of` needs no reading."""
        try:
            stat = clip.stat()
        except OSError:
            return False
        known = self._known.get(str(clip))
        return bool(known and known[:2] == [stat.st_size, stat.st_mtime_ns])

    def is_quick(self, clip: Path) -> bool:
        """Whether `of` answers at once: the clip is remembered, or so small that it is read."""
        try:
            small = clip.stat().st_size <= QUICK_BYTES
        except OSError:
            return True  # `of` says at once what is wrong
        return small or self.is_remembered(clip)

    def save(self) -> None:
        """Remember for the next run."""
        write_atomic(self._path, json.dumps(self._known, indent=1))


def _hash_file(path: Path, size: int, progress: Callable[[float], None] | None) -> str:
    digest = hashlib.blake2b(digest_size=20)
    done = 0
    with open(path, "rb") as stream:
        while block := stream.read(1 << 22):
            digest.update(block)
            done += len(block)
            if progress is not None and size:
                progress(done / size)
    return digest.hexdigest()


def package_versions() -> dict[str, str]:
    """Versions of what a result depends on, for the record."""
    from importlib.metadata import PackageNotFoundError, version

    versions: dict[str, str] = {}
    names = ("halfvolley", "numpy", "scipy", "numba", "opencv-python-headless", "av", "pyarrow",
             "onnxruntime", "matplotlib")  # fmt: skip
    for name in names:
        try:
            versions[name] = version(name)
        except PackageNotFoundError:
            versions[name] = "not installed"
    return versions
