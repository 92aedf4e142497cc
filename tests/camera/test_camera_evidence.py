"""Evidence for and against a table: what is hidden is not missing."""

from dataclasses import replace

import numpy as np
import pytest
from made_scene import BLUE, Thing, look_at, shoot, table_things

from halfvolley.camera.evidence import Evidence, evidence_of, judge
from halfvolley.camera.find import small_picture
from halfvolley.camera.sightings import Tone
from halfvolley.camera.table import CENTRE, NET

CAMERA = look_at((800, 450), 600, (0.4, -4.0, 1.4), (0.1, 0, -0.1))
NEAR = 0  # the side line at y < 0


def seen_with(*things):
    planes = small_picture(shoot(CAMERA, [*table_things(BLUE), *things], people=0, pictures=1))
    return evidence_of(planes.stacked, (), CAMERA, Tone())


def test_a_table_leaves_no_doubt():
    seen = seen_with()
    verdict = judge(seen)
    assert verdict.table and verdict.convincing
    assert np.nanmin(seen.seen) > 0.8 and seen.surface > 0.9 and seen.apart > 0.5


def test_a_hidden_line_is_not_missed():
    """Something stands before half of the near side line."""
    box = Thing((-1.2, -1.2, -0.76), (1.4, 0, 0), (0, 0, 1.1), (0.6, 0.5, 0.4))
    seen = seen_with(box)
    assert seen.seen[NEAR] < 0.7
    assert seen.visible[NEAR] > 0.9
    assert judge(seen).table


def test_a_bare_surface_without_a_line_speaks_against():
    """The same line painted over in the table's colour."""
    over = Thing((-1.37, -0.7625, 0.001), (2.74, 0, 0), (0, 0.025, 0), BLUE)
    seen = seen_with(over)
    assert seen.seen[NEAR] < 0.2
    assert seen.visible[NEAR] < 0.3
    assert not judge(seen).table


def test_half_a_table_goes_on():
    """The same picture read as if the table ended at the net."""
    planes = small_picture(shoot(CAMERA, table_things(BLUE), people=0, pictures=1))
    # twice as large and far: the half from x = -1.37 to 0 becomes the whole length
    R, place = CAMERA.R, CAMERA.centre_m
    half = replace(CAMERA, t_m=-R @ (2.0 * (place - [-0.685, 0.0, 0.0])))
    assert evidence_of(planes.stacked, (), CAMERA, Tone()).beyond < 0.2
    assert judge(evidence_of(planes.stacked, (), half, Tone())).table is False


GOOD = Evidence(
    seen=np.array([1.0, 1.0, 1.0, 1.0, 0.9, 0.9]), visible=np.ones(6),
    cuts=np.array([40.0, 40.0, 10.0, 10.0, 40.0, 12.0]),
    free=np.array([40.0, 40.0, 10.0, 10.0, 40.0, 12.0]), centre_strength=1.0, net_strength=0.5,
    surface=0.9, apart=0.8, beyond=0.0, light=50.0, hits=140.0,
)  # fmt: skip


def without(strip):
    return np.where(np.arange(6) == strip, 0.0, GOOD.seen)


@pytest.mark.parametrize(
    ("change", "table", "convincing"),
    [
        ({}, True, True),
        ({"hits": 8.0, "cuts": GOOD.cuts / 20.0}, False, False),  # a speck
        ({"seen": without(NET)}, True, False),  # a net in the table's colour
        ({"seen": without(CENTRE)}, False, False),  # bare surface where a centre line must be
        # the centre line hidden by a player
        ({"seen": without(CENTRE), "free": np.array([40.0, 40, 10, 10, 2, 12])}, True, True),
        ({"seen": without(CENTRE) * (np.arange(6) != NET)}, False, False),  # a court
        ({"seen": without(2)}, True, False),  # one end hidden
        ({"seen": without(2), "surface": 0.1}, False, False),  # and nothing of one colour inside
        ({"seen": without(2), "apart": 0.1}, False, False),  # and nothing ends at its edges
        ({"seen": without(2), "visible": np.array([1.0, 1, 0.2, 1, 1, 1])}, False, False),
        ({"beyond": 0.7}, False, False),  # half a table: its sides go on
        ({"centre_strength": 6.0, "net_strength": 0.01}, False, False),  # painted as wide as others
    ],
)  # fmt: skip
def test_what_evidence_comes_to(change, table, convincing):
    verdict = judge(replace(GOOD, **change))
    assert (verdict.table, verdict.convincing) == (table, convincing)
