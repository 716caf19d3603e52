"""The report as plain values: everything that is said, in the order in which it is said, numbers already rounded.

Built from a batch by `traygauge.report.build`, shown by `html`, `terminal` and `certificate`, which add nothing.
Only what a drawing needs (outlines, bins, strips) is kept as numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from traygauge.report.palette import Look

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Headline:
    """The first line: one word, one reason, one next step. `outcome` as in `verdict.json`."""

    outcome: str
    word: str
    reason: str
    next_step: str


@dataclass(frozen=True)
class Strip:
    """An interval against its limit, for drawing: all in the limit's unit; ends may be infinite."""

    estimate: float
    low: float
    high: float
    limit: float
    bound: str


@dataclass(frozen=True)
class KeyFigure:
    """One of the figures under the first line, or further down; empty: `limit`, `answer`, `strip` where it has no limit.

    `basis` says what a figure without a limit rests on, `note` what else to know of it. Where the range itself is the
    figure, `spread` alone holds it, with its unit.
    """

    title: str
    value: str
    unit: str
    spread: str
    limit: str = ""
    answer: str = ""
    basis: str = ""
    note: str = ""
    strip: Strip | None = None


@dataclass(frozen=True)
class LimitRow:
    """One row of the table of limits, and its sentences for "how this was judged".

    `low`, `high` are the bounds that decided; `interval` is the two-sided one at the stated confidence, in words.
    """

    title: str
    unit: str
    bound: str
    limit: str
    estimate: str
    low: str
    high: str
    interval: str
    counted: str
    answer: str
    reason: str
    rule: str
    more: str
    path: str
    strip: Strip


@dataclass(frozen=True)
class Tally:
    """How many pieces of a photo or batch have a look; `crowded`: so many that labels are the look's code."""

    look: Look
    count: int
    crowded: bool = False


@dataclass(frozen=True, eq=False)
class Mark:
    """One piece on a photo.

    `place` is its row in the batch's table, `label` its look in a word or code, `named`: whether the report speaks of
    it by its number, `spoken` the sentence for those who hear the page; outline (closed), tails and centreline (open) in sheet mm,
    `height_mm` the plane they lie in.
    """

    place: int
    piece: int
    look: Look
    names: str
    label: str
    named: bool
    spoken: str
    height_mm: float
    outline_mm: FloatArray
    tails_mm: tuple[FloatArray, ...]
    centreline_mm: FloatArray

    @property
    def number(self) -> str:
        """Return the piece's number if the report speaks of it by that, else nothing."""
        return str(self.piece) if self.named else ""

    @property
    def beside(self) -> str:
        """Return what stands beside the outline: number and label, as far as it has them."""
        return f"{self.number} {self.label}".strip()


@dataclass(frozen=True)
class Fact:
    """A label with what belongs to it, both as shown."""

    label: str
    text: str


@dataclass(frozen=True)
class CheckRow:
    """One check of a photo's fitness, as shown: fine if `sense` `limit` (a yes or no check: if `limit`)."""

    name: str
    value: str
    unit: str
    sense: str
    limit: str
    level: str
    advice: str


@dataclass(frozen=True, eq=False)
class PhotoPart:
    """One photo with its pieces, its fitness and its scale. `index` is its place in the batch."""

    index: int
    name: str
    summary: str
    tallies: tuple[Tally, ...]
    marks: tuple[Mark, ...]
    level: str
    checks: tuple[CheckRow, ...]
    scale: tuple[Fact, ...]
    facts: tuple[Fact, ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class Closeup:
    """One of the pieces to look at first: where it is, why it is here, and its measures."""

    photo: int
    mark: int
    title: str
    why: str
    measures: tuple[Fact, ...]


@dataclass(frozen=True)
class Line:
    """A limit in a distribution: the allowed side is "below" or "above" it."""

    value: float
    allowed: str
    text: str
    finding: str


@dataclass(frozen=True)
class WeightedRow:
    """Sizes under one weighting, as shown."""

    by: str
    d10: str
    median: str
    d90: str
    mean: str


@dataclass(frozen=True, eq=False)
class Distribution:
    """How one figure is distributed: `counts` in the bins between `edges`, limits, and what is not in it.

    `weighted`: the same by number, length, area and volume; empty but for cut lengths.
    """

    name: str
    title: str
    unit: str
    edges: FloatArray
    counts: npt.NDArray[np.int64]
    lines: tuple[Line, ...]
    pieces: int
    left_out: int
    facts: tuple[Fact, ...]
    typical_u: float
    weighted: tuple[WeightedRow, ...] = ()


@dataclass(frozen=True)
class PartRow:
    """One kind of thing in a regrind, or something found on pieces of any kind; shares in percent."""

    meaning: str
    is_form: bool
    counted: str
    share: str
    spread: str
    amount: str


@dataclass(frozen=True)
class SieveRow:
    """One class of sieve openings: what it would hold back and let pass, by count and by amount, percent."""

    name: str
    held: str
    held_amount: str
    passing: str
    passing_amount: str


@dataclass(frozen=True)
class RegrindPart:
    """What a regrind is made of; `amounts` says what amounts are, "by mass" or "by area"."""

    amounts: str
    parts: tuple[PartRow, ...]
    sieves: tuple[SieveRow, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Component:
    """One component of the uncertainty, median over the measured pieces, as shown, mm."""

    name: str
    length: str
    diameter: str
    shared: bool


@dataclass(frozen=True)
class Refusal:
    """A photo that could not be used."""

    name: str
    wrong: str
    found: str
    expected: str
    advice: str


@dataclass(frozen=True)
class TableColumn:
    """A column of the table of all pieces, as shown to a reader."""

    name: str
    label: str
    unit: str
    meaning: str
    is_number: bool


@dataclass(frozen=True, eq=False)
class Report:
    """The whole report, top to bottom."""

    title: str
    spec_name: str
    counted: str
    made: str
    headline: Headline
    figures: tuple[KeyFigure, ...]
    notes: tuple[str, ...]
    refusals: tuple[Refusal, ...]
    sequence: tuple[str, ...]
    rules: tuple[str, ...]
    spec_in_words: tuple[str, ...]
    limits: tuple[LimitRow, ...]
    other_limits: tuple[LimitRow, ...]
    advice: tuple[str, ...]
    further: tuple[KeyFigure, ...]
    photos: tuple[PhotoPart, ...]
    closeups: tuple[Closeup, ...]
    closeups_intro: str
    distributions: tuple[Distribution, ...]
    regrind: tuple[RegrindPart, ...]
    components: tuple[Component, ...]
    table_columns: tuple[TableColumn, ...]
    table_rows: tuple[tuple[str, ...], ...]
    spec_facts: tuple[Fact, ...]
    settings: tuple[Fact, ...]
    versions: tuple[Fact, ...]
    bear_in_mind: tuple[str, ...]
