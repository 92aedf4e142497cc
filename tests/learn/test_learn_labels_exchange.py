"""Labels to other programs and back: nothing lost, nothing unusable let in."""

import json
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import cv2
import numpy as np
import pytest

from halfvolley.ball import RadiusMap
from halfvolley.errors import BadInput
from halfvolley.learn.boxes import ClipFacts, box_of, frame_of_name, picture_name, shape_of
from halfvolley.learn.exchange import exported_frames, find_format, read_import, write_export
from halfvolley.learn.split import Split
from halfvolley.types import LabelSet

WIDTH, HEIGHT, N = 320, 180, 60
STYLES = ("rows", "coco", "voc")


def facts(name="club", **said):
    return ClipFacts(name, (WIDTH, HEIGHT), np.arange(N) / 60.0, **said)


CLIPS = {"club": facts(), "b_2": facts("b_2")}


@pytest.fixture
def labels(make_label):
    """One of every sort; two are cut by the picture's edge."""
    return [
        make_label(3), make_label(4, uv_px=(1.125, 178.0)), make_label(5, kind="recovered"),
        make_label(6, kind="negative"), make_label(7, kind="none", origin="hand", who="Ann"),
        make_label(8, decision="open", confidence=1 / 3), make_label(9, decision="rejected"),
        make_label(3, uv_px=(200.0, 20.0), streak_px=None),
        make_label(10, clip="b_2", rally=None, streak_px=(0.0, 0.0), uv_px=(319.2, 90.0)),
    ]  # fmt: skip


def pictures(labels, seed=0):
    rng = np.random.default_rng(seed)
    for clip, frames in exported_frames(labels).items():
        for frame in frames:
            yield clip, frame, rng.integers(0, 255, (HEIGHT, WIDTH, 3), np.uint8)


def export(folder, labels, style, **said):
    folder.mkdir()
    return write_export(folder, labels, CLIPS, pictures(labels), style=style, **said)


def bring_in(folder, clips=None, **said):
    said = {"who": "Ben", "when_s": 9.0} | said
    return read_import(folder, clips or CLIPS, **said)


def ordered(labels):
    return sorted(labels, key=lambda x: (x.clip, x.frame, x.uv_px or ()))


# --- round trips ---------------------------------------------------------------------------------
@pytest.mark.parametrize("style", STYLES)
@pytest.mark.parametrize("picture_format", ["png", "jpg"])
def test_a_round_trip_loses_nothing(tmp_path, labels, style, picture_format):
    done = export(tmp_path / "out", labels, style, picture_format=picture_format)
    assert (done.pictures, done.boxes, done.labels) == (6, 5, len(labels))
    assert find_format(tmp_path / "out") == style
    found = bring_in(tmp_path / "out")
    assert ordered(found.labels) == ordered(labels)
    assert (found.restored, found.new, found.removed) == (len(labels), 0, 0)


@pytest.mark.parametrize("style", STYLES)
def test_without_the_side_file_boxes_are_exact(tmp_path, labels, style):
    export(tmp_path / "out", labels, style)
    (tmp_path / "out" / "labels.jsonl").unlink()
    found = bring_in(tmp_path / "out")
    balls = ordered(x for x in found.labels if x.is_ball)
    want = ordered(x for x in labels if x.is_ball and x.decision == "accepted")
    assert [(x.clip, x.frame) for x in balls] == [(x.clip, x.frame) for x in want]
    for made, old in zip(balls, want, strict=True):
        box, cut = made.box_px, box_of(old, (WIDTH, HEIGHT)).edges_px
        assert box == pytest.approx(cut, abs=1e-5)
        assert (made.origin, made.who, made.decision) == ("import", "Ben", "accepted")
    # pictures without a ball say so; the one with a negative only has none either
    assert [x.frame for x in found.labels if x.kind == "none"] == [6, 7]


def test_coordinates_of_one_box_in_all_formats(tmp_path, make_label):
    """A ball 16 px wide: pixels 152-167 and 91-106, as counted from 0."""
    label = make_label(3, uv_px=(159.5, 98.5), radius_px=8.0, streak_px=None)
    for style in STYLES:
        export(tmp_path / style, [label], style)
    row = (tmp_path / "rows" / "labels" / "club_000003.txt").read_text().split()
    assert row[0] == "0"
    assert [float(x) for x in row[1:]] == pytest.approx(
        [160 / WIDTH, 99 / HEIGHT, 16 / WIDTH, 16 / HEIGHT], abs=1e-9
    )
    document = json.loads((tmp_path / "coco" / "annotations.json").read_text())
    assert document["annotations"][0]["bbox"] == [152.0, 91.0, 16.0, 16.0]
    bounds = ElementTree.parse(tmp_path / "voc" / "annotations" / "club_000003.xml").find(
        "object/bndbox"
    )
    assert [(x.tag, x.text) for x in bounds] == [
        ("xmin", "153"), ("ymin", "92"), ("xmax", "168"), ("ymax", "107")
    ]  # fmt: skip


