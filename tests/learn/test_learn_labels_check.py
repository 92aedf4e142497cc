"""Checks name what is wrong with its remedy; splits keep together; the queue puts use first."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from halfvolley.ball import RadiusMap
from halfvolley.errors import BadInput
from halfvolley.learn.boxes import ClipFacts
from halfvolley.learn.check import check_folder, check_labels, check_pictures
from halfvolley.learn.queue import review_queue
from halfvolley.learn.split import PARTS, SplitSettings, split_labels
from halfvolley.types import LabelSet

WIDTH, HEIGHT = 320, 180


@pytest.fixture
def clips():
    grid = np.full((6, 10), 4.0)
    return {
        "club": ClipFacts(
            "club", (WIDTH, HEIGHT), np.arange(9000) / 60.0, RadiusMap(32, grid - 0.5, grid + 1.5)
        )
    }


@pytest.fixture
def good(make_label):
    """Three rallies, as many balls as other things."""
    balls = [make_label(10 * k, rally=k // 20) for k in range(60)]
    others = [
        make_label(10 * k, kind="negative", uv_px=(30.0, 30.0), rally=k // 20) for k in range(60)
    ]
    return balls + others


def lines(labels, clips, split=None):
    return [finding.line for finding in check_labels(labels, clips, split)]


def test_nothing_is_wrong_with_good_labels(good, clips):
    split = split_labels([LabelSet("s", "", tuple(good))], rng=np.random.default_rng(1))
    assert lines(good, clips, split) == []


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        ({"uv_px": (101.0, 61.0), "frame": 10, "t_s": 10 / 60}, "1 label said twice"),
        ({"kind": "negative", "frame": 10}, "both the ball and no ball"),
        ({"kind": "none", "frame": 10}, "1 frame with a ball and said to have none"),
        ({"uv_px": (200.0, 60.0), "frame": 10}, "1 frame with more than one ball"),
        ({"uv_px": (-3.0, 60.0)}, "centre off the picture"),
        ({"uv_px": (100.0, 179.8)}, "centre off the picture"),
        ({"radius_px": 12.0}, "size that no ball can have"),
        ({"radius_px": 1.5}, "size that no ball can have"),
        ({"clip": "gone"}, "clips that are not in this session"),
        ({"frame": 9001}, "beyond the last frame"),
    ],
)  # fmt: skip
def test_each_fault_is_one_line_with_its_place_and_remedy(good, clips, make_label, spoil, words):
    bad = make_label(**({"frame": 15} | spoil))
    said = lines([*good, bad], clips)
    assert len(said) == 1, said
    assert words in said[0]
    assert f"frame {bad.frame}" in said[0]
    assert ": " in said[0] and "\n" not in said[0]
    # what is not accepted is not wrong
    assert lines([*good, replace(bad, decision="rejected")], clips) == []


def test_few_labels_of_one_rally_and_one_sort(clips, make_label):
    said = lines([make_label(k * 10) for k in range(30)], clips)
    assert any("only 30 labels are accepted, at least 50" in line for line in said)
    assert any("all labels are of one rally" in line for line in said)
    assert any("30 labels of ball and 0 of no ball" in line for line in said)
    assert "there are no labels" in lines([], clips)[0]


def test_the_same_moment_on_both_sides_of_a_split(clips, make_label):
    labels = tuple(make_label(k, rally=k // 100) for k in range(300))
    sets = [LabelSet("s", "", labels)]
    rng = np.random.default_rng(2)
    leaky = split_labels(sets, SplitSettings(by="frame"), rng=rng)
    found = [x for x in lines(labels, clips, leaky) if "another part" in x]
    assert len(found) == 1 and "LEAKY" in found[0] and "split by rally" in found[0]
    # rallies that follow at once share a moment: two borders at most
    tight = split_labels(sets, SplitSettings(by="rally"), rng=rng)
    found = [x for x in lines(labels, clips, tight) if "another part" in x]
    assert len(found) == 1 and found[0].startswith("2 moments") and "LEAKY" not in found[0]


# --- pictures ------------------------------------------------------------------------------------
def picture(seed):
    rng = np.random.default_rng(seed)
    small = rng.integers(0, 255, (9, 16, 3), np.uint8)
    return cv2.resize(small, (WIDTH, HEIGHT), interpolation=cv2.INTER_CUBIC)


def test_empty_damaged_flat_and_twin_pictures(tmp_path):
    (tmp_path / "images").mkdir()

    def write(name, content):
        cv2.imwrite(str(tmp_path / "images" / name), content)

    write("a.png", picture(1))
    write("b.png", picture(2))
    write("twin.jpg", picture(1))
    write("grey.png", np.full((HEIGHT, WIDTH, 3), 90, np.uint8))
    (tmp_path / "images" / "empty.png").write_bytes(b"")
    whole = (tmp_path / "images" / "a.png").read_bytes()
    (tmp_path / "images" / "cut.png").write_bytes(whole[:60])
    (tmp_path / "train.txt").write_text("images/a.png\nimages/b.png\n")
    (tmp_path / "test.txt").write_text("images/twin.jpg\n")
    said = {finding.what: finding for finding in check_folder(tmp_path)}
    assert said["2 pictures empty or damaged"].examples == ("cut.png", "empty.png")
    assert said["1 picture without any content"].examples == ("grey.png",)
    twins = said["2 pictures nearly like one in another part of the split"]
    assert set(twins.examples) == {"a.png", "twin.jpg"}
    assert len(said) == 3


def test_twins_on_one_side_are_no_fault():
    shown = [("a", picture(1)), ("b", picture(1)), ("c", picture(2))]
    assert check_pictures(shown, {"a": "train", "b": "train", "c": "test"}) == ()
    assert check_pictures(shown, {"a": "train", "b": "test", "c": "test"})[0].n == 2


def test_a_folder_without_pictures(tmp_path):
    assert "holds no pictures" in check_folder(tmp_path)[0].line
    with pytest.raises(BadInput, match="no such folder"):
        check_folder(tmp_path / "none")


# --- splits --------------------------------------------------------------------------------------
def sessions(make_label, halls=("north", "north", "south", "east")):
    out = []
    for i, hall in enumerate(halls):
        labels = tuple(
            make_label(frame, clip=clip, rally=rally)
            for clip in ("one", "two")
            for rally in (1, 2, 3, None)
            for frame in range(1000 * (rally or 9), 1000 * (rally or 9) + 7)
        )
        out.append(LabelSet(f"s{i}", hall, labels))
    return out


def keys(split, part, key):
    return {key(x, label) for x in split.part(part) for label in x.labels}


KEY = {
    "rally": lambda x, label: (x.session, label.clip, label.rally),
    "clip": lambda x, label: (x.session, label.clip),
    "hall": lambda x, label: x.hall,
}


@pytest.mark.parametrize("by", ["rally", "clip", "hall"])
@pytest.mark.parametrize("seed", range(5))
def test_nothing_is_on_two_sides(make_label, by, seed):
    sets = sessions(make_label)
    split = split_labels(sets, SplitSettings(by=by), rng=np.random.default_rng(seed))
    seen = [keys(split, part, KEY[by]) for part in PARTS]
    assert all(seen)
    assert not (seen[0] & seen[1] or seen[0] & seen[2] or seen[1] & seen[2])
    assert set().union(*seen) == {KEY[by](x, label) for x in sets for label in x.labels}
    assert not split.leaky and split.words == f"split by {by}"


def test_a_random_frame_split_leaks_and_says_so(make_label):
    split = split_labels(
        sessions(make_label), SplitSettings(by="frame"), rng=np.random.default_rng(1)
    )
    assert split.leaky and "LEAKY" in split.words
    seen = [keys(split, part, KEY["rally"]) for part in PARTS]
    assert seen[0] & seen[2]  # what the test of whole rallies would notice


def test_shares_are_met_and_depend_on_the_seed_alone(make_label):
    sets = sessions(make_label)
    n = sum(len(x.labels) for x in sets)
    one, same, other = (
        split_labels(sets, rng=np.random.default_rng(seed)) for seed in (1, 1, 2)
    )  # fmt: skip
    assert one == same != other
    sizes = [sum(len(x.labels) for x in one.part(part)) for part in PARTS]
    assert sum(sizes) == n
    assert [size / n for size in sizes] == pytest.approx([0.7, 0.15, 0.15], abs=0.05)


def test_only_accepted_labels_are_split(make_label):
    sets = sessions(make_label)
    sets = [replace(x, labels=(*x.labels, make_label(1, decision="open", rally=77))) for x in sets]
    split = split_labels(sets, rng=np.random.default_rng(1))
    assert 77 not in {k[2] for part in PARTS for k in keys(split, part, KEY["rally"])}


def test_too_little_to_split(make_label):
    rng = np.random.default_rng(1)
    few = [LabelSet("s", "", tuple(make_label(k, rally=k) for k in range(49)))]
    with pytest.raises(BadInput, match=r"49 accepted labels, at least 50"):
        split_labels(few, rng=rng)
    one = [LabelSet("s", "", tuple(make_label(k) for k in range(80)))]
    with pytest.raises(BadInput, match="all labels are of one rally"):
        split_labels(one, rng=rng)
    with pytest.raises(BadInput, match="all labels are of one clip"):
        split_labels(one, SplitSettings(by="clip"), rng=rng)
    two = [LabelSet("s", "", tuple(make_label(k, rally=k % 2) for k in range(80)))]
    with pytest.raises(BadInput, match="labels are of 2 rallies"):
        split_labels(two, rng=rng)
    split = split_labels(two, SplitSettings(shares=(0.6, 0.0, 0.4)), rng=rng)
    assert split.train and split.test and not split.validation


@pytest.mark.parametrize("shares", [(0.5, 0.5), (0.5, 0.6, 0.1), (1.2, -0.1, -0.1)])
def test_shares_that_are_none(make_label, shares):
    with pytest.raises(BadInput, match="sum to 1"):
        split_labels(
            sessions(make_label), SplitSettings(shares=shares), rng=np.random.default_rng(1)
        )
    with pytest.raises(BadInput, match="cannot be split by 'day'"):
        split_labels(sessions(make_label), SplitSettings(by="day"), rng=np.random.default_rng(1))


# --- the queue -----------------------------------------------------------------------------------
def test_doubt_and_use_come_first(make_label):
    def waiting(frame, confidence, kind="positive"):
        return make_label(frame, decision="open", confidence=confidence, kind=kind)

    labels = [
        waiting(0, 0.95), waiting(600, 0.5), waiting(1200, 0.1), waiting(1800, 0.5, "recovered"),
        waiting(2400, 0.5, "negative"), make_label(3000),
    ]  # fmt: skip
    queue = review_queue(labels)
    assert [q.label.frame for q in queue] == [1800, 600, 2400, 1200, 0]
    assert queue[0].doubt == pytest.approx(1.0) and queue[-1].doubt < 0.3


def test_the_same_sight_is_not_shown_twice_in_a_row(make_label):
    near = [make_label(k, decision="open", confidence=0.5) for k in range(5)]
    far = make_label(900, decision="open", confidence=0.8)
    queue = [q.label.frame for q in review_queue([*near, far])]
    assert queue[1] == 900
    # amid what is settled, one more teaches less
    settled = [make_label(k) for k in range(890, 910)]
    same = make_label(900, decision="open", confidence=0.5)
    assert review_queue([same, near[0], *settled])[0].label.frame == 0
    assert review_queue(settled) == ()
