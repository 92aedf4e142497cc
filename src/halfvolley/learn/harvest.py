"""Labels that vet themselves: a clip's flights say which detections are the ball.

What lies on a good flight is a positive, at the place that the whole flight gives it. Where a good
flight passes and nothing was found, the picture itself is asked (`evidence`): a ball that shows is
a recovered positive, a hidden one is no label. What looks like the ball and is far from every
flight, while the ball in play is known to be elsewhere, is a hard negative. What physics leaves
open goes to the review queue; the rest is not labelled at all.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from halfvolley.errors import Unknown
from halfvolley.learn.evidence import (
    BallPlaces,
    Question,
    Resemblance,
    Spot,
    Visible,
    compare,
    look,
    wanted_frames,
)
from halfvolley.learn.witness import Witness, WitnessSettings, witnesses
from halfvolley.physics import Environment
from halfvolley.track import find_tracks
from halfvolley.types import (
    VETTED,
    ClipCamera,
    ClipInfo,
    Decision,
    Detections,
    Flights,
    FloatArray,
    Frame,
    IntArray,
    Label,
    LabelKind,
    Origin,
    Play,
)

ReadFrames = Callable[[Sequence[int]], Iterable[Frame]]


@dataclass(frozen=True, slots=True)
class HarvestSettings:
    """What is believed without a person."""

    witness: WitnessSettings = field(default_factory=WitnessSettings)
    near_px: float = 1.2  # a sighting this near to its flight is the ball; or this share
    near_radii: float = 0.35  # of the radius, whichever is larger; and this share
    near_streak: float = 0.1  # of the streak's length on top
    beside_frames: int = 3  # neighbours on either side that may be off their flight alike
    fewest_beside: int = 4  # of them
    loose_share: float = 0.3  # of that limit, where a touch just beyond may have bent the streak
    unseen_frames: int = 4  # a flight is trusted so far from its own sightings
    shows: float = 0.55  # least share of the expected change of a ball that shows
    hidden: float = 0.25  # a smaller share is a hidden ball
    least_contrast: float = 10.0  # 8-bit steps; a ball that changes less cannot be seen
    like: int = 5  # sure neighbours that say what the ball looks like
    like_frames: int = 20  # how far off in time they may be
    at_once: int = 200  # places looked at in one reading: bounds the memory
    strong: float = 0.25  # least score of a hard negative
    apart_radii: float = 4.0  # a hard negative is so far from every flight,
    apart_px: float = 15.0  # and so far
    other_luma: float = 65.0  # 8-bit steps; a thing this far from the ball's luma, or
    other_chroma: float = 15.0  # from its colour, is none
    larger: float = 0.5  # share of the surroundings of its colour, and changed, of a larger thing
    same_s: float = 0.25  # negatives at one place within this time are one
    flying: int = 6  # members of a smooth piece that may be another ball
    flying_score: float = 0.5  # if they look like one on average


@dataclass(frozen=True, slots=True, eq=False)
class Harvest:
    """What one clip gave."""

    labels: tuple[Label, ...]  # ordered by frame; accepted ones and those to be reviewed
    hidden: int  # places on good flights where the ball does not show
    doubted: int  # flights that were no good witnesses


# How often each kind of claim is true, measured on made clips (benchmarks/labels.py)
_CONFIDENCE: dict[LabelKind, float] = {"positive": 0.999, "recovered": 0.99, "negative": 0.995}


def harvest(
    clip: str,
    info: ClipInfo,
    camera: ClipCamera,
    flights: Flights,
    play: Play,
    environment: Environment,
    *,
    when_s: float,
    read: ReadFrames | None = None,
    settings: HarvestSettings | None = None,
) -> Harvest:
    """Labels of one clip, vetted by its flights.

    Parameters
    ----------
    clip : str
        Name of the clip.
    info : ClipInfo
        Its stamps and size.
    camera : ClipCamera
        Its camera.
    flights : Flights
        Arcs, contacts and all candidates of the clip.
    play : Play
        For the rallies.
    environment : Environment
        Ball and air.
    when_s : float
        Written into the labels [s since 1970].
    read : callable, optional
        Frames of given indices, in order; without it, places where nothing was found are left to
        the review queue, and nothing is called a negative.
    settings : HarvestSettings, optional
        Limits.

    Returns
    -------
    Harvest
        Labels in frame order.
    """
    s = settings or HarvestSettings()
    seen = witnesses(flights, info.pts_s, camera, environment, s.witness)
    maker = _Maker(clip, info, play, when_s)
    good = [w for w in seen if w.good]
    missing: list[tuple[Witness, int]] = []
    for w in good:
        missing += _sightings(w, flights.detections, maker, s)
    sure = _sure_spots(good, s)
    hidden = _recover(missing, good, sure, maker, info, read, s)
    for w in seen:
        if not w.good:
            _ask_about(w, flights.detections, maker)
    if read is not None:
        _negatives(seen, sure, flights.detections, maker, info, read, s)
    return Harvest(maker.ordered(), hidden, len(seen) - len(good))


class _Maker:
    """Writes labels of one clip."""

    def __init__(self, clip: str, info: ClipInfo, play: Play, when_s: float) -> None:
        self._clip, self._pts_s, self._when_s = clip, info.pts_s, when_s
        self._rallies = RallyTimes(play)
        self.labels: list[Label] = []
        self._balls: dict[int, list[Label]] = {}

    def ball(
        self, kind: LabelKind, frame: int, uv: FloatArray, radius: float, streak: FloatArray,
        origin: Origin, decision: Decision, why: str, confidence: float | None = None,
    ) -> None:  # fmt: skip
        """One more label, unless the same place of the same frame has one."""
        place = (float(uv[0]), float(uv[1]))
        for other in self._balls.get(frame, ()):
            assert other.uv_px is not None and other.radius_px is not None
            off = np.hypot(other.uv_px[0] - place[0], other.uv_px[1] - place[1])
            if off < other.radius_px:
                return
        known = bool(np.isfinite(streak).all())
        t_s = float(self._pts_s[frame])
        label = Label(
            self._clip, frame, t_s, kind, place, float(radius),
            (float(streak[0]), float(streak[1])) if known else None, origin,
            _CONFIDENCE[kind] if confidence is None else confidence, decision,
            VETTED if decision == "accepted" else "", self._when_s, self._rallies.at(t_s), why,
        )  # fmt: skip
        self.labels.append(label)
        if label.is_ball:
            self._balls.setdefault(frame, []).append(label)

    def surely(self, frame: int) -> bool:
        """Whether the ball of that frame is known."""
        return any(label.decision == "accepted" for label in self._balls.get(frame, ()))

    def ordered(self) -> tuple[Label, ...]:
        """All labels by frame."""
        return tuple(sorted(self.labels, key=lambda label: (label.frame, label.uv_px or ())))


class RallyTimes:
    """To which rally a moment belongs, or which is nearest."""

    def __init__(self, play: Play) -> None:
        times: dict[int, list[float]] = {}
        for played in play.contacts:
            if played.rally_id is not None:
                times.setdefault(played.rally_id, []).append(played.contact.t_s)
        for rally in play.rallies:
            said = [t for t in (rally.t_start_s, rally.t_end_s) if t is not None]
            if said:
                times.setdefault(rally.rally_id, []).extend(said)
        self._spans = [(min(t), max(t), rally) for rally, t in times.items()]

    def at(self, t_s: float) -> int | None:
        """Rally of a time of the clip's clock [s]; None where the clip has none."""
        if not self._spans:
            return None
        return min(self._spans, key=lambda span: (max(span[0] - t_s, t_s - span[1]), span[0]))[2]


