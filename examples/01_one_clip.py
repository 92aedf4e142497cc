"""One clip, step by step: from a video file to bounces with their errors, without a session.

    python examples/01_one_clip.py CLIP

Each step is one function; each result is a frozen dataclass of arrays that can be looked at.
`halfvolley measure` does more: it looks for the ball with the network (here: with the classical
finder), keeps results on disk and reads every frame only once.
"""

import itertools
import sys

import numpy as np

import halfvolley as hv

# 1. What is the clip? Times are the container's own; nothing is decoded yet.
clip = hv.probe(sys.argv[1])
print(f"{clip.size_px[0]} x {clip.size_px[1]}, {len(clip.pts_s)} frames, {clip.codec}")
for warning in clip.warnings:
    print("note:", warning)

# 2. Where is the camera? Some pictures are enough: the table's white lines say it.
pictures = list(itertools.islice(hv.iter_frames(clip, keyframes_only=True), 12))
calibration = hv.calibrate(pictures)
print(
    f"camera at {np.round(calibration.camera.centre_m, 2)} m, "
    f"lines fit to {calibration.residual_px:.2f} px"
)

# 3. Did the camera move? The lines are watched through the clip. How the shutter works is not
#    known here, so it gets a wide guess; the flights will narrow it.
guess = hv.Shutter(
    readout_s=0.010, readout_sd_s=0.008, exposure_s=0.003, exposure_sd_s=0.003, source="assumed"
)
watcher = hv.LineWatcher(calibration.camera)
for frame in hv.iter_frames(clip):
    watcher.feed(frame)
camera = watcher.finish(guess)

# 4. What looks like a ball? Several candidates a frame; physics decides later.
detections = hv.find_ball(hv.iter_frames(clip), clip)
print(f"{len(detections)} possible balls")

# 5. What moves smoothly, and which of it flies as a ball over this table?
tracks = hv.find_tracks(detections, clip.size_px[0])
flights = hv.find_flights(tracks, camera)
print(f"{len(flights.arcs)} flights, {len(flights.contacts)} contacts")

# 6. Whose are they? The camera and the clip's length say what could have been seen, so that the end
#    of a rally out of the picture can be foretold.
play = hv.find_play(flights, view=hv.View(camera, clip.pts_s[-1]))
for rally in play.rallies:
    server = rally.server or "unknown"
    print(f"rally {rally.rally_id}: {rally.n_strokes} strokes, served by {server}")

# 7. Bounces, each with its 95 % ellipse.
for played in play.contacts:
    contact = played.contact
    if contact.kind != "table":
        continue
    long_m = 2.4477 * np.sqrt(np.linalg.eigvalsh(contact.cov_xyz_m2[:2, :2])[-1])
    x, y = contact.xyz_m[:2]
    print(
        f"bounce at {contact.t_s:.3f} s: x {x:+.3f}, y {y:+.3f} m, within {1e3 * long_m:.0f} mm; "
        f"struck by {played.player or 'nobody yet'}"
    )
