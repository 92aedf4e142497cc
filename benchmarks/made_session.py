"""Invented sessions as tables, without footage: what a long afternoon's play would measure.

Balls fly and bounce by the laws of physics, players hit and miss by chance, contacts scatter by
their claimed errors; rallies and strokes are then found and the tables written as for a clip.
"""

import math
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from halfvolley.errors import Unknown
from halfvolley.match import find_play
from halfvolley.physics import bounce, fly, landing
from halfvolley.session.edit import new_session, set_words
from halfvolley.session.tables import ClipTables, write_tables
from halfvolley.types import (
    Arc,
    Camera,
    ClipCamera,
    Contact,
    Detections,
    Flights,
    FloatArray,
    Play,
    Shutter,
    Side,
)

RADIUS_M, FLOOR_M, NET_M = 0.020, -0.740, 0.1525
TURN = 2.0 * math.pi
ENDINGS = ("net", "out", "missed")


@dataclass(frozen=True, slots=True)
class Style:
    """How a player plays."""

    speed_mps: float = 12.0
    topspin_revps: float = 45.0
    depth_m: float = 1.02
    aim_right_m: tuple[float, ...] = (-0.45, 0.4)
    error: float = 0.19  # of strokes that end the rally
    pushes: float = 0.15  # of strokes


@dataclass(frozen=True, slots=True)
class Made:
    """An invented session and its truth."""

    folder: Path
    winners: tuple[Side, ...]
    play: Play


@dataclass(slots=True)
class _Book:
    """What has happened so far."""

    rng: np.random.Generator
    contacts: list[Contact] = field(default_factory=list)
    arcs: list[Arc] = field(default_factory=list)
    winners: list[Side] = field(default_factory=list)
    servers: list[Side] = field(default_factory=list)
    t_s: float = 3.0


