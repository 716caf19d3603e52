"""Spec files: read, checked and refused with every fault at once."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterator, Sequence
from importlib import resources
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from traygauge.judge.spec_tables import CHANNEL_PER_DIAMETER, LONG_PER_CHANNEL, Limits, Spec
from traygauge.judge.spec_words import finding_of
from traygauge_shared.errors import SpecError

__all__ = ["Spec", "parse_spec", "read_spec", "shipped_specs"]

#: Larger files are no specs.
MOST_BYTES = 256 * 1024
Document = dict[str, Any]

#: From what a finding gets its size: one of these, each with all its fields. The others need none, or have a default.
_NEEDS: dict[str, tuple[tuple[str, ...], ...]] = {
    "long": (("pieces.long_over_mm",), ("screw.channel_width_mm",), ("screw.screw_diameter_mm",)),
    "short": (("pieces.short_under_mm",),),
    "fines": (("pieces.fines_under_mm",),),
    "burred": (("pieces.burr_over_mm",),),
    "thick": (("screw.channel_depth_mm",), ("strand.diameter_mm", "strand.diameter_tolerance_mm")),
    "thin": (("strand.diameter_mm", "strand.diameter_tolerance_mm"),),
    "off-colour": (("pieces.off_colour_over",),),
}
#: (smaller, larger): both given, the first must be below the second.
_ORDER = (
    ("pieces.fines_under_mm", "pieces.short_under_mm"),
    ("pieces.fines_under_mm", "pieces.long_over_mm"),
    ("pieces.short_under_mm", "pieces.long_over_mm"),
    ("pieces.short_under_mm", "strand.length_mm"),
    ("strand.length_mm", "pieces.long_over_mm"),
    ("pieces.tail_from_mm", "pieces.stringy_over_mm"),
    ("strand.diameter_tolerance_mm", "strand.diameter_mm"),
    ("screw.channel_depth_mm", "screw.screw_diameter_mm"),
    ("screw.channel_width_mm", "screw.screw_diameter_mm"),
    *((f"limits.{name}.at_least_mm", f"limits.{name}.at_most_mm") for name in Limits.model_fields),
)


def shipped_specs() -> dict[str, str]:
    """Return name -> text of each spec that comes with the program, as "rigid-1.75"."""
    folder = resources.files("traygauge.judge") / "specs"
    files = sorted((f for f in folder.iterdir() if f.name.endswith(".toml")), key=lambda f: f.name)
    return {f.name.removesuffix(".toml"): f.read_text(encoding="utf-8") for f in files}


def read_spec(path: str | Path) -> Spec:
    """Return the spec of a TOML file, or the shipped one of that name when there is no such file.

    Raises
    ------
    SpecError
        The file is missing, no file, too large, not UTF-8, not TOML, or wrong: then `faults` has a line for every
        fault at once, with its path, the value found and what is expected.
    """
    path = Path(path)
    text = _text(path)
    return parse_spec(text if text is not None else _shipped(path), path.name)


def parse_spec(text: str, where: str = "spec") -> Spec:
    """Return the spec written in a TOML text; `where` names it in errors. Raises SpecError like `read_spec`."""
    try:
        document = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as wrong:
        raise SpecError(
            f"{where} is not a TOML file",
            found=str(wrong) or type(wrong).__name__,
            expected='lines like [pieces] and long_over_mm = 4.0; texts stand in "quotes"',
            advice="start from a shipped spec: " + ", ".join(shipped_specs()),
        ) from None
    faults = [*_contradictions(document)]
    try:
        spec = Spec.model_validate(document)
    except ValidationError as wrong:
        faults = [*map(_fault, wrong.errors()), *faults]
    if faults:
        raise SpecError(
            f"{where} has {len(faults)} fault{'s' * (len(faults) > 1)}",
            faults=tuple(faults),
            advice="correct these lines; a shipped spec shows every field: " + ", ".join(shipped_specs()),
        )
    return spec


def _shipped(path: Path) -> str:
    specs = shipped_specs()
    if str(path) not in specs:
        raise SpecError(
            "there is no such spec",
            found=str(path),
            expected=_a_spec(),
            advice="check the name and the folder you are in, or write one: traygauge spec new FILE",
        )
    return specs[str(path)]


def _a_spec() -> str:
    return "a file, or one of the shipped specs: " + ", ".join(shipped_specs())


def _text(path: Path) -> str | None:
    """Return the text of a file; None where there is no such file."""
    try:
        if not path.exists():
            return None
        if not path.is_file():
            raise SpecError(
                f"{path.name} is no file",
                found=str(path),
                expected=_a_spec(),
                advice="name the spec file itself",
            )
        with path.open("rb") as file:
            raw = file.read(MOST_BYTES + 1)
    except OSError as wrong:
        raise SpecError(
            f"{path.name} cannot be read",
            found=wrong.strerror or str(wrong),
            expected=_a_spec(),
            advice="check its path and that you may read it",
        ) from None
    if len(raw) > MOST_BYTES:
        raise SpecError(
            f"{path.name} is too large for a spec",
            found=f"more than {MOST_BYTES // 1024} KiB",
            expected="a few KiB of text",
            advice="name the spec file; is this a photo or a table?",
        )
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as wrong:
        raise SpecError(
            f"{path.name} is not text in UTF-8",
            found=f"byte {raw[wrong.start]:#04x} at position {wrong.start}",
            expected="a text file saved as UTF-8",
            advice="save it again as UTF-8 in the editor",
        ) from None


def _fault(error: Any) -> str:
    place: Sequence[str | int] = error["loc"]
    path = ".".join(str(p) for p in place)
    if error["type"] == "extra_forbidden":
        return f"{path}: there is no such field{_meant(place)}"
    if error["type"] == "missing":
        return f"{path}: is missing, expected {_expected(place, error)}"
    return f"{path} = {_shown(error['input'])}: expected {_expected(place, error)}"


def _meant(place: Sequence[str | int]) -> str:
    table = _model_at(place[:-1])
    known = [f.alias or name for name, f in table.model_fields.items()] if table else []
    near = difflib.get_close_matches(str(place[-1]), known, n=1, cutoff=0.6)
    return f"; did you mean {near[0]}?" if near else f"; known here: {', '.join(known)}"


def _model_at(place: Sequence[str | int]) -> type[BaseModel] | None:
    model: type[BaseModel] | None = Spec
    for step in place:
        fields = {f.alias or name: f for name, f in model.model_fields.items()} if model else {}
        field = fields.get(str(step))
        model = _model_in(field.annotation) if field else None
    return model


def _model_in(annotation: Any) -> type[BaseModel] | None:
    options = (annotation, *getattr(annotation, "__args__", ()))
    return next((o for o in options if isinstance(o, type) and issubclass(o, BaseModel)), None)


def _expected(place: Sequence[str | int], error: Any) -> str:
    meaning = _meaning(place)
    kind, context = error["type"], error.get("ctx", {})
    plain = {
        "float_type": "a number",
        "float_parsing": "a number",
        "int_type": "a whole number",
        "string_type": 'a text in "quotes"',
        "model_type": "a table",
        "model_attributes_type": "a table",
        "finite_number": "a finite number",
        "missing": "a value",
    }
    bounds = {"greater_than": "gt", "greater_than_equal": "ge", "less_than": "lt", "less_than_equal": "le"}
    if kind in bounds:
        words = {"gt": "more than", "ge": "at least", "lt": "less than", "le": "at most"}[bounds[kind]]
        wanted = f"{words} {context[bounds[kind]]:g}"
    elif kind == "literal_error":
        wanted = context["expected"]
    elif kind == "value_error":
        wanted = str(context["error"])
    elif kind == "string_pattern_mismatch":
        wanted = "a text of the form"
    else:
        wanted = plain.get(kind) or str(error["msg"]).lower()
    if kind == "missing" and (table := _model_at(place)):
        needed = [f.alias or name for name, f in table.model_fields.items() if f.is_required()]
        wanted = " ".join(
            [f"a table [{'.'.join(map(str, place))}]", *(["with", ", ".join(needed)] * bool(needed))]
        )
    return f"{wanted} ({meaning})" if meaning and kind != "value_error" else wanted


def _meaning(place: Sequence[str | int]) -> str:
    table = _model_at(place[:-1])
    fields = {f.alias or name: f for name, f in table.model_fields.items()} if table else {}
    field = fields.get(str(place[-1]) if place else "")
    return (field.description or "") if field else ""


def _shown(value: Any) -> str:
    text = repr(value) if not isinstance(value, bool) else str(value).lower()
    return text if len(text) <= 60 else text[:57] + "..."


def _contradictions(document: Document) -> Iterator[str]:
    """Yield faults between fields, from the raw document so that they come together with all others."""
    for low, high in _ORDER:
        a, b = _number(document, low), _number(document, high)
        if a is not None and b is not None and a >= b:
            yield f"{low} = {a:g}: expected less than {high}, which is {b:g}"
    third = _third_of_channel(document)
    for name in ("strand.length_mm", "pieces.short_under_mm", "pieces.fines_under_mm"):
        a = _number(document, name)
        if third is not None and a is not None and a >= third:
            yield (
                f"{name} = {a:g}: expected less than the length limit, a third of the channel's width = {third:.3g}; "
                "give pieces.long_over_mm to set another"
            )
    limits = document.get("limits")
    limits = limits if isinstance(limits, dict) else {}
    for name in Limits.model_fields:
        if isinstance(limit := limits.get(name), dict):
            yield from _missing(document, name, limit)


def _third_of_channel(document: Document) -> float | None:
    if _number(document, "pieces.long_over_mm") is not None:
        return None
    width, diameter = (
        _number(document, "screw.channel_width_mm"),
        _number(document, "screw.screw_diameter_mm"),
    )
    if width is None and diameter is not None:
        width = CHANNEL_PER_DIAMETER * diameter
    return None if width is None else LONG_PER_CHANNEL * width


def _missing(document: Document, name: str, limit: Document) -> Iterator[str]:
    if not name.endswith("_share"):
        if name != "length_spread" and not {"at_least_mm", "at_most_mm"} & set(limit):
            yield f"limits.{name}: expected at_least_mm, at_most_mm or both"
        return
    kind = finding_of(name)
    ways = _NEEDS.get(kind, ())
    if ways and not any(all(_at(document, field) is not None for field in way) for way in ways):
        expected = ", or ".join(" with ".join(way) for way in ways)
        yield f"limits.{name}: expected {expected} beside it, which says what counts as {kind}"
    if limit.get("by") == "mass" and kind == "fines":
        yield f"limits.{name}.by = 'mass': expected 'count' or 'area': the mass of crumbs cannot be seen"


def _at(document: Document, path: str) -> Any:
    value: Any = document
    for step in path.split("."):
        value = value.get(step) if isinstance(value, dict) else None
    return value


def _number(document: Document, path: str) -> float | None:
    value = _at(document, path)
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None
