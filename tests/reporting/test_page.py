"""The HTML report: complete, self-contained, escaped, usable without a pointer, and of a sane size."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import time
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from traygauge.batch import Batch
from traygauge.judge.verdict import Answer
from traygauge.records import read_pieces_csv, read_verdict_json
from traygauge.report import palette, render_html, report_of, verdict_text, write_report
from traygauge_calib.fitness import YES_OR_NO, Check, Fitness
from traygauge_calib.tray_view import ScaleUncertainty
from traygauge_shared.errors import PhotoError, RecordError, SheetError

VOID = {"meta", "img", "input", "br", "link", "hr"}
MARKUP = "\"><script>alert(1)</script><img src=x onerror=alert(2)>{{7*7}}\u202e&amp;\x1b[2J'.jpg"


class Page(HTMLParser):
    """Elements of a page with their attributes, its text, and whether every element is closed in its order."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.texts: list[str] = []
        self.open: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {k: v or "" for k, v in attrs}))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {k: v or "" for k, v in attrs}))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open[-1:] not in (["script"], ["style"]):
            self.texts.append(data)

    def with_class(self, name: str) -> list[dict[str, str]]:
        return [a for _, a in self.elements if name in a.get("class", "").split()]

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.texts))


def page_of(batch: Batch) -> Page:
    return Page(render_html(report_of(batch), batch))


def test_things_stand_in_their_order(make_batch: Callable[..., Batch]) -> None:
    text = page_of(make_batch()).text
    order = [
        "Reject", "3 of 40 pieces are longer than 4 mm.", "Next:", "long pieces, share by count", "at most 2 %",
        "All pieces were measured.", "How this was judged", "tray.jpg", "Pieces to look at first", "Distributions",
        "Limits", "Beside the verdict", "Was the photo fit to measure?", "Scale and uncertainty", "Settings and versions",
        "To bear in mind",
    ]  # fmt: skip
    places = [text.find(t, text.find("Next:") if t == "tray.jpg" else 0) for t in order]
    assert -1 not in places
    assert places == sorted(places)


def test_statistics_are_folded_behind_how_this_was_judged(make_batch: Callable[..., Batch]) -> None:
    html = render_html(report_of(make_batch()), make_batch())
    fold = html[html.index("<details") : html.index("</details>")]
    assert "How this was judged" in fold
    assert "one look at a fixed sample." in fold
    assert html.count("one look at a fixed sample.") == 1


def test_on_a_phone_each_cell_of_a_wide_table_says_its_head(make_batch: Callable[..., Batch]) -> None:
    # there is no room for columns: rows become lists, and only the first cell needs no head
    page = render_html(report_of(make_batch()), make_batch())
    tables = re.findall(r'<table class="stack">(.*?)</table>', page, re.DOTALL)
    assert [t for t in tables if "at most" in t and "<th>answer" in t]  # the limits
    assert [t for t in tables if "<th>check" in t]
    assert "at most<span" not in page  # without the columns' widths nothing else keeps word and number apart
    for table in tables:
        heads = re.findall(r"<th[^>]*>(.*?)</th>", table)
        for row in table.split("<tr")[2:]:
            cells = re.findall(r"<td([^>]*)>", row)
            said = [re.search(r'data-head="(.*?)"', c) for c in cells]
            assert [m and m[1] for m in said] == [None, *heads[1:]]


def test_at_most_three_figures_stand_on_top(make_batch: Callable[..., Batch]) -> None:
    batch = make_batch()
    kept = replace(batch.verdict.limits[0], answer=Answer.ACCEPT, title="kept")
    limits = (kept, kept, kept, batch.verdict.limits[0])
    page = page_of(replace(batch, verdict=replace(batch.verdict, limits=limits)))
    assert len(page.with_class("figure")) == 3
    report = report_of(replace(batch, verdict=replace(batch.verdict, limits=limits)))
    assert report.figures[0].answer == "reject"
    assert [r.answer for r in report.other_limits] == ["accept"]


def test_nothing_is_fetched_and_no_other_script_runs(make_batch: Callable[..., Batch]) -> None:
    html = render_html(report_of(make_batch()), make_batch())
    assert not re.search(
        r"(?:https?:)?//[a-z]", re.sub(r"data:image/jpeg;base64,[\w+/=]+", "", html).split("<script>")[0]
    )
    page = Page(html)
    for tag, attributes in page.elements:
        for name in ("src", "href"):
            assert attributes.get(name, "#").startswith(("data:", "#")), (tag, attributes)
        assert not [a for a in attributes if a.startswith("on")]
    policy = next(a["content"] for t, a in page.elements if t == "meta" and "http-equiv" in a)
    script = html[html.rindex("<script>") + 8 : html.rindex("</script>")]
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert f"script-src 'sha256-{digest}'" in policy
    assert "default-src 'none'" in policy


