"""`traygauge lens` and `--lens`: a camera's lens from drawn sheets, and what it does for a photo."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from traygauge.exit_codes import ExitCode
from traygauge_calib.lens_file import read_lens
from traygauge_shared.scenes import Batch, Scene, draw, phone_over, simple_scene, write_drawn, write_jpeg

Program = Callable[..., Any]

#: A camera whose EXIF says 50 mm (a whole number) and whose true focal length is 50.4 mm.
CAMERA = {"width": 1120, "height": 840, "focal_35mm": 50.4, "k1": -0.03}
SIDES = ((22, 0), (22, 90), (20, 180), (24, 270), (14, 45))


@pytest.fixture(scope="module")
def sheet_photos(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with five drawn photos of an empty sheet by one camera, tilted to every side."""
    folder = tmp_path_factory.mktemp("lens")
    for k, (tilt, towards) in enumerate(SIDES):
        camera = phone_over(tilt_deg=tilt, tilt_towards_deg=towards, roll_deg=5 * k, across_mm=230, **CAMERA)
        write_drawn(draw(Scene((), camera)), folder, f"v{k}", images=False)
    return folder


def test_a_lens_is_fitted_written_and_said_view_by_view(
    program: Program, sheet_photos: Path, tmp_path: Path
) -> None:
    run = program("lens", sheet_photos, "--out", tmp_path / "phone.lens.toml")
    assert (run.code, run.err) == (0, "")
    lens = read_lens(tmp_path / "phone.lens.toml")
    assert lens.focal_px == pytest.approx(phone_over(**CAMERA).focal_px, rel=0.003)
    assert f"{lens.focal_px:.1f} px" in run.out
    assert "fitted to 5 of 5 photos" in run.out
    for k, (tilt, _) in enumerate(SIDES):
        (line,) = (line for line in run.out.splitlines() if line.lstrip().startswith(f"v{k}.jpg"))
        assert line.split()[-1] == f"{tilt}°"
    assert max(map(len, run.out.replace(str(tmp_path), "").splitlines())) <= 80


def test_views_that_do_not_serve_are_named_with_the_reason(
    program: Program, sheet_photos: Path, photos: Path
) -> None:
    import numpy as np

    empty = np.full((CAMERA["height"], CAMERA["width"], 3), 128, np.uint8)
    blank = write_jpeg(photos / "blank.jpg", empty, focal_35mm=50, maker="Drawn", model="Drawn camera")
    torn = photos / "torn.jpg"
    torn.write_bytes((sheet_photos / "v0.jpg").read_bytes()[:9000])
    run = program("lens", sheet_photos, blank, torn, "--out", photos / "l.toml")
    assert run.code == ExitCode.BAD_INPUT  # one photo could not be read, after the rest was written
    assert (photos / "l.toml").is_file()
    assert "torn.jpg: the photo is damaged" in run.err
    (line,) = (line for line in run.out.splitlines() if "blank.jpg" in line)
    assert "not used: " in line


def test_too_few_photos_are_refused_and_nothing_is_written(
    program: Program, sheet_photos: Path, tmp_path: Path
) -> None:
    run = program("lens", sheet_photos / "v0.jpg", sheet_photos / "v1.jpg", "--out", tmp_path / "l.toml")
    assert (run.code, "to do:" in run.err) == (ExitCode.BAD_INPUT, True)
    assert not (tmp_path / "l.toml").exists()


def test_a_photo_is_measured_with_the_lens_and_says_so(
    program: Program, sheet_photos: Path, tmp_path: Path
) -> None:
    program("lens", sheet_photos, "--out", tmp_path / "l.toml")
    strand = Batch(diameter_mm=2.85, nominal_mm=5.0)  # thick enough for a small photo
    tray = simple_scene(seed=4, n=6, batch=strand)
    camera = phone_over(tilt_deg=3, **CAMERA)
    photo = write_drawn(draw(Scene(tray.pieces, camera)), tmp_path, "tray", images=False)
    (tmp_path / "traygauge.toml").write_text('lens = "l.toml"')
    for words in (("--lens", tmp_path / "l.toml"), ()):
        run = program("inspect", photo, "--json", *words)
        found = json.loads(run.out)
        assert found["settings"]["lens model"] == "of Drawn camera"
        height = found["photos"][0]["scale"]["camera_height_mm"]
        assert height == pytest.approx(camera.centre_mm[2], rel=0.004)


def test_another_cameras_photo_is_refused(program: Program, sheet_photos: Path, photos: Path) -> None:
    program("lens", sheet_photos, "--out", photos / "l.toml")
    other = phone_over(width=1120, height=840, focal_35mm=28)
    photo = write_drawn(draw(Scene((), other)), photos, "wide", images=False)
    run = program("inspect", photo, "--lens", photos / "l.toml")
    assert run.code == ExitCode.BAD_INPUT
    assert "the lens model is another camera's" in run.out


def test_a_lens_needs_a_sheet(program: Program, photos: Path) -> None:
    run = program("inspect", photos / "good.jpg", "--lens", "l.toml", "--px-per-mm", "8")
    assert (run.code, "photos of a sheet" in run.err) == (ExitCode.BAD_INPUT, True)
    run = program("inspect", photos / "good.jpg", "--lens", photos / "none.toml")
    assert (run.code, "cannot be read" in run.err) == (ExitCode.BAD_INPUT, True)


def test_the_help_asks_for_as_many_photos_as_the_fit(program: Program) -> None:
    from traygauge_calib.lens import LEAST_VIEWS

    words = {4: "four or more photos", 5: "five or more photos"}
    assert words[LEAST_VIEWS] in program("lens", "--help").out
