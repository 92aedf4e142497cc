"""`halfvolley train` and `halfvolley score` on a clip on disk: cards, choice, undo, bad input."""

import hashlib
import json
import re
import tomllib
from dataclasses import replace

import cv2
import numpy as np
import pytest
from typer.testing import CliRunner

torch = pytest.importorskip("torch")
pytest.importorskip("onnx")

from halfvolley.cli import app  # noqa: E402
from halfvolley.constants import SHIPPED_NETWORK  # noqa: E402
from halfvolley.learn import finetune, loop  # noqa: E402
from halfvolley.learn.made import BALL, Examples, save  # noqa: E402
from halfvolley.learn.split import SplitSettings, keep_split  # noqa: E402
from halfvolley.session import score as score_room  # noqa: E402
from halfvolley.session import train as room  # noqa: E402
from halfvolley.session.edit import new_session  # noqa: E402
from halfvolley.session.labels import open_labels  # noqa: E402
from halfvolley.session.models import CARD_FORMAT, read_card  # noqa: E402
from halfvolley.session.schema import read_session  # noqa: E402
from halfvolley.session.store import ClipHashes, Store  # noqa: E402
from halfvolley.types import LabelSet  # noqa: E402
from halfvolley.video import VideoWriter, WriterSettings  # noqa: E402

torch.set_num_threads(1)  # what is tiny is done before threads are awake
W, H, N = 320, 192, 75
QUICK = ("--steps", "2", "--batch", "4", "--made-halls", "11")


def place(k):
    """A ball that goes to and fro."""
    return 160.0 + 120.0 * np.sin(k / 9.0), 90.0 + 30.0 * np.sin(k / 7.0)


@pytest.fixture(scope="module")
def clip(tmp_path_factory):
    path = tmp_path_factory.mktemp("footage") / "club.mp4"
    rng = np.random.default_rng(2)
    wall = rng.normal(80.0, 6.0, (H, W, 1)) * [1.0, 0.95, 0.9]
    y, x = np.mgrid[0:H, 0:W]
    with VideoWriter(path, (W, H), WriterSettings()) as writer:
        for k in range(N):
            u, v = place(k)
            cover = np.clip(5.5 - np.hypot(x - u, y - v), 0, 1)[..., None]
            picture = wall + cover * (np.array([240.0, 150.0, 40.0]) - wall)
            writer.write(picture.clip(0, 255).astype(np.uint8), k / 60)
    return path


