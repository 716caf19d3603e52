"""Two batches against each other on one page: what changed, with its interval, and both distributions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from traygauge.judge.compare import Difference, decimals_of_change, decimals_of_ratio
from traygauge.measure.pieces import Pieces
from traygauge.records import StoredBatch, printable
from traygauge.report.distributions import bin_edges
from traygauge.report.limit_lines import limit_lines
from traygauge.report.model import Distribution, Fact, Line
from traygauge.report.numbers import fixed, with_unit
from traygauge.report.page_template import page_template
from traygauge.report.plots import two_histograms
from traygauge.words import number_of

FloatArray = npt.NDArray[np.float64]

_SHOWN = (("length_mm", "Cut length"), ("diameter_mm", "Diameter"))


@dataclass(frozen=True)
class Row:
    """One figure of both batches as shown; `changed`: its interval leaves no change out."""

    title: str
    unit: str
    a: str
    b: str
    change: str
    interval: str
    p_value: str
    sentence: str
    changed: bool


@dataclass(frozen=True)
class Comparison:
    """Two batches against each other, as plain values in the order in which they are said."""

    headline: str
    names: tuple[str, str]
    counted: tuple[str, str]
    spec_name: str
    scale: str
    caution: str
    rows: tuple[Row, ...]
    rules: tuple[str, ...]
    plots: tuple[str, ...]


def comparison_of(
    a: StoredBatch, b: StoredBatch, differences: Sequence[Difference], *, same_scale: bool
) -> Comparison:
    """Return what there is to say about two batches that were compared."""
    rows = tuple(map(_row, differences))
    changed = [row.title for row in rows if row.changed]
    scale = (
        "Both were measured with the same print and camera, so the error of their scale cancels."
        if same_scale
        else "It is not known that both were measured with the same print and camera: each brings its own scale."
    )
    return Comparison(
        headline=f"Changed: {', '.join(changed)}." if changed else "No change can be seen.",
        names=(printable(a.name), printable(b.name)),
        counted=(_counted(a.pieces), _counted(b.pieces)),
        spec_name=printable(a.spec.name) if a.spec else "",
        scale=scale,
        caution=_caution(differences),
        rows=rows,
        rules=tuple(dict.fromkeys(d.rule for d in differences)),
        plots=tuple(_plots(a, b, differences)),
    )


def comparison_html(comparison: Comparison) -> bytes:
    """Return a comparison as the bytes of an HTML file that needs nothing but itself."""
    from markupsafe import Markup

    page, style = page_template("comparison.html.j2")
    text = page.render(c=comparison, style=style, plots=[Markup(p) for p in comparison.plots])
    return text.encode("utf-8")


def _row(d: Difference) -> Row:
    ratio = d.unit == "ratio"
    decimals = 1 if d.unit == "%" else 2
    effect, unit = d.effect, "times" if ratio else "points" if d.unit == "%" else d.unit
    digits = decimals_of_ratio(effect) if ratio else decimals_of_change(effect, decimals)
    change, low, high = (
        fixed(v, digits) if ratio else f"{v:+z.{digits}f}" for v in (effect.estimate, effect.low, effect.high)
    )
    # a spread is a share of the median
    a, b = (
        with_unit(fixed(100 * v, 0), "%") if ratio else with_unit(fixed(v, decimals), d.unit)
        for v in (d.a, d.b)
    )
    nothing = 1.0 if ratio else 0.0
    return Row(
        d.title,
        unit,
        a,
        b,
        change,
        f"{low} to {high}",
        _p(d.p_value),
        d.sentence,
        not effect.low <= nothing <= effect.high,
    )


def _p(value: float) -> str:
    if not math.isfinite(value):
        return ""
    return "< 0.001" if value < 0.001 else f"{value:.3f}"


def _counted(pieces: Pieces) -> str:
    n, photos = len(pieces), len(set(pieces["photo"]))
    return f"{number_of(n, 'piece')} on {number_of(photos, 'photo')}"


def _caution(differences: Sequence[Difference]) -> str:
    if not differences:
        return "There are too few measured pieces to compare anything."
    n, confidence = len(differences), differences[0].effect.confidence
    false = 100 * (1 - confidence**n)
    return (
        f"Each interval holds by itself with {100 * confidence:g} % confidence; among {n} of them, one leaves out "
        f"the truth in up to {false:.0f} of 100 comparisons."
    )


def _plots(a: StoredBatch, b: StoredBatch, differences: Sequence[Difference]) -> list[str]:
    stated = {d.name: (d.a, d.b) for d in differences}
    drawn = []
    for column, title in _SHOWN:
        values = [_values(s.pieces, column) for s in (a, b)]
        if min(map(len, values)) == 0:
            continue
        lines = limit_lines(a.spec, column)
        edges = bin_edges(np.concatenate(values), lines)
        medians = stated.get(f"median_{column}") or tuple(float(np.median(v)) for v in values)
        drawn.append(
            two_histograms(
                *(
                    _distribution(v, m, column, title, edges, lines)
                    for v, m in zip(values, medians, strict=True)
                )
            )
        )
    return drawn


def _values(pieces: Pieces, column: str) -> FloatArray:
    value = pieces[column].astype(float)
    use = pieces.measured & (pieces["form"] == "strand")
    return np.asarray(value[use & np.isfinite(value)])


def _distribution(
    values: FloatArray, median_mm: float, column: str, title: str, edges: FloatArray, lines: tuple[Line, ...]
) -> Distribution:
    counts, _ = np.histogram(values, edges)
    median = Fact("median", with_unit(fixed(median_mm, 2), "mm"))
    return Distribution(column, title, "mm", edges, counts, lines, len(values), 0, (median,), math.nan)
