"""Which rim of a face in sight a thread grows from, on drawn pieces that point at a near camera."""

from __future__ import annotations

import numpy as np
import pytest

from traygauge.measure import measure_pieces
from traygauge.segment.find import find_pieces
from traygauge_calib.camera import PerspectiveCamera
from traygauge_calib.tray_view import LocalField, ScaleUncertainty, TrayView
from traygauge_shared.photo import Photo
from traygauge_shared.scenes import Scene, Sensor, Sheet, StrandPiece, Tail, draw, phone_over

FOOT = 40.0, 30.0


def pointing(x_mm: float, y_mm: float, rim_deg: float) -> StrandPiece:
    """Return a piece whose end with a thread on it faces the camera's foot."""
    towards = float(np.degrees(np.arctan2(FOOT[1] - y_mm, FOOT[0] - x_mm)))
    thread = Tail(end=1, rim_deg=rim_deg, length_mm=1.6, width_mm=0.25, turn_deg=0, splay_deg=0)
    return StrandPiece(x_mm, y_mm, axis_deg=towards, length_mm=3.0, colour="yellow", tails=(thread,))


@pytest.mark.parametrize("rim_deg", [90.0, -90.0], ids=["upper rim", "lower rim"])
def test_a_face_that_a_thread_hides_or_does_not_tells_where_it_begins(rim_deg: float) -> None:
    """The camera hangs 112 mm above: either rim is seen 0.15 to 0.25 mm from the face's middle; the mean is off by as much."""
    threads = [pointing(x, y, rim_deg) for x in (10.0, 70.0) for y in (12.0, 30.0, 48.0)]
    plain = [
        StrandPiece(x, y, axis_deg=20 * x, length_mm=3.0, colour="yellow")
        for x in (25.0, 40.0, 55.0)
        for y in (8.0, 52.0)
    ]
    camera = phone_over(FOOT, width=1400, height=1050, across_mm=86.0, focal_35mm=45.0)
    floor = Sheet(board=None, window="black")
    drawn = draw(Scene((*threads, *plain), camera, floor, sensor=Sensor(file_format="png"), seed=1))
    exact = PerspectiveCamera(
        camera.focal_px, camera.principal_px, (camera.k1, 0.0), camera.rotation, camera.centre_mm
    )
    tray = TrayView(
        Photo("drawn.png", "", drawn.pixels),
        exact,
        (2.0, 2.0, 78.0, 58.0),
        "sheet",
        ScaleUncertainty(0.001),
        LocalField.constant(0.6),
        LocalField.constant(0.006),
    )
    pieces = measure_pieces(find_pieces(tray))
    true = np.array([float(row["tail_length_plan_mm"]) for row in drawn.truth[: len(threads)]])
    place = np.array([[float(row["x_mm"]), float(row["y_mm"])] for row in drawn.truth[: len(threads)]])
    found = np.stack([pieces["x_mm"], pieces["y_mm"]], -1)
    at = np.hypot(*(place[:, None] - found).T).argmin(0)
    np.testing.assert_allclose(pieces["tail_length_mm"][at], true, atol=0.1)
