"""What a camera's microphone hears of a game: clicks that travel at the speed of sound."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from halfvolley.constants import SPEED_OF_SOUND_MPS
from halfvolley.simulate.path import Event
from halfvolley.types import FloatArray

RATE_HZ = 48_000


@dataclass(frozen=True, slots=True)
class _Voice:
    """A damped ring of two tones, and a burst of noise at its start."""

    tones_hz: tuple[float, float]
    decay_s: float
    noise: float
    loudness: float  # at 1 m and 1 m/s


_VOICES = {
    "table": _Voice((1250.0, 3100.0), 0.0035, 0.3, 0.10),
    "edge": _Voice((1650.0, 4200.0), 0.0030, 0.5, 0.09),
    "racket": _Voice((820.0, 1900.0), 0.0055, 0.5, 0.06),
    "floor": _Voice((560.0, 1400.0), 0.0060, 0.4, 0.06),
    "wall": _Voice((300.0, 900.0), 0.0080, 0.4, 0.04),
    "side": _Voice((700.0, 1500.0), 0.0060, 0.5, 0.05),
    "net": _Voice((420.0, 700.0), 0.0080, 0.8, 0.012),
}


def heard_at(t_s: FloatArray, xyz_m: FloatArray, microphone_m: FloatArray) -> FloatArray:
    """World times (n,) at which sounds made at times (n,) and places (n, 3) arrive [s]."""
    return t_s + np.linalg.norm(xyz_m - microphone_m, axis=1) / SPEED_OF_SOUND_MPS.value


def make_sound(
    events: tuple[Event, ...],
    arrival_s: FloatArray,
    microphone_m: FloatArray,
    duration_s: float,
    rng: np.random.Generator,
) -> NDArray[np.float32]:
    """One channel of sound.

    Parameters
    ----------
    events : tuple of Event
        Touches, in the world frame of the microphone.
    arrival_s : (n,) float64
        When each is heard, on the track's own clock [s].
    microphone_m : (3,) float64
        Place of the microphone [m].
    duration_s : float
        Length of the track [s].
    rng : numpy.random.Generator
        Source of the hall's noise.

    Returns
    -------
    (m,) float32
        Samples at 48 kHz, -1 to 1.
    """
    n = int(duration_s * RATE_HZ)
    level = 10 ** rng.uniform(-3.2, -2.4)
    hiss = rng.standard_normal(n)
    out = level * (hiss + 2.0 * np.convolve(hiss, np.ones(24) / 24, mode="same"))
    t = np.arange(n) / RATE_HZ
    out += level * np.sin(2 * np.pi * 100.0 * t + rng.uniform(0, 6))
    for event, when in zip(events, arrival_s, strict=True):
        voice = _VOICES.get(event.kind)
        if voice is None:
            continue
        jump = float(np.linalg.norm(event.v_after_mps - event.v_before_mps))
        far = float(np.linalg.norm(event.centre_m - microphone_m))
        _ring(out, when, voice, voice.loudness * min(jump, 25.0) / max(far, 0.5), rng)
    for _ in range(rng.poisson(0.25 * duration_s)):  # shoes, doors, other tables
        voice = _Voice((rng.uniform(200, 1500), rng.uniform(1500, 4000)), 0.02, 0.8, 0.0)
        _ring(out, rng.uniform(0, duration_s), voice, 10 ** rng.uniform(-2.6, -1.5), rng, 0.01)
    return np.clip(out, -1.0, 1.0).astype(np.float32)


def _ring(
    out: FloatArray, when: float, voice: _Voice, loudness: float, rng: np.random.Generator,
    rise_s: float = 1e-4,
) -> None:  # fmt: skip
    """Adds a click that begins at time `when`, to a fraction of a sample."""
    first = max(int(np.ceil(when * RATE_HZ)), 0)
    last = min(int((when + 10 * voice.decay_s) * RATE_HZ), len(out))
    if first >= last:
        return
    t = np.arange(first, last) / RATE_HZ - when
    ring = np.zeros(len(t))
    for tone, share in zip(voice.tones_hz, (1.0, 0.6), strict=True):
        pitch = tone * rng.uniform(0.96, 1.04)
        ring += share * np.cos(2 * np.pi * pitch * t) * np.exp(-t / voice.decay_s)
    ring += voice.noise * rng.standard_normal(len(t)) * np.exp(-t / (0.4 * voice.decay_s))
    out[first:last] += loudness * ring * (1.0 - np.exp(-t / rise_s))
