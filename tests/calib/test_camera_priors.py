"""What a file says about its camera, and when it is not believed."""

import numpy as np
import pytest

from traygauge_calib.camera_priors import U_ANY_FOCAL, U_FOCUSING, believe_file
from traygauge_shared.photo import Photo

WIDE = (4000, 3000)


def photo(size=WIDE, **more):
    facts = {"focal_35mm": 26.0, "has_lens": True, "exif_size": size} | more
    return Photo("p", "", np.empty((size[1], size[0], 3), np.uint8), **facts)


def test_focal_length_by_the_diagonal():
    """26 mm against a frame of 36 x 24 mm (diagonal 43.27 mm) on a diagonal of 5000 px."""
    belief = believe_file(photo())
    assert belief.priors.focal_px == pytest.approx(26 / np.hypot(36, 24) * 5000, rel=1e-5)
    # half a millimetre either way, evenly: standard uncertainty 0.5 / sqrt(3)
    assert belief.priors.u_focal == pytest.approx(np.hypot(0.5 / np.sqrt(3) / 26, U_FOCUSING))
    assert belief.priors.principal_px == (1999.5, 1499.5)
    assert belief.priors.u_principal_px == pytest.approx(12)
    assert belief.doubt == ""


def test_portrait_is_as_good_as_landscape():
    belief = believe_file(photo((3000, 4000)))
    assert belief.doubt == ""
    assert belief.priors.principal_px == (1499.5, 1999.5)


@pytest.mark.parametrize("size", [(4000, 3000), (6000, 4000)])
def test_whole_shapes_need_no_exif_size(size):
    assert believe_file(photo(size, exif_size=None)).doubt == ""


@pytest.mark.parametrize("focal", [None, 0.0, 3.0, 1000.0])
def test_no_believable_focal_length(focal):
    belief = believe_file(photo(focal_35mm=focal))
    assert belief.priors.u_focal == U_ANY_FOCAL
    assert bool(belief.doubt) == (focal is not None)


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"size": (3500, 2900), "exif_size": (4000, 3000)}, "cropped"),
        ({"size": (2000, 1500), "exif_size": (4000, 3000)}, "scaled or cropped"),
        ({"size": (3500, 2900), "exif_size": None}, "cropped"),
        ({"size": (4000, 2250), "exif_size": None}, "wider"),
        ({"size": (3000, 3000), "exif_size": None}, "wider"),
        ({"digital_zoom": 2.0}, "zoomed"),
    ],
    ids=str,
)
def test_crops_and_zooms_are_doubted(change, word):
    sure, belief = believe_file(photo()).priors, believe_file(photo(**change))
    assert word in belief.doubt
    assert belief.priors.u_focal > 3 * sure.u_focal
    assert belief.priors.u_principal_px >= sure.u_principal_px * min(1, change.get("size", WIDE)[0] / 4000)


def test_a_crop_keeps_the_focal_length_in_pixels():
    belief = believe_file(photo((3500, 2900), exif_size=(4000, 3000)))
    assert belief.priors.focal_px == pytest.approx(believe_file(photo()).priors.focal_px)


def test_a_scaled_picture_scales_it():
    belief = believe_file(photo((2000, 1500), exif_size=(4000, 3000)))
    assert belief.priors.focal_px == pytest.approx(believe_file(photo()).priors.focal_px / 2)
    # were it a crop instead, the focal length would be twice as long: within two standard uncertainties
    assert np.log(2) < 2 * belief.priors.u_focal


def test_zoom_covers_both_readings():
    """Some cameras state the focal length with the zoom in it, some without."""
    plain, zoomed = believe_file(photo()).priors, believe_file(photo(digital_zoom=2.0)).priors
    for focal in (plain.focal_px, 2 * plain.focal_px):
        assert abs(np.log(focal / zoomed.focal_px)) <= 1.1 * zoomed.u_focal
