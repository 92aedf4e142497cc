"""The last pictures, a few older ones, and the slow background made from these."""

from collections import deque

import cv2
import numpy as np

from halfvolley.ball import kernels
from halfvolley.errors import BadInput
from halfvolley.types.arrays import ByteImage, FloatArray, IntArray
from halfvolley.types.frames import Frame

_OLD_SAMPLES = 7  # odd, so that the median is one of them
_BANDS = 34  # rows of blocks in which brightness is compared
_COLUMNS = 60
_REFERENCE_SHARE = 0.02  # by which the reference brightness follows each frame

Planes = tuple[ByteImage, ByteImage, ByteImage]  # luma, cb, cr
Part = tuple[slice, slice]  # rows and columns
WHOLE: Part = (slice(None), slice(None))


def _median(samples: list[ByteImage]) -> ByteImage:
    out = np.empty_like(samples[0])
    kernels.median_of_seven(*samples, out)
    return out


class FrameRing:
    """Whole pictures around the one being judged, with a smaller copy and their brightness.

    Parameters
    ----------
    size_px : tuple of int
        Width and height [px].
    ahead, behind : int
        Frames kept after and before the one being judged.
    old_step : int
        Every how many frames one is kept longer, for the slow background.
    black : float
        Luma of black [8-bit steps].
    waiting : int
        Frames that may be loaded before they are placed, as by a thread that works ahead.
    """

    def __init__(
        self, size_px: tuple[int, int], *, ahead: int, behind: int, old_step: int, black: float,
        waiting: int = 1,
    ) -> None:  # fmt: skip
        width, height = size_px
        self.level = 2 if width * height <= 2_500_000 else 4
        self.black = black
        self._recent = ahead + behind + 1
        self._old_step = old_step
        n = self._recent + 1 + _OLD_SAMPLES + waiting
        ch, cw = (height + 1) // 2, (width + 1) // 2
        self.small_shape = (height // self.level, width // self.level)
        sh, sw = self.small_shape
        self.luma = np.zeros((n, height, width), np.uint8)
        self.cb = np.zeros((n, ch, cw), np.uint8)
        self.cr = np.zeros((n, ch, cw), np.uint8)
        self.small_luma = np.zeros((n, sh, sw), np.uint8)
        if self.level == 2:
            self._small_cb = self.cb[:, :sh, :sw]
            self._small_cr = self.cr[:, :sh, :sw]
        else:
            self._small_cb = np.zeros((n, sh, sw), np.uint8)
            self._small_cr = np.zeros((n, sh, sw), np.uint8)
        self.gain = np.ones((n, ch))  # brightness by half-size row
        self._free = deque(range(n))
        self._slots: dict[int, int] = {}
        self._reference: FloatArray | None = None
        self._blocks = np.empty((_BANDS, _COLUMNS))
        self._background: tuple[ByteImage, ByteImage, ByteImage] | None = None
        self._background_gain = np.ones(ch)
        self.background_is_due = True
        self._row_place = np.linspace(0, _BANDS - 1, ch)

    def slot(self, index: int) -> int | None:
        """Where a frame lies, or None where it is not kept."""
        return self._slots.get(index)

    def others(self, index: int) -> IntArray:
        """Slots of frames that may serve as background of one: near ones and older samples."""
        near = [index + k for k in (-1, 1, -2, 2, -3, 3, -4, 4, 6)]
        old = [k for k in self._slots if k % self._old_step == 0 and abs(k - index) > 4]
        return np.array([self._slots[k] for k in near + old if k in self._slots], np.int64)

    def load(self, frame: Frame) -> int:
        """Copy a picture in and return its slot; a thread of its own may do this, in order.

        Raises
        ------
        BadInput
            If more pictures are loaded and not yet placed than may wait.
        """
        if not self._free:
            raise BadInput("too many pictures are loaded ahead; place them before loading more")
        slot = self._free.popleft()
        self.luma[slot] = frame.luma
        self.cb[slot] = frame.cb
        self.cr[slot] = frame.cr
        sh, sw = self.small_shape
        for whole, times, small in (
            (self.luma, self.level, self.small_luma),
            (self.cb, self.level // 2, self._small_cb),
            (self.cr, self.level // 2, self._small_cr),
        ):
            if times == 2 and whole.shape[2] % 2 == 0:  # now, while it is in the processor's memory
                kernels.halved(whole[slot], small[slot])
            elif times > 1:
                cv2.resize(
                    whole[slot, : sh * times, : sw * times], (sw, sh), dst=small[slot],
                    interpolation=cv2.INTER_AREA,
                )  # fmt: skip
        self._measure_brightness(slot)
        return slot

    def small(self, slot: int, part: Part = WHOLE) -> Planes:
        """Luma, cb and cr of a kept picture at 1/`level` of its size, or a part in one piece."""
        y, cb, cr = (
            np.ascontiguousarray(plane[slot][part])
            for plane in (self.small_luma, self._small_cb, self._small_cr)
        )
        return y, cb, cr

    @property
    def background(self) -> tuple[ByteImage, ByteImage, ByteImage]:
        """The slow background at 1/`level` of the size, renewed now if it is due."""
        if self.background_is_due:
            self._renew_background()
        assert self._background is not None
        return self._background

    @property
    def background_gain(self) -> FloatArray:
        """Its brightness by half-size row."""
        if self.background_is_due:
            self._renew_background()
        return self._background_gain

    def place(self, index: int, slot: int) -> None:
        """Make a loaded picture the newest; let old ones go."""
        self._slots[index] = slot
        old = sorted(k for k in self._slots if k % self._old_step == 0)[-_OLD_SAMPLES:]
        for k in [k for k in self._slots if k < index - self._recent and k not in old]:
            self._free.append(self._slots.pop(k))
        if index < 2 * self._old_step or index % self._old_step == 0:
            self.background_is_due = True

    def _measure_brightness(self, slot: int) -> None:
        """Brightness by rows against the clip's first picture: lamps pulse, shutters roll."""
        kernels.block_means(self.small_luma[slot], self.black, self._blocks)
        if self._reference is None:
            self._reference = self._blocks.copy()
        ratio = kernels.follow_brightness(self._blocks, self._reference, _REFERENCE_SHARE)
        self.gain[slot] = np.interp(self._row_place, np.arange(_BANDS), ratio)

    def _renew_background(self) -> None:
        frames = sorted(self._slots)
        old = [k for k in frames if k % self._old_step == 0][-_OLD_SAMPLES:]
        if len(old) < _OLD_SAMPLES:  # early in the clip: spread over what there is
            places = np.linspace(0, len(frames) - 1, _OLD_SAMPLES).round().astype(int)
            old = [frames[i] for i in places]
        slots = [self._slots[k] for k in old]
        gain = np.mean([self.gain[s] for s in slots], axis=0)
        self._background = (
            _median([self._level_out(s, gain) for s in slots]),
            _median([self.small(s)[1] for s in slots]),
            _median([self.small(s)[2] for s in slots]),
        )
        self._background_gain = gain
        self.background_is_due = False

    def _level_out(self, slot: int, gain: FloatArray) -> ByteImage:
        """The small luma at another brightness; as it is where brightness hardly changes."""
        ratio = gain / self.gain[slot]
        small = self.small(slot)[0]
        if np.all(np.abs(ratio - 1.0) < 0.01):
            return small
        out = np.empty(self.small_shape, np.uint8)
        rows = same_rows(ratio, self.small_shape[0], self.level)
        kernels.at_brightness(small, self.black, rows, out)
        return out


def same_rows(gain: FloatArray, rows: int, level: int) -> FloatArray:
    """Gain by row of the small picture from gain by half-size row."""
    return np.ascontiguousarray(gain[:: level // 2][:rows])
