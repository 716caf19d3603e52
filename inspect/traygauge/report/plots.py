"""Drawings of our own as SVG text: distributions against their limits, and intervals against one limit.

Colours are the page's own (CSS variables), so that the same drawing is right in light, dark and print.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from traygauge.report.model import Distribution, Line, Strip
from traygauge.report.numbers import decimals_of, fixed, short

Scale = Callable[[float], float]

_WIDE, _HIGH = 600.0, 264.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 44.0, 16.0, 60.0, 40.0
#: Width of a letter of a limit's label on a small screen, where the page draws the labels largest.
_LETTER = 10.5
#: The same of other words.
_PLAIN_LETTER = 9.5
#: Height from one row of labels to the next.
_ROW = 20.0


def histogram(shown: Distribution) -> str:
    """Return a distribution as an SVG element: bars, limit lines with their labels, number of pieces."""
    low, high = _span(shown)
    top = max(int(shown.counts.max()), 1)
    ticks_y = ticks(0, top, 4, whole=True)
    ticks_x = ticks(low, high, 8)
    top_y = max(top, ticks_y[-1])
    title = f"{shown.title.lower()}, {shown.unit}"

    def x(value: float) -> float:
        return _LEFT + (value - low) / (high - low) * (_WIDE - _LEFT - _RIGHT)

    def y(count: float) -> float:
        return _HIGH - _BOTTOM - count / top_y * (_HIGH - _TOP - _BOTTOM)

    parts = [
        f'<svg class="plot" viewBox="0 0 {_WIDE:g} {_HIGH:g}" role="img" aria-label="{_spoken(shown)}">',
        *(_grid(y(t), str(int(t))) for t in ticks_y),
        *_bars(shown, x, y),
        *(_tick(x(t), fixed(t, _decimals(ticks_x))) for t in ticks_x),
        _text(_WIDE - _RIGHT, _HIGH - 6, title, "end"),
        _text(0, 18, "pieces", "start"),
        *_limits(shown.lines, x),
        *_whisker(shown, x, title),
        "</svg>",
    ]
    return "".join(parts)


def two_histograms(a: Distribution, b: Distribution) -> str:
    """Return two distributions over the same bins as one SVG element: a filled, b outlined, as shares of each.

    Raises
    ------
    ValueError
        Their bins differ.
    """
    if not np.array_equal(a.edges, b.edges):
        raise ValueError("two distributions are drawn over the same bins")
    low, high = _span(a)
    shares = [100 * d.counts / max(int(d.counts.sum()), 1) for d in (a, b)]
    ticks_y = ticks(0, max(float(s.max()) for s in shares), 4)
    ticks_x = ticks(low, high, 8)
    top_y = max(ticks_y[-1], *(float(s.max()) for s in shares), 1e-9)

    def x(value: float) -> float:
        return _LEFT + (value - low) / (high - low) * (_WIDE - _LEFT - _RIGHT)

    def y(share: float) -> float:
        return _HIGH - _BOTTOM - share / top_y * (_HIGH - _TOP - _BOTTOM)

    parts = [
        f'<svg class="plot" viewBox="0 0 {_WIDE:g} {_HIGH:g}" role="img" aria-label="{_spoken(a)}; {_spoken(b)}">',
        *(_grid(y(t), f"{t:g} %") for t in ticks_y),
        *_shares(a, shares[0].tolist(), x, y),
        _outline(b.edges.tolist(), shares[1].tolist(), x, y),
        *(_tick(x(t), fixed(t, _decimals(ticks_x))) for t in ticks_x),
        _text(_WIDE - _RIGHT, _HIGH - 6, f"{a.title.lower()}, {a.unit}", "end"),
        _text(0, 18, "share of pieces", "start"),
        *_limits(a.lines, x),
        "</svg>",
    ]
    return "".join(parts)


def _shares(shown: Distribution, shares: list[float], x: Scale, y: Scale) -> list[str]:
    """Return plain filled bars of the shares."""
    return [
        f'<path class="bar" d="M{x(a) + 0.75:.1f} {y(0):.1f}V{y(share):.1f}H{x(b) - 0.75:.1f}V{y(0):.1f}Z"/>'
        for share, a, b in zip(shares, shown.edges[:-1].tolist(), shown.edges[1:].tolist(), strict=True)
        if share
    ]


def _outline(edges: list[float], shares: list[float], x: Scale, y: Scale) -> str:
    """Return the stepped outline of a histogram."""
    steps = "".join(f"V{y(share):.1f}H{x(right):.1f}" for share, right in zip(shares, edges[1:], strict=True))
    return f'<path class="other" d="M{x(edges[0]):.1f} {y(0):.1f}{steps}V{y(0):.1f}"/>'


def interval_strip(strip: Strip, *, wide: float = 200.0, high: float = 30.0) -> str:
    """Return an interval against its limit as an SVG element: what is not allowed is hatched."""
    low, top = _strip_span(strip)
    pad = 4.0

    def x(value: float) -> float:  # infinite ends stand at the edge
        return pad + (min(max(value, low), top) - low) / (top - low) * (wide - 2 * pad)

    limit, middle = x(strip.limit), high / 2
    a, b = (limit, wide - pad) if strip.bound == "at most" else (pad, limit)
    dot = f'<circle class="dot" cx="{x(strip.estimate):.1f}" cy="{middle:g}" r="4.5"/>'
    return (
        f'<svg class="strip" viewBox="0 0 {wide:g} {high:g}" aria-hidden="true">'
        f'<rect class="no" x="{a:.1f}" y="6" width="{max(b - a, 0):.1f}" height="{high - 12:g}"/>'
        f'<path class="base" d="M{pad:g} {middle:g}H{wide - pad:g}"/>'
        f'<path class="range" d="M{x(strip.low):.1f} {middle:g}H{x(strip.high):.1f}"/>'
        f"{dot if math.isfinite(strip.estimate) else ''}"
        f'<path class="limit" d="M{limit:.1f} 1V{high - 1:g}"/></svg>'
    )


def _span(shown: Distribution) -> tuple[float, float]:
    """Return the ends of the axis: the bins and the limits that lie near them, with some room."""
    low, high = float(shown.edges[0]), float(shown.edges[-1])
    reach = 5 * (high - low)
    near = [line.value for line in shown.lines if low - reach < line.value < high + reach]
    low, high = min([low, *near]), max([high, *near])
    return low - 0.03 * (high - low), high + 0.03 * (high - low)


def _strip_span(strip: Strip) -> tuple[float, float]:
    known = [v for v in (strip.estimate, strip.low, strip.high, strip.limit) if math.isfinite(v)]
    low, high = min(known), max(known)
    if strip.bound == "at most" and low >= 0 and low < 0.5 * high:
        return 0.0, 1.12 * high or 1.0
    pad = 0.18 * (high - low) or 0.1 * abs(high) or 1.0
    return low - pad, high + pad


def ticks(low: float, high: float, about: int, *, whole: bool = False) -> list[float]:
    """Return round values inside low..high, about that many."""
    raw = max((high - low) / about, 1e-9)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(s * power for s in (1, 2, 5, 10) if s * power >= raw * 0.999)
    if whole:
        step = max(1.0, float(round(step)))
    first = math.ceil(low / step - 1e-9)
    return [k * step for k in range(first, math.floor(high / step + 1e-9) + 1)]


def _decimals(values: list[float]) -> int:
    """Return the fewest decimals that tell the ticks apart."""
    return next((d for d in range(4) if all(abs(round(t, d) - t) < 1e-9 for t in values)), 4)


def _bars(shown: Distribution, x: Scale, y: Scale) -> list[str]:
    bars = []
    for count, a, b in zip(shown.counts, shown.edges[:-1], shown.edges[1:], strict=True):
        if not count:
            continue
        beyond = next((line for line in shown.lines if _is_beyond(line, (a + b) / 2)), None)
        kind = f"bar beyond f-{beyond.finding}" if beyond else "bar"
        left, right, top = x(a) + 0.75, x(b) - 0.75, y(int(count))
        bars.append(
            f'<path class="{kind}" d="M{left:.1f} {y(0):.1f}V{top:.1f}H{max(right, left + 1):.1f}V{y(0):.1f}Z">'
            f"<title>{fixed(float(a), 2)} to {fixed(float(b), 2)} {shown.unit}: {int(count)}</title></path>"
        )
    return bars


def _is_beyond(line: Line, value: float) -> bool:
    return value > line.value if line.allowed == "below" else value < line.value


def _limits(lines: tuple[Line, ...], x: Scale) -> list[str]:
    """Return the limit lines, each label on its forbidden side where there is room; an arrow to those far off.

    A label that would run over another one, or over another's line, goes a row up.
    """
    drawn: list[str] = []
    taken: list[tuple[float, float]] = []
    for line in lines:
        left, wide = x(line.value), _LETTER * len(line.text)
        if not _LEFT <= left <= _WIDE - _RIGHT:
            beyond = left > _WIDE / 2
            said = f"{line.text} →" if beyond else f"← {line.text}"
            at, anchor = (_WIDE - _RIGHT, "end") if beyond else (_LEFT, "start")
            drawn.append(_text(at, _TOP - 10, said, anchor, "limit-text"))
            wide += 2 * _LETTER
            taken.append((at - wide, at) if beyond else (at, at + wide))
            continue
        behind = line.allowed == "below"
        if behind and left + 6 + wide > _WIDE:
            behind = False
        elif not behind and left - 6 - wide < 0:
            behind = True
        anchor, shift = ("start", 6) if behind else ("end", -6)
        ends = (left + 6, left + 6 + wide) if behind else (left - 6 - wide, left - 6)
        others = [*taken, *((x(o.value),) * 2 for o in lines if o is not line)]
        up = _ROW if any(a < ends[1] and ends[0] < b + 1 for a, b in others) else 0.0
        if not up:
            taken.append(ends)
        drawn.append(f'<path class="limit" d="M{left:.1f} {_TOP - 18 - up:g}V{_HIGH - _BOTTOM:g}"/>')
        drawn.append(_text(left + shift, _TOP - 10 - up, line.text, anchor, "limit-text"))
    return drawn


def _whisker(shown: Distribution, x: Scale, title: str) -> list[str]:
    """Return a bar as long as one piece's own ± beside the axis' title, so that a spread is not read as scatter.

    Its words stand behind it, or in a gap of it where they would run into the title; where neither has room there are
    only the words.
    """
    if not math.isfinite(shown.typical_u):
        return []
    u = shown.typical_u
    said = f"± {fixed(2 * u, decimals_of(2 * u))} mm: one piece"
    wide, end, line = _PLAIN_LETTER * len(said), _LEFT + x(4 * u) - x(0), _HIGH - 10
    room = _WIDE - _RIGHT - _PLAIN_LETTER * len(title) - 8
    if end + 8 + wide <= room:
        return [_bar(_LEFT, end, line), _text(end + 8, _HIGH - 6, said, "start")]
    if end > room or end - _LEFT < wide + 8:
        return [_text(_LEFT, _HIGH - 6, said, "start")]
    middle = (_LEFT + end) / 2
    gap = middle - wide / 2 - 4, middle + wide / 2 + 4
    return [_bar(_LEFT, end, line, gap), _text(middle, _HIGH - 6, said, "middle")]


def _bar(start: float, end: float, line: float, gap: tuple[float, float] | None = None) -> str:
    """Return a level bar between two upright ticks, broken at a gap."""
    level = f"H{gap[0]:.1f}M{gap[1]:.1f} {line:g}H{end:.1f}" if gap else f"H{end:.1f}"
    ticks = f"M{start:.1f} {line - 4:g}v8M{end:.1f} {line - 4:g}v8"
    return f'<path class="whisker" d="M{start:.1f} {line:g}{level}{ticks}"/>'


def _grid(level: float, text: str) -> str:
    line = f'<path class="grid" d="M{_LEFT:g} {level:.1f}H{_WIDE - _RIGHT:g}"/>'
    return line + _text(_LEFT - 8, level + 4, text, "end")


def _tick(left: float, text: str) -> str:
    foot = _HIGH - _BOTTOM
    mark = f'<path class="axis" d="M{left:.1f} {foot:g}v5"/>'
    return mark + _text(left, foot + 17, text, "middle")


def _text(x: float, y: float, text: str, anchor: str, kind: str = "") -> str:
    from markupsafe import escape

    name = f' class="{kind}"' if kind else ""
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"{name}>{escape(text)}</text>'


def _spoken(shown: Distribution) -> str:
    from markupsafe import escape

    facts = ", ".join(f"{f.label} {f.text}" for f in shown.facts)
    limits = "".join(f", {line.text}" for line in shown.lines)
    ends = f"{short(float(np.round(shown.edges[0], 3)))} to {short(float(np.round(shown.edges[-1], 3)))}"
    said = f"{shown.title} of {shown.pieces} pieces, {ends} {shown.unit}: {facts}{limits}"
    return str(escape(said))