def test_every_piece_is_reached_by_keyboard_and_says_its_figures(make_batch: Callable[..., Batch]) -> None:
    page = page_of(make_batch(40, names=("a.jpg", "b.jpg")))
    pieces = [a for a in page.with_class("pc") if "tabindex" in a]
    assert len(pieces) == 80
    assert all(a["tabindex"] == "0" and a["role"] == "img" for a in pieces)
    assert pieces[0]["aria-label"] == (
        "Piece 1, long: cut length 6.00 ±\u00a00.05\u00a0mm, diameter 1.75 ±\u00a00.04\u00a0mm"
    )
    ids = [a["id"] for _, a in page.elements if "id" in a]
    assert len(ids) == len(set(ids))
    targets = {a["href"][1:] for t, a in page.elements if t in ("a", "use")}
    assert targets <= set(ids)


def test_findings_have_outline_style_and_label(make_batch: Callable[..., Batch]) -> None:
    page = page_of(make_batch())
    drawn = [a["class"].split() for a in page.with_class("pc") if "tabindex" in a]
    assert [c for c in drawn if "c-long" in c] == [["pc", "double", "c-long"]] * 3
    assert len([a for a in page.with_class("label") if "l-long" in a["class"]]) == 3


def test_crowded_findings_are_labelled_by_their_code(make_batch: Callable[..., Batch]) -> None:
    batch = make_batch(100)
    pieces = batch.pieces.with_columns(findings=["tailed"] * 60 + ["long"] * 2 + [""] * 38)
    marks = report_of(replace(batch, pieces=pieces)).photos[0].marks
    assert [m.label for m in marks] == ["ta"] * 60 + ["long"] * 2 + [""] * 38


def test_pieces_that_are_spoken_of_by_number_show_it(make_batch: Callable[..., Batch]) -> None:
    batch = make_batch(60, names=("a.jpg", "b.jpg"))
    states = ["whole"] * 118 + ["unresolved", "upright"]
    report = report_of(replace(batch, pieces=batch.pieces.with_columns(state=states)))
    said = {(c.photo, int(c.title.split(",")[0].removeprefix("Piece "))) for c in report.closeups}
    shown = {(p.index, int(m.number)) for p in report.photos for m in p.marks if m.number}
    assert (1, 59) in said  # the heap
    assert shown == said
    assert report.photos[0].marks[0].beside == "1 long"
    assert {m.beside for m in report.photos[0].marks if not m.named} <= {"long", ""}


def test_every_heap_shows_its_number_since_the_next_step_may_name_it(
    make_batch: Callable[..., Batch],
) -> None:
    batch = make_batch(60)
    pieces = batch.pieces.with_columns(state=["whole"] * 40 + ["unresolved"] * 20)
    marks = report_of(replace(batch, pieces=pieces)).photos[0].marks
    assert [m.beside for m in marks[40:]] == [str(k) for k in range(41, 61)]


def test_close_pieces_are_labelled_by_their_code(make_batch: Callable[..., Batch]) -> None:
    batch = make_batch(40)  # the longer side of the window is 84 mm: closer than 2.5 mm is crowded
    findings = ["long"] * 12 + [""] * 28
    spread = replace(batch, pieces=batch.pieces.with_columns(findings=findings))
    heaped = replace(
        batch, pieces=spread.pieces.with_columns(x_mm=50 + 2.4 * np.arange(40), y_mm=np.full(40, 40.0))
    )
    assert {m.label for m in report_of(spread).photos[0].marks} == {"long", ""}
    assert {m.label for m in report_of(heaped).photos[0].marks} == {"lo", ""}


