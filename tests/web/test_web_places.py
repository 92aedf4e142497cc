"""Paths: nothing outside the chosen folders, and names that every file system takes."""

import os

import pytest

from halfvolley.errors import BadInput, FootageError
from halfvolley.session.edit import new_session
from halfvolley.session.schema import read_session
from halfvolley.web.jobs import Job
from halfvolley.web.pages.home import is_coming
from halfvolley.web.parts import shown_path
from halfvolley.web.places import Places, safe_name


@pytest.fixture
def tree(tmp_path):
    root, other = tmp_path / "club", tmp_path / "card"
    for folder in (root, other, root / ".hidden"):
        folder.mkdir()
    for path in (root / "a.mp4", other / "b.MOV", root / ".hidden" / "c.mp4", root / "notes.txt"):
        path.write_bytes(b"x")
    new_session(root / "tuesday", [root / "a.mp4"])
    new_session(root / "deep" / "er" / "monday", [other / "b.MOV"])
    return root, other


def test_sessions_and_clips_are_found(tree):
    root, other = tree
    places = Places(root)
    assert [p.title for p in places.sessions()] == ["deep/er/monday", "tuesday"]
    assert [p.path.name for p in places.clips()] == ["a.mp4"]
    assert {p.path.name for p in Places(root, [other]).clips()} == {"a.mp4", "b.MOV"}
    for place in places.sessions():
        assert places.session(place.key) == place.path
        assert places.key_of(place.path) == place.key


@pytest.mark.parametrize("key", ["", "..", "../..", "/etc", "tuesday", "0" * 16])
def test_only_keys_that_the_server_gave_name_anything(tree, key):
    places = Places(tree[0])
    with pytest.raises(BadInput, match="no such session"):
        places.session(key)
    with pytest.raises(BadInput, match="gone"):
        places.clip(key)


def test_a_session_that_is_gone_is_said(tree):
    places = Places(tree[0])
    key = next(p.key for p in places.sessions() if p.title == "tuesday")
    (tree[0] / "tuesday" / "session.toml").unlink()
    with pytest.raises(BadInput, match="no such session"):
        places.session(key)


def test_clips_outside_are_refused_with_the_remedy(tree):
    root, other = tree
    places = Places(root)
    places.check(read_session(root / "tuesday"))
    session = read_session(root / "deep" / "er" / "monday")
    with pytest.raises(FootageError, match=f"--footage {other}"):
        places.check(session)
    Places(root, [other]).check(session)


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_a_link_does_not_lead_outside(tree, tmp_path):
    root, other = tree
    (root / "link.mp4").symlink_to(other / "b.MOV")
    (root / "linked").symlink_to(other)
    assert not Places(root).allows(root / "link.mp4")
    assert not Places(root).allows(root / "linked" / "b.MOV")
    assert not Places(root).allows(root / ".." / "card" / "b.MOV")
    assert Places(root).allows(root / "a.mp4")


@pytest.mark.parametrize(
    ("said", "name"),
    [
        ("Tuesday, hall 2", "Tuesday_ hall 2"), ("../../etc/passwd", "_.._etc_passwd"),
        ("<b>x</b>", "_b_x__b_"), ("  .hidden. ", "hidden"), ("CON", "_CON"), ("...", ""),
        ("", ""), ("///", ""), ("Übung 3", "Übung 3"), ("a" * 300, "a" * 80),
    ],
)  # fmt: skip
def test_names_of_folders(said, name):
    assert safe_name(said) == name


def test_a_new_folder_never_takes_an_old_ones_place(tree):
    places = Places(tree[0])
    assert places.new_folder("tuesday").name == "tuesday-2"
    assert places.new_folder("..").parent == tree[0]


def test_paths_are_shown_from_ones_own_folder_on(tmp_path, monkeypatch):
    monkeypatch.setenv("HOME" if os.name == "posix" else "USERPROFILE", str(tmp_path))
    assert shown_path(tmp_path) == "~"
    assert shown_path(tmp_path / "club" / "tuesday") == "~/club/tuesday"
    assert shown_path(tmp_path.parent) == str(tmp_path.parent)


def test_a_session_in_the_making_has_a_card_until_it_is_there(tree):
    making = Job(1, tree[0] / "demo", "Making a demo", "running")
    assert is_coming(making)
    assert not is_coming(Job(2, tree[0] / "demo", "Making a demo", "stopped"))
    assert not is_coming(Job(3, tree[0] / "tuesday", "Measuring", "running"))
    (tree[0] / "demo").mkdir()
    assert is_coming(making), "its folder alone is no session"