def _limit_px(w: Witness, i: int, s: HarvestSettings) -> float:
    """How far from its flight a sighting of the ball may lie."""
    size = max(s.near_px, s.near_radii * float(w.predicted.radius_px[i]))
    return size + s.near_streak * float(np.hypot(*w.predicted.streak_px[i]))


def _sightings(
    w: Witness, d: Detections, maker: _Maker, s: HarvestSettings
) -> list[tuple[Witness, int]]:
    """Label what was seen of a good flight; what was not is returned."""
    p = w.predicted
    trusted = w.seen_within(s.unseen_frames)
    missing = []
    for i, frame in enumerate(p.frame):
        if not p.in_picture[i]:
            continue
        limit = _limit_px(w, i, s)
        row, miss = int(w.row[i]), float(w.miss_px[i])
        if row < 0 and trusted[i]:
            row, miss = _nearest(d, int(frame), w.uv_px[i])
            if row < 0 or miss > limit:
                if not w.near_contact[i]:
                    missing.append((w, i))
                continue
        if row < 0 or (w.loose[i] and miss > s.loose_share * limit):
            continue
        if miss <= limit:
            maker.ball(
                "positive", int(frame), w.uv_px[i], p.radius_px[i], p.streak_px[i], "flight",
                "accepted", "on a flight",
            )  # fmt: skip
        elif _with_neighbours(w, d, i, limit, s):
            maker.ball(
                "positive", int(frame), d.uv_px[row], p.radius_px[i], p.streak_px[i], "detection",
                "accepted", "beside its flight as its neighbours are",
            )  # fmt: skip
        else:
            maker.ball(
                "positive", int(frame), d.uv_px[row], p.radius_px[i], p.streak_px[i], "detection",
                "open", f"seen {miss:.1f} px beside its flight",
                float(np.clip(0.9 * limit / miss, 0.1, 0.9)),
            )  # fmt: skip
    return missing


