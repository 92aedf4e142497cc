"""The ball's colour, learned from small things that fly."""

import numpy as np

from halfvolley.types.arrays import FloatArray

_KEPT = 240  # samples; a rally or two
_ENOUGH = 12  # samples before the colour is used at all
_LUMA_SPREAD = 35.0  # shading from the lamps [8-bit steps]
_CHROMA_SPREAD = 10.0
_ORANGE = np.array([-0.78, 0.62])  # direction of orange in cb, cr: (255, 128, 0) of BT.709
_REFRESH_EVERY = 8  # new samples between two looks for the mode


def lawful(colours: FloatArray) -> FloatArray:
    """How well colours agree with the rules' white or orange ball, before any is learned.

    Parameters
    ----------
    colours : (n, 3) float64
        Luma, cb, cr [8-bit steps].

    Returns
    -------
    (n,) float64
        1 for a light grey or an orange of any strength, 0.1 for what is neither.
    """
    luma = colours[:, 0]
    cb = colours[:, 1] - 128.0
    cr = colours[:, 2] - 128.0
    strength = np.hypot(cb, cr)
    light = 1.0 / (1.0 + np.exp(-(luma - 80.0) / 15.0))
    white = np.exp(-((strength / 25.0) ** 2))
    with np.errstate(invalid="ignore", divide="ignore"):
        hue = np.where(strength > 0.0, (cr * _ORANGE[1] + cb * _ORANGE[0]) / strength, 0.0)
    orange = np.clip((hue - 0.7) / 0.2, 0.0, 1.0) * np.clip(strength / 30.0, 0.0, 1.0)
    return 0.1 + 0.9 * light * np.maximum(white, orange)


class ColourModel:
    """Where the colours of flying spots gather, in luma, cb and cr.

    Limbs and shirts fly too, each with colours of its own; the ball's is the one that comes back.
    So the colour is the densest place of all samples, not their mean.
    """

    def __init__(self) -> None:
        self._samples = np.zeros((0, 3))
        self._weights = np.zeros(0)
        self._new = 0
        self.mean = np.zeros(3)  # luma, cb, cr [8-bit steps]
        self.trust = 0.0  # 0: not known, 1: many samples and most of them agree

    def add(self, colours: FloatArray, weights: FloatArray) -> bool:
        """Learn from spots that flew; True where the colour was renewed.

        Parameters
        ----------
        colours : (n, 3) float64
            Luma, cb, cr [8-bit steps].
        weights : (n,) float64
            How surely each was a ball, 0-1.

        Returns
        -------
        bool
            Whether `mean` and `trust` may have changed.
        """
        self._samples = np.concatenate([self._samples, colours])[-_KEPT:]
        self._weights = np.concatenate([self._weights, weights])[-_KEPT:]
        self._new += len(colours)
        if len(self._samples) < _ENOUGH or self._new < _REFRESH_EVERY:
            return False
        self._new = 0
        scaled = self._samples / np.array([_LUMA_SPREAD, _CHROMA_SPREAD, _CHROMA_SPREAD])
        apart = ((scaled[:, None] - scaled[None]) ** 2).sum(axis=2)
        near = np.exp(-0.5 * apart) * self._weights
        best = int(np.argmax(near.sum(axis=1)))
        member = near[best]
        self.mean = (member[:, None] * self._samples).sum(axis=0) / member.sum()
        share = member.sum() / self._weights.sum()
        self.trust = float(np.clip(2.5 * share - 0.25, 0.0, 1.0))
        return True

    def likeness(self, colours: FloatArray) -> FloatArray:
        """How well colours agree with the learned one: 1 alike, falling to 0; 1 where untold."""
        off = (colours - self.mean) / np.array([_LUMA_SPREAD, _CHROMA_SPREAD, _CHROMA_SPREAD])
        d = np.sqrt((off**2).sum(axis=1))
        alike: FloatArray = 1.0 / (1.0 + np.maximum(d - 1.0, 0.0) ** 2 / 4.0)
        return 1.0 - self.trust * (1.0 - alike)
