"""Pieces over a photo or close-up as SVG path text, ready for the template."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from traygauge.report.labels import place_labels
from traygauge.report.model import FloatArray, Mark
from traygauge.report.palette import Look
from traygauge.report.picture import Drawn, Frame, simplified

#: Height of a label's text as a share of the picture's longer side, and the width of a letter in that height.
LABEL_SHARE, LETTER = 0.0125, 0.58


@dataclass(frozen=True)
class Shape:
    """One piece in a picture: path texts of outline, tails and centreline, and where its label stands (if any)."""

    place: int
    piece: int
    look: Look
    spoken: str
    outline: str
    tails: str
    centreline: str
    middle: tuple[float, float]
    label: str
    label_at: tuple[float, float] | None


def shapes(marks: Sequence[Mark], drawn: Sequence[Drawn], frame: Frame) -> list[Shape]:
    """Return the shapes of all marks of a photo, in its frame's points."""
    boxes = boxes_of(drawn)
    size = label_size(frame)
    at = places_of(
        [((len(m.beside) + 1) * LETTER * size, 1.1 * size) if m.beside else None for m in marks], boxes, frame
    )
    return [
        Shape(
            place=m.place,
            piece=m.piece,
            look=m.look,
            spoken=m.spoken,
            outline=path_text(simplified(d.outline), closed=True),
            tails="".join(path_text(simplified(t, closed=False)) for t in d.tails),
            centreline=path_text(simplified(d.centreline, 0.25, closed=False)),
            middle=(float(box[0] + box[2]) / 2, float(box[1] + box[3]) / 2),
            label=m.beside,
            label_at=at.get(k),
        )
        for k, (m, d, box) in enumerate(zip(marks, drawn, boxes, strict=True))
    ]


def places_of(
    sizes: Sequence[tuple[float, float] | None], boxes: FloatArray, frame: Frame
) -> dict[int, tuple[float, float]]:
    """Return the middles of labels by mark, in a frame's points; width and height of each are given, if it has one."""
    labelled = [k for k, size in enumerate(sizes) if size is not None]
    given = np.array([sizes[k] for k in labelled], float).reshape(-1, 2)
    middles = place_labels(boxes, given, np.array(labelled, np.intp), (frame.width, frame.height))
    return {k: (float(x), float(y)) for k, (x, y) in zip(labelled, middles, strict=True)}


def label_size(frame: Frame) -> float:
    """Return the height of a label's text in a frame's points."""
    return LABEL_SHARE * max(frame.width, frame.height)


def boxes_of(drawn: Sequence[Drawn]) -> FloatArray:
    """Return x0, y0, x1, y1 of each mark with its tails, ndarray of shape (n, 4)."""
    found = [np.concatenate([d.outline, *d.tails]) for d in drawn]
    return np.array([(*p.min(0), *p.max(0)) if len(p) else (0.0,) * 4 for p in found], float).reshape(-1, 4)


def path_text(points: FloatArray, *, closed: bool = False, decimals: int = 1) -> str:
    """Return an SVG path through the points, relative steps with few decimals; rounding does not add up."""
    if len(points) < 2:
        return ""
    factor = 10**decimals
    whole = np.round(points * factor).astype(int)
    steps = np.diff(whole, axis=0)
    kept = steps[np.any(steps != 0, axis=1)]
    numbers = [f"M{_number(whole[0], factor)}"]
    if len(kept):
        numbers.append("l" + " ".join(_number(step, factor) for step in kept))
    return "".join(numbers) + ("z" if closed else "")


def _number(pair: np.ndarray, factor: int) -> str:
    x, y = (f"{v / factor:g}" if abs(v) < 10**6 else str(v // factor) for v in pair.tolist())
    return f"{x} {y}" if not y.startswith("-") else f"{x}{y}"
