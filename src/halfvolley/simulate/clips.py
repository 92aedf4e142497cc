"""Whole clips with truth: one call from a scene to a file that a camera could have written."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from halfvolley.errors import BadInput
from halfvolley.simulate.draw_ball import BallSeen
from halfvolley.simulate.figures import make_figure
from halfvolley.simulate.lens import View, camera_views
from halfvolley.simulate.path import Game
from halfvolley.simulate.rally import RallySettings, play_game
from halfvolley.simulate.render import Picture, Renderer
from halfvolley.simulate.scene import CameraRig, OtherTable, Scene
from halfvolley.simulate.sound import RATE_HZ, heard_at, make_sound
from halfvolley.simulate.stage import Stage
from halfvolley.simulate.truth import Truth, write_truth
from halfvolley.types import FloatArray
from halfvolley.video.writer import VideoWriter, WriterSettings

TICKS = 90_000
USUAL_PLAY = RallySettings()


@dataclass(frozen=True, slots=True)
class ClipSettings:
    """What `make_clip` makes of a scene."""

    play: RallySettings | None = USUAL_PLAY  # None: players, but no ball ever
    sound: bool = True
    t_offset_s: float = 0.0  # world time of PTS 0 [s]
    spp: int = 24  # rays for a pixel on an edge; 24 keeps edges within 0.05 px
    with_players: bool = True


@dataclass(frozen=True, slots=True)
class Cut:
    """From this stamp on [s] the clip shows what another camera sees."""

    t_s: float
    rig: CameraRig


def frame_times(rig: CameraRig, duration_s: float, rng: np.random.Generator) -> FloatArray:
    """(n,) stamps of a clip's frames [s], whole ticks of 1/90000 s.

    Raises
    ------
    BadInput
        If the clip would hold no frame.
    """
    n = int(np.floor(duration_s * rig.fps + 1e-9))
    if n < 1:
        raise BadInput(
            f"a clip of {duration_s} s at {rig.fps} frames a second holds no frame; make it longer"
        )
    index = np.arange(n).astype(np.float64)
    if rig.interval_jitter > 0:
        index = index + rng.uniform(0.0, rig.interval_jitter, n)
        index -= index[0]
    keep = rng.random(n) >= rig.drop_share if rig.drop_share > 0 else np.ones(n, bool)
    keep[0] = True
    return np.asarray(np.round(index[keep] / rig.fps * TICKS) / TICKS, dtype=np.float64)


def build_stages(
    scene: Scene, game: Game, rng: np.random.Generator, duration_s: float, t0_s: float = 0.0,
    with_players: bool = True,
) -> list[Stage]:  # fmt: skip
    """The table of interest with its game, then other tables with games of their own."""
    stages = [_stage(scene, game, rng, with_players)]
    for other in scene.others:
        if other.players is not None:
            theirs = play_game(scene.physics, scene.hall, rng, duration_s, t0_s=t0_s)
            stages.append(_other_stage(other, theirs, rng))
    return stages


def _stage(scene: Scene, game: Game, rng: np.random.Generator, with_players: bool) -> Stage:
    figures = tuple(
        make_figure(game, look, side, int(rng.integers(1 << 30)))
        for look, side in zip(scene.players, (-1.0, 1.0), strict=True)
    )
    return Stage(game, figures if with_players else (), scene.ball, np.eye(3), np.zeros(3))


def _other_stage(other: OtherTable, game: Game, rng: np.random.Generator) -> Stage:
    assert other.players is not None
    figures = tuple(
        make_figure(game, look, side, int(rng.integers(1 << 30)))
        for look, side in zip(other.players, (-1.0, 1.0), strict=True)
    )
    turn = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    cx, cy = other.table.centre_m
    return Stage(
        game, figures, other.ball, turn if other.table.along_y else np.eye(3),
        np.array([cx, cy, 0.0]),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Take:
    """All that is decided before the first picture of a clip is drawn."""

    scene: Scene
    settings: ClipSettings
    pts_s: FloatArray  # (n,) stamps
    world_s: FloatArray  # (n,) world times at which row 0 opens
    views: tuple[View, ...]  # n
    stages: tuple[Stage, ...]
    renderers: tuple[Renderer, ...]  # of each camera
    cut_at: int  # first frame of the second camera; n where there is none
    seed: int

    def pictures(self) -> Iterator[Picture]:
        """The clip's pictures in order, the same at every call."""
        rng = np.random.default_rng(self.seed)
        for i, (view, t) in enumerate(zip(self.views, self.world_s, strict=True)):
            yield self.renderers[int(i >= self.cut_at)].frame(view, float(t), rng)


