"""labels.sqlite: nothing is lost, everything is durable, a person's word stands."""

import sqlite3
import subprocess
import sys
import textwrap
from dataclasses import replace

import pytest

from halfvolley.errors import BadInput, BadSession, StorageError
from halfvolley.learn import store as store_room
from halfvolley.learn.store import LabelStore, same_place, says_the_same
from halfvolley.types import VETTED


@pytest.fixture
def path(tmp_path):
    return tmp_path / "labels.sqlite"


@pytest.fixture
def store(path):
    with LabelStore(path) as opened:
        yield opened


def bare(labels):
    return [replace(label, label_id=0) for label in labels]


def test_labels_come_back_as_they_were(store, path, make_label):
    labels = [
        make_label(3),
        make_label(4, kind="none", origin="hand", who="Ann", rally=None),
        make_label(5, kind="negative", streak_px=None, decision="open", confidence=1 / 3),
        make_label(6, clip="a 'quoted' clip", why='says "so"', uv_px=(0.1 + 0.2, -0.4)),
    ]
    for clip in ("club", "a 'quoted' clip"):
        store.harvest(clip, [x for x in labels if x.clip == clip], when_s=1.0)
    want = sorted(labels, key=lambda x: (x.clip, x.frame))
    assert bare(store.labels()) == want
    assert bare(store.labels(clip="club")) == [x for x in want if x.clip == "club"]
    with LabelStore(path) as again:  # also by another opening, while this one is open
        assert bare(again.labels()) == want
    assert [label.label_id for label in store.labels(clip="club")] == [1, 2, 3]


def test_the_file_says_what_it_is(store, path):
    db = sqlite3.connect(path)
    assert db.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    assert db.execute("PRAGMA user_version").fetchone()[0] == store_room.SCHEMA_VERSION
    assert db.execute("SELECT COUNT(*) FROM labels").fetchone()[0] == 0  # the view for others
    db.close()


def test_the_same_harvest_again_adds_no_row(store, make_label):
    labels = [make_label(k) for k in range(5)]
    assert store.harvest("club", labels, when_s=1.0).added == 5
    again = store.harvest("club", [replace(x, when_s=9.0) for x in labels], when_s=9.0)
    assert (again.added, again.changed, again.removed, again.unchanged) == (0, 0, 0, 5)
    assert len(store.steps()) == 1


def test_a_new_harvest_replaces_the_old_and_keeps_numbers(store, make_label):
    store.harvest("club", [make_label(1), make_label(2), make_label(3)], when_s=1.0)
    other = make_label(1, clip="other")
    store.harvest("other", [other], when_s=1.5)
    moved = make_label(2, uv_px=(101.0, 61.0))
    merged = store.harvest("club", [make_label(1), moved, make_label(9)], when_s=2.0)
    assert (merged.added, merged.changed, merged.removed, merged.unchanged) == (1, 1, 1, 1)
    now = store.labels(clip="club")
    assert [(x.frame, x.label_id) for x in now] == [(1, 1), (2, 2), (9, 5)]
    assert now[1].uv_px == (101.0, 61.0)
    assert bare(store.labels(clip="other")) == [other]


@pytest.mark.parametrize("decision", ["accepted", "rejected"])
def test_a_harvest_never_overwrites_a_person(store, make_label, decision):
    waiting = make_label(4, decision="open", confidence=0.5)
    store.harvest("club", [waiting], when_s=1.0)
    said = store.decide(1, decision, who="Ann", when_s=2.0)
    assert (said.who, said.when_s, said.confidence) == ("Ann", 2.0, 1.0)
    sure = make_label(4, uv_px=(102.0, 61.0))
    merged = store.harvest("club", [sure, make_label(5)], when_s=3.0)
    assert merged.left == 1
    assert store.labels()[0] == said
    assert len(store.labels()) == 2
    assert store.harvest("club", [], when_s=4.0).removed == 1  # its own only
    assert store.labels() == (said,)


def test_where_a_person_put_the_ball_no_other_ball_is_harvested(store, make_label):
    drawn = make_label(4, uv_px=(300.0, 50.0), origin="hand", who="Ann")
    empty = make_label(5, kind="none", origin="hand", who="Ann")
    store.add([drawn, empty], what="drawn", who="Ann", when_s=1.0)
    negative = make_label(4, kind="negative", uv_px=(500.0, 50.0))
    merged = store.harvest("club", [make_label(4), make_label(5), negative], when_s=2.0)
    assert (merged.left, merged.added) == (2, 1)
    assert {(x.frame, x.kind) for x in store.labels()} == {
        (4, "positive"), (4, "negative"), (5, "none")
    }  # fmt: skip


def test_a_persons_labels_follow_the_numbers_of_rallies(store, make_label):
    store.add([make_label(4, who="Ann", rally=1)], what="drawn", who="Ann", when_s=1.0)
    store.harvest("club", [], when_s=2.0, rally_at=lambda t_s: 7)
    assert store.labels()[0].rally == 7
    assert store.labels()[0].who == "Ann"


