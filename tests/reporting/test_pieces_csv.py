"""`pieces.csv`: columns, empty cells, decimals, text that is no formula, and the way back."""

from __future__ import annotations

import io

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from traygauge.measure.pieces import Pieces
from traygauge.records import pieces_csv, read_pieces_csv
from traygauge.words import COLUMNS
from traygauge_shared.errors import RecordError

#: Section 5 of the design: these columns in this order, more behind them.
_FIRST = (
    "photo, piece, x_mm, y_mm, form, length_mm, u_length_mm, diameter_mm, u_diameter_mm, aspect_ratio, tail_count, "
    "tail_length_mm, tail_width_mm, burr_mm, cut_angle_deg, bend_radius_mm, feret_max_mm, feret_min_mm, feret_ratio, "
    "area_mm2, perimeter_mm, solidity, volume_mm3, mass_mg, colour, state, findings"
)
FIRST = _FIRST.split(", ")


def table(pieces: Pieces) -> list[list[str]]:
    return [line.split(",") for line in pieces_csv(pieces).decode().splitlines()]


def test_the_columns_stand_in_their_order_also_without_pieces() -> None:
    lines = table(Pieces.of(0, {}))
    assert lines == [[c.name for c in COLUMNS]]
    assert lines[0][: len(FIRST)] == FIRST


def test_numbers_have_their_decimals_and_what_is_missing_is_empty() -> None:
    given_ = {
        "piece": [1, 2],
        "length_mm": [3.14159, np.nan],
        "area_mm2": [-0.0001, np.inf],
        "findings": ["long;tailed", ""],
    }
    rows = [dict(zip(FIRST, line, strict=False)) for line in table(Pieces.of(2, given_))[1:]]
    assert [r["length_mm"] for r in rows] == ["3.142", ""]
    assert [r["area_mm2"] for r in rows] == ["0.000", ""]
    assert [r["findings"] for r in rows] == ["long;tailed", ""]
    assert [r["x_mm"] for r in rows] == ["", ""]


def test_findings_given_as_several_words_are_joined() -> None:
    names = np.empty(1, object)
    names[0] = ("long", "tailed")
    pieces = Pieces.of(1, {"piece": [1]})
    pieces.columns["findings"] = names
    assert b"long;tailed" in pieces_csv(pieces)


def test_other_programs_read_it() -> None:
    pieces = Pieces.of(2, {"photo": ['a,"b".jpg', "c.jpg"], "piece": [1, 2], "length_mm": [3.0, np.nan]})
    frame = pd.read_csv(io.BytesIO(pieces_csv(pieces)))
    assert list(frame.columns) == [c.name for c in COLUMNS]
    assert frame.photo[0] == 'a,"b".jpg'
    assert np.isnan(frame.length_mm[1])


@pytest.mark.parametrize("name", ["=1+1.jpg", "+a.jpg", "-2.jpg", "@SUM(A1).jpg", "＝1.jpg", "'=1.jpg"])
def test_a_name_is_never_a_formula_and_comes_back(name: str) -> None:
    data = pieces_csv(Pieces.of(1, {"photo": [name], "piece": [1]}))
    cell = data.decode().splitlines()[1].split(",")[0]
    assert cell.startswith("'")
    assert read_pieces_csv(data)["photo"][0] == name


def test_control_characters_do_not_reach_the_file() -> None:
    data = pieces_csv(Pieces.of(1, {"photo": ["a\r\n=cmd\x1b[2J.jpg"], "piece": [1]})).decode()
    assert data.count("\n") == 2
    assert "\x1b" not in data
    assert "\r" not in data


texts = st.text(
    st.characters(min_codepoint=32, max_codepoint=0x24F, exclude_categories=["Cc", "Cf"]), max_size=20
)
numbers = st.one_of(st.just(float("nan")), st.floats(-1e4, 1e4, allow_nan=False).map(lambda v: round(v, 3)))


@given(st.lists(st.tuples(texts, numbers, st.integers(0, 10**6)), max_size=8))
def test_what_is_written_comes_back(rows: list[tuple[str, float, int]]) -> None:
    pieces = Pieces.of(
        len(rows),
        {
            "photo": np.array([r[0] for r in rows], object),
            "length_mm": np.array([r[1] for r in rows], float),
            "piece": np.array([r[2] for r in rows], np.int64),
        },
    )
    again = read_pieces_csv(pieces_csv(pieces))
    assert list(again["photo"]) == list(pieces["photo"])
    assert list(again["piece"]) == list(pieces["piece"])
    np.testing.assert_allclose(again["length_mm"], pieces["length_mm"], atol=1e-9)


@pytest.mark.parametrize(
    "data",
    [b"", b"\xff\xfe\x00", b"a,b\n1,2\n", b"photo,piece\nx\n", b"photo,piece,length_mm\nx,1,long\n"],
)
def test_what_is_no_table_is_answered(data: bytes) -> None:
    with pytest.raises(RecordError, match="no table of pieces"):
        read_pieces_csv(data)


def test_columns_of_other_versions_do_no_harm() -> None:
    again = read_pieces_csv(b"photo,piece,shape_number\na.jpg,7,0.3\n")
    assert int(again["piece"][0]) == 7
    assert np.isnan(again["length_mm"][0])
