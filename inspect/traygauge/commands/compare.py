"""`traygauge compare`: two batches against each other, such as a blade before and after it was ground."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from traygauge.commands import photos as asked
from traygauge.commands.photos import ScaleWords, inspect_files, photo_files
from traygauge.commands.saying import say_heading, say_json, say_list, say_table, tell_refused
from traygauge.environment import Environment
from traygauge.exit_codes import ExitCode

if TYPE_CHECKING:
    from traygauge.judge.compare import Difference
    from traygauge.judge.spec import Spec
    from traygauge.records import StoredBatch
    from traygauge.report.comparison import Comparison

EXAMPLES = """\b
Examples:
  traygauge compare reports/dull reports/sharp
  traygauge compare before.jpg after.jpg --spec rigid-1.75 --print kitchen
  traygauge compare lot-6/ lot-7/ --out lots.html"""

First = Annotated[
    Path, typer.Argument(metavar="A", help="A report's folder, a photo, or a folder of photos of one batch.")
]
Second = Annotated[Path, typer.Argument(metavar="B", help="The batch to hold against it.")]
Out = Annotated[
    Path | None,
    typer.Option("--out", metavar="FILE", help='Where the page goes. Default: "A against B.html", here.'),
]
SameScale = Annotated[
    bool,
    typer.Option(
        "--same-scale",
        help="Both were measured with the same print and camera, though their reports do not show it.",
    ),
]


def compare(
    context: typer.Context,
    a: First,
    b: Second,
    spec: asked.Spec = None,
    out: Out = None,
    same_scale: SameScale = False,
    json: asked.Json = False,
    print_name: asked.Print = None,
    lens: asked.Lens = None,
    scan: asked.Scan = False,
    px_per_mm: asked.PxPerMm = None,
) -> int:
    """Say what changed from one batch to another, and how sure that is.

    Shares, median, mean and spread of the cut length, each as a difference with its interval first and a p-value
    second, and a page with both distributions. A report's folder is read, photos are inspected.
    """
    from traygauge.judge.compare import compare as differences_between
    from traygauge.judge.sample import sample
    from traygauge.records import file_stem, write_whole
    from traygauge.report.comparison import comparison_html, comparison_of

    env: Environment = context.obj
    words = ScaleWords(print_name, scan, px_per_mm, None, lens)
    one, two = (_batch(env, path, words, spec, quiet=json) for path in (a, b))
    target = _target(one, two, spec)
    same = same_scale or _share_scale(one, two)
    ready = [sample(s.pieces, target, s.windows_mm) for s in (one, two)]
    found = differences_between(*ready, same_scale=same)
    told = comparison_of(one, two, found, same_scale=same)
    page = out or Path(f"{file_stem(one.name)} against {file_stem(two.name)}.html")
    if json:
        say_json(env, {"a": one.name, "b": two.name, "same_scale": same, "differences": found})
    else:
        _say(env, told, found)
    if not found:
        return ExitCode.UNDECIDED
    (env.tell if json else env.say)(f"\nPage: {write_whole(page, comparison_html(told))}")
    return ExitCode.FINE


def _batch(env: Environment, path: Path, words: ScaleWords, spec: str | None, *, quiet: bool) -> StoredBatch:
    """Return a batch: read from its report's folder, or inspected now."""
    from traygauge.records import is_stored, kept, read_batch

    if path.is_dir() and is_stored(path):
        return read_batch(path)
    batch = inspect_files(env, photo_files([path]), words, spec, quiet=quiet)
    tell_refused(env, batch.refused[: len(batch.refused) if batch.photos else 0])
    if not batch.photos:
        raise batch.refused[0][1]
    return kept(batch, path.absolute().name if path.is_dir() else path.stem)


def _target(one: StoredBatch, two: StoredBatch, spec: str | None) -> Spec:
    """Return the spec that both are compared by: the one named, else the one that both were judged against."""
    from traygauge.judge.spec import read_spec
    from traygauge.judge.spec_tables import NO_SPEC
    from traygauge_shared.errors import SpecError

    if spec is not None:
        return read_spec(spec)
    if one.spec is not None and two.spec is not None and one.spec != two.spec:
        raise SpecError(
            "the two batches were judged against different specs",
            found=f"{one.spec.name} and {two.spec.name}",
            expected="one spec for both",
            advice="say by which one they are to be compared: --spec FILE",
        )
    return one.spec or two.spec or NO_SPEC


def _share_scale(one: StoredBatch, two: StoredBatch) -> bool:
    """Return whether all photos' scales hang on the same print and camera."""
    scales = one.scales | two.scales
    return len(scales) == 1 and next(iter(scales)).is_known


def _say(env: Environment, told: Comparison, found: tuple[Difference, ...]) -> None:
    say_list(env, [told.headline], mark="COMPARED  ")
    for letter, name, counted in zip("AB", told.names, told.counted, strict=True):
        say_list(env, [f"{letter}: {name}, {counted}"], mark=" " * 10)
    if found:
        say_heading(env, "From A to B")
        rows = [
            (r.title, r.a, r.b, f"x {r.change}" if r.unit == "times" else r.change, r.interval, r.p_value)
            for r in told.rows
        ]
        say_table(
            env, rows, ("", "A", "B", "change", f"{100 * found[0].effect.confidence:g} % interval", "p")
        )
        say_list(env, [r.sentence for r in told.rows if r.changed], mark="  - ")
    say_list(env, [told.scale, told.caution], mark="  - ")
