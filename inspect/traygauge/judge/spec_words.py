"""A spec in sentences: each limit explained for the person who has to live with it."""

from __future__ import annotations

from typing import Any

from traygauge.judge.polymers import polymer
from traygauge.judge.spec_tables import LengthLimit, Limits, ShareLimit, Spec, SpreadLimit


def explain_spec(spec: Spec) -> tuple[str, ...]:
    """Return the spec as plain sentences: what each piece is called and why, each limit, and how sure a verdict is."""
    return (*_what(spec), *explain_limits(spec).values(), _how_sure(spec))


def explain_limits(spec: Spec) -> dict[str, str]:
    """Return name of each limit set -> one sentence that explains it, in the order in which limits are judged."""
    return {
        name: _limit(spec, name, limit)
        for name in Limits.model_fields
        if (limit := getattr(spec.limits, name)) is not None
    }


def long_rule(spec: Spec) -> str:
    """Return where the length limit comes from, one clause; "" where there is none."""
    if spec.pieces.long_over_mm is not None:
        return f"{mm(spec.pieces.long_over_mm)}, as the spec gives it"
    if spec.long_over_mm is None or spec.channel_width_mm is None:
        return ""
    channel = f"{mm(spec.channel_width_mm)} channel"
    if spec.screw.channel_width_mm is None and spec.screw.screw_diameter_mm is not None:
        channel += (
            f", itself computed from the {mm(spec.screw.screw_diameter_mm)} screw for a pitch of one diameter"
        )
    return f"{mm(spec.long_over_mm)}, a third of the {channel} (common practice, no source)"


def mm(value: float) -> str:
    """Return a length as a reader wants it: at most two decimals, no trailing zeros."""
    return f"{value:.2f}".rstrip("0").rstrip(".") + " mm"


def _what(spec: Spec) -> list[str]:
    said = []
    if rule := long_rule(spec):
        said.append(f"A piece is long beyond {rule}.")
    what = spec.pieces
    meanings = (
        (what.short_under_mm, "A strand piece is short below {}."),
        (what.fines_under_mm, "What is smaller than {} in every direction seen is fines; dust is not seen."),
        (what.tail_from_mm, "A tail counts from {} on."),
        (what.stringy_over_mm, "A piece with a tail longer than {} is stringy."),
        (what.burr_over_mm, "A piece with a lip higher than {} on its cut edge is burred."),
        (spec.thin_under_mm, "A piece is thin below {} diameter."),
        (spec.thick_over_mm, "A piece is thick above {} diameter."),
        (what.flake_thickness_mm, "Flakes are taken to be {} thick; their masses hang on that."),
    )
    said += [sentence.format(mm(value)) for value, sentence in meanings if value is not None]
    if what.off_colour_over is not None:
        said.append(
            f"A piece is off-colour when its CIELAB colour is more than {what.off_colour_over:g} from the batch's."
        )
    if density := density_rule(spec):
        said.append(f"Solid density: {density}.")
    return said


def density_rule(spec: Spec) -> str:
    """Return the density and where it comes from, one clause; "" where there is none."""
    if spec.material.density_g_cm3 is not None:
        return f"{spec.material.density_g_cm3:g} g/cm³, as the spec gives it"
    of_table = polymer(spec.material.polymer or "")
    if of_table is None:
        return ""
    return (
        f"{of_table.density_g_cm3:.3g} g/cm³, the middle of the range for {of_table.name} ({of_table.source})"
    )


def _limit(spec: Spec, name: str, limit: Any) -> str:
    field = Limits.model_fields[name]
    why = field.description or ""
    if isinstance(limit, ShareLimit):
        of = {"count": "of the pieces", "mass": "of the mass", "area": "of the area seen"}[limit.by]
        kind = finding_of(name)
        text = f"At most {limit.at_most_percent:g} % {of} may be {_called(spec, kind)}"
    elif isinstance(limit, SpreadLimit):
        text = f"D10 and D90 of the cut length may lie {limit.at_most_percent:g} % of the median apart"
    else:
        text = f"The {field.title} must be {_range(limit)}"
    return f"{text}: {why}."


def _range(limit: LengthLimit) -> str:
    if limit.at_least_mm is None:
        return f"at most {mm(limit.at_most_mm or 0)}"
    if limit.at_most_mm is None:
        return f"at least {mm(limit.at_least_mm)}"
    return f"from {mm(limit.at_least_mm)} to {mm(limit.at_most_mm)}"


def _called(spec: Spec, kind: str) -> str:
    return f"long (over {mm(spec.long_over_mm)})" if kind == "long" and spec.long_over_mm else kind


def finding_of(name: str) -> str:
    """Return the finding that a share limit counts, as "long" for "long_share"."""
    return str(_extra(name)["finding"])


def figure_of(name: str) -> tuple[str, str]:
    """Return column and statistic of a limit on a figure, as ("length_mm", "D90")."""
    extra = _extra(name)
    return str(extra["column"]), str(extra["statistic"])


def _extra(name: str) -> dict[str, Any]:
    extra = Limits.model_fields[name].json_schema_extra
    return dict(extra) if isinstance(extra, dict) else {}


def _how_sure(spec: Spec) -> str:
    judging = spec.judging
    sentence = (
        f"Each accept and each reject holds with {100 * judging.confidence:g} % confidence; what lies between is "
        "undecided."
    )
    if judging.guard_band:
        sentence += f" A guard band of {judging.guard_band:g} expanded uncertainties is kept (JCGM 106)."
    return sentence