def test_the_coco_file_is_what_others_load(tmp_path, labels, capsys):
    """pycocotools reads it and finds each box where it was."""
    from pycocotools.coco import COCO

    export(tmp_path / "out", labels, "coco")
    loaded = COCO(str(tmp_path / "out" / "annotations.json"))
    capsys.readouterr()
    assert [c["name"] for c in loaded.loadCats(loaded.getCatIds())] == ["ball"]
    by_name = {image["file_name"]: image["id"] for image in loaded.loadImgs(loaded.getImgIds())}
    assert set(by_name) == {p.name for p in (tmp_path / "out" / "images").iterdir()}
    balls = [x for x in labels if x.is_ball and x.decision == "accepted"]
    for label in balls:
        name = picture_name(label.clip, label.frame, ".png")
        found = loaded.loadAnns(loaded.getAnnIds(imgIds=[by_name[name]], catIds=[1]))
        left, top, right, bottom = box_of(label, (WIDTH, HEIGHT)).edges_px
        want = [left, top, right - left, bottom - top]
        assert any(a["bbox"] == pytest.approx(want) for a in found)
        assert all(a["area"] == pytest.approx(a["bbox"][2] * a["bbox"][3]) for a in found)
    empty = by_name[picture_name("club", 7, ".png")]
    assert loaded.getAnnIds(imgIds=[empty]) == []


def test_exported_pictures_are_the_frames(tmp_path, labels):
    export(tmp_path / "out", labels, "rows")
    for clip, frame, rgb in pictures(labels):
        file = tmp_path / "out" / "images" / picture_name(clip, frame, ".png")
        assert np.array_equal(cv2.imread(str(file))[:, :, ::-1], rgb)


def test_a_missing_frame_is_said(tmp_path, labels):
    (tmp_path / "out").mkdir()
    with pytest.raises(BadInput, match="frame 10 of b_2 has a label and cannot be read"):
        write_export(tmp_path / "out", labels, CLIPS, list(pictures(labels))[1:], style="coco")


# --- what was changed elsewhere ------------------------------------------------------------------
def test_moved_added_and_removed_boxes_are_the_importers_word(tmp_path, labels):
    export(tmp_path / "out", labels, "rows")
    rows = tmp_path / "out" / "labels"
    (rows / "club_000003.txt").write_text("0 0.5 0.5 0.03 0.04\n")  # one moved, one taken away
    (rows / "club_000007.txt").write_text("0 0.25 0.5 0.03 0.04\n")  # one where none was
    found = bring_in(tmp_path / "out")
    assert (found.new, found.removed) == (2, 2)
    of_3 = [x for x in found.labels if x.frame == 3]
    assert sorted(x.decision for x in of_3) == ["accepted", "rejected", "rejected"]
    assert {x.who for x in of_3} == {"Ben"}
    assert all(x.origin == "flight" for x in of_3 if x.decision == "rejected")
    untouched = [x for x in found.labels if x.frame not in (3, 7)]
    assert ordered(untouched) == ordered(x for x in labels if x.frame not in (3, 7))


def test_windows_line_ends_and_a_mark_at_the_start(tmp_path, labels):
    export(tmp_path / "out", labels, "rows")
    for path in [*(tmp_path / "out" / "labels").iterdir(), tmp_path / "out" / "labels.jsonl",
                 tmp_path / "out" / "classes.txt"]:  # fmt: skip
        text = path.read_text(encoding="utf-8")
        path.write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    assert ordered(bring_in(tmp_path / "out").labels) == ordered(labels)


def test_labels_without_any_picture_go_by_their_names(tmp_path):
    (tmp_path / "club_000012.txt").write_text("0 0.5 0.5 0.05 0.0888888889 0.75\n")
    label = bring_in(tmp_path).labels[0]
    assert (label.frame, label.t_s, label.confidence) == (12, 0.2, 0.75)
    assert label.uv_px == pytest.approx((159.5, 89.5))
    assert label.radius_px == pytest.approx(8.0)


def test_voc_pixels_from_0(tmp_path):
    write_voc_by_hand(tmp_path, xmin=152, ymin=91, xmax=167, ymax=106)
    assert bring_in(tmp_path, first_pixel=0).labels[0].uv_px == (159.5, 98.5)
    assert bring_in(tmp_path).labels[0].uv_px == (158.5, 97.5)


