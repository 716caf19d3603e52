"""Specs people can write: a commented file from a few answers, and a check that explains each limit."""

from __future__ import annotations

import json
from dataclasses import dataclass

from traygauge.judge.diagnosis import is_soft
from traygauge.judge.plans import single_plan
from traygauge.judge.sampling import chances
from traygauge.judge.spec import parse_spec
from traygauge.judge.spec_tables import ShareLimit, Spec
from traygauge.judge.spec_words import explain_limits, explain_spec, mm
from traygauge.judge.verdict import Answer

#: What one photo usually shows, for saying what a limit needs.
USUAL_PHOTO = 300


@dataclass(frozen=True)
class Answers:
    """What `traygauge spec new` asks; lengths in mm, None where not known.

    Parameters
    ----------
    name : what the spec is called.
    regrind : bought-in flakes rather than cut strand.
    strand_diameter_mm, length_mm : nominal.
    screw_diameter_mm, channel_width_mm, channel_depth_mm : of the screw; the width is computed where it is None.
    polymer, density_g_cm3, hardness : of the material; hardness as "Shore A 85".
    throughput_kg_h : fed to the screw.
    """

    name: str
    regrind: bool = False
    strand_diameter_mm: float | None = None
    length_mm: float | None = None
    screw_diameter_mm: float | None = None
    channel_width_mm: float | None = None
    channel_depth_mm: float | None = None
    polymer: str | None = None
    density_g_cm3: float | None = None
    hardness: str | None = None
    throughput_kg_h: float | None = None


def new_spec(answers: Answers) -> str:
    """Return a commented spec file, TOML, made from a few answers.

    Raises
    ------
    SpecError
        The answers contradict each other; every fault at once.
    """
    soft = bool(is_soft(answers.hardness))
    parts = [_head(answers), _given(answers), _pieces(answers, soft), _limits(answers, soft), _JUDGING]
    text = "\n".join(part for part in parts if part)
    parse_spec(text, answers.name)
    return text


def check_spec(spec: Spec, pieces_per_photo: int = USUAL_PHOTO) -> tuple[str, ...]:
    """Return each limit explained in a sentence, and what each share limit asks of a photo."""
    limits = explain_limits(spec)
    lines: list[str] = []
    for sentence in explain_spec(spec):
        lines.append(sentence)
        name = next((n for n, s in limits.items() if s == sentence), None)
        limit = getattr(spec.limits, name) if name else None
        if isinstance(limit, ShareLimit):
            lines.append("  " + _needs(limit.at_most_percent / 100, spec, pieces_per_photo))
    if not limits:
        lines.append("The spec sets no limit, so batches are measured and not judged.")
    return tuple(lines)


