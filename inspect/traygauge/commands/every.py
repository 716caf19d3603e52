"""The program as its user meets it: which commands there are, and what stands before them."""

from __future__ import annotations

from typing import Annotated

import typer

from traygauge import __version__
from traygauge.commands import compare, demo, inspecting, lens, plan, repeat, sheet, spec, verify

EXAMPLES = """\b
A first batch:
  traygauge sheet                       print it at 100 %, tape it flat
  traygauge sheet measured kitchen --across 99.6 --down 100.2
  traygauge inspect tray.jpg --spec rigid-1.75 --print kitchen

\b
Exit code: 0 accepted, or measured without a spec; 10 rejected; 11 undecided,
or nothing on the tray; 2 bad input; 70 a fault of the program's own."""

app = typer.Typer(rich_markup_mode=None, no_args_is_help=True, epilog=EXAMPLES)
app.command("inspect", epilog=inspecting.EXAMPLES)(inspecting.inspect)
app.add_typer(sheet.app, name="sheet")
app.command("lens", epilog=lens.EXAMPLES)(lens.lens)
app.add_typer(spec.app, name="spec")
app.command("plan", epilog=plan.EXAMPLES)(plan.plan)
app.command("compare", epilog=compare.EXAMPLES)(compare.compare)
app.command("verify", epilog=verify.EXAMPLES)(verify.verify)
app.command("repeat", epilog=repeat.EXAMPLES)(repeat.repeat)
app.command("demo", epilog=demo.EXAMPLES)(demo.demo)


def _show_version(wanted: bool) -> None:
    if wanted:
        print(f"traygauge {__version__}")
        raise typer.Exit


@app.callback()
def _top(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version and exit."),
    ] = False,
    traceback: Annotated[
        bool, typer.Option("--traceback", help="Show where in the program a fault of ours happened.")
    ] = False,  # looked up by `_run`, which also meets faults from before this is called
) -> None:
    """Measure cut strand, pellets and regrind on a tray from one photo, and judge the batch."""