def test_a_slanted_streak_is_read_with_the_cameras_help():
    edges = (100.0, 50.0, 130.0, 70.0)
    assert shape_of(edges, None) == ((114.5, 59.5), 10.0, (10.0, 0.0))
    assert shape_of(edges, (3.0, 5.0)) == ((114.5, 59.5), 4.0, (22.0, 12.0))
    assert shape_of((0.0, 0.0, 8.0, 8.0), (3.0, 5.0)) == ((3.5, 3.5), 4.0, None)


def test_imports_know_their_rally_and_the_ball_size(tmp_path):
    grid = np.full((6, 10), 4.0)
    known = {"club": facts(radius=RadiusMap(32, grid - 1.0, grid + 1.0))}
    (tmp_path / "club_000012.txt").write_text("0 0.5 0.5 0.1 0.1\n")
    label = bring_in(tmp_path, known).labels[0]
    assert label.radius_px == 4.0
    assert label.box_px == pytest.approx((144, 81, 176, 99))


@pytest.mark.parametrize(
    ("name", "said"),
    [("club_000012.png", ("club", 12)), ("a_b_000007.jpg", ("a_b", 7)), ("x.y_1.png", ("x.y", 1)),
     ("club.png", None), ("club_.png", None), ("_12.png", None), ("club_12a.png", None),
     ("club_٣.png", None), ("club_" + "9" * 5000 + ".png", None)],
)  # fmt: skip
def test_names_of_pictures(name, said):
    assert frame_of_name(name) == said


# --- splits --------------------------------------------------------------------------------------
@pytest.mark.parametrize(("by", "mark"), [("rally", ""), ("frame", "leaky_")])
def test_a_leaky_split_says_so_in_every_name(tmp_path, labels, by, mark):
    used = [x for x in labels if x.decision == "accepted"]
    split = Split(by, *((LabelSet("s", "", tuple(used[i::3])),) for i in range(3)))
    export(tmp_path / "out", labels, "coco", split=split)
    listed = {}
    for part in ("train", "validation", "test"):
        path = tmp_path / "out" / f"{mark}{part}.txt"
        listed[part] = path.read_text().splitlines()
        assert all((tmp_path / "out" / line).is_file() for line in listed[part])
    assert set().union(*listed.values()) == {
        f"images/{p.name}" for p in (tmp_path / "out" / "images").iterdir()
    }
    assert ordered(bring_in(tmp_path / "out").labels) == ordered(labels)


# --- what cannot be used -------------------------------------------------------------------------
def refused(folder, **said):
    """The sentence of a refusal: one line with what was seen."""
    with pytest.raises(BadInput) as caught:
        bring_in(folder, **said)
    words = str(caught.value)
    assert "\n" not in words
    return words


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("0 0.5 0.5 0.05", "4 values"), ("0 0.5 0.5 0.05 0.05 0.9 1", "7 values"),
        ("0 nan 0.5 0.05 0.05", "x is nan"), ("0 0.5 -0.1 0.05 0.05", "y is -0.1"),
        ("0 0.5 0.5 1e300 0.05", "width is 1e+300"), ("0 0.5 0.5 0.05 inf", "height is inf"),
        ("0 0.5 0.5 0 0.05", "no extent"), ("3 0.5 0.5 0.05 0.05", "class '3' is not known"),
        ("ball 0.5 0.5 0.05 0.05", "class 'ball' is not known"),
        ("-1 0.5 0.5 0.05 0.05", "class '-1'"), ("0 a b c d", "no five numbers"),
        ("9" * 5000 + " 0.5 0.5 0.05 0.05", "is not known"),
        ("0 0.5 0.5 0.05 0.05 1.5", "confidence is 1.5"),
    ],
)  # fmt: skip
def test_rows_that_are_none(tmp_path, row, words):
    (tmp_path / "club_000012.txt").write_text(f"0 0.5 0.5 0.05 0.05\n{row}\n")
    said = refused(tmp_path)
    assert words in said
    assert "club_000012.txt, line 2" in said


def coco(folder, **said):
    document = {
        "images": [{"id": 1, "file_name": "club_000012.png", "width": WIDTH, "height": HEIGHT}],
        "annotations": [{"id": 5, "image_id": 1, "category_id": 1, "bbox": [10, 20, 8, 8]}],
        "categories": [{"id": 1, "name": "ball"}],
    } | said
    (folder / "a.json").write_text(json.dumps(document))
    return folder


def annotation(**said):
    return [{"id": 5, "image_id": 1, "category_id": 1, "bbox": [10, 20, 8, 8]} | said]


