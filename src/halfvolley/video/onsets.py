"""Sharp sounds: when a ball struck table or racket, to a fraction of a millisecond."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import scipy  # its parts are loaded when they are used
from numpy.typing import NDArray

from halfvolley.errors import Unknown
from halfvolley.types.arrays import FloatArray
from halfvolley.types.frames import Onsets
from halfvolley.video.sound import SoundChunk, has_sound, read_audio


@dataclass(frozen=True, slots=True)
class OnsetSettings:
    """What counts as a sharp sound; part of the key of a stage that uses it."""

    high_pass_hz: float = 2000.0  # [Hz] voices, steps and traffic lie mostly below, clicks above
    block_s: float = 2.0  # [s] over this and the block before the background is measured
    cell_s: float = 0.5e-3  # [s] steps in which a click is looked for
    rise_s: float = 1.5e-3  # [s] a click has risen within this; the ball is on the racket for 1 ms
    before_s: float = 4.0e-3  # [s] the level just before, which holds the echo of earlier clicks
    min_rise: float = 2.0  # amplitude after over before; echoes and voices grow more slowly
    min_strength: float = 6.0  # [sd of the background level] none in 5 min of white noise or of
    # noise an octave wide, which at 3 gives 150 a minute
    echo_share: float = 1.0  # a sound weaker than this share of the last one ...
    echo_decay_s: float = 0.04  # ... times exp(-delay / this) may be its echo: a wall at 7 m [s]
    quiet_level: float = 1e-4  # [full scale] less than this (-80 dB) is silence
    floor_share: float = 0.3  # coders smear up to this share of a click over 3 ms before it
    sd_floor_s: float = 0.1e-3  # [s] a touch lasts about 1 ms and does not sound from its first


@dataclass(frozen=True, slots=True)
class Onset:
    """One sharp sound."""

    t_s: float  # [s] on the sound track's own clock
    sd_s: float
    strength: float  # height of its level above the background, in standard deviations of it


def find_onsets(path: Path | str, settings: OnsetSettings = OnsetSettings()) -> Onsets | Unknown:
    """Sharp sounds of a clip: contacts of the ball, and whatever else clicks.

    Parameters
    ----------
    path : Path or str
        The clip.
    settings : OnsetSettings
        What counts as a sharp sound.

    Returns
    -------
    Onsets or Unknown
        Their times as the microphone heard them: the sound's travel (2.9 ms a metre) and a
        constant offset of the track are still in them. Unknown if the clip has no sound.

    Raises
    ------
    FootageError
        If the file cannot be read.
    """
    if not has_sound(path):
        return Unknown(f"{path} has no sound")
    found = [*iter_onsets(read_audio(path), settings)]
    return Onsets(
        np.array([o.t_s for o in found], np.float64),
        np.array([o.sd_s for o in found], np.float64),
        np.array([o.strength for o in found], np.float64),
    )


def iter_onsets(
    chunks: Iterable[SoundChunk], settings: OnsetSettings = OnsetSettings()
) -> Iterator[Onset]:
    """Sharp sounds in a stream, in order of time, at most a block late.

    The sound is high-passed. A click is where the level over `rise_s` stands out of the background
    and is well above the level just before. Its onset is the instant that best divides the sound
    around it into a quiet and a loud part (Gaussian likelihood of two variances), and its standard
    deviation is that of the likelihood.

    Parameters
    ----------
    chunks : iterable of SoundChunk
        As given by `read_audio`.
    settings : OnsetSettings
        What counts as a sharp sound.

    Yields
    ------
    Onset
        Each sharp sound.

    References
    ----------
    N. Maeda (1985), A method for reading and checking phase time in auto-processing system of
    seismic wave data, Zisin 38, 365-379: the likelihood of two variances; from memory. The floor
    under both variances and the width of the likelihood are ours.
    """
    listener: _Listener | None = None
    for chunk in chunks:
        if listener is None or not chunk.follows or chunk.rate_hz != listener.rate_hz:
            if listener is not None:
                yield from listener.finish()
            listener = _Listener(chunk.rate_hz, settings)
        yield from listener.add(chunk)
    if listener is not None:
        yield from listener.finish()


class _Listener:
    """A stretch of sound without gaps, looked through in blocks."""

    def __init__(self, rate_hz: int, settings: OnsetSettings) -> None:
        self.rate_hz = rate_hz
        self.settings = s = settings
        corner_hz = min(s.high_pass_hz, 0.25 * rate_hz)
        self._sos = scipy.signal.butter(4, corner_hz, "highpass", fs=rate_hz, output="sos")
        self._state: FloatArray | None = None
        self._cell = max(round(s.cell_s * rate_hz), 1)
        self._rise = max(round(s.rise_s / s.cell_s), 1)  # cells
        self._before = max(round(s.before_s / s.cell_s), 1)  # cells
        self._margin = (self._before + self._rise + 2) * self._cell  # samples kept around a block
        self._block = round(s.block_s * rate_hz) // self._cell * self._cell
        self._sound: NDArray[np.float64] = np.zeros(0)  # filtered; starts at sample `_origin`
        self._waiting: list[NDArray[np.float64]] = []  # filtered, to be joined to it
        self._origin = 0
        self._marks: list[tuple[int, float]] = []  # (sample, time) where pieces start
        self._total = 0
        self._background: list[FloatArray] = []  # levels of the last two blocks
        self._last: Onset | None = None
        self._last_level = 0.0

    def add(self, chunk: SoundChunk) -> Iterator[Onset]:
        """Take a piece in; give what can be decided."""
        if self._state is None:
            # as if the first sample had always been there: a plain start would click itself
            self._state = scipy.signal.sosfilt_zi(self._sos) * float(chunk.samples[0])
        filtered, self._state = scipy.signal.sosfilt(
            self._sos, chunk.samples.astype(np.float64), zi=self._state
        )
        self._marks.append((self._total, chunk.t_s))
        self._total += len(filtered)
        self._waiting.append(filtered)
        if self._total - self._origin >= self._block + 2 * self._margin:
            self._join()
            while len(self._sound) >= self._block + 2 * self._margin:
                yield from self._look(self._block)

    def finish(self) -> Iterator[Onset]:
        """Give the rest."""
        self._join()
        yield from self._look(len(self._sound), last=True)

    def _join(self) -> None:
        self._sound = np.concatenate([self._sound, *self._waiting])
        self._waiting = []

    def _look(self, n: int, last: bool = False) -> Iterator[Onset]:
        """Clicks that begin within the first n samples behind the margin."""
        s = self.settings
        cells = len(self._sound) // self._cell
        if cells < self._before + self._rise + 1:
            return
        energy = np.square(self._sound[: cells * self._cell]).reshape(cells, -1).mean(1)
        total = np.concatenate([[0.0], np.cumsum(energy)])
        at = np.arange(self._before, cells - self._rise + 1)  # cells where a click may begin
        after = np.sqrt((total[at + self._rise] - total[at]) / self._rise)
        before = np.sqrt((total[at] - total[at - self._before]) / self._before)
        inside = at * self._cell < (len(self._sound) if last else self._margin + n)
        self._background = [*self._background[-1:], after[inside]]
        level, sd = _level(np.concatenate(self._background))
        level, sd = max(level, s.quiet_level), max(sd, 0.1 * s.quiet_level)
        strength = (after - level) / sd
        rise = after / np.maximum(before, s.quiet_level)
        found = np.flatnonzero((strength >= s.min_strength) & (rise >= s.min_rise) & inside)
        for group in _runs(found, self._before):
            best = int(group[np.argmax(after[group])])
            onset = self._pick(int(at[best]), float(after[best]), float(strength[best]))
            if not self._is_echo(onset, float(after[best])):
                self._last, self._last_level = onset, float(after[best])
                yield onset
        drop = min(n, len(self._sound))
        self._sound = self._sound[drop:]
        self._origin += drop
        while len(self._marks) > 1 and self._marks[1][0] <= self._origin:
            self._marks.pop(0)

    def _pick(self, cell: int, level: float, strength: float) -> Onset:
        """The instant that divides quiet from loud, from the likelihood of two variances."""
        s = self.settings
        first = max(cell - self._before, 0) * self._cell
        stop = min((cell + self._rise + 1) * self._cell, len(self._sound))
        power = np.square(self._sound[first:stop])
        n = len(power)
        k = np.arange(1, n)
        summed = np.cumsum(power)
        floor = (s.floor_share * level) ** 2
        quiet = summed[:-1] / k + floor
        loud = (summed[-1] - summed[:-1]) / (n - k) + floor
        # neighbouring samples of filtered sound tell half as much as independent ones
        log_likelihood = -0.25 * (k * np.log(quiet) + (n - k) * np.log(loud))
        weight = np.exp(log_likelihood - log_likelihood.max())
        weight /= weight.sum()
        mean = float(weight @ k)
        variance = float(weight @ np.square(k - mean)) / self.rate_hz**2
        return Onset(
            self._time(self._origin + first + mean),
            float(np.sqrt(variance + s.sd_floor_s**2)),
            strength,
        )

    def _time(self, sample: float) -> float:
        """When a sample is heard [s]."""
        start, t_s = next(m for m in reversed(self._marks) if m[0] <= sample or m is self._marks[0])
        return t_s + (sample - start) / self.rate_hz

    def _is_echo(self, onset: Onset, level: float) -> bool:
        if self._last is None:
            return False
        s = self.settings
        late_s = onset.t_s - self._last.t_s
        if late_s < s.before_s:  # the same click, seen from two blocks or in two humps
            return True
        return level < s.echo_share * self._last_level * np.exp(-late_s / s.echo_decay_s)


def _level(levels: FloatArray) -> tuple[float, float]:
    """Middle and spread of a background in which clicks are rare."""
    middle = float(np.median(levels))
    # clicks raise levels, they never lower them: the lower half tells the spread
    return middle, 1.4826 * float(np.median(np.maximum(middle - levels, 0)[levels <= middle]))


def _runs(places: NDArray[np.int64], gap: int) -> list[NDArray[np.int64]]:
    """Places split where neighbours lie more than `gap` apart."""
    if len(places) == 0:
        return []
    return np.split(places, np.flatnonzero(np.diff(places) > gap) + 1)
