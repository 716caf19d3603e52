"""The command line: which commands there are, and the one place where exceptions become messages and exit codes."""

from __future__ import annotations

import os
import sys
import warnings
from collections.abc import Sequence
from contextlib import redirect_stderr, redirect_stdout
from typing import Annotated, Any

import typer

from traygauge import __version__
from traygauge.commands import compare, demo, inspecting, lens, plan, repeat, sheet, spec, verify
from traygauge.environment import Environment
from traygauge.exit_codes import ExitCode
from traygauge_shared.errors import TraygaugeError

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


def main(arguments: Sequence[str] | None = None, environment: Environment | None = None) -> int:
    """Run the program and return its exit code.

    Parameters
    ----------
    arguments : words after the program's name; those of the process when not given.
    environment : streams, terminal and folders; those of the process when not given.
    """
    if (
        environment is None
    ):  # matrices are small here: BLAS's threads would only spin beside the program's own
        os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    words = list(sys.argv[1:] if arguments is None else arguments)
    env = environment or Environment.of_process()
    with redirect_stdout(env.out), redirect_stderr(env.err), warnings.catch_warnings():
        warnings.simplefilter("ignore")  # meant for developers; tests turn them into errors
        try:
            code = _run(words, env)
            env.out.flush()
        # the reader of a pipe has seen enough; click then exits by itself
        except (BrokenPipeError, SystemExit):
            if environment is None:
                _write_nowhere(env)
            code = ExitCode.FINE
    return int(code)


def _write_nowhere(env: Environment) -> None:
    """Let what is left to write go nowhere, or the interpreter would fail to write it as it ends.

    As Python's documentation has it (module signal, "Note on SIGPIPE").
    """
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, env.out.fileno())
    os.close(nowhere)


def _run(words: list[str], env: Environment) -> int:
    try:
        code = app(words, standalone_mode=False, obj=env, prog_name="traygauge")
        return ExitCode.FINE if code is None else int(code)
    except TraygaugeError as error:
        for line in error.lines():
            env.tell(env.wrapped(line))
        return ExitCode.BAD_INPUT
    except typer.TyperException as error:  # a wrong option or word
        _tell_use(error, env)
        return ExitCode.BAD_INPUT
    except (typer.Abort, KeyboardInterrupt):
        env.tell("Interrupted. Nothing was left half written.")
        return ExitCode.INTERRUPTED
    except BrokenPipeError:
        raise
    except Exception as fault:
        _report(fault, env, "--traceback" in words)
        return ExitCode.OUR_FAULT


def _tell_use(error: Any, env: Environment) -> None:
    """Tell how the command is used and what was wrong with the call."""
    if context := getattr(error, "ctx", None):
        env.tell(f"{context.get_usage()}\nTry '{context.command_path} --help' for help.\n")
    env.tell(env.wrapped(f"Error: {error.format_message()}"))


def _report(fault: Exception, env: Environment, with_traceback: bool) -> None:
    """Say that the program failed, and what to report."""
    import platform
    import traceback

    place = traceback.extract_tb(fault.__traceback__)[-1]
    env.tell("traygauge has failed. This is a fault of the program, not of your photo.")
    env.tell("Please report these lines, with the photo if you may:")
    env.tell(f"  {type(fault).__name__}: {fault}")
    env.tell(
        f"  in {place.name}, line {place.lineno} of {place.filename.replace(chr(92), '/').rsplit('/', 1)[-1]}"
    )
    env.tell(f"  traygauge {__version__}, Python {platform.python_version()}, {platform.platform()}")
    if with_traceback:
        env.tell("".join(traceback.format_exception(fault)).rstrip())
    else:
        env.tell("With traygauge --traceback ... more is shown.")
