"""The network that finds the ball: loading its file, running it on pictures."""

import hashlib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from halfvolley.constants import SHIPPED_NETWORK
from halfvolley.errors import BadInput
from halfvolley.types.arrays import ByteImage

FORMAT = "halfvolley-detector-1"
MULTIPLE_PX = 16  # heights and widths of what goes in
_THREADS = 1
_MOST_BYTES = 100_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Detector:
    """A network, ready to run."""

    path: Path
    sha: str  # first 16 digits of the SHA-256 of the file
    frames: int  # neighbouring frames that go in; the last one is judged
    stride: int  # pixels from one output to the next
    provider: str  # of ONNX Runtime
    warnings: tuple[str, ...]
    _session: Any

    @property
    def device(self) -> str:
        """Where it runs, in a word."""
        return "CPU" if self.provider == "CPUExecutionProvider" else self.provider[:-17]

    def maps(self, luma: ByteImage, chroma: ByteImage) -> NDArray[np.float32]:
        """(n, 7, h / stride, w / stride) output maps; `ball.maps.peaks` reads them.

        Parameters
        ----------
        luma : (n, frames, h, w) uint8
            Oldest frame first; h and w multiples of 16.
        chroma : (n, 2 frames, h/2, w/2) uint8
            cb and cr of the oldest frame, then of the next.

        Raises
        ------
        BadInput
            If the shapes do not fit.
        """
        n, f, h, w = luma.shape
        if f != self.frames or chroma.shape != (n, 2 * f, h // 2, w // 2):
            raise BadInput(
                f"the detector takes {self.frames} frames with chroma of half the size, got "
                f"{luma.shape} and {chroma.shape}"
            )
        if h % MULTIPLE_PX or w % MULTIPLE_PX:
            raise BadInput(f"pictures for the detector must be multiples of 16 px, got {w} x {h}")
        out: NDArray[np.float32] = self._session.run(None, {"luma": luma, "chroma": chroma})[0]
        return out


def load_detector(path: Path | str = SHIPPED_NETWORK, *, threads: int = _THREADS) -> Detector:
    """Read a detector's file and make it ready.

    Parameters
    ----------
    path : Path or str
        An ONNX file; the one that comes with the program where it is left out.
    threads : int
        CPU threads of a run.

    Returns
    -------
    Detector
        On a GPU where ONNX Runtime has a provider for one, else on the CPU.

    Raises
    ------
    BadInput
        If there is no such file, it is damaged, or it is no detector of this program.
    """
    path = Path(path)
    try:
        size = path.stat().st_size
        return _loaded(path.resolve(), size, path.stat().st_mtime_ns, threads)
    except OSError as error:
        raise BadInput(f"the detector {path} cannot be read ({error.strerror})") from None


def gpu_is_here() -> bool:
    """Whether the machine has a GPU that a network could run on."""
    return Path("/proc/driver/nvidia/version").exists()


@cache
def _loaded(path: Path, size: int, changed_ns: int, threads: int) -> Detector:
    import onnxruntime

    del changed_ns
    if size > _MOST_BYTES:
        raise BadInput(f"{path} has {size / 1e6:.0f} MB; a detector has a few, so it is none")
    content = path.read_bytes()
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    options.log_severity_level = 4
    # threads that wait must not keep a core from the one that decodes
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    there = onnxruntime.get_available_providers()
    wanted = [p for p in ("CUDAExecutionProvider", "CoreMLExecutionProvider") if p in there]
    try:
        session = onnxruntime.InferenceSession(
            content, options, providers=[*wanted, "CPUExecutionProvider"]
        )
    except Exception as error:  # the runtime has a class for each way to be broken
        words = str(error).splitlines()[0][:160]
        raise BadInput(f"{path} is damaged or no ONNX file ({words})") from None
    said = session.get_modelmeta().custom_metadata_map
    if said.get("format") != FORMAT:
        raise BadInput(
            f"{path} is an ONNX file, but no detector of this program (format "
            f"{said.get('format', 'missing')!r}, expected {FORMAT!r}); make one with: "
            "halfvolley train"
        )
    inputs = {i.name: (i.type, len(i.shape)) for i in session.get_inputs()}
    if inputs != {"luma": ("tensor(uint8)", 4), "chroma": ("tensor(uint8)", 4)}:
        raise BadInput(f"{path} takes other inputs than luma and chroma; it is no detector")
    try:
        frames, stride = int(said["frames"]), int(said["stride"])
    except (KeyError, ValueError):
        raise BadInput(f"{path} does not say how many frames it takes; it is damaged") from None
    used = session.get_providers()[0]
    warnings: tuple[str, ...] = ()
    if used == "CPUExecutionProvider" and gpu_is_here():
        warnings = (
            "A GPU is here, but this ONNX Runtime cannot use it; the detector runs on the CPU. "
            "To use it, install onnxruntime-gpu in place of onnxruntime.",
        )
    sha = hashlib.sha256(content).hexdigest()[:16]
    return Detector(path, sha, frames, stride, used, warnings, session)
