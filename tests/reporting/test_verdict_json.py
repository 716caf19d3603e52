"""`verdict.json` against its own schema, by a small check of the part of JSON Schema that the schema uses."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from traygauge.batch import Batch
from traygauge.judge.verdict import Answer, Interval
from traygauge.records import read_verdict_json, verdict_json, verdict_schema
from traygauge.words import FINDINGS, STATES
from traygauge_shared.errors import PhotoError, RecordError

TYPES = {
    "object": dict,
    "array": list,
    "string": str,
    "integer": int,
    "number": (int, float),
    "null": type(None),
}
KNOWN = {
    "$schema", "$id", "$defs", "$ref", "title", "description", "type", "properties", "required", "items",
    "additionalProperties", "enum", "const", "minimum", "minItems", "maxItems",
}  # fmt: skip


def faults(value: Any, schema: dict[str, Any], root: dict[str, Any], path: str = "$") -> Iterator[str]:
    """Yield what is wrong with a value after a schema (JSON Schema 2020-12, the keywords in KNOWN)."""
    assert set(schema) <= KNOWN, set(schema) - KNOWN
    if "$ref" in schema:
        yield from faults(value, root["$defs"][schema["$ref"].removeprefix("#/$defs/")], root, path)
    if "const" in schema and value != schema["const"]:
        yield f"{path}: {value!r} is not {schema['const']!r}"
    if "enum" in schema and value not in schema["enum"]:
        yield f"{path}: {value!r} is none of {schema['enum']}"
    if "type" in schema:
        kinds = [schema["type"]] if isinstance(schema["type"], str) else schema["type"]
        if isinstance(value, bool) or not isinstance(value, tuple(t for k in kinds for t in _types(k))):
            yield f"{path}: {value!r} is no {kinds}"
            return
    if "minimum" in schema and value < schema["minimum"]:
        yield f"{path}: {value} is too small"
    if isinstance(value, dict):
        yield from (f"{path}.{k}: is missing" for k in schema.get("required", []) if k not in value)
        for key, inner in value.items():
            below = schema.get("properties", {}).get(key, schema.get("additionalProperties"))
            if below is not None:
                yield from faults(inner, below, root, f"{path}.{key}")
    if isinstance(value, list):
        if not schema.get("minItems", 0) <= len(value) <= schema.get("maxItems", math.inf):
            yield f"{path}: {len(value)} items"
        for k, inner in enumerate(value):
            yield from faults(inner, schema.get("items", {}), root, f"{path}[{k}]")


def _types(kind: str) -> tuple[type, ...]:
    found = TYPES[kind]
    return found if isinstance(found, tuple) else (found,)


def undescribed(schema: Any, path: str = "$") -> Iterator[str]:
    """Yield every property of a schema that has no description."""
    for name, below in schema.get("properties", {}).items():
        if "description" not in below and "$ref" not in below:
            yield f"{path}.{name}"
        yield from undescribed(below, f"{path}.{name}")


@pytest.fixture
def document(make_batch: Callable[..., Batch]) -> dict[str, Any]:
    batch = make_batch(
        refused=(("bad.jpg", PhotoError("not a photo", found="text", advice="take it again")),)
    )
    return read_verdict_json(verdict_json(batch))


def test_the_document_follows_its_schema(document: dict[str, Any]) -> None:
    schema = verdict_schema()
    assert list(faults(document, schema, schema)) == []
    assert document["outcome"] == "reject"
    assert document["refused"][0]["advice"] == "take it again"


def test_every_key_written_is_in_the_schema(document: dict[str, Any]) -> None:
    schema = verdict_schema()
    assert list(document) == list(schema["properties"])
    for key, kind in (
        ("limits", "limit"),
        ("figures", "figure"),
        ("photos", "photo"),
        ("refused", "refusal"),
    ):
        assert list(document[key][0]) == list(schema["$defs"][kind]["properties"])


def test_every_field_is_described() -> None:
    schema = verdict_schema()
    assert list(undescribed(schema)) == []
    assert [m for d in schema["$defs"].values() for m in undescribed(d)] == []


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("outcome",), "good"),
        (("limits", 0, "bound"), "below"),
        (("limits", 0, "pieces"), -1),
        (("photos", 0, "scale", "window_mm"), [1.0]),
        (("reason",), None),
        (("format",), 1),
    ],
)
def test_the_check_itself_finds_faults(document: dict[str, Any], path: tuple[Any, ...], value: Any) -> None:
    *way, last = path
    inner: Any = document
    for step in way:
        inner = inner[step]
    inner[last] = value
    schema = verdict_schema()
    assert list(faults(document, schema, schema))


def test_counts_are_by_the_words_lists(document: dict[str, Any]) -> None:
    assert list(document["counts"]["findings"]) == [w.name for w in FINDINGS]
    assert list(document["counts"]["states"]) == [w.name for w in STATES]
    assert document["counts"]["findings"]["long"] == 3
    assert document["counts"]["measured"] == document["counts"]["pieces"] == 40


def test_infinite_bounds_are_null(make_batch: Callable[..., Batch]) -> None:
    from dataclasses import replace

    batch = make_batch()
    limit = replace(
        batch.verdict.limits[0], interval=Interval(7.5, -math.inf, 13.1, 0.95), answer=Answer.UNDECIDED
    )
    batch = replace(batch, verdict=replace(batch.verdict, limits=(limit,)))
    document = json.loads(verdict_json(batch))
    assert document["limits"][0]["interval"]["low"] is None
    assert "Infinity" not in verdict_json(batch).decode()


@pytest.mark.parametrize(
    ("n", "judged", "outcome"), [(40, False, "measured"), (0, True, "empty"), (0, False, "empty")]
)
def test_outcomes_without_an_answer(
    make_batch: Callable[..., Batch], n: int, judged: bool, outcome: str
) -> None:
    document = read_verdict_json(verdict_json(make_batch(n, judged=judged)))
    assert document["outcome"] == outcome
    schema = verdict_schema()
    assert list(faults(document, schema, schema)) == []


def test_only_refused_photos(make_batch: Callable[..., Batch]) -> None:
    batch = make_batch(0, names=(), refused=(("a.jpg", PhotoError("damaged")),))
    assert read_verdict_json(verdict_json(batch))["outcome"] == "refused"


@pytest.mark.parametrize("data", [b"", b"[]", b"{}", b"\xff", b'{"format": "1"}'])
def test_what_is_no_verdict_is_answered(data: bytes) -> None:
    with pytest.raises(RecordError, match="no verdict"):
        read_verdict_json(data)


def test_a_newer_format_is_answered() -> None:
    with pytest.raises(RecordError, match="newer") as caught:
        read_verdict_json(b'{"format": 99}')
    assert "99" in caught.value.found


def test_it_states_what_each_photo_can_show(document: dict[str, Any]) -> None:
    """The drawn photos have 10 px per mm or a little less at the rim: two of them are 0.2 mm, eight 0.8 mm."""
    (photo, *_) = document["photos"]
    assert photo["sight"]["thread_mm"] == pytest.approx(0.2, rel=0.05)
    assert photo["sight"]["crumb_mm"] == pytest.approx(0.8, rel=0.05)
    assert 0.0 < photo["sight"]["u_length_mm"] < 0.1


def test_a_regrind_follows_the_schema_too(regrind_batch: Batch) -> None:
    written = read_verdict_json(verdict_json(regrind_batch))
    schema = verdict_schema()
    assert list(faults(written, schema, schema)) == []
    assert [p["pieces"] for p in written["regrind"]["parts"][:3]] == [60, 30, 10]
    assert written["regrind"]["amounts_by"] == "area"
    for sieve in written["regrind"]["sieves"]:
        assert sum(c["retained_percent"] for c in sieve["classes"]) == pytest.approx(100)
    assert written["limits"][0]["looks"][0]["pieces"] == written["limits"][0]["pieces"]
