"""The loop that runs what is out of date, with stages that only count how often they run."""

import json
import os
import shutil
from dataclasses import replace

import numpy as np
import pytest

from halfvolley import match
from halfvolley.camera import Calibration
from halfvolley.errors import BadSession, FootageError, NoCamera, StorageError, Unknown
from halfvolley.session import pipeline
from halfvolley.session.manifest import read_manifest
from halfvolley.session.pipeline import load_clip, measure, plan_measure
from halfvolley.session.recording import Recording
from halfvolley.session.schema import FILE_NAME
from halfvolley.session.stages import Scan
from halfvolley.types import Tracks

ALL = ["probe", "camera", "scan", "track", "flight", "match"]


@pytest.fixture
def counted(made, monkeypatch):
    """Stages that give made-up results; the list of what ran."""
    ran = []

    def probe(session, entry, tell):
        if not entry.path.read_bytes():
            raise FootageError(f"{entry.path} is empty; copy it again")
        return Recording((made.info(entry.path),), np.zeros(1))

    def camera(session, entry, tell, recording):
        if entry.table == 9:
            raise NoCamera("no table was found")
        return Calibration(
            made.camera(), 0.0, 0.2, 1.1, 2.0, (10,) * 6, 1, 2.2, 0.8, "automatic", ("a note",)
        )

    def scan(session, entry, tell, recording, found):
        tell(0.5)
        return Scan(made.detections(), made.clip_camera(), ())

    def track(session, entry, tell, recording, seen):
        return Tracks(seen.detections, (np.arange(4),))

    def flight(session, entry, tell, recording, seen, tracks):
        contacts = [
            made.contact("racket", 0, 1.0, -1.6), made.contact("table", 1, 1.2, -0.8),
            made.contact("table", 2, 1.5, 0.7),
        ]  # fmt: skip
        return made.flights(contacts, [made.arc()])

    real = {s.name: s for s in pipeline.STAGES}
    runs = {"probe": probe, "camera": camera, "scan": scan, "track": track, "flight": flight,
            "match": real["match"].run}  # fmt: skip

    def noting(name):
        def run(session, entry, *rest):
            ran.append((entry.name, name))
            return runs[name](session, entry, *rest)

        return run

    stages = tuple(replace(s, run=noting(s.name)) for s in pipeline.STAGES)
    monkeypatch.setattr(pipeline, "STAGES", stages)
    return ran


@pytest.fixture
def folder(tmp_path):
    for name in ("a", "b"):
        (tmp_path / f"{name}.mp4").write_bytes(name.encode() * 100)
    (tmp_path / "s").mkdir()
    say(tmp_path / "s", "")
    return tmp_path / "s"


def say(folder, more, head="", second=True):
    text = f'{head}\n[[clips]]\npath = "../a.mp4"\n{more}\n'
    if second:
        text += '[[clips]]\npath = "../b.mp4"\n'
    (folder / FILE_NAME).write_text(text)


def stages_of(ran, clip):
    return [stage for name, stage in ran if name == clip]


def test_all_stages_run_once_and_then_nothing_does(folder, counted):
    first = measure(folder)
    assert [stage for _, stage in first.did] == [*ALL, *ALL, "tables"]
    assert first.clips == ("a", "b")
    assert read_manifest(folder)["run"] == first.run
    before = {p: p.stat().st_mtime_ns for p in folder.rglob("*") if p.is_file()}
    counted.clear()
    second = measure(folder)
    assert (second.did, second.run) == ((), first.run)
    assert counted == []
    changed = [p for p, t in before.items() if p.stat().st_mtime_ns != t]
    assert [p.name for p in changed] in ([], [".lock"])


@pytest.mark.parametrize(
    ("more", "head", "stages", "why"),
    [
        ("masks_px = [[[0, 0], [9, 0], [9, 9]]]", "", ALL[2:], "masks_px changed"),
        ("readout_s = 0.01", "", ALL[4:], "readout_s changed"),
        ("end_a = 'near'", "", ALL[1:], "end_a changed"),
        ("kind = 'feed'", "", ALL[5:], "kind changed"),
        ("corners_px = [[1, 2], [3, 4], [5, 6], [7, 8]]", "", ALL[1:], "corners_px changed"),
    ],
)  # fmt: skip
def test_a_word_about_one_clip_reruns_what_depends_on_it(folder, counted, more, head, stages, why):
    measure(folder)
    counted.clear()
    say(folder, more, head)
    steps = [s for s in plan_measure(folder) if s.why]
    assert [(s.clip, s.stage) for s in steps] == [*(("a", s) for s in stages), ("", "tables")]
    assert steps[0].why == (why,)
    assert counted == [], "a plan runs nothing"
    measure(folder)
    assert counted == [("a", s) for s in stages]


