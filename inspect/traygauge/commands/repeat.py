"""`traygauge repeat`: the same scoop photographed several times, to see how well everything repeats itself."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from traygauge.commands import photos as asked
from traygauge.commands.photos import ScaleWords, inspect_files, photo_files
from traygauge.commands.saying import say_heading, say_json, say_list, say_table, tell_refused
from traygauge.environment import Environment
from traygauge.exit_codes import ExitCode

if TYPE_CHECKING:
    from traygauge.batch import Batch
    from traygauge.judge.repeating import Repeated, ShuffledFigure

EXAMPLES = """\b
Examples (two people, each took several photos of the tray as it stands):
  traygauge repeat anna/ ben/ --spec rigid-1.75
  traygauge repeat tray1.jpg tray2.jpg tray3.jpg
  traygauge repeat shaken-out/ --shuffled"""

TrayPhotos = Annotated[
    list[Path],
    typer.Argument(
        metavar="PHOTO",
        help="Photos of the same tray; those in one folder are by one person, named after it.",
    ),
]
Shuffled = Annotated[
    bool,
    typer.Option("--shuffled", help="The scoop was shaken out anew for each photo: compare its figures."),
]


def repeat(
    context: typer.Context,
    photos: TrayPhotos,
    shuffled: Shuffled = False,
    spec: asked.Spec = None,
    json: asked.Json = False,
    print_name: asked.Print = None,
    lens: asked.Lens = None,
    scan: asked.Scan = False,
    px_per_mm: asked.PxPerMm = None,
    reference: asked.Reference = None,
) -> int:
    """Say how well measuring one scoop repeats, with other people too.

    Leave the tray as it is between photos, and every piece is compared with itself (analysis of variance over
    pieces, people and photos). With a spec, measuring is held against the width between its limits.
    """
    from traygauge.batch import photo_names

    env: Environment = context.obj
    files = photo_files(photos)
    words = ScaleWords(print_name, scan, px_per_mm, reference, lens)
    batch = inspect_files(env, files, words, spec, quiet=json)
    tell_refused(env, batch.refused)
    took = dict(zip(photo_names(files), (f.absolute().parent.name for f in files), strict=True))
    people = {p.photo.name: took[p.photo.name] for p in batch.photos}
    done = (_shuffled if shuffled else _unmoved)(env, batch, people, json)
    if batch.refused:
        return ExitCode.BAD_INPUT
    return ExitCode.FINE if done else ExitCode.UNDECIDED


def _unmoved(env: Environment, batch: Batch, people: dict[str, str], json: bool) -> bool:
    """Compare every piece with itself, and return whether there was something to compare."""
    from traygauge.judge.repeating import QUANTITIES, repeated, tolerance_mm

    found: dict[str, Repeated] = {}
    faults = []
    for quantity in QUANTITIES:
        try:
            width = tolerance_mm(batch.spec, quantity)
            found[quantity] = repeated(batch.pieces, people, quantity, width)
        except ValueError as fault:
            faults.append(str(fault))
    if json:
        say_json(env, {"people": people, "quantities": found, "faults": faults})
        return bool(found)
    if not found:
        _undecided(
            env, faults, "photograph the tray as it stands two or three times, each person; or --shuffled"
        )
        return False
    first = next(iter(found.values()))
    env.say(f"REPEATED  {_counted(people, first.photos)}, {first.found} pieces found in all")
    for quantity, result in found.items():
        say_heading(env, f"{QUANTITIES[quantity].capitalize()} of {result.pieces} pieces, in mm")
        say_list(env, result.sentences(), mark="  - ")
        say_table(env, _components(result), ("", "standard deviation", "of all variation", ""))
    say_heading(env, "Photos: how far each one's mean lies from all photos' mean, mm")
    say_table(env, _offsets(found, people), ("photo", "cut length", "diameter", "by"))
    return True


def _components(result: Repeated) -> list[tuple[str, str, str, str]]:
    study = result.study
    parts = [("the same again", study.repeatability, "repeatability")]
    if study.people > 1:
        parts += [("another person", study.reproducibility, "reproducibility"), ("both", study.gauge, "")]
    parts += [("the pieces themselves", study.part, "")]
    return [
        (name, f"{math.sqrt(variance):.4f}", f"{study.study_percent(variance):.1f} %", term)
        for name, variance, term in parts
    ]


def _offsets(found: dict[str, Repeated], people: dict[str, str]) -> list[tuple[str, str, str, str]]:
    from traygauge.records import printable

    offsets = {q: dict(zip(r.photos, r.offsets_mm.tolist(), strict=True)) for q, r in found.items()}
    photos = next(iter(found.values())).photos

    def said(quantity: str, photo: str) -> str:
        return f"{offsets[quantity][photo]:+z.3f}" if quantity in offsets else ""

    return [
        (printable(p), said("length_mm", p), said("diameter_mm", p), printable(people[p])) for p in photos
    ]


def _shuffled(env: Environment, batch: Batch, people: dict[str, str], json: bool) -> bool:
    """Compare the batch's figures from photo to photo, and return whether there was something to compare."""
    from traygauge.judge.repeating import shuffled_figures

    found: tuple[ShuffledFigure, ...] = ()
    faults = []
    try:
        found = shuffled_figures(batch.pieces, people)
    except ValueError as fault:
        faults.append(str(fault))
    if json:
        say_json(env, {"people": people, "figures": found, "faults": faults})
        return bool(found)
    if not found:
        _undecided(env, faults or ["no figure could be measured in all photos"], "take three photos or more")
        return False
    env.say(f"REPEATED  {_counted(people, tuple(people))}, the scoop shaken out anew for each")
    rows = [(f.title, f"{f.mean:.3f}", f"{f.repeatability:.3f}", _other(f), f.unit) for f in found]
    say_heading(env, "Figures of the batch, and by how much they vary (standard deviations)")
    say_table(env, rows, ("", "mean", "the same again", "another person", ""))
    said = (
        "What varies holds measuring, and which pieces could be measured: those that stood or touched differ."
    )
    say_list(env, [said], mark="  - ")
    return True


def _other(figure: ShuffledFigure) -> str:
    return "" if math.isnan(figure.p_value) else f"{figure.reproducibility:.3f} (p {figure.p_value:.2f})"


def _undecided(env: Environment, faults: Sequence[str], advice: str) -> None:
    said = dict.fromkeys(faults)
    say_list(env, [f"{fault[0].upper()}{fault[1:]}." for fault in said], mark="UNDECIDED  ")
    say_list(env, [f"Next: {advice}."], mark=" " * 11)


def _counted(people: dict[str, str], photos: tuple[str, ...]) -> str:
    from traygauge.records import printable

    each = Counter(people[p] for p in photos)
    names = ", ".join(f"{printable(name, longest=30)} {n}" for name, n in each.items())
    return f"{len(photos)} photos by {len(each)} {'people' if len(each) > 1 else 'person'} ({names})"
