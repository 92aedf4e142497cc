"""Labels: where the ball is in a picture, where it is not, and who says so."""

import math
from dataclasses import dataclass
from typing import Literal, get_args

from halfvolley.errors import BadInput

LabelKind = Literal["positive", "recovered", "negative", "none"]
"""positive: the ball, detected here; recovered: the ball, seen by no detector; negative: something
that looks like the ball and is not; none: no ball anywhere in this frame."""

Origin = Literal["flight", "detection", "hand", "import"]
"""Where the place comes from: the prediction of a flight, a detection as it was, a person's mark,
or a file of labels made elsewhere."""

Decision = Literal["accepted", "open", "rejected"]
"""accepted: true; open: waits in the review queue; rejected: not true, kept as a memory."""

VETTED = "flights"
"""`Label.who` of what the flights decided; everybody else is a person or a program they use."""


@dataclass(frozen=True, slots=True)
class Label:
    """One claim about one frame of a clip.

    Only accepted labels are for training. `uv_px` and `streak_px` mean what they mean in
    `Detections`: the centre at mid-exposure, pixel centres at integers, full resolution.
    """

    clip: str  # name in the session
    frame: int  # index of the frame in the order of display
    t_s: float  # stamp of the frame, on the clip's own clock [s]
    kind: LabelKind
    uv_px: tuple[float, float] | None  # centre [px]; None for kind "none"
    radius_px: float | None  # half the width across the streak [px]; None for kind "none"
    streak_px: tuple[float, float] | None  # travel during exposure, sign unknown [px]; None unknown
    origin: Origin
    confidence: float  # 0-1, probability that the claim is true, by whoever made it
    decision: Decision
    who: str  # who decided: VETTED or a name; "" while open
    when_s: float  # when it was made or decided [s since 1970, UTC]
    rally: int | None = None  # of the clip: the one it lies in or nearest to; None: there is none
    why: str = ""  # in words, why it is believed, or what a person should look at
    label_id: int = 0  # in labels.sqlite; 0 before it is stored there

    def __post_init__(self) -> None:
        for name, value, allowed in (
            ("kind", self.kind, LabelKind), ("origin", self.origin, Origin),
            ("decision", self.decision, Decision),
        ):  # fmt: skip
            if value not in get_args(allowed):
                raise BadInput(
                    f"Label.{name} is {value!r}, expected one of {', '.join(get_args(allowed))}"
                )
        if self.frame < 0:
            raise BadInput(f"Label.frame is {self.frame}, expected 0 or more")
        if not 0.0 <= self.confidence <= 1.0:
            raise BadInput(f"Label.confidence is {self.confidence}, expected 0 to 1")
        if self.kind == "none":
            if self.uv_px is not None or self.radius_px is not None or self.streak_px is not None:
                raise BadInput("a label of kind 'none' has no place, radius or streak")
            return
        if self.uv_px is None or self.radius_px is None:
            raise BadInput(f"a label of kind {self.kind!r} needs uv_px and radius_px")
        numbers = (*self.uv_px, self.radius_px, *(self.streak_px or ()))
        if not all(math.isfinite(number) for number in numbers) or self.radius_px <= 0.0:
            raise BadInput(
                f"a label at {self.uv_px} px with radius {self.radius_px} px is no place in a "
                "picture; give finite numbers and a positive radius"
            )

    @property
    def is_ball(self) -> bool:
        """Whether it says that the ball is there."""
        return self.kind in ("positive", "recovered")

    @property
    def by_person(self) -> bool:
        """Whether a person has decided it, or brought it in; the machine never changes these."""
        return self.who not in ("", VETTED)

    @property
    def box_px(self) -> tuple[float, float, float, float] | None:
        """Left, top, right, bottom of the whole streak, in continuous picture coordinates.

        There the picture reaches from 0 to its width, so a pixel centre (u, v) lies at u + 0.5.
        """
        if self.uv_px is None or self.radius_px is None:
            return None
        (u, v), (du, dv) = self.uv_px, self.streak_px or (0.0, 0.0)
        half_w, half_h = 0.5 * abs(du) + self.radius_px, 0.5 * abs(dv) + self.radius_px
        return (u + 0.5 - half_w, v + 0.5 - half_h, u + 0.5 + half_w, v + 0.5 + half_h)


@dataclass(frozen=True, slots=True)
class LabelSet:
    """The labels of one session, as training and scoring take them."""

    session: str  # names the session among several
    hall: str  # where it was filmed; "" unknown
    labels: tuple[Label, ...]  # ordered by clip and frame

    @property
    def usable(self) -> tuple[Label, ...]:
        """Those that are accepted."""
        return tuple(label for label in self.labels if label.decision == "accepted")