def make_session(
    folder: Path,
    *,
    rallies: int = 40,
    seed: int = 1,
    names: tuple[str, str] = ("Ada", "Bo"),
    styles: tuple[Style, Style] = (Style(), Style(10.5, 25.0, 0.95, (0.0, 0.3), 0.22, 0.35)),
    clip: str = "evening",
) -> Made:
    """Write an invented session.

    Parameters
    ----------
    folder : Path
        A new folder.
    rallies : int
        How many; about five strokes each.
    seed : int
        Another number makes another session.
    names : tuple of str
        Of the players at end A and B.
    styles : tuple of Style
        How they play.
    clip : str
        Name of the clip, which is an empty file.
    """
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{clip}.mp4"
    path.write_bytes(b"")
    session = set_words(
        new_session(folder, [path], colour="white", venue="Made hall"), "players",
        A=names[0], B=names[1],
    )  # fmt: skip
    book = _Book(np.random.default_rng(seed))
    first: Side = "A"
    for i in range(rallies):
        server: Side = first if (i // 2) % 2 == 0 else _other(first)
        _play_rally(book, server, dict(zip("AB", styles, strict=True)))
        book.t_s += float(book.rng.uniform(6.0, 10.0))
    flights = _flights(book)
    play = find_play(flights)
    tables = ClipTables(session.clips[0], _camera(), flights, play, ())
    write_tables(session, [tables], {}, f"made-{seed}-{rallies}")
    return Made(folder, tuple(book.winners), play)


def _other(side: Side) -> Side:
    return "B" if side == "A" else "A"


# --- one rally -----------------------------------------------------------------------------------
def _play_rally(book: _Book, server: Side, styles: dict[str, Style]) -> None:
    rng = book.rng
    book.servers.append(server)
    at: _State | None = _serve(book, server)
    striker = _other(server)
    while True:
        style = styles[striker]
        ending = None
        if rng.random() < style.error:
            ending = str(rng.choice(ENDINGS, p=(0.35, 0.4, 0.25)))
        if ending == "missed":  # by the one who should strike now
            _fall(book, at)
            book.winners.append(_other(striker))
            return
        at = _stroke(book, at, striker, style, ending)
        if at is None:
            book.winners.append(_other(striker))
            return
        striker = _other(striker)


@dataclass(frozen=True, slots=True)
class _State:
    xyz_m: FloatArray
    v_mps: FloatArray
    omega_radps: FloatArray


def _sign(side: Side) -> float:
    return 1.0 if side == "A" else -1.0


def _serve(book: _Book, server: Side) -> _State:
    """Racket, own side, other side; the ball as it comes up from there."""
    rng, s = book.rng, _sign(server)
    for _ in range(500):
        start = np.array([-s * 1.5, rng.uniform(-0.5, 0.5), rng.uniform(0.15, 0.35)])
        spin = np.array([0.0, s * rng.normal(-15, 25) * TURN, rng.normal(0, 15) * TURN])
        speed, angle = rng.uniform(4.2, 6.5), rng.uniform(-0.5, -0.05)
        turn = rng.normal(0.0, 0.12)
        v = speed * np.array([s * math.cos(turn), math.sin(turn), math.tan(angle)])
        one = _down(_State(start, v, spin))
        if one is None or not -1.3 < s * one[1].xyz_m[0] < -0.5:
            continue
        up = _up(one[1])
        two = _down(up)
        if two is None or not 0.25 < s * two[1].xyz_m[0] < 1.3 or abs(two[1].xyz_m[1]) > 0.7:
            continue
        if _over_net(up, two[0]) < 0.03:
            continue
        toss = _State(start, np.array([0.0, 0.0, -1.5]), np.zeros(3))
        racket = _touch(book, "racket", book.t_s, toss, _State(start, v, spin))
        _arc(book, _State(start, v, spin), one[0])
        _touch(book, "table", racket + one[0], one[1], up)
        _arc(book, up, two[0])
        after = _up(two[1])
        book.t_s = _touch(book, "table", racket + one[0] + two[0], two[1], after)
        return after
    raise RuntimeError("no serve found; widen its limits")


def _stroke(
    book: _Book, ball: _State | None, striker: Side, style: Style, ending: str | None
) -> _State | None:
    """Strike the ball that comes up; how it comes up on the other side, None where it does not."""
    assert ball is not None
    rng, s = book.rng, _sign(striker)
    wait = _wait(ball, striker, rng)
    _arc(book, ball, wait)
    states = fly(ball.xyz_m, ball.v_mps, ball.omega_radps, np.array([wait]))
    into = _State(states.xyz_m[0], states.v_mps[0], states.omega_radps[0])
    push = rng.random() < style.pushes
    speed = rng.uniform(4.5, 6.5) if push else rng.normal(style.speed_mps, 1.6)
    spin = rng.normal(-22, 6) if push else rng.normal(style.topspin_revps, 12)
    aim = rng.choice(style.aim_right_m) + rng.normal(0, 0.13)
    target = np.array([s * (style.depth_m + rng.normal(0, 0.14)), -s * aim])
    if ending == "out":
        target[0] = s * rng.uniform(1.48, 2.2)
    target[0] = s * min(s * target[0], 1.33) if ending != "out" else target[0]
    target[1] = float(np.clip(target[1], -0.72, 0.72))
    out = _aimed(into.xyz_m, target, max(speed, 3.5), spin, rng.normal(0, 6), low=ending == "net")
    t = _touch(book, "racket", book.t_s + wait, into, out)
    if ending == "net":
        return _into_net(book, out, t)
    height = FLOOR_M if ending == "out" else RADIUS_M
    landed = _down(out, height)
    assert landed is not None
    _arc(book, out, landed[0])
    if ending == "out":
        book.t_s = _touch(book, "floor", t + landed[0], landed[1], None)
        return None
    after = _up(landed[1])
    book.t_s = _touch(book, "table", t + landed[0], landed[1], after)
    return after


def _wait(ball: _State, striker: Side, rng: np.random.Generator) -> float:
    """How long after its bounce the ball is struck."""
    reach = (1.37 + rng.uniform(-0.1, 0.9)) - abs(ball.xyz_m[0])
    wait = float(np.clip(reach / max(abs(ball.v_mps[0]), 1.0), 0.06, 0.42))
    while wait > 0.06:  # not later than the ball is well above the table
        height = fly(ball.xyz_m, ball.v_mps, ball.omega_radps, np.array([wait])).xyz_m[0, 2]
        if height > 0.12:
            break
        wait *= 0.9
    return wait


def _aimed(
    start: FloatArray, target: FloatArray, speed: float, spin: float, side: float, *, low: bool
) -> _State:
    """The stroke that lands on a target; slower where it would not clear the net."""
    away = target - start[:2]
    along = away / np.hypot(*away)
    distance = float(np.hypot(*away))
    for _ in range(25):
        omega = np.array([-along[1] * spin, along[0] * spin, side]) * TURN
        lo, hi = -0.5, 0.75
        for _ in range(16):
            angle = 0.5 * (lo + hi)
            v = speed * np.array([*(math.cos(angle) * along), math.sin(angle)])
            down = landing(start, v, omega, RADIUS_M) if start[2] > RADIUS_M or v[2] > 0 else None
            reached = 0.0
            if down is not None and not isinstance(down, Unknown):
                reached = float((down.xyz_m[0, :2] - start[:2]) @ along)
            lo, hi = (angle, hi) if reached < distance else (lo, angle)
        state = _State(start, v, omega)
        if low or (hi < 0.74 and _over_net(state, 1.0) > 0.02):
            return state
        if hi >= 0.74:  # too slow, or pulled down too much, to get there
            speed, spin = 1.08 * speed, 0.7 * spin
        else:
            speed, spin = 0.9 * speed, 0.9 * spin
    return state


def _into_net(book: _Book, out: _State, t: float) -> None:
    time = _crossing(out)
    states = fly(out.xyz_m, out.v_mps, out.omega_radps, np.array([time]))
    xyz = states.xyz_m[0].copy()
    xyz[2] = min(xyz[2], 0.14)
    hit = _State(xyz, states.v_mps[0], states.omega_radps[0])
    back = _State(xyz, -0.12 * states.v_mps[0] * [1, 1, 0], np.zeros(3))
    _arc(book, out, time)
    net = _touch(book, "net", t + time, hit, back)
    down = _down(back)
    if down is not None:
        _arc(book, back, down[0])
        book.t_s = _touch(book, "table", net + down[0], down[1], _up(down[1]))


def _fall(book: _Book, ball: _State | None) -> None:
    assert ball is not None
    down = _down(ball, FLOOR_M)
    assert down is not None
    _arc(book, ball, down[0])
    book.t_s = _touch(book, "floor", book.t_s + down[0], down[1], None)


def _down(state: _State, height_m: float = RADIUS_M) -> tuple[float, _State] | None:
    states = landing(state.xyz_m, state.v_mps, state.omega_radps, height_m)
    if isinstance(states, Unknown):
        return None
    return float(states.t_s[0]), _State(
        states.xyz_m[0], states.v_mps[0], states.omega_radps[0]
    )  # fmt: skip


def _up(state: _State) -> _State:
    v, omega = bounce(state.v_mps, state.omega_radps)
    return _State(state.xyz_m, v, omega)


def _crossing(state: _State) -> float:
    t = np.linspace(0, 1.5, 151)
    x = fly(state.xyz_m, state.v_mps, state.omega_radps, t).xyz_m[:, 0]
    i = int(np.argmax(x * x[0] <= 0))
    return float(t[max(i, 1)])


def _over_net(state: _State, t_max_s: float) -> float:
    t = np.linspace(0, t_max_s, 60)
    xyz = fly(state.xyz_m, state.v_mps, state.omega_radps, t).xyz_m
    i = int(np.argmax(xyz[:, 0] * xyz[0, 0] <= 0))
    return float(xyz[i, 2] - RADIUS_M - NET_M) if i else -1.0


# --- nouns ---------------------------------------------------------------------------------------
def _touch(book: _Book, kind: str, t_s: float, into: _State, out: _State | None) -> float:
    """A contact as it would be measured; its true time."""
    rng = book.rng
    long, short = 0.006, 0.003
    sd = np.array([long, short, 0.004])
    nothing, blank = np.full(3, np.nan), np.full((3, 3), np.nan)
    v_sd, w_sd = 0.15, 7.0 * TURN
    seen = rng.random() < 0.85  # spin is not shown by every flight
    w_cov = np.diag([(30 * TURN) ** 2 if not seen else w_sd**2, w_sd**2, (12 * TURN) ** 2])
    if not seen:
        w_cov[1, 1] = (40 * TURN) ** 2
    known = out is not None
    book.contacts.append(
        Contact(
            contact_id=len(book.contacts), kind=kind, t_s=t_s + rng.normal(0, 0.001),
            t_sd_s=0.001, xyz_m=into.xyz_m + rng.normal(0, sd), cov_xyz_m2=np.diag(sd**2),
            v_in_mps=into.v_mps + rng.normal(0, v_sd, 3), v_in_cov=v_sd**2 * np.eye(3),
            omega_in_radps=into.omega_radps + rng.normal(0, w_sd, 3), omega_in_cov=w_cov,
            v_out_mps=out.v_mps + rng.normal(0, v_sd, 3) if known else nothing,
            v_out_cov=v_sd**2 * np.eye(3) if known else blank,
            omega_out_radps=out.omega_radps + rng.normal(0, w_sd, 3) if known else nothing,
            omega_out_cov=w_cov if known else blank,
            arc_in=-1, arc_out=-1, probability=float(rng.uniform(0.93, 0.999)), chain=0,
        )
    )  # fmt: skip
    return t_s


def _arc(book: _Book, state: _State, duration_s: float) -> None:
    """A flight from the newest contact to the next one."""
    t0 = book.contacts[-1].t_s
    sd = np.array([0.005] * 3 + [0.08] * 3 + [7 * TURN] * 3)
    book.arcs.append(
        Arc(
            arc_id=len(book.arcs), t0_s=t0, t1_s=t0 + duration_s, xyz_m=state.xyz_m,
            v_mps=state.v_mps, omega_radps=state.omega_radps, cov=np.diag(sd**2), drag=0.45,
            lift=0.9, lift_bend=2.0, rows=np.zeros(0, np.int64), residual_rms=1.0,
            contact_in=len(book.contacts) - 1, contact_out=len(book.contacts),
        )
    )  # fmt: skip


def _flights(book: _Book) -> Flights:
    shutter = Shutter(0.012, 0.001, 0.002, 0.0003, "estimated")
    return Flights(tuple(book.arcs), tuple(book.contacts), Detections.empty(), shutter, ())


def _camera() -> ClipCamera:
    """From the side, 4.5 m off and 1.5 m up."""
    import cv2

    centre = np.array([0.2, -4.5, 1.5])
    forward = np.array([0.0, 0.1, 0.0]) - centre
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    R = np.stack([right, np.cross(forward, right), forward])
    camera = Camera(
        (1920, 1080), 2300.0, np.array([960.0, 540.0]), np.array([-0.05, 0.01]), R, -R @ centre,
        np.diag(np.arange(1.0, 12.0) * 1e-6),
    )  # fmt: skip
    rvec = cv2.Rodrigues(R)[0].reshape(1, 3)
    shutter = Shutter(0.012, 0.001, 0.002, 0.0003, "estimated")
    return ClipCamera(
        camera, shutter, np.zeros(1), rvec, camera.t_m[None], np.array([[0.0, 4000.0]]), 0.21, 1.2,
        (),
    )  # fmt: skip
