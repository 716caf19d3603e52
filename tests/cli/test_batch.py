"""The Python side: names, one call for the whole job, and what becomes of photos that cannot be used."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import traygauge
from traygauge.batch import Setup
from traygauge_calib.prints import PrintRecord
from traygauge_calib.sheetless import Reference
from traygauge_shared.errors import PhotoError, SpecError
from traygauge_shared.scenes import write_jpeg


def test_every_public_name_can_be_had_and_is_documented() -> None:
    assert traygauge.__all__ == sorted(traygauge.__all__)
    assert set(traygauge.__all__) == set(traygauge._HOME)
    for name in traygauge.__all__:
        value = getattr(traygauge, name)
        assert (value.__doc__ or "").strip()
        assert value.__module__.startswith("traygauge")
    assert set(traygauge.__all__) <= set(dir(traygauge))


def test_stages_are_functions_also_after_their_packages_were_imported() -> None:
    import traygauge.judge
    import traygauge.measure
    import traygauge.report
    import traygauge.segment

    verbs = [n for n in traygauge.__all__ if n[0].islower()]
    assert all(callable(getattr(traygauge, verb)) for verb in verbs)


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="has no attribute 'measur'"):
        _ = traygauge.measur


def test_importing_the_package_imports_nothing_else() -> None:
    code = "import sys, traygauge; print([m for m in sys.modules if m.startswith(('numpy', 'cv2', 'traygauge'))])"
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout == "['traygauge']\n"


def test_one_call_does_what_the_stages_do_one_by_one(drawn_folder: Path) -> None:
    path = drawn_folder / "good.jpg"
    batch = traygauge.inspect_photo(path, "rigid-1.75")
    photo = traygauge.load_photo(path)
    tray = traygauge.calibrate(photo)
    pieces = traygauge.measure_pieces(traygauge.find_pieces(tray))
    pieces, verdict = traygauge.judge_pieces(
        pieces,
        traygauge.read_spec("rigid-1.75"),
        windows_mm={photo.name: tray.window_mm},
        sight=batch.photos[0].sight,
    )
    assert repr(verdict) == repr(batch.verdict)  # as text: a bound without a value is NaN
    assert len(pieces) == len(batch.pieces) == len(batch.to_frame()) == 12
    assert np.array_equal(pieces["length_mm"], batch.pieces["length_mm"], equal_nan=True)
    assert list(batch.photos[0].seconds) == [
        "load_photo",
        "calibrate",
        "check_fitness",
        "find_pieces",
        "measure_pieces",
    ]
    assert set(batch.seconds) == {"judge_pieces"}


def test_two_photos_are_one_batch_with_both_photos_pieces(drawn_folder: Path) -> None:
    told: list[tuple[int, int, str, str]] = []
    batch = traygauge.inspect_batch(
        [drawn_folder / "good.jpg", drawn_folder / "other.jpg"], progress=lambda *step: told.append(step)
    )
    assert sorted(set(batch.pieces["photo"])) == ["good.jpg", "other.jpg"]
    assert len(batch.pieces) == 20
    assert told[0] == (0, 2, "good.jpg", "load_photo")
    assert told[-1] == (1, 2, "other.jpg", "measure_pieces")


def test_the_same_photo_twice_counts_once(drawn_folder: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.jpg"
    copy.write_bytes((drawn_folder / "good.jpg").read_bytes())
    batch = traygauge.inspect_batch([drawn_folder / "good.jpg", copy])
    assert len(batch.pieces) == 12
    ((name, error),) = batch.refused
    assert name == "copy.jpg"
    assert error.found == "the same bytes as good.jpg"


def test_photos_of_one_name_in_two_folders_keep_their_pieces_apart(
    drawn_folder: Path, tmp_path: Path
) -> None:
    paths = []
    for folder, source in (("a", "good"), ("b", "other")):
        (tmp_path / folder).mkdir()
        paths.append(tmp_path / folder / "p.jpg")
        paths[-1].write_bytes((drawn_folder / f"{source}.jpg").read_bytes())
    batch = traygauge.inspect_batch(paths)
    assert [p.photo.name for p in batch.photos] == ["p.jpg", "b/p.jpg"]
    keys = list(zip(batch.pieces["photo"], batch.pieces["piece"], strict=True))
    assert len(set(keys)) == len(keys) == 20


def test_what_cannot_be_used_is_refused_and_the_rest_goes_on(drawn_folder: Path, tmp_path: Path) -> None:
    plain = write_jpeg(tmp_path / "plain.jpg", np.full((600, 800, 3), 128, np.uint8))
    batch = traygauge.inspect_batch([tmp_path / "none.jpg", plain, drawn_folder / "other.jpg"])
    assert [name for name, _ in batch.refused] == ["none.jpg", "plain.jpg"]
    assert all(error.advice for _, error in batch.refused)
    assert len(batch.pieces) == 8


def test_a_batch_of_nothing_usable_says_so_and_is_not_accepted(tmp_path: Path) -> None:
    batch = traygauge.inspect_batch([tmp_path / "none.jpg"], "rigid-1.75")
    assert batch.verdict.answer is None
    assert batch.verdict.reason == "No photo could be used."
    assert len(batch.pieces) == 0


def test_a_single_photo_that_cannot_be_used_raises_and_so_does_a_wrong_spec(drawn_folder: Path) -> None:
    with pytest.raises(PhotoError, match="no such file"):
        traygauge.inspect_photo(drawn_folder / "none.jpg")
    with pytest.raises(SpecError):
        traygauge.inspect_photo(drawn_folder / "good.jpg", "no-such-spec")


def test_a_batch_shows_itself_in_a_line_and_in_a_notebook(drawn_folder: Path) -> None:
    batch = traygauge.inspect_batch(str(drawn_folder / "other.jpg"))  # one path is a batch of one
    assert repr(batch).startswith("Batch(8 pieces on 1 photo, not judged:")
    assert repr(batch.photos[0]).startswith("PhotoInspection(other.jpg, 8 pieces, ")
    assert "<table" in batch._repr_html_()


@pytest.mark.parametrize(
    ("setup", "said"),
    [
        (Setup(), "the sheet in the photo"),
        (Setup(PrintRecord("k", "medium", 99.6, 100.2)), "the sheet in the photo"),
        (Setup(px_per_mm=12.5), "12.5 pixels per mm"),
        (Setup(scan=True), "density tag"),
        (Setup(reference=Reference((0, 0), (9, 0), 30.0)), "30 mm"),
    ],
)
def test_a_setup_says_where_the_scale_comes_from(setup: Setup, said: str) -> None:
    assert said in setup.in_words()["scale from"]
    assert ("print" in setup.in_words()) == (setup.print_record is not None)