@pytest.mark.parametrize("where", ["name", "camera", "setting", "refused", "spec", "colour"])
def test_what_comes_from_outside_is_escaped(
    make_batch: Callable[..., Batch], where: str, tmp_path: Path
) -> None:
    batch = make_batch(
        names=(MARKUP if where == "name" else "tray.jpg",),
        photo={"camera_name": MARKUP if where == "camera" else ""},
    )
    if where == "setting":
        batch = replace(batch, settings={MARKUP: MARKUP})
    if where == "refused":
        batch = replace(batch, refused=((MARKUP, PhotoError(MARKUP, found=MARKUP, advice=MARKUP)),))
    if where == "spec" and batch.spec:
        about = batch.spec.about.model_copy(update={"name": MARKUP[:70], "note": MARKUP})
        batch = replace(batch, spec=batch.spec.model_copy(update={"about": about}))
    if where == "colour":
        batch = replace(batch, pieces=batch.pieces.with_columns(colour=[MARKUP] * 40))
    page = Page(write_report(batch, tmp_path).read_text("utf-8"))
    assert [t for t, _ in page.elements].count("script") == 2
    assert not [a for t, a in page.elements if t == "img" and a.get("src") == "x"]
    assert not any("onerror" in a for _, a in page.elements)
    everything = (tmp_path / "report.html").read_text("utf-8")
    assert "\x1b" not in everything
    assert "\u202e" not in everything
    if where != "colour":
        assert "{{7*7}}" in page.text  # shown as it is, not run as a template
    data = json.loads(everything.split('id="data">')[1].split("</script>")[0])
    assert len(data["rows"]) == 40


def test_an_empty_tray_says_so_and_keeps_its_columns(
    make_batch: Callable[..., Batch], tmp_path: Path
) -> None:
    batch = make_batch(0)
    page = Page(write_report(batch, tmp_path).read_text("utf-8"))
    assert "There are no pieces on the tray." in page.text
    assert "No pieces found" in page.text
    heads = [t for t, _ in page.elements].count("th")
    assert heads > 15
    assert len(read_pieces_csv((tmp_path / "pieces.csv").read_bytes())) == 0
    assert read_verdict_json((tmp_path / "verdict.json").read_bytes())["outcome"] == "empty"


def test_refused_photos_stand_with_reason_and_advice(make_batch: Callable[..., Batch]) -> None:
    refused = (
        (
            "a.jpg",
            SheetError(
                "no sheet in view", found="0 markers", expected="6 or more", advice="show the whole sheet"
            ),
        ),
        ("b.jpg", PhotoError("damaged file", advice="copy it again")),
    )
    text = page_of(make_batch(refused=refused)).text
    for part in (
        "a.jpg",
        "no sheet in view",
        "0 markers",
        "6 or more",
        "show the whole sheet",
        "copy it again",
    ):
        assert part in text
    alone = page_of(make_batch(0, names=(), refused=refused)).text
    assert alone.lstrip().startswith("Refused: a.jpg and 1 more")


def test_without_a_spec_it_says_how_to_judge(make_batch: Callable[..., Batch]) -> None:
    text = page_of(make_batch(judged=False)).text
    assert "Measured" in text
    assert "not judged" in text
    assert "--spec" in text
    assert "How this was judged" not in text


def test_the_same_batch_gives_the_same_page(make_batch: Callable[..., Batch]) -> None:
    assert render_html(report_of(make_batch()), make_batch()) == render_html(
        report_of(make_batch()), make_batch()
    )


def test_a_thousand_pieces_stay_small_and_quick(make_batch: Callable[..., Batch]) -> None:
    batch = make_batch(1000)
    pieces = batch.pieces.with_columns(findings=["tailed"] * 300 + [""] * 700)
    batch = replace(batch, pieces=pieces)
    start = time.perf_counter()
    html = render_html(report_of(batch), batch)
    seconds = time.perf_counter() - start
    pictures = sum(map(len, re.findall(r"data:image/jpeg;base64,[\w+/=]+", html)))
    assert len(html) - pictures < 1_000_000  # under 1 kB a piece
    assert seconds < 10  # about 0.5 s on an idle machine


def test_all_files_of_a_report_are_written(make_batch: Callable[..., Batch], tmp_path: Path) -> None:
    batch = make_batch(names=("tray.jpg", "TRAY.jpg", "../up.jpg"))
    path = write_report(batch, tmp_path / "out")
    assert path == tmp_path / "out" / "report.html"
    assert sorted(p.name for p in tmp_path.rglob("*.*")) == [
        "TRAY-2.annotated.jpg", "pieces.csv", "report.html", "tray.annotated.jpg", "up.annotated.jpg", "verdict.json",
    ]  # fmt: skip
    assert len(read_pieces_csv((path.parent / "pieces.csv").read_bytes())) == 120


