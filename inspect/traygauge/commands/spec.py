"""`traygauge spec`: shipped specs to start from, new ones from a few answers, and what a spec's limits mean."""

from __future__ import annotations

import dataclasses
import textwrap
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

import typer

from traygauge.commands.saying import say_list
from traygauge.environment import Environment

EXAMPLES = """\b
Examples:
  traygauge spec new
  traygauge spec show rigid-1.75 > my-spec.toml
  traygauge spec check my-spec.toml"""
CHECK_EXAMPLES = """\b
Example:
  traygauge spec check my-spec.toml --pieces 200"""
SHOW_EXAMPLES = """\b
Example:
  traygauge spec show rigid-1.75 > my-spec.toml"""
NEW_EXAMPLES = """\b
Examples (the first asks; what is left empty is left out):
  traygauge spec new
  traygauge spec new mine.toml --strand 1.75 --length 3 --screw 16
  traygauge spec new lot.toml --regrind --screw 30 --depth 5"""

app = typer.Typer(
    rich_markup_mode=None,
    no_args_is_help=True,
    help="Spec files: shipped and new ones, and what a limit means.",
    epilog=EXAMPLES,
)


@app.command(epilog=CHECK_EXAMPLES)
def check(
    context: typer.Context,
    spec: Annotated[str, typer.Argument(help="A spec file, or a shipped spec by name.")],
    pieces: Annotated[
        int, typer.Option("--pieces", metavar="N", min=1, help="How many pieces one photo shows.")
    ] = 300,
) -> None:
    """Check a spec file and explain each of its limits in a sentence."""
    from traygauge.judge.spec import read_spec
    from traygauge.judge.spec_new import check_spec

    env: Environment = context.obj
    sentences = check_spec(read_spec(spec), pieces)
    env.say(f"{spec} can be used. It says:")
    for sentence in sentences:
        inner = sentence.startswith("  ")
        say_list(env, [sentence.strip()], mark="    " if inner else "- ")


@app.command(epilog=SHOW_EXAMPLES)
def show(
    context: typer.Context, name: Annotated[str | None, typer.Argument(help="A shipped spec.")] = None
) -> None:
    """Print a shipped spec to copy and change; without a name, list them."""
    from traygauge.judge.spec import shipped_specs

    env: Environment = context.obj
    specs = shipped_specs()
    if name is None:
        for known, text in specs.items():
            said = f"{known:16} {text.splitlines()[0].lstrip('# ')}"
            env.say(textwrap.fill(said, env.width, subsequent_indent=" " * 17))
    elif name in specs:
        env.say(specs[name].rstrip())
    else:
        raise typer.BadParameter(f"there is no shipped spec {name!r}; there are {', '.join(specs)}")


def _mm(flag: str, text: str) -> Any:
    return typer.Option(flag, metavar="MM", min=0.01, max=1000, help=text)


@app.command(epilog=NEW_EXAMPLES)
def new(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(help="Where the spec goes.")] = Path("my-spec.toml"),
    name: Annotated[
        str | None, typer.Option("--name", help="What verdicts call it. Default: the file's name.")
    ] = None,
    regrind: Annotated[
        bool, typer.Option("--regrind", help="Bought-in flakes rather than cut strand.")
    ] = False,
    strand: Annotated[float | None, _mm("--strand", "Nominal diameter of the strand.")] = None,
    length: Annotated[float | None, _mm("--length", "Nominal cut length.")] = None,
    screw: Annotated[float | None, _mm("--screw", "Outer diameter of the screw.")] = None,
    channel: Annotated[
        float | None, _mm("--channel", "Width of the screw's channel; computed where not given.")
    ] = None,
    depth: Annotated[float | None, _mm("--depth", "Depth of the channel in the feed zone.")] = None,
    polymer: Annotated[
        str | None, typer.Option("--polymer", help="Gives the density, as PLA or PA6.")
    ] = None,
    density: Annotated[
        float | None, typer.Option("--density", metavar="G/CM3", min=0.05, max=25, help="Solid density.")
    ] = None,
    hardness: Annotated[
        str | None, typer.Option("--hardness", help='As "Shore A 85"; soft strand strings more.')
    ] = None,
    throughput: Annotated[
        float | None, typer.Option("--throughput", metavar="KG/H", min=0.001, help="Rate fed to the screw.")
    ] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Write over a file that is there.")] = False,
) -> None:
    """Write a commented spec from a few answers, asked for or given.

    Every limit in it is common practice and yours to change; spec check explains them.
    """
    from traygauge.judge.spec_new import Answers, new_spec
    from traygauge.records import write_whole
    from traygauge_shared.errors import SpecError
    from traygauge_shared.names import typed

    env: Environment = context.obj
    if file.exists() and not replace:
        raise SpecError(
            "there is a file of this name already",
            found=str(file),
            expected="a new name",
            advice="choose another name, or say --replace",
        )
    given = Answers(
        name or file.stem,
        regrind,
        strand,
        length,
        screw,
        channel,
        depth,
        polymer,
        density,
        hardness,
        throughput,
    )
    nothing_said = given == Answers(name or file.stem)
    answers = _asked(given) if nothing_said and env.in_is_terminal else given
    path = write_whole(file, new_spec(answers).encode())
    env.say(f"Written: {path}")
    env.say(f"Next: traygauge spec check {typed(str(path))}")


def _yes(text: str) -> bool:
    said = text.lower()
    if said not in ("y", "yes", "n", "no"):
        raise ValueError
    return said in ("y", "yes")


_QUESTIONS: tuple[tuple[str, str, Callable[[str], Any]], ...] = (
    ("regrind", "Bought-in regrind rather than cut strand? (yes or no)", _yes),
    ("strand_diameter_mm", "Diameter of the strand, mm", float),
    ("length_mm", "Cut length, mm", float),
    ("screw_diameter_mm", "Diameter of the screw, mm", float),
    ("channel_depth_mm", "Depth of its channel in the feed zone, mm", float),
    ("polymer", "Polymer, as PLA or PA6", str),
    ("hardness", 'Hardness, as "Shore A 85" or "Shore D 75"', str),
    ("throughput_kg_h", "Throughput, kg/h", float),
)


def _asked(given: Any) -> Any:
    """Return the answers that a person gives to the questions; what is left empty stays as given."""
    answers = {}
    for key, question, kind in _QUESTIONS:
        said = typer.prompt(
            f"{question} (Enter: not known)", default="", show_default=False, value_proc=_reader(kind)
        )
        if said != "":
            answers[key] = said
    return dataclasses.replace(given, **answers)


def _reader(kind: Callable[[str], Any]) -> Callable[[str], Any]:
    """Return what turns an answer into a value; a number may have a decimal comma."""

    def read(text: str) -> Any:
        text = text.strip()
        if not text:
            return ""
        try:
            return kind(text.replace(",", ".") if kind is float else text)
        except ValueError as fault:
            what = "neither yes nor no" if kind is _yes else "no number"
            raise typer.BadParameter(f"{text!r} is {what}") from fault

    return read
