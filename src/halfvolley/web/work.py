"""What jobs do: each calls the stages and says in words what came of it."""

from pathlib import Path
from typing import Any

from halfvolley.web.jobs import Progress


def make_demo(folder: Path, *, progress: Progress, seed: int, duration_s: float) -> str:
    """A made session, measured."""
    from halfvolley.session.demo import demo_session

    demo_session(folder, seed=seed, duration_s=duration_s, progress=progress)
    return measure_all(folder, progress=progress)


def measure_all(folder: Path, *, progress: Progress) -> str:
    """Whatever is out of date, the report, and fresh proposals for labels."""
    from halfvolley.report import write_report
    from halfvolley.session.labels import harvest_labels
    from halfvolley.session.pipeline import measure
    from halfvolley.session.read import read_summary

    measured = measure(folder, progress=progress)
    write_report(folder, progress=progress)
    if any(clip.contacts for clip in read_summary(folder).clips):
        harvest_labels(folder, measured.clips, progress=progress)
    clips = read_summary(folder).clips
    bounces = sum(len(clip.bounces) for clip in clips)
    rallies = sum(len(clip.rallies) for clip in clips)
    words = f"Measured: {bounces} bounces in {rallies} {'rally' if rallies == 1 else 'rallies'}."
    for name, why in measured.not_measured:
        words += f" {name} could not be measured: {why}."
    return words


def find_camera(folder: Path, *, progress: Progress, clip: str) -> str:
    """The camera of one clip, fitted to the table's lines."""
    from halfvolley.session.pipeline import calibrate_clip
    from halfvolley.session.schema import read_session

    _, found = calibrate_clip(read_session(folder), clip, progress=progress)
    return (
        f"The table's lines fit to {found.residual_px:.2f} px, {found.residual_mm:.1f} mm on the "
        "table."
    )


def make_small_copy(folder: Path, *, progress: Progress, clip: str) -> str:
    """A small copy of a clip that is slow to jump about in."""
    from halfvolley.session.proxy import make_proxy

    make_proxy(folder, clip, progress=progress)
    return f"{clip} can be jumped about in quickly now."


def propose_labels(folder: Path, *, progress: Progress) -> str:
    """Labels from what was measured; what a person decided stays."""
    from halfvolley.session.labels import harvest_labels

    done = harvest_labels(folder, progress=progress)
    accepted, open_ = (sum(getattr(c, k) for c in done.clips) for k in ("accepted", "open"))
    return f"{accepted} labels are sure, {open_} wait for you."


def cut_video(folder: Path, *, progress: Progress, clip: str, numbers: list[int]) -> str:
    """Some rallies of a clip, or what is listed of practice instead, as one video."""
    from halfvolley.report.videos import write_rally_video, write_stroke_video
    from halfvolley.session.records import read_records
    from halfvolley.session.schema import read_session
    from halfvolley.web.practice_data import practice_data

    kind = read_session(folder).clip(clip).kind
    if kind == "play":
        path = write_rally_video(folder, clip, numbers, progress=progress)
    else:
        items = practice_data(read_records(folder), clip)["items"]
        chosen = {i["id"]: (i["from"], i["to"]) for i in items if i["id"] in numbers}
        what = "serve" if kind == "serves" else "stroke"
        path = write_stroke_video(folder, clip, what, chosen, progress=progress)
    return f"{path.name} is ready; it is on the Report screen, under To hand on."


def draw_video(folder: Path, *, progress: Progress) -> str:
    """The report with the clips with the flight drawn in."""
    from halfvolley.report import write_report

    write_report(folder, video=True, progress=progress)
    return "The video is drawn."


def train_detector(folder: Path, *, progress: Progress, said: dict[str, Any]) -> str:
    """A detector taught on labels of one session or more; the better one is used afterwards.

    Parameters
    ----------
    folder : Path
        The session's.
    progress : callable
        Told what is being done.
    said : dict
        "settings" for `tune_settings`; "others" are folders of further sessions to learn from;
        "start" and "split_by" where a stopped one goes on.
    """
    from halfvolley.report.training import write_curves
    from halfvolley.session.train import train_sessions, tune_settings

    settings, folders = tune_settings(**said["settings"]), [folder, *said["others"]]
    (done,) = train_sessions(
        folders, settings=settings, split_by=said.get("split_by", "rally"),
        start=said.get("start"), progress=progress,
    )  # fmt: skip
    write_curves(done)
    if done.model is None:
        return "Nothing that was tried is better than its start; all stays as it was."
    if done.after == done.before:
        return f"{done.model.stem} is kept, but {done.before} is still the better one here."
    return f"{done.model.stem} is better here and is used from now on. Measure again."


def compare_detectors(folder: Path, *, progress: Progress, detectors: list[str]) -> str:
    """Detectors held against what is known of the session's footage."""
    from halfvolley.report.score import write_scores
    from halfvolley.session.score import score_session

    scores = score_session(folder, detectors, progress=progress)
    write_scores(scores, folder)
    return f"{len(scores.detectors)} detectors were compared."
