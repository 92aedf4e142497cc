"""session.toml: what is read, and what is said about what cannot be read."""

import datetime
import tomllib

import pytest

from halfvolley.errors import BadInput, BadSession, FootageError, StorageError
from halfvolley.session.edit import new_session, set_clip
from halfvolley.session.schema import KEYS, SCHEMA_VERSION, read_session


@pytest.fixture
def folder(tmp_path):
    def write(text):
        (tmp_path / "session.toml").write_text(text, encoding="utf-8")
        return tmp_path

    return write


def test_everything_that_can_be_said(folder):
    session = read_session(
        folder(
            """
schema_version = 1
venue = "Gym"
[ball]
colour = "orange"
radius_m = 0.0201
[air]
temperature_C = 18.5
humidity_percent = 40
altitude_m = 300
pressure_hPa = 980.0
[players]
A = "Ada"
B = "Ben"
[[clips]]
path = "one.mp4"
chapters = ["two.mp4"]
end_a = "near"
table = 2
corners_px = [[1, 2], [3.5, 4], [5, 6], [-7, 8]]
masks_px = [[[0, 0], [10, 0], [10, 10]]]
readout_s = 0.012
exposure_s = 0.002
[[clips]]
path = "/far/other clip.mov"
name = "second"
"""
        )
    )
    one, two = session.clips
    assert (session.venue, session.player_a, session.player_b) == ("Gym", "Ada", "Ben")
    assert (session.ball.colour, session.ball.radius_m) == ("orange", 0.0201)
    assert (session.air.temperature_C, session.air.pressure_hPa) == (18.5, 980.0)
    assert one.name == "one"
    assert [p.name for p in one.files] == ["one.mp4", "two.mp4"]
    assert one.path.parent == session.folder.absolute()
    assert one.corners_px[3] == (-7.0, 8.0)
    assert one.masks_px == (((0.0, 0.0), (10.0, 0.0), (10.0, 10.0)),)
    assert (one.readout_s, one.exposure_s, one.end_a, one.table) == (0.012, 0.002, "near", 2)
    assert (two.name, str(two.path)) == ("second", "/far/other clip.mov")
    assert (two.end_a, two.table, two.corners_px, two.readout_s) == ("auto", 1, None, None)


CLIP = '[[clips]]\npath = "a.mp4"\n'


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("venu = 'x'\n" + CLIP, 1, ["'venu'", "did you mean venue"]),
        (CLIP + "\n[bal]\ncolour = 'white'\n", 4, ["'bal'", "did you mean ball"]),
        ("\n[ball]\ncolor = 'white'\n" + CLIP, 3, ["ball.color", "did you mean colour"]),
        (CLIP + "corner_px = []\n", 3, ["clips[1].corner_px", "did you mean corners_px"]),
        (
            CLIP + CLIP.replace("a.mp4", "b.mp4") + "zzz = 1\n",
            5,
            ["clips[2].zzz", "known are", "end_a"],
        ),
        ("[ball]\nradius_m = 0.2\n" + CLIP, 2, ["ball.radius_m", "0.2 m", "0.015 to 0.03 m"]),
        ("[ball]\ncolour = 'pink'\n" + CLIP, 2, ["'pink'", "unknown, white, orange"]),
        ("[air]\ntemperature_C = 'warm'\n" + CLIP, 2, ["'warm'", "a number in °C"]),
        ("[air]\naltitude_m = true\n" + CLIP, 2, ["True", "number"]),
        ("[air]\naltitude_m = nan\n" + CLIP, 2, ["nan", "number"]),
        ("date = '31.1.2026'\n" + CLIP, 1, ["date", "'31.1.2026'", "2026-01-31"]),
        ("date = 2026-01-31T10:00:00\n" + CLIP, 1, ["date", "expected a day"]),
        ("date = 20260131\n" + CLIP, 1, ["date", "20260131", "expected a day"]),
        (CLIP + "table = 1.5\n", 3, ["1.5", "whole number"]),
        (CLIP + "corners_px = [[1, 2], [3, 4], [5, 6]]\n", 3, ["3 points", "four"]),
        (CLIP + "corners_px = [1, 2, 3, 4]\n", 3, ["not four points", "[[u, v]"]),
        (CLIP + "masks_px = [[[1, 2], [3, 4]]]\n", 3, ["2 points in polygon 1", "three"]),
        (CLIP + "masks_px = 3\n", 3, ["list of polygons"]),
        (CLIP + "exposure_s = 2\n", 3, ["exposure_s", "2 s", "0.1 s"]),
        ("[[clips]]\nname = 'x'\n", 1, ["clips[1]", "needs path"]),
        ("[[clips]]\npath = ''\n", 2, ["clips[1].path", "is empty"]),
        (CLIP + CLIP, 3, ["clips[2]", "'a'", "two clips"]),
        (CLIP + "name = '../a'\n", 3, ["'../a'", "file name"]),
        ("schema_version = 99\n" + CLIP, 1, ["99", "update halfvolley"]),
        ("clips = 3\n", 1, ["'clips'", "[[clips]]"]),
        ("ball = 3\n" + CLIP, 1, ["'ball'", "[ball]"]),
    ],
)
def test_what_is_wrong_names_line_and_key(folder, text, line, words):
    with pytest.raises(BadSession) as caught:
        read_session(folder(text))
    message = str(caught.value)
    assert f"line {line}:" in message
    for word in words:
        assert word in message
    assert "\n" not in message