def _with_neighbours(w: Witness, d: Detections, i: int, limit: float, s: HarvestSettings) -> bool:
    """Whether a sighting is off its flight by what its neighbours are off, along a line.

    Then the flight is bent a little wrongly there, and all of them are the ball.
    """
    near = [
        k
        for k in range(max(0, i - s.beside_frames), min(len(w.row), i + s.beside_frames + 1))
        if k != i and w.row[k] >= 0
    ]
    if len(near) < s.fewest_beside or not min(near) < i < max(near) or w.near_contact[i]:
        return False
    at = np.array(near)
    off = d.uv_px[w.row[at]] - w.uv_px[at]
    line = np.column_stack([np.ones(len(at)), at - i])
    fit = np.linalg.lstsq(line, off, rcond=None)[0]
    here = d.uv_px[w.row[i]] - w.uv_px[i]
    rough = np.hypot(*(off - line @ fit).T).max()
    return bool(np.hypot(*(here - fit[0])) <= 0.5 * limit and rough <= limit)


def _nearest(d: Detections, frame: int, uv_px: FloatArray) -> tuple[int, float]:
    """Row of the candidate of a frame nearest to a place, and its distance; -1: none."""
    first, last = np.searchsorted(d.frame, [frame, frame + 1])
    if first == last:
        return -1, np.inf
    off = np.hypot(*(d.uv_px[first:last] - uv_px).T)
    k = int(np.argmin(off))
    return int(first + k), float(off[k])


def _sure_spots(good: Sequence[Witness], s: HarvestSettings) -> list[Spot]:
    """Where the ball was seen on a good flight, in order of frames."""
    sure = [
        _spot(w, i)
        for w in good
        for i in range(len(w.row))
        if w.row[i] >= 0 and w.miss_px[i] <= _limit_px(w, i, s)
    ]
    return sorted(sure, key=lambda spot: spot.frame)


def _recover(
    missing: list[tuple[Witness, int]], good: list[Witness], sure: list[Spot], maker: _Maker,
    info: ClipInfo, read: ReadFrames | None, s: HarvestSettings,
) -> int:  # fmt: skip
    """Label where a flight passes unseen if the picture shows the ball; how often it does not."""
    places = BallPlaces()
    for w in good:
        for i in range(len(w.row)):
            places.add(_spot(w, i))
    missing = sorted(missing, key=lambda item: int(item[0].predicted.frame[item[1]]))
    hidden = 0
    for first in range(0, len(missing), s.at_once):
        part = missing[first : first + s.at_once]
        asked = [Question(_spot(w, i), _alike(_spot(w, i), sure, s)) for w, i in part]
        answers: Sequence[Visible | Unknown] = [Unknown("nothing was found there")] * len(asked)
        if read is not None:
            answers = look(asked, places, read(wanted_frames(asked)), info)
        for (w, i), answer in zip(part, answers, strict=True):
            decision, why, confidence = _judge(answer, s)
            if decision == "rejected":
                hidden += 1
                continue
            p = w.predicted
            maker.ball(
                "recovered", int(p.frame[i]), w.uv_px[i], p.radius_px[i], p.streak_px[i],
                "flight", decision, why, confidence,
            )  # fmt: skip
    return hidden


def _judge(answer: Visible | Unknown, s: HarvestSettings) -> tuple[Decision, str, float | None]:
    if isinstance(answer, Unknown):
        return "open", f"a flight passes here unseen; {answer.reason}", 0.5
    if answer.contrast < s.least_contrast or answer.share < s.hidden:
        return "rejected", "hidden", None
    if answer.share >= s.shows:
        return "accepted", "a flight passes here and the ball shows", None
    return "open", "a flight passes here; the ball is perhaps half hidden", 0.5


def _spot(w: Witness, i: int) -> Spot:
    (u, v), (du, dv) = w.uv_px[i], w.predicted.streak_px[i]
    return Spot(
        int(w.predicted.frame[i]), (float(u), float(v)), float(w.predicted.radius_px[i]),
        (float(du), float(dv)),
    )  # fmt: skip


def _alike(spot: Spot, sure: list[Spot], s: HarvestSettings) -> tuple[Spot, ...]:
    """Sure spots nearest in time; `sure` is in order of frames."""
    first = bisect_left(sure, spot.frame - s.like_frames, key=lambda other: other.frame)
    last = bisect_right(sure, spot.frame + s.like_frames, key=lambda other: other.frame)
    near = sorted(sure[first:last], key=lambda other: abs(other.frame - spot.frame))
    return tuple(near[: s.like])