def test_a_coco_file_made_elsewhere(tmp_path):
    label = bring_in(coco(tmp_path, annotations=annotation(score=0.5))).labels[0]
    assert (label.frame, label.uv_px, label.radius_px) == (12, (13.5, 23.5), 4.0)
    assert (label.kind, label.streak_px, label.confidence) == ("positive", None, 0.5)
    assert bring_in(tmp_path / "a.json").labels == (label,)


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"annotations": annotation(bbox=[1, 2, 3])}, "annotation 5 has no bbox of four"),
        ({"annotations": annotation(bbox=[1, 2, float("nan"), 3])}, "four finite numbers"),
        ({"annotations": annotation(bbox=[1, 2, "3", 4])}, "four finite numbers"),
        ({"annotations": annotation(bbox=[1, 2, -3, 4])}, "without extent"),
        ({"annotations": annotation(bbox=[1e9, 2, 3, 4])}, "a box around (1e+09"),
        ({"annotations": annotation(bbox=[-500, 0, 1200, 4])}, "more than the whole picture"),
        ({"annotations": annotation(category_id=7)}, "unknown category 7"),
        ({"annotations": annotation(image_id=7)}, "image 7, which is not in images"),
        ({"annotations": annotation(image_id=True)}, "expected a whole number"),
        ({"annotations": annotation(score=2)}, "score 2"),
        ({"annotations": {}}, "'annotations' must be a list"),
        ({"categories": [{"id": 1, "name": "cat"}]}, "class 'cat', expected 'ball'"),
        ({"images": []}, "not in images"),
        ({"images": [{"id": 1, "file_name": "club_000012.png", "width": 640, "height": 360}]},
         "640 x 360 pixels and its clip 320 x 180"),
        ({"images": [{"id": 1, "file_name": "club_000099.png", "width": WIDTH,
                      "height": HEIGHT}]}, "club has frames 0 to 59"),
        ({"images": [{"id": 1, "file_name": "dog.png", "width": WIDTH, "height": HEIGHT}]},
         "'dog.png' is no frame of a clip"),
    ],
)  # fmt: skip
def test_coco_files_that_cannot_be_used(tmp_path, said, words):
    assert words in refused(coco(tmp_path, **said))


@pytest.mark.parametrize(
    "text", ["", "{", "[]", "null", "[" * 100_000, '{"images": 1e999}', "\x00\x01"]
)
def test_json_that_is_none(tmp_path, text):
    (tmp_path / "a.json").write_text(text)
    assert "a.json" in refused(tmp_path)


def test_the_ball_may_have_another_name(tmp_path):
    coco(tmp_path, categories=[{"id": 1, "name": "sports ball"}])
    assert len(bring_in(tmp_path, ball="sports ball").labels) == 1


def write_voc_by_hand(folder, before="", name="ball", width=WIDTH, **edges):
    edges = {"xmin": 10, "ymin": 20, "xmax": 17, "ymax": 27} | edges
    box = "".join(f"<{k}>{v}</{k}>" for k, v in edges.items())
    text = (
        f"{before}<annotation><filename>club_000012.png</filename><size><width>{width}</width>"
        f"<height>{HEIGHT}</height><depth>3</depth></size><object><name>{name}</name>"
        f"<bndbox>{box}</bndbox></object></annotation>"
    )
    (folder / "club_000012.xml").write_text(text)
    return folder


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"xmin": "nan"}, "object 1 has xmin 'nan'"), ({"xmax": "wide"}, "xmax 'wide'"),
        ({"xmax": 2}, "without extent"), ({"xmin": 5000, "xmax": 5010}, "a box around"),
        ({"name": "shoe"}, "class 'shoe'"), ({"width": 640}, "640 x 180 pixels and its clip"),
        ({"width": "many"}, "size/width is 'many'"), ({"width": -3}, "size/width is '-3'"),
        ({"width": 0}, "size/width"),
    ],
)  # fmt: skip
def test_voc_files_that_cannot_be_used(tmp_path, said, words):
    write_voc_by_hand(tmp_path, **said)
    words_said = refused(tmp_path)
    assert words in words_said
    assert "club_000012" in words_said


TEN_TIMES = "".join(
    f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in zip("abcdefgh", "bcdefghi", strict=True)
)
BOMB = f'<!DOCTYPE lolz [<!ENTITY a "ha">{TEN_TIMES}]>'