def test_nothing_is_half_written(
    make_batch: Callable[..., Batch], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import errno
    import os

    calls = []

    def full(handle: int) -> None:
        calls.append(handle)
        if len(calls) == 4:
            raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(RecordError, match="No space left"):
        write_report(make_batch(), tmp_path / "out")
    assert list(tmp_path.iterdir()) == []


def test_what_the_script_looks_for_is_on_the_page(make_batch: Callable[..., Batch]) -> None:
    html = render_html(report_of(make_batch()), make_batch())
    page, script = Page(html), html[html.rindex("<script>") :]
    tags = {t for t, _ in page.elements}
    classes = {c for _, a in page.elements for c in a.get("class", "").split()}
    names = {k for _, a in page.elements for k in a}
    ids = {a["id"] for _, a in page.elements if "id" in a}
    looked_for = re.findall(r'(?:querySelector|querySelectorAll|closest)\("([^"]+)"\)', script)
    assert len(looked_for) > 8
    for selector in looked_for:
        for step in selector.split():
            tag, kinds, attribute = re.match(
                r"([a-z]*)((?:\.[\w-]+)*)(?:\[([\w-]+).*\]|:not.*)?$", step
            ).groups()
            assert not tag or tag in tags, selector
            assert set(filter(None, kinds.split("."))) <= classes, selector
            assert attribute is None or attribute in names, selector
    assert set(re.findall(r'getElementById\("([^"]+)"\)', script)) <= ids


def test_colours_stand_in_the_palette_only() -> None:
    folder = Path(palette.__file__).parent
    allowed = {"#fff", "#000", "#FFFFFF", "#808080"}
    for file in (*folder.glob("*.py"), *folder.glob("templates/*")):
        if file.name != "palette.py":
            found = set(re.findall(r"#(?:[0-9a-fA-F]{6}|[0-9a-fA-F]{3})\b", file.read_text("utf-8")))
            assert found <= allowed, (file.name, found - allowed)


def test_a_regrind_shows_its_composition_and_its_mesh_sizes(regrind_batch: Batch) -> None:
    said = Page(render_html(report_of(regrind_batch), regrind_batch)).text
    assert "What the regrind is made of" in said
    assert "no sieve analysis" in said
    assert "flakes 60 of 100 60.0" in said
    strand = replace(regrind_batch, verdict=replace(regrind_batch.verdict, regrind=None))
    assert "What the regrind is made of" not in Page(render_html(report_of(strand), strand)).text


@pytest.mark.parametrize(
    ("value", "limit", "shown"),
    [
        (0.00432, 0.8, "0"),
        (0.0271, 0.08, "0.027"),
        (313.7, 8.0, "314"),
        (30.46, 8.0, "30.5"),
        (3.04, 10.0, "3"),
        (0.06031, 0.06, "0.0603"),
        (8.0, 8.0, "8"),
        (7.9987, 8.0, "7.999"),
    ],
)
def test_what_a_check_found_has_the_digits_that_its_limit_calls_for(
    make_batch: Callable[..., Batch], value: float, limit: float, shown: str
) -> None:
    """A sheet flat to 0.00432 mm, where 0.8 mm will do, is flat to less than anybody measures."""
    batch = make_batch()
    check = Check("sheet flatness", value, "mm", limit, 2 * limit, "higher", "fine", "tape it down")
    photo = replace(batch.photos[0], fitness=Fitness((check,)))
    (row,) = report_of(replace(batch, photos=(photo,))).photos[0].checks
    assert row.value == shown


def test_a_check_without_a_figure_is_answered_by_yes_or_no(make_batch: Callable[..., Batch]) -> None:
    batch = make_batch()
    fired = Check("flash", 1.0, YES_OR_NO, 0.5, 1.5, "higher", "warn", "switch it off")
    told = Check("told from shadows", 1.0, YES_OR_NO, 0.9, 0.5, "lower", "fine", "soft light")
    photo = replace(batch.photos[0], fitness=Fitness((fired, told)))
    batch = replace(batch, photos=(photo,))
    rows = report_of(batch).photos[0].checks
    assert [(r.value, r.unit, r.sense, r.limit) for r in rows] == [
        ("yes", "", "", "no"),
        ("yes", "", "", "yes"),
    ]
    assert "flash: yes, fine if no" in verdict_text(batch)


def test_what_the_scale_is_known_to_is_twice_its_standard_uncertainty(
    make_batch: Callable[..., Batch],
) -> None:
    batch = make_batch()
    scale = ScaleUncertainty(0.0012, 0.008, 0.3, 0.4)
    photo = replace(batch.photos[0], tray=replace(batch.photos[0].tray, scale=scale))
    said = {f.label: f.text for f in report_of(replace(batch, photos=(photo,))).photos[0].scale}
    assert said["scale known to"] == "±\u00a00.24\u00a0%"
    assert said["camera's height known to"] == "±\u00a01.6\u00a0%"
    assert said["height of the pieces' plane known to"] == "±\u00a00.60\u00a0mm"
    assert said["point below the camera known to"] == "±\u00a00.8\u00a0mm"