def test_undo_takes_back_step_by_step_and_keeps_the_history(store, make_label):
    store.harvest("club", [make_label(1, decision="open"), make_label(2)], when_s=1.0)
    before = store.labels()
    store.decide(1, "rejected", who="Ann", when_s=2.0)
    store.harvest("club", [], when_s=3.0)
    assert store.undo().what == "harvest of club"
    assert store.labels()[0].decision == "rejected"
    assert store.undo().what == "rejected label 1"
    assert store.labels() == before
    store.decide(2, "rejected", who="Ben", when_s=4.0)  # what is undone stays undone
    assert [step.undone for step in store.steps()] == [False, True, True, False]
    assert store.undo().who == "Ben"
    assert store.undo().n_labels == 2
    assert store.labels() == ()
    assert store.undo() is None


def test_a_correction_is_one_more_row(store, path, make_label):
    store.harvest("club", [make_label(1, decision="open")], when_s=1.0)
    new = store.decide(1, "accepted", who="Ann", when_s=2.0, uv_px=(90.0, 61.0), origin="hand")
    assert store.labels() == (new,)
    assert new.uv_px == (90.0, 61.0)
    db = sqlite3.connect(path)
    rows = db.execute("SELECT u_px, decision FROM versions ORDER BY version_id").fetchall()
    db.close()
    assert rows == [(100.25, "open"), (90.0, "accepted")]


@pytest.mark.parametrize(("number", "who"), [(9, "Ann"), (1, ""), (1, VETTED)])
def test_a_decision_needs_a_label_and_a_person(store, make_label, number, who):
    store.harvest("club", [make_label(1, decision="open")], when_s=1.0)
    with pytest.raises(BadInput, match=r"no label 9|name of a person"):
        store.decide(number, "accepted", who=who, when_s=2.0)
    assert len(store.steps()) == 1


def test_an_impossible_correction_changes_nothing(store, make_label):
    store.harvest("club", [make_label(1, decision="open")], when_s=1.0)
    with pytest.raises(BadInput, match="positive radius"):
        store.decide(1, "accepted", who="Ann", when_s=2.0, radius_px=-1.0)
    assert store.labels()[0].decision == "open"
    assert len(store.steps()) == 1


def test_killed_in_the_middle_keeps_every_finished_decision(path, make_label):
    """A decision that was reported is on the disk; half a transaction is not there at all."""
    with LabelStore(path) as store:
        store.harvest("club", [make_label(k, decision="open") for k in range(50)], when_s=1.0)
    script = textwrap.dedent(
        f"""
        import os, signal
        from pathlib import Path
        from halfvolley.learn.store import LabelStore
        store = LabelStore(Path({str(path)!r}))
        for k in range(1, 50):
            if k == 20:
                write = store._write
                def dying(*args):
                    write(*args)
                    os.kill(os.getpid(), signal.SIGKILL)
                store._write = dying
            store.decide(k, "accepted", who="Ann", when_s=2.0)
            print(k, flush=True)
        """
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.returncode == -9
    said = [int(line) for line in done.stdout.split()]
    assert said == list(range(1, 20))
    with LabelStore(path) as store:
        accepted = [x.label_id for x in store.labels() if x.decision == "accepted"]
    assert accepted == said


def test_two_writers_do_not_mix(store, path, make_label, monkeypatch):
    monkeypatch.setattr(store_room, "WAIT_S", 0.05)
    with LabelStore(path) as other:
        with other._transaction():
            with LabelStore(path) as second:
                assert second.labels() == ()  # reading goes on
                with pytest.raises(StorageError, match="another halfvolley is writing"):
                    second.harvest("club", [make_label(1)], when_s=1.0)
        other.harvest("club", [make_label(1)], when_s=1.0)
    assert len(store.labels()) == 1


def test_no_labels_yet(path):
    with pytest.raises(BadSession, match="labels harvest"):
        LabelStore(path, make=False)
    assert not path.exists()


def test_a_file_that_is_no_database(path):
    path.write_bytes(b"these are no labels, " * 100)
    with pytest.raises(BadSession, match="damaged or no label file"):
        LabelStore(path)
    assert path.read_bytes().startswith(b"these are no labels")


def test_a_database_of_another_program(path):
    db = sqlite3.connect(path)
    db.execute("CREATE TABLE cats (name TEXT)")
    db.commit()
    db.close()
    with pytest.raises(BadSession, match="another program"):
        LabelStore(path)


def test_a_newer_layout(store, path):
    store.close()
    db = sqlite3.connect(path)
    db.execute("PRAGMA user_version = 99")
    db.close()
    with pytest.raises(BadSession, match=r"layout 99.*update halfvolley"):
        LabelStore(path)


def test_a_folder_that_is_not_there(tmp_path):
    with pytest.raises(StorageError, match="cannot write"):
        LabelStore(tmp_path / "none" / "labels.sqlite")


def test_same_place_and_same_word(make_label):
    a = make_label(1)
    assert same_place(a, make_label(1, uv_px=(104.0, 60.5)))
    assert not same_place(a, make_label(1, uv_px=(105.5, 60.5)))
    assert not same_place(a, make_label(1, kind="none"))
    assert says_the_same(a, replace(a, when_s=2.0, label_id=4))
    assert not says_the_same(a, replace(a, why="else"))
