"""The PDF is the sheet at true size: its own drawing commands are read back, drawn anew and detected."""

import io

import cv2
import numpy as np
import pytest
from pypdf import PdfReader
from pypdf.generic import ContentStream

from traygauge_calib.camera_priors import believe_file
from traygauge_calib.find_sheet import find_sheet
from traygauge_calib.sheet_pdf import PAPERS, WINDOW_COLOURS, sheet_pdf, write_sheet
from traygauge_calib.sheets import SHEETS
from traygauge_shared.errors import RecordError, SheetError
from traygauge_shared.photo import Photo

MM = 72 / 25.4
PX = 8  # per mm


def rectangles(data):
    """Return (x0, y0, x1, y1, grey or rgb) of each filled rectangle, mm from the paper's top left, and its paper."""
    page = PdfReader(io.BytesIO(data)).pages[0]
    height = float(page.mediabox.height)
    matrix, stack, colour, waiting, found = np.eye(3), [], (0.0,), [], []
    for operands, operator in ContentStream(page.get_contents(), None).operations:
        values = [float(v) for v in operands] if operator in (b"cm", b"re", b"g", b"rg") else []
        if operator == b"cm":
            a, b, c, d, e, f = values
            matrix = np.array([[a, b, 0], [c, d, 0], [e, f, 1]]) @ matrix
        elif operator == b"q":
            stack.append((matrix, colour))
        elif operator == b"Q":
            matrix, colour = stack.pop()
        elif operator in (b"g", b"rg"):
            colour = tuple(values)
        elif operator == b"re":
            x, y, w, h = values
            corners = np.array([[x, y, 1], [x + w, y + h, 1]]) @ matrix
            (ax, ay), (bx, by) = corners[:, :2]
            waiting.append(
                (min(ax, bx) / MM, (height - max(ay, by)) / MM, max(ax, bx) / MM, (height - min(ay, by)) / MM)
            )
        elif operator in (b"f", b"f*"):
            found += [(*box, colour) for box in waiting]
            waiting = []
        elif operator == b"n":
            waiting = []
    return found, (float(page.mediabox.width) / MM, height / MM)


def drawn_page(data):
    found, (width, height) = rectangles(data)
    page = np.full((round(height * PX), round(width * PX)), 255, np.uint8)
    for x0, y0, x1, y1, colour in found:
        a, b, c, d = (round(v * PX) for v in (x0, y0, x1, y1))
        page[b:d, a:c] = round(255 * float(np.mean(colour)))
    return page


@pytest.mark.parametrize(
    ("name", "paper"), [("medium", "A5"), ("medium", "A4"), ("large", "Letter"), ("small", "A5")]
)
def test_printed_sheet_is_found_at_true_size(name, paper):
    page = drawn_page(sheet_pdf(name, paper=paper, window_colour="black"))
    assert page.shape == tuple(round(side * PX) for side in PAPERS[paper][::-1])
    photo = Photo("page", "", np.repeat(page[..., None], 3, 2))
    found = find_sheet(page, believe_file(photo).priors)
    assert found.sheet.name == name
    assert len(found.corners_mm) == len(SHEETS[name].corners_mm)
    # px per mm by the farthest corners along both axes, to what whole pixels allow (the page is drawn unsmoothed)
    span = np.ptp(found.corners_px, axis=0) / np.ptp(found.corners_mm, axis=0)
    np.testing.assert_allclose(span, PX, rtol=1 / (PX * 100))


def test_opencv_detects_the_page_and_no_marker_in_the_window(cv_boards):
    page = drawn_page(sheet_pdf("medium", window_colour="blank"))
    corners, ids, _ = cv2.aruco.ArucoDetector(
        cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    ).detectMarkers(page)
    assert set(ids.ravel().tolist()) <= set(SHEETS["medium"].marker_ids.tolist())
    assert len(ids) > 90
    # marker 0's top left lies where the board has it
    first = corners[ids.ravel().tolist().index(0)][0]
    last = corners[ids.ravel().tolist().index(351)][0]
    board = np.asarray(cv_boards("medium").getObjPoints())[:, :, :2]
    np.testing.assert_allclose((last[0] - first[0]) / PX, board[351][0] - board[0][0], atol=0.15)


def test_window_and_bars():
    found, _ = rectangles(sheet_pdf("large", window_colour="#2040C0"))
    window = [box for box in found if len(box[4]) == 3]
    assert len(window) == 1
    x0, y0, x1, y1, colour = window[0]
    np.testing.assert_allclose([x1 - x0, y1 - y0], [208, 144], atol=1e-3)
    np.testing.assert_allclose(colour, np.array([0x20, 0x40, 0xC0]) / 255, atol=1e-3)
    # the bars: the only things outside the board; each 100 mm between the outer edges of its ticks
    left, top = x0 - 16, y0 - 16
    bars = [box for box in found if box[1] >= top + 176 - 1e-3 or box[2] <= left + 1e-3]
    across = [box for box in bars if box[1] >= top + 176 - 1e-3]
    down = [box for box in bars if box[2] <= left + 1e-3]
    assert max(b[2] for b in across) - min(b[0] for b in across) == pytest.approx(100, abs=1e-3)
    assert max(b[3] for b in down) - min(b[1] for b in down) == pytest.approx(100, abs=1e-3)
    assert not [box for box in rectangles(sheet_pdf("large", window_colour="blank"))[0] if len(box[4]) == 3]


def test_words_on_the_paper(tmp_path):
    path = write_sheet(
        tmp_path / "sheet.pdf", "medium", print_name="Bank Süd 3", date="2026-05-04", plane_offset_mm=0.3
    )
    text = PdfReader(path).pages[0].extract_text()
    for words in ("Bank Süd 3", "2026-05-04", "0.3", "100 %", "flat", "no flash", "30-40 cm", "100 mm"):
        assert words in text
    assert [p.name for p in tmp_path.iterdir()] == ["sheet.pdf"]


def test_text_stays_on_the_paper():
    """No text below the part of a page that common printers reach: 1.5 mm on A5, whose margin is 8 mm, else 4 mm."""
    for name, paper in [("medium", "A5"), ("large", "A4"), ("large", "Letter"), ("small", "A5")]:
        page = PdfReader(io.BytesIO(sheet_pdf(name, paper=paper, print_name="W" * 60))).pages[0]
        places = []
        page.extract_text(visitor_text=lambda t, cm, tm, *_, p=places: t.strip() and p.append((tm, cm)))
        lows = [(tm[4] * cm[1] + tm[5] * cm[3] + cm[5]) / MM for tm, cm in places]
        assert min(lows) > (1.5 if paper == "A5" and name == "medium" else 4.0)


def test_same_sheet_same_bytes():
    assert sheet_pdf("small") == sheet_pdf("small")


@pytest.mark.parametrize(
    "wrong",
    [{"sheet": "huge"}, {"window_colour": "#12345"}, {"paper": "A9"}, {"sheet": "large", "paper": "A5"}],
)
def test_what_cannot_be_drawn_is_refused_with_a_choice(wrong):
    with pytest.raises(SheetError) as error:
        sheet_pdf(**wrong)
    assert error.value.expected
    assert error.value.advice


def test_unwritable_place_leaves_nothing(tmp_path):
    (tmp_path / "file").write_text("here")
    with pytest.raises(RecordError):
        write_sheet(tmp_path / "file" / "sheet.pdf")
    assert (tmp_path / "file").read_text() == "here"


def test_every_named_colour_can_be_drawn():
    for colour in WINDOW_COLOURS:
        assert sheet_pdf("small", window_colour=colour).startswith(b"%PDF")
