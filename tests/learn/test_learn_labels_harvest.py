"""Flights vet labels: places, gaps, hidden balls, negatives; on a ball known exactly."""

import numpy as np
import pytest
from made_rally import BALL, CAMERA, LAW, SHUTTER, frames, made_clip

from halfvolley.learn.harvest import HarvestSettings, RallyTimes, harvest
from halfvolley.learn.predict import predict_arc
from halfvolley.learn.witness import WitnessSettings, witnesses
from halfvolley.types import Moment, Play, PlayedContact, Rally


def harvested(made, read=None, **said):
    return harvest(
        "made", made.info, CAMERA, made.flights, made.play, LAW, when_s=5.0, read=read, **said
    )


def errors_px(labels, made):
    return np.array([np.hypot(*(np.array(x.uv_px) - made.truth[x.frame][0])) for x in labels])


def test_prediction_is_the_bisection_of_rows():
    made = made_clip(np.random.default_rng(1))
    seen = {}
    for arc in made.flights.arcs:
        p = predict_arc(arc, made.info.pts_s, CAMERA, SHUTTER, LAW)
        for i, frame in enumerate(p.frame):
            seen[int(frame)] = (p.uv_px[i], p.radius_px[i], p.streak_px[i], p.t_s[i])
    assert set(seen) == set(made.truth)
    straddling = int(np.searchsorted(made.info.pts_s, made.path.t_bounce)) - 1
    for frame, (uv, radius, streak, t) in made.truth.items():
        assert seen[frame][0] == pytest.approx(uv, abs=0.01)
        assert seen[frame][1] == pytest.approx(radius, rel=1e-3)
        assert seen[frame][3] == pytest.approx(t, abs=2e-6)
        if abs(frame - straddling) > 1:  # a touch within the exposure bends the streak
            assert seen[frame][2] == pytest.approx(streak, abs=0.02)


def test_readout_counts():
    made = made_clip(np.random.default_rng(1))
    arc = made.flights.arcs[0]
    still = predict_arc(arc, made.info.pts_s, CAMERA, SHUTTER, LAW)
    from dataclasses import replace

    global_ = predict_arc(arc, made.info.pts_s, CAMERA, replace(SHUTTER, readout_s=0.0), LAW)
    assert np.abs(still.uv_px[3:8] - global_.uv_px[3:8]).max() > 3.0


def test_every_sighting_on_a_flight_is_a_positive_at_the_flights_place():
    rng = np.random.default_rng(2)
    made = made_clip(rng)
    labels = harvested(made).labels
    assert [x.decision for x in labels] == ["accepted"] * len(labels)
    assert {x.kind for x in labels} == {"positive"}
    assert len(labels) >= len(made.truth) - 2  # the loose ends may be left out
    # detections scatter by 0.15 px each way, 0.19 in distance; the flight averages over them
    assert np.median(errors_px(labels, made)) < 0.15
    at = {label.frame: label for label in labels}
    assert at[12].streak_px == pytest.approx(tuple(made.truth[12][2]), abs=0.3)
    assert at[12].radius_px == pytest.approx(made.truth[12][1], rel=0.01)
    assert at[12].t_s == made.info.pts_s[12]


def test_an_arc_that_runs_late_is_set_right_by_its_sightings():
    late = made_clip(np.random.default_rng(3), late_s=0.003)
    assert np.median(errors_px(harvested(late).labels, late)) < 0.3
    # and would be far off without
    arc = late.flights.arcs[0]
    p = predict_arc(arc, late.info.pts_s, CAMERA, SHUTTER, LAW)
    off = [np.hypot(*(uv - late.truth[int(f)][0])) for uv, f in zip(p.uv_px, p.frame, strict=True)
           if int(f) in late.truth]  # fmt: skip
    assert np.median(off) > 2.0


def test_one_wild_sighting_moves_no_label_and_goes_to_review():
    frame = 14
    made = made_clip(np.random.default_rng(4), off={frame: (9.0, -7.0)})
    labels = {x.frame: x for x in harvested(made).labels}
    assert labels[frame].decision == "open"
    assert labels[frame].who == ""
    assert labels[frame].confidence < 0.5
    others = [x for x in labels.values() if x.frame != frame]
    assert errors_px(others, made).max() < 0.6


def test_a_run_of_sightings_beside_their_flight_is_believed():
    # as where spin was not seen: more and more off towards the end of a flight
    run = {k: (0.0, 0.12 * (k - 12) ** 2) for k in range(13, 21)}
    made = made_clip(np.random.default_rng(5), off=run)
    beside = {x.frame: x.decision for x in harvested(made).labels if x.origin == "detection"}
    # the last one may already be the other side of the touch
    assert beside == {18: "accepted", 19: "accepted", 20: "open"}


def test_gaps_are_recovered_where_the_picture_shows_the_ball():
    rng = np.random.default_rng(6)
    missing = (11, 12, 16, 17)
    made = made_clip(rng, missing=missing)
    found = harvested(made, lambda wanted: frames(made, wanted, rng))
    labels = {x.frame: x for x in found.labels}
    for k in missing:
        assert labels[k].kind == "recovered"
        assert labels[k].decision == "accepted"
    assert errors_px([labels[k] for k in missing], made).max() < 0.6
    assert found.hidden == 0


@pytest.mark.parametrize("how", ["hidden", "blocked"])
def test_a_ball_that_does_not_show_is_no_label(how):
    rng = np.random.default_rng(7)
    gone = (12, 16)
    made = made_clip(rng, missing=(11, *gone))
    found = harvested(made, lambda wanted: frames(made, wanted, rng, **{how: gone}))
    labels = {x.frame: x for x in found.labels}
    assert not set(gone) & set(labels)
    assert found.hidden == len(gone)
    assert labels[11].kind == "recovered"  # beside it, one that shows