@pytest.mark.parametrize(
    ("head", "stages"),
    [
        ("[air]\naltitude_m = 900", ALL[4:]),
        ("[ball]\nradius_m = 0.0201", ALL[2:]),
        ("[ball]\ncolour = 'white'", []),
        ("venue = 'x'", []),
        ("[players]\nA = 'Ada'", []),
    ],
)
def test_a_word_about_the_session(folder, counted, head, stages):
    measure(folder)
    counted.clear()
    say(folder, "", head)
    done = measure(folder)
    assert counted == [(c, s) for c in ("a", "b") for s in stages]
    assert (("", "tables") in done.did) == bool(stages or "players" in head)


def test_practised_serves_are_read_as_before_but_written_anew(folder, counted):
    """Their rallies raise no question any more."""
    first = measure(folder)
    counted.clear()
    say(folder, "kind = 'serves'")
    done = measure(folder)
    assert counted == []
    assert done.did == (("", "tables"),)
    assert done.run != first.run


def test_what_fits_no_match_raises_a_question(folder, counted, monkeypatch):
    monkeypatch.setattr(match, "practice_question", lambda flights, play: "Were serves practised?")
    measure(folder)
    clips = read_manifest(folder)["clips"]
    assert all("Were serves practised?" in clip["warnings"] for clip in clips.values())
    say(folder, "kind = 'serves'", second=False)
    measure(folder)
    assert "Were serves practised?" not in read_manifest(folder)["clips"]["a"]["warnings"]


def test_a_change_that_is_taken_back_costs_nothing(folder, counted):
    run = measure(folder).run
    say(folder, "readout_s = 0.01")
    assert measure(folder).run != run
    counted.clear()
    say(folder, "")
    assert measure(folder).run == run
    assert counted == []


def test_a_clip_that_was_replaced_is_measured_again(folder, counted):
    measure(folder)
    counted.clear()
    clip = folder.parent / "a.mp4"
    clip.write_bytes(b"other")
    steps = [s for s in plan_measure(folder) if s.why]
    assert steps[0].why == ("the clip's content changed",)
    measure(folder)
    assert counted == [("a", s) for s in ALL]


def test_a_clip_that_was_touched_or_moved_is_not(folder, counted):
    measure(folder)
    counted.clear()
    os.utime(folder.parent / "a.mp4", (1, 1))
    measure(folder)
    assert counted == []
    shutil.move(folder.parent / "a.mp4", folder.parent / "c.mp4")
    (folder / FILE_NAME).write_text(
        '[[clips]]\npath = "../c.mp4"\nname = "a"\n[[clips]]\npath = "../b.mp4"\n'
    )
    measure(folder)
    assert counted == []
    assert load_clip(folder, "a").recording.info.path.name == "c.mp4"


def test_a_newer_stage_runs_again(folder, counted, monkeypatch):
    measure(folder)
    counted.clear()
    newer = tuple(
        replace(s, version=s.version + 1) if s.name == "track" else s for s in pipeline.STAGES
    )
    monkeypatch.setattr(pipeline, "STAGES", newer)
    step = next(s for s in plan_measure(folder) if s.why)
    assert (step.stage, step.why) == ("track", ("the track stage is a newer version",))
    measure(folder)
    assert stages_of(counted, "a") == ["track", "flight", "match"]


def test_a_clip_that_cannot_be_measured_does_not_stop_the_others(folder, counted):
    say(folder, "table = 9")
    done = measure(folder)
    assert done.clips == ("b",)
    assert dict(done.not_measured)["a"].startswith("no table")
    assert read_manifest(folder)["not_measured"].keys() == {"a"}
    counted.clear()
    again = measure(folder)
    assert again.did == ()
    assert counted == [("a", "camera")], "only what failed is tried again"


def test_no_clip_at_all_is_the_first_ones_error(folder, counted):
    say(folder, "table = 9", second=False)
    with pytest.raises(NoCamera, match="no table"):
        measure(folder)
    assert read_manifest(folder) is None


def test_a_missing_or_empty_clip_names_its_path(folder, counted):
    (folder.parent / "a.mp4").unlink()
    (folder.parent / "b.mp4").write_bytes(b"")
    with pytest.raises(FootageError, match=r"no such file: .*a\.mp4"):
        measure(folder)
    say(folder, "", second=False)
    assert plan_measure(folder)[0].why[0].startswith("no such file")


def test_an_interruption_keeps_what_was_finished(folder, counted, monkeypatch):
    stages = {s.name: s for s in pipeline.STAGES}

    def stopped(*args):
        raise KeyboardInterrupt

    broken = tuple(replace(s, run=stopped) if s.name == "track" else s for s in pipeline.STAGES)
    with monkeypatch.context() as patch:
        patch.setattr(pipeline, "STAGES", broken)
        with pytest.raises(KeyboardInterrupt):
            measure(folder)
    assert read_manifest(folder) is None
    counted.clear()
    assert stages["track"] in pipeline.STAGES
    measure(folder)
    assert stages_of(counted, "a") == ["track", "flight", "match"]
    assert stages_of(counted, "b") == ALL


