"""`traygauge spec`: shipped specs to start from, and what a spec's limits mean."""

from __future__ import annotations

from typing import Annotated

import typer

from traygauge.environment import Environment

SHOW_EXAMPLES = """\b
Example:
  traygauge spec show rigid-1.75 > my-spec.toml"""

app = typer.Typer(
    rich_markup_mode=None, no_args_is_help=True, help="Spec files: shipped ones, and what a limit means."
)


@app.command()
def check(
    context: typer.Context,
    spec: Annotated[str, typer.Argument(help="A spec file, or a shipped spec by name.")],
) -> None:
    """Check a spec file and explain each of its limits in a sentence."""
    import textwrap

    from traygauge.judge.spec import read_spec
    from traygauge.judge.spec_words import explain_spec

    env: Environment = context.obj
    sentences = explain_spec(read_spec(spec))
    env.say(f"{spec} can be used. It says:")
    for sentence in sentences:
        env.say(textwrap.fill(sentence, env.width, initial_indent="- ", subsequent_indent="  "))


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
            env.say(f"{known:16} {text.splitlines()[0].lstrip('# ')}")
    elif name in specs:
        env.say(specs[name].rstrip())
    else:
        raise typer.BadParameter(f"there is no shipped spec {name!r}; there are {', '.join(specs)}")
