"""First frames of the clips with the table's model over them, as far as they can be drawn."""

import numpy as np

from halfvolley.camera.accuracy import table_error_mm
from halfvolley.errors import FootageError
from halfvolley.report.document import Photo
from halfvolley.report.material import Material
from halfvolley.report.picture import draw_model, encode_jpeg, first_picture, write_picture
from halfvolley.session.pipeline import kept_result

PICTURE_WIDTH_PX = 1280  # wide enough to judge half a pixel on the lines, small enough to mail


def draw_cameras(m: Material) -> tuple[dict[str, Photo], dict[str, float]]:
    """First frames with the table's model, and what the cameras' own errors make on the table."""
    photos, camera_mm = {}, {}
    for clip in m.records.summary.clips:
        session, name = m.records.session, clip.clip
        recording, calibration = (kept_result(session, name, s) for s in ("probe", "camera"))
        if recording is None or calibration is None:
            continue
        camera_mm[clip.clip] = float(np.median(table_error_mm(calibration.camera)))
        try:
            picture = first_picture(session, session.clip(name), recording, calibration.camera)
        except FootageError:
            continue
        drawn = draw_model(picture, calibration.camera)
        write_picture(m.records.summary.folder / "report" / f"{clip.clip}-camera.png", drawn)
        height, width = drawn.shape[:2]
        title = m.say("{clip}: the model of the table drawn over the first frame", clip=clip.clip)
        note = m.say("The lines should lie on the table's edges and the net; if they do not, give "
                     "the corners by hand: halfvolley calibrate SESSION --corners …")  # fmt: skip
        photos[clip.clip] = Photo(
            f"{clip.clip}-camera", title, note, encode_jpeg(drawn, PICTURE_WIDTH_PX),
            (width, height),
        )  # fmt: skip
    return photos, camera_mm