def ball_labels(make_label, rallies=5, n=N):
    each = -(-n // rallies)
    return [
        make_label(k, uv_px=place(k), radius_px=5.0, streak_px=(1.0, 0.0), rally=k // each)
        for k in range(n)
    ]


def say(folder, labels):
    with open_labels(folder, make=True) as store:
        store.add(labels, what="labels", who="Ann", when_s=1.0)


@pytest.fixture
def session(clip, tmp_path, make_label, monkeypatch):
    """A session with 75 labels of 5 rallies; made halls are painted, not rendered."""
    folder = tmp_path / "s"
    new_session(folder, [clip])
    say(folder, ball_labels(make_label))

    def halls(settings, where, tell):
        where.mkdir(parents=True, exist_ok=True)
        rng = np.random.default_rng(0)
        for number in (0, 1):
            luma = rng.integers(50, 90, (6, 5, 128, 128), dtype=np.uint8)
            luma[:, :, 60:70, 60:70] = 220
            chroma = np.full((6, 10, 64, 64), 128, np.uint8)
            ball = np.tile([64.5, 64.5, 5.0, 0.0, 0.0], (6, 1))
            none = np.full((6, 4, 2), np.nan)
            save(
                Examples(luma, chroma, np.full(6, float(BALL)), ball, none),
                where / f"hall_{number:05d}.npz",
            )

    monkeypatch.setattr(finetune, "make_halls_for", halls)
    monkeypatch.setattr(score_room, "_radius", lambda session, entry: None)
    monkeypatch.setattr(score_room, "LEAD_IN_S", 0.1)
    return folder


def run(*args):
    return CliRunner().invoke(app, [str(a) for a in args])


def done(*args):
    result = run(*args)
    assert result.exit_code == 0, (result.output, result.exception)
    return " ".join(result.stdout.split())


def one_sentence(result):
    assert result.exit_code == 1, result.output
    lines = result.stderr.strip().splitlines()
    assert len(lines) == 1 and lines[0].startswith("halfvolley: "), result.stderr
    return lines[0]


def used(folder):
    return tomllib.loads((folder / "session.toml").read_text())["ball"].get("detector", "auto")


def test_from_labels_to_a_detector_in_use_and_back(session, monkeypatch):
    # one step at such a rate spoils nothing, so that equal figures keep what is used
    said = done("train", session, *QUICK, "--start", "network")
    assert "45 labels to learn from, 15 to choose with, 15 held out" in said
    assert "split by rally" in said and "Training on CPU from network" in said
    assert "a second on CPU" in said
    cards = sorted((session / "models").glob("*.json"))
    if cards:  # something was better than the start on what chose
        card = json.loads(cards[0].read_text())
        (spans,) = card["spans"].values()
        frames = {p: {k for a, b in spans[p] for k in range(a, b + 1)}
                  for p in ("train", "validation", "test")}  # fmt: skip
        assert not (frames["train"] & frames["test"] or frames["validation"] & frames["test"])
        assert set().union(*frames.values()) == set(range(N))
        assert set(card["compared"]) == {"network", "models/detector-01.onnx"}
        assert card["compared"]["network"]["balls"] == 15
        for end in ("onnx", "csv", "png"):
            assert (session / "models" / f"detector-01.{end}").stat().st_size > 100
    assert not list((session / "computed" / "training").glob("*/checkpoint.npz"))
    assert used(session) in said or used(session) == "auto"
    assert "uses classical from now on" in done("train", session, "--use", "classical")
    assert used(session) == "classical"


def kept_whatever(monkeypatch):
    """Every training finds its last weights the best."""
    real = finetune.train

    def train(*args, **said):
        return real(*args, **said | {"choose": False})

    monkeypatch.setattr(finetune, "train", train)
    old = finetune.fine_tune

    def fine_tune(*args):
        return replace(old(*args), best_step=2)

    monkeypatch.setattr(finetune, "fine_tune", fine_tune)


def test_no_score_is_made_unsaid_from_what_was_learned(session, monkeypatch):
    kept_whatever(monkeypatch)
    done("train", session, *QUICK)
    model = "models/detector-01.onnx"
    said = done("score", session, "--detector", "network", "--detector", model)
    assert f"frames that {model} has learned from are left out" in said
    assert "15 frames" in said and "Against its labels" in said
    leaky = done("score", session, "--detector", model, "--leaky")
    assert "75 frames" in leaky and f"LEAKY: {model} has learned from some" in leaky
    found = json.loads(run("score", session, "--detector", "network", "--json").stdout)
    figures = found["detectors"][0]["against"]["labels"]["figures"]
    assert figures["balls"] == N and figures["recall"] > 0.9
    names = {p.name for p in (session / "report" / "score").iterdir()}
    assert {"score.json", "curves.png"} <= names


def test_scores_are_set_on_whole_pictures_that_are_not_held_out(session, monkeypatch):
    kept_whatever(monkeypatch)
    judged, stretched = [], []
    hold, rescaled = room.hold_all, finetune.rescaled

    def hold_all(exams, *said):
        judged.append([exam.answers["labels"] for exam in exams])
        return hold(exams, *said)

    def rescaled_too(tuned, slope, shift):
        stretched.append((slope, shift))
        return rescaled(tuned, 1.5 * slope, shift)

    monkeypatch.setattr(room, "hold_all", hold_all)
    monkeypatch.setattr(finetune, "rescaled", rescaled_too)
    settings = room.tune_settings(steps=2, batch=4, made_halls=11)
    (trained,) = room.train_sessions([session], settings=settings, device="cpu")
    (spans,) = trained.card["spans"].values()
    set_on, (compared,) = judged  # once with the start and the new one, once with all rivals
    for answers, part in zip((*set_on, compared), ("validation", "train", "test"), strict=True):
        assert answers.whole.all()
        assert len(answers) == len(answers.within(spans[part])) == (45 if part == "train" else 15)
    assert len(stretched) == 1 and stretched[0][0] > 0.0
    kept = trained.model.read_bytes()
    assert hashlib.sha256(kept).hexdigest()[:16] == trained.card["sha"]


def test_a_second_training_holds_out_what_the_first_did(session, monkeypatch):
    kept_whatever(monkeypatch)
    done("train", session, *QUICK)
    first = json.loads((session / "models" / "detector-01.json").read_text())
    done("train", session, *QUICK, "--start", "models/detector-01.onnx", "--seed", "5")
    second = json.loads((session / "models" / "detector-02.json").read_text())
    assert second["spans"] == first["spans"]
    assert second["start"] == "models/detector-01.onnx"
    assert read_card(str(session / "models" / "detector-02.onnx")) == second


def test_kept_splits_divide_only_what_is_new(make_label):
    labels = LabelSet("s", "", tuple(ball_labels(make_label)))
    rng = np.random.default_rng(0)

    def known(_, label):
        return "test" if label.rally == 3 else None

    split = keep_split([labels], known, SplitSettings(), rng=rng)
    (test,) = split.test
    assert 3 in {label.rally for label in test.labels}
    parts = [{x.rally for s in split.part(p) for x in s.labels}
             for p in ("train", "validation", "test")]  # fmt: skip
    assert parts[0] | parts[1] | parts[2] == set(range(5))
    assert not (parts[0] & parts[2] or parts[1] & parts[2] or parts[0] & parts[1])


def test_a_killed_training_goes_on(session, monkeypatch):
    class Killed(BaseException):
        pass

    real, steps = loop._step, []

    def step(r, *args):
        if len(steps) == 3:
            raise Killed
        steps.append(r.step)
        real(r, *args)

    monkeypatch.setattr(loop, "_step", step)
    monkeypatch.setattr(
        finetune.TuneSettings, "loop",
        lambda s, shape, patience: loop.TrainSettings(
            shape=shape, steps=5, batch=4, measure_every=100, keep_every_s=0.0, frozen_norms=True
        ),
    )  # fmt: skip
    with pytest.raises(Killed):
        room.train_sessions([session])
    monkeypatch.setattr(loop, "_step", lambda r, *a: (steps.append(r.step), real(r, *a)))
    said = []
    room.train_sessions([session], say=said.append)
    assert said[0] == "Going on with the training that was stopped."
    assert steps == [0, 1, 2, 3, 4]


def test_without_torch_one_command_helps(session, monkeypatch):
    real = room.importlib.util.find_spec
    monkeypatch.setattr(
        room.importlib.util, "find_spec", lambda name: None if name == "torch" else real(name)
    )
    words = one_sentence(run("train", session))
    assert "pip install '.[train]'" in words and "Measuring works without it" in words
    assert not (session / "models").exists()
    assert used(session) == "auto"


@pytest.mark.parametrize(
    ("rallies", "n", "words"),
    [(5, 40, "there are 40 accepted labels, at least 50"), (1, N, "all labels are of one rally")],
)
def test_too_little_to_learn_from(clip, tmp_path, make_label, rallies, n, words):
    folder = tmp_path / "few"
    new_session(folder, [clip])
    say(folder, ball_labels(make_label, rallies, n))
    assert words in one_sentence(run("train", folder, *QUICK))
    assert used(folder) == "auto"


def test_two_rallies_are_learned_from_and_compared_with(session, make_label):
    labels = ball_labels(make_label, rallies=2)
    with open_labels(session) as store:
        store.undo()
    say(session, labels)
    assert re.search("0 to choose with, 3[78] held out", done("train", session, *QUICK))


def test_a_leaky_split_is_called_so(session, monkeypatch):
    kept_whatever(monkeypatch)
    assert "LEAKY" in done("train", session, *QUICK, "--split", "frame")
    said = done("score", session, "--detector", "models/detector-01.onnx")
    assert "LEAKY: models/detector-01.onnx was split by random frames" in said


def test_starts_that_are_none(session, tmp_path):
    assert "no detector is named 'best'" in one_sentence(run("train", session, "--start", "best"))
    cut = tmp_path / "cut.onnx"
    cut.write_bytes(SHIPPED_NETWORK.read_bytes()[:4000])
    assert "damaged or no ONNX file" in one_sentence(run("train", session, "--start", cut))
    assert "damaged or no ONNX file" in one_sentence(run("score", session, "--detector", cut))
    assert "damaged or no ONNX file" in one_sentence(run("train", session, "--use", cut))
    assert used(session) == "auto"


def test_nothing_is_left_to_hold_out(session):
    content = ClipHashes(Store(session)).of(read_session(session).clips[0].path)
    model = session / "models" / "detector-01.onnx"
    model.parent.mkdir()
    model.write_bytes(SHIPPED_NETWORK.read_bytes())
    card = {"format": CARD_FORMAT, "leaky": False, "spans": {content: {"train": [[0, N]]}}}
    model.with_suffix(".json").write_text(json.dumps(card))
    words = one_sentence(run("train", session, "--start", "models/detector-01.onnx"))
    assert "earlier training has learned" in words
    words = one_sentence(run("score", session, "--detector", "models/detector-01.onnx"))
    assert "has learned from are left out" in words


def test_labels_are_harvested_where_there_are_none(
    clip, session, tmp_path, make_label, monkeypatch
):
    fresh = tmp_path / "fresh"
    new_session(fresh, [clip])
    from halfvolley.session.labels import HarvestedSession

    def harvest(folder, progress=None):
        say(folder, ball_labels(make_label))
        return HarvestedSession((), ())

    monkeypatch.setattr(room, "harvest_labels", harvest)
    assert "has no labels yet: harvesting them first" in done("train", fresh, *QUICK)


def test_rounds_end_when_nothing_changes(session, monkeypatch):
    from halfvolley.session import pipeline
    from halfvolley.session.labels import HarvestedSession

    measured = []
    monkeypatch.setattr(pipeline, "measure", lambda folder, progress: measured.append(folder))
    monkeypatch.setattr(room, "harvest_labels", lambda f, progress: HarvestedSession((), ()))
    said = []
    settings = finetune.TuneSettings(steps=1, batch=4, rate=0.0, made_halls=11)
    done_ = room.train_sessions([session], rounds=4, settings=settings, say=said.append)
    assert 1 <= len(done_) <= len(measured) < 4
    assert done_[-1].after == done_[-1].before
    assert "Nothing changes any more" in said[-1]


def test_a_round_after_which_flights_vouch_for_less_is_given_up(session, monkeypatch):
    kept_whatever(monkeypatch)
    balls, said = iter((75, 60, 75)), []
    monkeypatch.setattr(room, "_vouched_for", lambda *_: next(balls))
    monkeypatch.setattr(room, "ROUNDS_SLACK", 2.0)  # whatever it is worth, it is tried
    settings = room.tune_settings(steps=2, batch=4, made_halls=11)
    (one,) = room.train_sessions([session], rounds=3, settings=settings, say=said.append)
    assert one.model is not None and one.after == one.before
    assert "60 balls instead of 75: back to what was" in said[-1]
    assert used(session) == one.before and next(balls, None) is None


def test_a_clip_that_shows_no_ball(session):
    found = json.loads(
        run("score", session, "--detector", "network", "--no-ball", "club", "--json").stdout
    )
    figures = found["detectors"][0]["against"]["no ball"]["figures"]
    assert figures["balls"] == 0 and figures["false_a_minute_empty"] > 100  # the ball is there
    words = one_sentence(run("score", session, "--no-ball", "nothing"))
    assert "no clip is named 'nothing'" in words


def test_pictures_of_what_went_wrong(clip, session, tmp_path, make_label):
    wrong = tmp_path / "wrong"
    new_session(wrong, [clip])
    far = [replace(x, uv_px=(x.uv_px[0], x.uv_px[1] + 60.0)) for x in ball_labels(make_label)]
    say(wrong, far[::5])
    place = wrong / "report" / "score"
    said = done("score", wrong, "--detector", "network")
    assert "balls found 0 of 15" in said
    invented = re.search(r"found that are no ball (\d+)", said)
    assert invented is not None and int(invented[1]) > 10
    missed = cv2.imread(str(place / "missed_network_01.png"))
    false = cv2.imread(str(place / "false_network_01.png"))
    # the orange ball is in the middle of the first false alarm and not of the first miss
    middles = [sheet[120:140, 120:140].astype(int).mean(axis=(0, 1)) for sheet in (missed, false)]
    assert middles[1][2] - middles[1][0] > 60 > middles[0][2] - middles[0][0]


def test_nothing_is_known(clip, tmp_path):
    folder = tmp_path / "bare"
    new_session(folder, [clip])
    assert "labels harvest" in one_sentence(run("score", folder))


def test_scores_are_set_on_so_many_frames_at_most(session):
    sets = [room.read_labels(session)]
    one = room._Training([read_session(session)], sets, room.tune_settings(), "rally", None, "cpu")
    frames = {part: len(exam.answers["labels"]) for part in ("train", "validation")
              for exam in one._exams(part, 20)}  # fmt: skip
    assert frames == {"train": 15, "validation": 15}  # of three rallies the first
    (whole,) = one._exams("train")
    assert len(whole.answers["labels"]) == 45