def prepare(
    scene: Scene,
    rng: np.random.Generator,
    duration_s: float,
    settings: ClipSettings = ClipSettings(),
    game: Game | None = None,
    cut: Cut | None = None,
) -> Take:
    """Plays the game, moves the camera and renders the empty hall.

    Parameters
    ----------
    scene : Scene
        Hall, camera, ball and players.
    rng : numpy.random.Generator
        Source of all chance; the same state gives the same pictures.
    duration_s : float
        Length [s].
    settings : ClipSettings
        With or without ball, players and sound.
    game : Game, optional
        What is played; made from `settings.play` when left out.
    cut : Cut, optional
        A change to another camera.

    Returns
    -------
    Take
        Whose `pictures` are the clip.

    Raises
    ------
    BadInput
        If the clip would hold no frame, or the second camera has another size of picture.
    """
    pts = frame_times(scene.rig, duration_s, rng)
    world = settings.t_offset_s + pts * (1.0 + scene.rig.clock_ppm * 1e-6)
    given = game is not None
    if game is None:
        span = float(world[-1]) - settings.t_offset_s + 0.5
        play = settings.play or RallySettings()
        game = play_game(scene.physics, scene.hall, rng, span, play, settings.t_offset_s)
    stages = build_stages(
        scene, game, rng, duration_s + 0.5, settings.t_offset_s, settings.with_players
    )
    if settings.play is None and not given:
        stages[0] = _without_ball(stages[0])
    rigs, cut_at = [scene.rig], len(pts)
    if cut is not None:
        if cut.rig.size_px != scene.rig.size_px:
            raise BadInput(
                f"both cameras of a clip need one size, got {scene.rig.size_px} and "
                f"{cut.rig.size_px}"
            )
        rigs, cut_at = [scene.rig, cut.rig], int(np.searchsorted(pts, cut.t_s))
    views: list[View] = []
    renderers = []
    for rig, mine in zip(rigs, (world[:cut_at], world[cut_at:]), strict=False):
        seen = camera_views(rig, mine, rng)
        views += seen
        through = replace(scene, rig=rig)
        renderers.append(Renderer(through, stages, seen, rng, settings.spp))
    return Take(
        scene, settings, pts, world, tuple(views), tuple(stages), tuple(renderers), cut_at,
        int(rng.integers(1 << 62)),
    )  # fmt: skip