def _needs(limit: float, spec: Spec, n: int) -> str:
    judging = spec.judging
    if limit >= 1:
        return "This allows everything."
    chance = chances(n, limit, limit / 2, judging.confidence, judging.within_photo_correlation)[Answer.ACCEPT]
    said = f"With one photo of {n} pieces, a batch with half that share is accepted in {100 * chance:.0f} of 100 cases"
    if chance >= 0.9:
        return said + "."
    worth = n / (1 + (n - 1) * judging.within_photo_correlation)
    scoops = -(-single_plan(limit / 2, 0.1, limit, 1 - judging.confidence).n // worth)
    return f"{said}, else more pieces are asked for; {scoops:.0f} such photos make it 90."


def _head(a: Answers) -> str:
    kind = "regrind" if a.regrind else "cut strand"
    return (
        f"# {_comment(a.name)}: a spec for {kind}. Lengths are mm, shares percent, rates kg/h.\n"
        "# Every limit is common practice and yours to change; `traygauge spec check FILE` explains each.\n\n"
        f"[spec]\nname = {_text(a.name)}\n"
    )


def _given(a: Answers) -> str:
    tables = (
        (
            "strand",
            (
                ("diameter_mm", a.strand_diameter_mm, "nominal"),
                ("diameter_tolerance_mm", _tolerance(a), "beyond it a piece is thick or thin"),
                ("length_mm", a.length_mm, "nominal cut length"),
            ),
        ),
        (
            "screw",
            (
                ("screw_diameter_mm", a.screw_diameter_mm, "outer diameter"),
                ("channel_width_mm", a.channel_width_mm, "between two flights"),
                ("channel_depth_mm", a.channel_depth_mm, "feed zone"),
            ),
        ),
        (
            "material",
            (
                ("polymer", a.polymer, "gives the density where none is stated"),
                ("density_g_cm3", a.density_g_cm3, "solid"),
                ("hardness", a.hardness, "soft strand strings more"),
            ),
        ),
        ("feeding", (("throughput_kg_h", a.throughput_kg_h, "for the figures beside the verdict"),)),
    )
    return "\n".join(_table(name, rows) for name, rows in tables if any(v is not None for _, v, _ in rows))


def _table(name: str, rows: tuple[tuple[str, float | str | None, str], ...]) -> str:
    lines = [
        f"{key} = {_text(value) if isinstance(value, str) else _number(value)}  # {why}"
        for key, value, why in rows
        if value is not None
    ]
    return f"[{name}]\n" + "\n".join(lines) + "\n"


def _tolerance(a: Answers) -> float | None:
    """Return about a twelfth of the diameter: an oval strand shows either of its axes; soft strand is squeezed wider."""
    if a.strand_diameter_mm is None:
        return None
    return round(a.strand_diameter_mm * (0.14 if is_soft(a.hardness) else 0.085), 2)


def _pieces(a: Answers, soft: bool) -> str:
    lines = ["[pieces]"]
    has_screw = a.screw_diameter_mm is not None or a.channel_width_mm is not None
    length = a.length_mm or 0.0
    if has_screw:
        lines.append(
            "# long_over_mm = ...  # where absent: a third of the channel's width (common practice, no source)"
        )
    elif length:
        lines.append(
            f"long_over_mm = {_number(1.33 * length)}  # a third longer than nominal; give the screw instead"
        )
    if length:
        lines.append(f"short_under_mm = {round((0.6 if soft else 2 / 3) * length, 1)}")
    fines = min(1.0, 0.4 * length) if length else 1.0
    lines.append(f"fines_under_mm = {_number(fines)}  # smaller than this in every direction seen")
    lines.append(f"tail_from_mm = {1.0 if a.regrind else 0.5}  # shorter threads don't count")
    lines.append(f"stringy_over_mm = {3.0 if a.regrind else 1.0}  # a longer tail hooks its piece to others")
    if a.regrind:
        lines.append("off_colour_over = 25.0  # CIELAB difference from the batch's own colour")
        lines.append("# flake_thickness_mm = 1.5  # lets flakes have a mass")
    return "\n".join(lines) + "\n"


def _limits(a: Answers, soft: bool) -> str:
    has_long = a.screw_diameter_mm is not None or a.channel_width_mm is not None or a.length_mm is not None
    loose = a.regrind or soft
    shares = {
        "long_share": (10 if loose else 8) if has_long else None,
        "stringy_share": 10 if loose else 8,
        "doubles_share": None if a.regrind else 8,
        "fines_share": 20 if a.regrind else 10,
        "off_colour_share": 5 if a.regrind else None,
    }
    lines = ["[limits]  # one that is left out is not judged"]
    lines += [
        f"{name} = {{ at_most_percent = {share} }}" for name, share in shares.items() if share is not None
    ]
    if a.length_mm is not None and not a.regrind:
        low, high = _number(a.length_mm * 5 / 6), _number(a.length_mm * 7 / 6)
        lines.append(
            f"median_length = {{ at_least_mm = {low}, at_most_mm = {high} }}  # within a sixth of nominal"
        )
    return "\n".join(lines) + "\n"


_JUDGING = """[judging]
confidence = 0.95  # each accept and each reject holds with this confidence
within_photo_correlation = 0.002  # pieces of one scoop resemble each other a little (common practice)
"""


def _number(value: float | None) -> str:
    return repr(round(float(value or 0.0), 2))


def _text(value: str) -> str:
    return json.dumps(value, ensure_ascii=False).replace(
        "\x7f", "\\u007f"
    )  # the one that TOML escapes and JSON does not


def _comment(value: str) -> str:
    return "".join(c if c.isprintable() else " " for c in value)


def summary(spec: Spec) -> str:
    """Return the spec in one line, as for a list of specs."""
    long = f"long over {mm(spec.long_over_mm)}" if spec.long_over_mm is not None else "no length limit"
    return f"{spec.name}: {long}, {len(explain_limits(spec))} limits"
