"""Makes the pictures of the README from a measured demo.

python docs/make_pictures.py DEMO_FOLDER OUT_FOLDER
"""

import sys
from pathlib import Path

from halfvolley.report.picture import encode_jpeg
from halfvolley.session.read import read_summary
from halfvolley.video import iter_frames, probe, to_rgb

WIDTH_PX = 900


def main() -> None:
    """Write map.png, camera.jpg and overlay.jpg."""
    demo, out = (Path(argument) for argument in sys.argv[1:3])
    out.mkdir(parents=True, exist_ok=True)
    report = demo / "report"
    (clip,) = read_summary(demo).clips
    (out / "map.png").write_bytes((report / f"{clip.clip}-map.png").read_bytes())

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