def test_a_ball_half_hidden_is_asked_about():
    rng = np.random.default_rng(8)
    made = made_clip(rng, missing=(12,))
    found = harvested(made, lambda wanted: frames(made, wanted, rng, half=(12,)))
    assert [(x.frame, x.kind, x.decision) for x in found.labels if x.frame == 12] == [
        (12, "recovered", "open")
    ]


def test_without_pictures_gaps_wait_for_a_person():
    made = made_clip(np.random.default_rng(9), missing=(12,))
    label = next(x for x in harvested(made).labels if x.frame == 12)
    assert (label.kind, label.decision, label.who) == ("recovered", "open", "")


def test_long_gaps_are_left_alone():
    rng = np.random.default_rng(10)
    gap = tuple(range(9, 20))
    made = made_clip(rng, missing=gap)
    settings = HarvestSettings(witness=WitnessSettings(least_share=0.2))
    found = harvested(made, lambda wanted: frames(made, wanted, rng), settings=settings)
    assert 14 not in {x.frame for x in found.labels}


LAMP, LATE = (800.0, 90.0), range(12, 30, 2)  # what blinks there, seen in every second frame
OTHER = (200.0, 150.0, 110.0)


def negatives(seed, things, extra=None):
    rng = np.random.default_rng(seed)
    seen = [(k, LAMP, 0.7) for k in LATE] if extra is None else extra
    made = made_clip(rng, extra=seen)
    found = harvested(made, lambda wanted: frames(made, wanted, rng, things=things))
    return [x for x in found.labels if x.kind == "negative"]


def test_what_scores_high_elsewhere_is_a_negative():
    weak = [(k, (100.0, 90.0), 0.1) for k in LATE]
    strong = [(k, LAMP, 0.7) for k in LATE]
    found = negatives(11, [(LATE, LAMP, 5.0, OTHER)], weak + strong)
    assert found
    assert all(x.uv_px == LAMP and x.decision == "accepted" for x in found)
    assert len(found) < 4  # the same thing counts once a while


def test_what_is_a_ball_elsewhere_is_no_negative():
    assert negatives(11, [(LATE, LAMP, 5.0, BALL)]) == []


def test_part_of_something_larger_of_the_balls_colour_is_a_negative():
    """A sleeve that comes and goes; but not a ball on a floor of its colour, which stays."""
    assert negatives(11, [(LATE, LAMP, 30.0, BALL)])
    assert negatives(11, [(range(99), LAMP, 30.0, BALL)]) == []


def test_nothing_is_called_a_negative_unseen():
    made = made_clip(np.random.default_rng(11), extra=[(k, LAMP, 0.7) for k in LATE])
    assert {x.kind for x in harvested(made).labels} == {"positive"}


def test_near_a_flight_and_while_the_ball_is_unknown_nothing_is_a_negative():
    plain = made_clip(np.random.default_rng(12))
    beside = [(k, tuple(plain.truth[k][0] + [0.0, 16.0]), 0.7) for k in (12, 15)]
    before = [(1, LAMP, 0.7)]
    things = [(range(99), LAMP, 5.0, OTHER)]
    things += [((k,), uv, 5.0, OTHER) for k, uv, _ in beside]
    assert negatives(12, things, beside + before) == []


def test_another_ball_in_flight_is_no_negative():
    """Even where its colour looks another one, as in a shadow."""
    t = np.arange(8, 28)
    other = [(int(k), (100.0 + 14.0 * k, 300.0 + 0.9 * (k - 18) ** 2), 0.8) for k in t]
    things = [((k,), uv, 5.0, OTHER) for k, uv, _ in other]
    assert negatives(13, things, other) == []
    rough = [(k, (u + 37 * k * k % 90, v), score) for k, (u, v), score in other]  # no flight
    assert negatives(13, [((k,), uv, 5.0, OTHER) for k, uv, _ in rough], rough)


def test_a_flight_without_a_sure_bounce_is_asked_about_once():
    made = made_clip(np.random.default_rng(14), bounce=0.4)
    found = harvested(made)
    assert found.doubted == 2
    assert [x.decision for x in found.labels] == ["open"] * len(found.labels)
    assert 1 <= len(found.labels) <= 2


def test_witnesses_say_what_speaks_against_them():
    made = made_clip(np.random.default_rng(15), missing=tuple(range(8, 60)))
    doubts = witnesses(made.flights, made.info.pts_s, CAMERA, LAW)[0].doubts
    assert "seen in few frames" in doubts


def test_no_flights_no_labels():
    made = made_clip(np.random.default_rng(16))
    from dataclasses import replace

    made.flights = replace(made.flights, arcs=(), contacts=())
    assert harvested(made).labels == ()


def test_moments_belong_to_the_nearest_rally(made):
    def touch(t_s, rally):
        return PlayedContact(made.contact(t_s=t_s), rally, "A", "A")

    play = Play(
        (touch(2.0, 1), touch(3.0, 1), touch(9.0, 2), touch(20.0, None)), (),
        (
            Rally(1, Moment(1.5, 0.0, True), Moment(3.0, 0.0, True), "A", 2),
            Rally(2, None, None, None, 1),
        ),
    )  # fmt: skip
    times = RallyTimes(play)
    assert [times.at(t) for t in (0.0, 2.5, 5.9, 6.1, 30.0)] == [1, 1, 1, 2, 2]
    assert RallyTimes(Play((), (), ())).at(1.0) is None