def _ask_about(w: Witness, d: Detections, maker: _Maker) -> None:
    """One picture of a doubted flight that could well be the ball; a person's word says which."""
    has = np.flatnonzero(w.row >= 0)
    if any("scatter" in doubt or "few" in doubt for doubt in w.doubts):
        return  # a hand, or too little to learn from
    middle = has[len(has) // 2]
    row = int(w.row[middle])
    score = float(np.mean(d.score[w.row[has]]))
    maker.ball(
        "positive", int(w.predicted.frame[middle]), d.uv_px[row], d.radius_px[row],
        d.streak_px[row], "detection", "open", w.doubts[0], float(np.clip(score, 0.2, 0.8)),
    )  # fmt: skip


def _negatives(
    seen: Sequence[Witness], sure: list[Spot], d: Detections, maker: _Maker, info: ClipInfo,
    read: ReadFrames, s: HarvestSettings,
) -> None:  # fmt: skip
    """What scores high while the ball in play is known to be elsewhere, and is no other ball."""
    flights = BallPlaces()
    for w in seen:
        for i in range(len(w.row)):
            flights.add(_spot(w, i))
    rows = _strangers(seen, flights, d, maker, info, s)
    for first in range(0, len(rows), s.at_once):
        part = rows[first : first + s.at_once]
        asked = [Question(_spot_of(d, row), _alike(_spot_of(d, row), sure, s)) for row in part]
        answers = compare(asked, flights, read(wanted_frames(asked)), info)
        for row, answer in zip(part, answers, strict=True):
            if not _differs(answer, s):
                continue  # perhaps a second ball: dead, in a hand, or of another table
            maker.ball(
                "negative", int(d.frame[row]), d.uv_px[row], d.radius_px[row], d.streak_px[row],
                "detection", "accepted",
                f"looks like the ball ({d.score[row]:.2f}), which is elsewhere",
            )  # fmt: skip


def _strangers(
    seen: Sequence[Witness], flights: BallPlaces, d: Detections, maker: _Maker, info: ClipInfo,
    s: HarvestSettings,
) -> list[int]:  # fmt: skip
    """Strong candidates far from every flight in frames whose ball is known; each thing once."""
    on_flight = {int(row) for w in seen for row in w.arc.rows}
    other_balls = _may_fly(d, info.size_px[0], on_flight, s)
    kept: list[int] = []
    for row in np.flatnonzero(d.score >= s.strong).tolist():
        frame = int(d.frame[row])
        if row in on_flight or row in other_balls or not maker.surely(frame):
            continue
        u, v = (float(x) for x in d.uv_px[row])
        reach = max(s.apart_px, s.apart_radii * float(d.radius_px[row]))
        if any(flights.within(frame + k, (u, v), reach) for k in (-1, 0, 1)):
            continue
        if not _again(kept, d, row, s):
            kept.append(row)
    return kept


def _spot_of(d: Detections, row: int) -> Spot:
    (u, v), (du, dv) = d.uv_px[row], np.nan_to_num(d.streak_px[row])
    return Spot(
        int(d.frame[row]), (float(u), float(v)), float(d.radius_px[row]), (float(du), float(dv))
    )


def _differs(answer: Resemblance | Unknown, s: HarvestSettings) -> bool:
    """Whether the picture shows that it is no ball.

    Either its colour is another one, or it is part of something larger of that colour that moves: a
    sleeve, a shoe. A white ball that rolls over a light floor has such surroundings too, but these
    stay as they were.
    """
    if isinstance(answer, Unknown):
        return False
    if answer.luma_off > s.other_luma or answer.chroma_off > s.other_chroma:
        return True
    return answer.around_alike > s.larger and answer.around_changed > s.larger


def _again(kept: list[int], d: Detections, row: int, s: HarvestSettings) -> bool:
    """Whether one of just before shows the same thing."""
    for other in reversed(kept):
        if d.t_s[row] - d.t_s[other] > s.same_s:
            return False
        if np.hypot(*(d.uv_px[other] - d.uv_px[row])) < 2.0 * d.radius_px[row]:
            return True
    return False


def _may_fly(d: Detections, width_px: int, on_flight: set[int], s: HarvestSettings) -> set[int]:
    """Rows that move smoothly and look like a ball: perhaps one of another table."""
    out: set[int] = set()
    members: tuple[IntArray, ...] = find_tracks(d, width_px).members
    for rows in members:
        free = [int(row) for row in rows if int(row) not in on_flight]
        if len(free) >= s.flying and float(np.mean(d.score[free])) >= s.flying_score:
            out.update(free)
    return out
