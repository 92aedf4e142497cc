"""What jobs do: each calls the stages and says in words what came of it."""

from pathlib import Path

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


def propose_labels(folder: Path, *, progress: Progress) -> str:
    """Labels from what was measured; what a person decided stays."""
    from halfvolley.session.labels import harvest_labels

    done = harvest_labels(folder, progress=progress)
    accepted, open_ = (sum(getattr(c, k) for c in done.clips) for k in ("accepted", "open"))
    return f"{accepted} labels are sure, {open_} wait for you."


def cut_rally(folder: Path, *, progress: Progress, clip: str, rally: int) -> str:
    """One rally as a video."""
    from halfvolley.report.videos import write_rally_video

    path = write_rally_video(folder, clip, rally, progress=progress)
    return f"{path.name} is ready; it is on the Report screen, under To hand on."


def draw_video(folder: Path, *, progress: Progress) -> str:
    """The report with the clips with the flight drawn in."""
    from halfvolley.report import write_report

    write_report(folder, video=True, progress=progress)
    return "The video is drawn."
