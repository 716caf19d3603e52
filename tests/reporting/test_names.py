"""Names from outside, made safe to show and to write."""

from __future__ import annotations

import shlex
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from traygauge.records import file_stem, printable
from traygauge_shared.names import typed

HOSTILE = [
    "tray\x1b[2J.jpg",
    "a\nb.jpg",
    "gpj.\u202eexe",
    "lone\udcff.jpg",
    "x" * 5000,
    "zero\u200bwidth",
    "nul\x00.jpg",
    "line\u2028.jpg",
]


@pytest.mark.parametrize("name", HOSTILE)
def test_what_is_unseen_is_written_out(name: str) -> None:
    shown = printable(name)
    assert all(unicodedata.category(c) not in {"Cc", "Cf", "Cs", "Zl", "Zp"} for c in shown)
    assert len(shown) <= 200
    shown.encode("utf-8")


def test_plain_names_stay_as_they_are() -> None:
    assert printable("Größe 1,75 mm – Los #7.jpg") == "Größe 1,75 mm – Los #7.jpg"


@pytest.mark.parametrize("name", ["kitchen", "my kitchen", "it's mine", "Küche", "reports/lot 7", "a&b", ""])
def test_a_name_in_a_command_to_copy_is_one_word(name: str) -> None:
    assert shlex.split(f"traygauge inspect PHOTO --print {typed(name)}")[4:] == [name]


def test_a_long_name_keeps_its_two_ends() -> None:
    shown = printable("begin" + "x" * 500 + "end.jpg", longest=40)
    assert len(shown) == 40
    assert shown.startswith("begin")
    assert shown.endswith("end.jpg")


@pytest.mark.parametrize(
    ("name", "stem"),
    [
        ("lot 7.jpg", "lot 7"),
        ("../../etc/passwd", "passwd"),
        ("C:\\photos\\lot.7.jpeg", "lot.7"),
        ("..", "photo"),
        (".jpg", "jpg"),
        ("", "photo"),
        ("CON.jpg", "_CON"),
        ("a<b>|c?.png", "a_b__c_"),
        ("trailing. .jpg", "trailing"),
    ],
)
def test_file_stems_are_one_legal_path_part(name: str, stem: str) -> None:
    assert file_stem(name) == stem


def test_taken_stems_get_a_number_whatever_their_case() -> None:
    assert file_stem("TRAY.jpg", {"tray", "tray-2"}) == "TRAY-3"


@given(st.text(max_size=120))
def test_any_name_gives_a_stem_that_is_one_path_part(name: str) -> None:
    stem = file_stem(name)
    assert stem
    assert stem not in {".", ".."}
    assert not set(stem) & set('/\\:*?"<>|\x00\n')
    stem.encode("utf-8")