def make_clip(
    path: Path | str,
    scene: Scene,
    rng: np.random.Generator,
    duration_s: float,
    settings: ClipSettings = ClipSettings(),
    game: Game | None = None,
    cut: Cut | None = None,
    progress: Callable[[float], None] | None = None,
) -> Truth:
    """A clip of a scene, and beside it a JSON file with its truth.

    Parameters
    ----------
    path : Path or str
        Where the clip goes; .mp4, .mov or .mkv. The truth goes beside it, ending in .json.
    scene : Scene
        Hall, camera, ball and players.
    rng : numpy.random.Generator
        Source of play, noise and all else; the same state gives the same pictures.
    duration_s : float
        Length [s].
    settings : ClipSettings
        With or without ball, players and sound.
    game : Game, optional
        What is played; made from `settings.play` when left out.
    cut : Cut, optional
        A change to another camera within the clip.
    progress : callable, optional
        Told which share of the pictures is done, 0 to 1.

    Returns
    -------
    Truth
        What is true of the clip, also written beside it.

    Raises
    ------
    BadInput
        If the suffix cannot be written or the clip would hold no frame.
    StorageError
        If a file cannot be written.
    """
    path = Path(path)
    take = prepare(scene, rng, duration_s, settings, game, cut)
    coding = WriterSettings(
        rate=Fraction(scene.rig.fps).limit_denominator(1001),
        crf=scene.rig.quality_crf,
        audio_rate_hz=RATE_HZ if settings.sound else None,
    )
    balls: list[BallSeen | None] = []
    others: list[tuple[BallSeen, ...]] = []
    with VideoWriter(path, scene.rig.size_px, coding) as out:
        if settings.sound:
            out.write_sound(clip_sound(take, duration_s, rng))
        for t, picture in zip(take.pts_s, take.pictures(), strict=True):
            out.write_planes(picture.luma, picture.cb, picture.cr, float(t))
            balls.append(picture.ball)
            others.append(picture.others)
            if progress is not None:
                progress(len(balls) / len(take.pts_s))
    truth = Truth(
        scene, path, take.pts_s, take.views, tuple(balls), tuple(others), take.stages[0].game,
        settings.t_offset_s, settings.sound, take.cut_at if cut is not None else None,
    )  # fmt: skip
    write_truth(truth)
    return truth


def make_chapters(
    paths: Sequence[Path | str],
    scene: Scene,
    rng: np.random.Generator,
    duration_s: float,
    settings: ClipSettings = ClipSettings(),
) -> tuple[Truth, ...]:
    """One recording that the camera stored as several files, each starting again at PTS 0.

    Parameters
    ----------
    paths : sequence of Path or str
        The files, in order.
    scene : Scene
        Hall, camera, ball and players.
    rng : numpy.random.Generator
        Source of all chance.
    duration_s : float
        Length of each file [s].
    settings : ClipSettings
        As for `make_clip`; `t_offset_s` is that of the first file.

    Returns
    -------
    tuple of Truth
        One a file; world times go on from file to file.

    Raises
    ------
    BadInput, StorageError
        As `make_clip`.
    """
    play = settings.play or RallySettings()
    span = duration_s * len(paths) + 0.5
    game = play_game(scene.physics, scene.hall, rng, span, play, settings.t_offset_s)
    seed = int(rng.integers(1 << 62))
    out = []
    for i, path in enumerate(paths):
        start = settings.t_offset_s + i * duration_s
        # the same players, hall and habits in every file
        mine = replace(settings, t_offset_s=start)
        out.append(make_clip(path, scene, np.random.default_rng(seed), duration_s, mine, game))
    return tuple(out)


def _without_ball(stage: Stage) -> Stage:
    empty = Game((), (), (), (), stage.game.radius_m)
    return Stage(empty, stage.figures, stage.look, stage.turn, stage.shift_m)


def clip_sound(take: Take, duration_s: float, rng: np.random.Generator) -> NDArray[np.float32]:
    """The sound track on the clip's own clock, samples at 48 kHz."""
    microphone = take.views[0].centre_m
    events = tuple(  # of all tables: the neighbour's ball is heard too
        replace(e, centre_m=stage.place(e.centre_m))
        for stage in take.stages
        for e in stage.game.events
        if e.kind != "toss_release"
    )
    if not events:
        return make_sound((), np.zeros(0), microphone, duration_s, rng)
    t = np.array([e.t_s for e in events])
    heard = heard_at(t, np.stack([e.centre_m for e in events]), microphone)
    rig = take.scene.rig
    arrival = (heard - take.settings.t_offset_s) / (1.0 + rig.clock_ppm * 1e-6)
    return make_sound(events, arrival + rig.av_offset_s, microphone, duration_s, rng)
