"""One box in the three exchange formats, against their published descriptions.

COCO: "bbox: [x, y, width, height]", from the top left corner, 0-indexed (the data set's format
page). Pascal VOC: the first pixel is (1, 1), xmax and ymax belong to the box (development kit, from
memory). Text rows: class, centre and size as shares of the picture, the common practice of
trainers, no single source; ten decimals, so half of the last one is the tolerance.
"""

import json
from xml.etree import ElementTree

import numpy as np
import pytest

from halfvolley.learn.boxes import ClipFacts
from halfvolley.learn.exchange import write_export
from halfvolley.types import Label

WIDTH, HEIGHT = 1920, 1080


@pytest.fixture(params=["rows", "coco", "voc"])
def exported(request, tmp_path):
    """A ball on the pixels 952-967 and 531-546, counted from 0."""
    label = Label(
        "club", 7, 7 / 60, "positive", (959.5, 538.5), 8.0, None, "hand", 1.0, "accepted", "Ann",
        0.0,
    )  # fmt: skip
    clips = {"club": ClipFacts("club", (WIDTH, HEIGHT), np.arange(9) / 60)}
    picture = np.zeros((HEIGHT, WIDTH, 3), np.uint8)
    write_export(tmp_path, [label], clips, [("club", 7, picture)], style=request.param)
    return request.param, tmp_path


def test_the_same_box_everywhere(exported):
    style, folder = exported
    if style == "rows":
        text = (folder / "labels" / "club_000007.txt").read_text()
        name, *numbers = text.split()
        assert name == "0"
        want = [0.5, 0.4990740741, 0.0083333333, 0.0148148148]
        assert [float(x) for x in numbers] == pytest.approx(want, abs=5e-11)
    elif style == "coco":
        document = json.loads((folder / "annotations.json").read_text())
        assert document["annotations"][0]["bbox"] == [952, 531, 16, 16]
        assert document["annotations"][0]["area"] == 256
    else:
        root = ElementTree.parse(folder / "annotations" / "club_000007.xml").getroot()
        assert [int(x.text) for x in root.find("object/bndbox")] == [953, 532, 968, 547]
        assert [x.text for x in root.find("size")] == ["1920", "1080", "3"]