@pytest.mark.parametrize(
    "before",
    [BOMB, '<!DOCTYPE x [<!ENTITY f SYSTEM "file:///etc/hostname">]>', '<!DOCTYPE x SYSTEM "y">'],
)
def test_xml_with_a_document_type_is_refused_unread(tmp_path, before):
    name = "&i;" if before is BOMB else "&f;" if "ENTITY" in before else "ball"
    write_voc_by_hand(tmp_path, before=before, name=name)
    assert "declares a document type" in refused(tmp_path)


@pytest.mark.parametrize("text", ["", "<annotation>", "no xml", "<a/>\x00"])
def test_xml_that_is_none(tmp_path, text):
    (tmp_path / "club_000012.xml").write_text(text)
    assert "club_000012.xml" in refused(tmp_path)


@pytest.mark.parametrize("style", STYLES)
def test_missing_pictures_and_pictures_of_another_size(tmp_path, labels, style):
    export(tmp_path / "out", labels, style)
    picture = tmp_path / "out" / "images" / "club_000003.png"
    content = picture.read_bytes()
    picture.unlink()
    words = refused(tmp_path / "out")
    assert "club_000003" in words and "missing" in words
    small = np.zeros((90, 160, 3), np.uint8)
    cv2.imwrite(str(picture), small)
    if style == "rows":  # shares say nothing about the size
        assert "160 x 90 pixels and its clip 320 x 180" in refused(tmp_path / "out")
    else:
        assert "160 x 90 pixels" in refused(tmp_path / "out")
    picture.write_bytes(b"")
    assert "is empty" in refused(tmp_path / "out")
    picture.write_bytes(b"no picture at all")
    assert "no PNG or JPEG" in refused(tmp_path / "out")
    picture.write_bytes(content)
    assert bring_in(tmp_path / "out").new == 0


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('"frame": 5', '"frame": 5.5', "frame is 5.5"),
        ('"frame": 5', '"frame": -5', "frame is -5"),
        ('"frame": 5', '"frame": 5000', "club has frames 0 to 59"),
        ('"kind": "recovered"', '"kind": "dog"', "Label.kind is 'dog'"),
        ('"kind": "recovered"', '"kind": []', "kind is []"),
        ('"radius_px": 4.75', '"radius_px": NaN', "radius_px is nan"),
        ('"radius_px": 4.75', '"radius_px": "4"', "radius_px is '4'"),
        ('"streak_px": [7.5, -2.25]', '"streak_px": [7.5]', "streak_px is [7.5]"),
        ('"who": ', '"whom": ', "it has the keys"),
        ('"format": "halfvolley-labels-1"', '"format": "else"', "another layout"),
        ('"clip": "club"', '"clip": "gone"', "names the clip 'gone'"),
    ],
)  # fmt: skip
def test_side_files_that_were_spoilt(tmp_path, make_label, old, new, words):
    export(tmp_path / "out", [make_label(5, kind="recovered")], "coco")
    side = tmp_path / "out" / "labels.jsonl"
    text = side.read_text()
    assert old in text
    side.write_text(text.replace(old, new))
    assert words in refused(tmp_path / "out")


def test_two_entries_for_one_picture(tmp_path, labels):
    coco(tmp_path, images=[
        {"id": i, "file_name": "club_000012.png", "width": WIDTH, "height": HEIGHT} for i in (1, 2)
    ])  # fmt: skip
    assert "two entries for club_000012.png" in refused(tmp_path)


def test_folders_without_labels(tmp_path):
    assert "no such folder" in refused(tmp_path / "none")
    assert "holds no labels" in refused(tmp_path)
    for style, kind in (("rows", ".txt"), ("voc", ".xml")):
        assert f"no {kind} files" in refused(tmp_path, style=style)


def test_a_path_in_a_file_name_leads_nowhere(tmp_path):
    image = {"id": 1, "file_name": "../../etc/club_000012.png", "width": WIDTH, "height": HEIGHT}
    before = sorted(Path(tmp_path).rglob("*"))
    found = bring_in(coco(tmp_path, images=[image]))
    assert found.labels[0].frame == 12
    assert sorted(Path(tmp_path).rglob("*")) == [*before, tmp_path / "a.json"]


def test_the_reader_notices_a_shift_of_half_a_pixel(tmp_path, make_label):
    """Negative control: the tolerance by which boxes are known again is a hundredth of that."""
    export(tmp_path / "out", [make_label(5)], "coco")
    path = tmp_path / "out" / "annotations.json"
    document = json.loads(path.read_text())
    document["annotations"][0]["bbox"][0] += 0.5
    path.write_text(json.dumps(document))
    found = bring_in(tmp_path / "out")
    assert (found.new, found.removed) == (1, 1)
    assert replace(found.labels[0], decision="accepted").uv_px == (100.25, 60.5)
