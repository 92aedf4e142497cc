"""Makes the pictures of the README and of docs/report.md from a measured demo.

python docs/make_pictures.py DEMO_FOLDER OUT_FOLDER
"""

import shutil
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
from made_session import make_session

from halfvolley.report import write_report
from halfvolley.report.picture import encode_jpeg
from halfvolley.session.read import read_summary
from halfvolley.video import iter_frames, probe, to_rgb

WIDTH_PX = 900


def main() -> None:
    """Write map.png, camera.jpg and overlay.jpg of the demo, placement.png of made play."""
    demo, out = (Path(argument) for argument in sys.argv[1:3])
    out.mkdir(parents=True, exist_ok=True)
    report = demo / "report"
    (clip,) = read_summary(demo).clips
    write_report(demo, paper="A4")
    shutil.copy(report / "figures" / "bounces.png", out / "map.png")
    with tempfile.TemporaryDirectory() as place:
        evening = Path(place) / "evening"
        make_session(evening, rallies=40, seed=3, names=("Devika", "Birla"))
        write_report(evening, paper="A4")
        figures = evening / "report" / "figures"
        shutil.copy(figures / "player-2-placement.png", out / "placement.png")

    import cv2

    camera = cv2.imread(str(report / f"{clip.clip}-camera.png"))[:, :, ::-1]
    (out / "camera.jpg").write_bytes(encode_jpeg(camera, WIDTH_PX))

    # a moment at which much is drawn: a little after the last bounce of the longest rally
    video = probe(report / f"{clip.clip}-overlay.mp4")
    start_s = float(probe(demo / "demo.mp4").pts_s[0])
    longest = max(clip.rallies, key=lambda rally: rally.n_bounces).rally_id
    last = [bounce for bounce in clip.bounces if bounce.rally_id == longest][-1]
    when = last.t_s - start_s + 0.15
    frame = next(iter_frames(video, start_s=when))
    (out / "overlay.jpg").write_bytes(encode_jpeg(to_rgb(frame, video), WIDTH_PX))


if __name__ == "__main__":
    main()