def test_broken_toml_names_the_line(folder):
    with pytest.raises(BadSession, match=r"not valid TOML.*line 2"):
        read_session(folder("venue = 'x'\nvenue = =\n"))


def test_a_session_without_clips_says_so(folder):
    with pytest.raises(BadSession, match="names no clip"):
        read_session(folder("venue = 'x'\n"))


def test_what_is_no_session_says_what_to_do(tmp_path):
    with pytest.raises(BadSession, match="halfvolley new"):
        read_session(tmp_path / "none")
    with pytest.raises(BadSession, match=r"has no session.toml"):
        read_session(tmp_path)
    clip = tmp_path / "clip.mp4"
    clip.write_bytes(b"x")
    with pytest.raises(BadSession, match="is a file, not a session"):
        read_session(clip)


def test_a_text_in_another_encoding_is_a_plain_error(tmp_path):
    (tmp_path / "session.toml").write_bytes("venue = 'Süd'\n".encode("latin-1"))
    with pytest.raises(BadSession, match="cannot be read"):
        read_session(tmp_path)


def test_a_new_session_reads_back_with_the_defaults(tmp_path):
    clips = [tmp_path / "in" / "a.mp4", tmp_path / "a.mp4"]
    for clip in clips:
        clip.parent.mkdir(exist_ok=True)
        clip.write_bytes(b"x")
    day = datetime.date(2026, 1, 31)
    session = new_session(tmp_path / "in", clips, colour="white", venue="Gym", date=day)
    assert session.date == day
    assert [c.name for c in session.clips] == ["a", "a-2"]
    assert [c.path for c in session.clips] == clips
    assert (session.ball.colour, session.venue) == ("white", "Gym")
    data = tomllib.loads((tmp_path / "in" / "session.toml").read_text())
    assert data["schema_version"] == SCHEMA_VERSION
    assert data["clips"][0]["path"] == "a.mp4", "a clip inside moves with the folder"


def test_every_hint_of_a_new_session_is_a_valid_line(tmp_path):
    clip = tmp_path / "a.mp4"
    clip.write_bytes(b"x")
    new_session(tmp_path, [clip])
    path = tmp_path / "session.toml"
    lines = path.read_text(encoding="utf-8").splitlines()
    hints = [i for i, line in enumerate(lines) if line.startswith("# ") and " = " in line]
    names = {key.name for key in KEYS}
    assert {lines[i][2:].split(" = ")[0] for i in hints} < names
    for i in hints:
        lines[i] = lines[i][2:]
    path.write_text("\n".join(lines), encoding="utf-8")
    session = read_session(tmp_path)
    assert session.clips[0].corners_px is not None
    assert session.clips[0].chapters[0].name == "second_file.mp4"


def test_a_day_may_stand_in_quotes_and_may_be_left_out(folder):
    assert read_session(folder("date = '2026-01-31'\n" + CLIP)).date == datetime.date(2026, 1, 31)
    assert read_session(folder(CLIP)).date is None


def test_a_new_session_never_replaces_one(tmp_path):
    clip = tmp_path / "a.mp4"
    clip.write_bytes(b"x")
    new_session(tmp_path / "s", [clip])
    before = (tmp_path / "s" / "session.toml").read_text()
    with pytest.raises(BadSession, match="a session already"):
        new_session(tmp_path / "s", [clip])
    assert (tmp_path / "s" / "session.toml").read_text() == before


def test_a_new_session_needs_clips_that_exist(tmp_path):
    with pytest.raises(FootageError, match="no such file"):
        new_session(tmp_path / "s", [tmp_path / "a.mp4"])
    with pytest.raises(BadInput):
        new_session(tmp_path / "s", [])
    assert not (tmp_path / "s").exists()
    clip = tmp_path / "a.mp4"
    clip.write_bytes(b"x")
    with pytest.raises(BadSession, match="is a file"):
        new_session(clip, [clip])
    with pytest.raises(StorageError):
        new_session("/proc/nowhere", [clip])


def test_a_later_word_keeps_what_a_person_wrote(folder):
    text = '# mine\nvenue = "Gym"  # kept\n\n' + CLIP + '\n[[clips]]\npath = "b.mp4"  # second\n'
    where = folder(text)
    session = set_clip(read_session(where), "b", corners_px=((1, 2), (3, 4), (5, 6), (7, 8)))
    assert session.clip("b").corners_px == ((1, 2), (3, 4), (5, 6), (7, 8))
    assert session.clip("a").corners_px is None
    now = (where / "session.toml").read_text()
    for kept in ("# mine", "# kept", "# second"):
        assert kept in now
    session = set_clip(session, "b", corners_px=None)
    assert session.clip("b").corners_px is None


def test_a_wrong_later_word_changes_nothing(folder):
    where = folder(CLIP)
    session = read_session(where)
    with pytest.raises(BadSession, match="end_a"):
        set_clip(session, "a", end_a="up")
    assert (where / "session.toml").read_text() == CLIP
    with pytest.raises(BadSession, match="no clip is named 'z'"):
        set_clip(session, "z", end_a="left")