@pytest.mark.parametrize("name", ["noun.json", "arrays.npz"])
def test_a_damaged_result_is_made_again(folder, counted, name):
    measure(folder)
    path = next((folder / "computed" / "scan").glob(f"*/{name}"))
    path.write_bytes(b"rubbish")
    counted.clear()
    say(folder, "readout_s = 0.01", "[air]\naltitude_m = 9")
    measure(folder)
    assert [s for _, s in counted].count("scan") == 1


def test_a_deleted_result_is_named(folder, counted):
    measure(folder)
    shutil.rmtree(folder / "computed" / "track")
    step = next(s for s in plan_measure(folder) if s.why)
    assert (step.stage, step.why) == ("track", ("not run yet",))
    shutil.rmtree(folder / "tables")
    assert plan_measure(folder)[-1].why == ("not written yet",)


def test_deleting_computed_costs_only_time(folder, counted):
    run = measure(folder).run
    shutil.rmtree(folder / "computed")
    assert measure(folder).run == run


def test_old_results_are_forgotten(folder, counted):
    say(folder, "", second=False)
    for readout in range(6):
        say(folder, f"readout_s = 0.00{readout + 1}", second=False)
        measure(folder)
    assert len(list((folder / "computed" / "flight").iterdir())) == 3
    assert len(list((folder / "computed" / "scan").iterdir())) == 1


def test_two_writers(folder, counted):
    from halfvolley.session.store import Store

    with Store(folder).lock(), pytest.raises(StorageError, match="another halfvolley"):
        measure(folder)
    measure(folder)


def test_a_plan_writes_nothing(folder, counted):
    plan_measure(folder)
    assert [p.name for p in folder.iterdir()] == [FILE_NAME]


def test_results_can_be_loaded(folder, counted):
    with pytest.raises(BadSession, match="halfvolley measure"):
        load_clip(folder)
    measure(folder)
    result = load_clip(folder, "b")
    assert result.entry.name == "b"
    assert len(result.flights.contacts) == 3
    assert result.play.rallies[0].server == "A"
    say(folder, "readout_s = 0.01")
    with pytest.raises(BadSession, match="not measured as"):
        load_clip(folder, "a")


def test_the_manifest_says_what_a_result_was_made_from(folder, counted):
    measure(folder)
    path = next((folder / "computed" / "scan").glob("*/manifest.json"))
    manifest = json.loads(path.read_text())
    assert manifest["settings"]["masks_px"] == []
    assert set(manifest["inputs"]) == {"probe", "camera"}
    assert manifest["packages"]["halfvolley"]
    assert path.parent.parent.name == "scan"


def test_progress_is_told(folder, counted):
    told = []
    measure(folder, progress=lambda text, share: told.append((text, share)))
    assert ("a: looking for the ball", 0.5) in told
    assert all(0.0 <= share <= 1.0 for _, share in told)


@pytest.fixture
def checks(counted, monkeypatch):
    """The stages of drops and marks, likewise counted."""
    runs = {"marks": lambda *rest: Unknown("no ball lay there"),
            "drops": lambda *rest: Unknown("no ball fell")}  # fmt: skip

    def noting(stage):
        def run(session, entry, *rest):
            counted.append((entry.name, stage.name))
            return runs[stage.name](session, entry, *rest)

        return replace(stage, run=run) if stage.name in runs else stage

    monkeypatch.setattr(pipeline, "STAGES", tuple(noting(s) for s in pipeline.STAGES))
    return counted


@pytest.mark.parametrize(("kind", "stage"), [("drop", "drops"), ("marks", "marks")])
def test_a_check_is_one_more_stage_of_clips_of_its_kind(folder, checks, kind, stage):
    say(folder, f"kind = '{kind}'")
    measure(folder)
    assert set(stages_of(checks, "a")) == {*ALL, stage}
    assert stages_of(checks, "b") == ALL
    result = load_clip(folder, "a")
    assert isinstance(result.drops if kind == "drop" else result.marks, Unknown)
    assert (result.marks is None) == (kind == "drop")
    assert load_clip(folder, "b").drops is None
    checks.clear()
    assert measure(folder).did == ()
    assert {s.stage for s in plan_measure(folder) if s.clip == "a"} == {*ALL, stage}


def test_play_that_turns_out_to_be_a_drop_is_not_scanned_again(folder, checks):
    measure(folder)
    checks.clear()
    say(folder, "kind = 'drop'")
    done = measure(folder)
    assert checks == [("a", "drops")]
    assert done.did == (("a", "drops"), ("", "tables"))
    checks.clear()
    say(folder, "kind = 'marks'")
    measure(folder)
    assert "scan" in stages_of(checks, "a")


def test_verifying_stops_at_the_marks(folder, checks):
    from halfvolley.session.pipeline import verify_clip
    from halfvolley.session.schema import read_session

    say(folder, "kind = 'marks'")
    assert isinstance(verify_clip(read_session(folder), "a"), Unknown)
    assert stages_of(checks, "a") == ["probe", "camera", "scan", "marks"]
    assert read_manifest(folder) is None
