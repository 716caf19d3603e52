"""`traygauge sheet`: the sheet to print, and what was measured on a print."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from traygauge.environment import Environment

EXAMPLES = """\b
Examples:
  traygauge sheet
  traygauge sheet --size large --window white --name workshop
  traygauge sheet measured workshop --across 99.6 --down 100.2"""
MEASURED_EXAMPLES = """\b
Example (a card of 0.3 mm lies in the window):
  traygauge sheet measured shop --across 99.6 --down 100.2 --plane-offset 0.3"""


class Size(StrEnum):
    """The three sheets."""

    SMALL = "small"
    MEDIUM = "medium"
    LARGE = "large"


PlaneOffset = Annotated[
    float | None,
    typer.Option(
        "--plane-offset",
        metavar="MM",
        help="How far the pieces' plane lies above the paper: the thickness of a card laid in the window; "
        "negative for a tray seen through a cut-out.",
    ),
]


app = typer.Typer(rich_markup_mode=None, invoke_without_command=True, epilog=EXAMPLES)


@app.callback()
def sheet(
    context: typer.Context,
    size: Annotated[Size, typer.Option("--size", help="Medium fits A5, large A4 and Letter.")] = Size.MEDIUM,
    window: Annotated[
        str,
        typer.Option(
            "--window", metavar="COLOUR", help="black, dark blue, green, grey, white, blank or #RRGGBB."
        ),
    ] = "black",
    paper: Annotated[str, typer.Option("--paper", help="A5, A4 or Letter.")] = "A4",
    name: Annotated[str, typer.Option("--name", help="A name for this print, written on the paper.")] = "",
    plane_offset: PlaneOffset = None,
    out: Annotated[Path | None, typer.Option("--out", metavar="FILE", help="Where the PDF goes.")] = None,
) -> None:
    """Write the calibration sheet as a PDF to print.

    Choose a window unlike the pieces: black or dark blue for white, yellow and clear ones, white for black ones.
    Leave it blank to lay a matt card in it.
    """
    if context.invoked_subcommand is not None:
        return
    from datetime import date

    from traygauge_calib.sheet_pdf import write_sheet
    from traygauge_shared.names import typed

    env: Environment = context.obj
    path = write_sheet(
        out or Path(f"traygauge-sheet-{size}.pdf"),
        size,
        window_colour=window,
        paper=paper,
        print_name=name,
        date=date.today().isoformat(),
        plane_offset_mm=plane_offset,
    )
    env.say(f"Written: {path}")
    env.say("Next: print it at 100 %, tape it flat, and measure its two bars:")
    sized = "" if size == "medium" else f" --size {size}"
    raised = f" --plane-offset {plane_offset:g}" if plane_offset else ""
    env.say(
        f"  traygauge sheet measured {typed(name) if name else 'NAME'} --across MM --down MM{sized}{raised}"
    )


@app.command(epilog=MEASURED_EXAMPLES)
def measured(
    context: typer.Context,
    name: Annotated[str, typer.Argument(help="The name of the print, as written on it.")],
    across: Annotated[
        float, typer.Option("--across", metavar="MM", help="Length of the bar along the long side.")
    ],
    down: Annotated[
        float, typer.Option("--down", metavar="MM", help="Length of the bar along the short side.")
    ],
    plane_offset: PlaneOffset = None,
    size: Annotated[Size, typer.Option("--size", help="Which sheet it is.")] = Size.MEDIUM,
    glued: Annotated[
        bool, typer.Option("--glued", help="The paper is glued down flat and cannot sag.")
    ] = False,
) -> None:
    """Keep what was measured on a print, for inspect --print."""
    from traygauge_calib.prints import PrintRecord, keep_print
    from traygauge_shared.names import typed

    env: Environment = context.obj
    record = PrintRecord(name, str(size), across, down, plane_offset or 0.0, glued)
    path = keep_print(env.config_folder, record)
    stretch = (100 * (factor - 1) for factor in record.stretch)
    across_said, down_said = (f"{percent:+.2f} %" for percent in stretch)
    kept = f"Kept: print {name}, {size} sheet, {across_said} across and {down_said} down, in {path}"
    env.say(env.wrapped(kept))
    env.say(f"Next: traygauge inspect PHOTO --print {typed(name)}")
