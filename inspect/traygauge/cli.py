"""The one place where the program begins, and where exceptions become messages and exit codes."""

from __future__ import annotations

import errno
import os
import sys
import warnings
from collections.abc import Sequence
from contextlib import redirect_stderr, redirect_stdout
from typing import Any

from traygauge import __version__
from traygauge.environment import Environment
from traygauge.exit_codes import ExitCode
from traygauge_shared.errors import TraygaugeError

#: What an output on a full disk answers. Files answer by errors of our own.
_FULL = (errno.ENOSPC, errno.EDQUOT)


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
        except OSError as error:  # the result itself cannot be written, as to a full disk
            if environment is None:
                _write_nowhere(env)
            print(f"cannot write the output: {error.strerror or error}", file=env.err)
            code = ExitCode.BAD_INPUT
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
        from traygauge.commands.every import app  # late, so that an interruption while it loads is met here

        code = int(app(words, standalone_mode=False, obj=env, prog_name="traygauge") or ExitCode.FINE)
        # an interruption within a command comes back as its code
        return _interrupted(env) if code == ExitCode.INTERRUPTED else code
    except TraygaugeError as error:
        for line in error.lines():
            env.tell(env.wrapped(line))
        return ExitCode.BAD_INPUT
    except KeyboardInterrupt:
        return _interrupted(env)
    except BrokenPipeError:
        raise
    except Exception as fault:
        if isinstance(fault, OSError) and fault.errno in _FULL:
            raise
        return _other(fault, env, "--traceback" in words)


def _interrupted(env: Environment) -> int:
    env.tell("Interrupted. Nothing was left half written.")
    return ExitCode.INTERRUPTED


def _other(fault: Exception, env: Environment, with_traceback: bool) -> int:
    """Tell what came from the library that reads the words, else report a fault of ours; return the exit code."""
    import typer

    if isinstance(fault, typer.Abort):
        return _interrupted(env)
    if isinstance(fault, typer.TyperException):  # a wrong option or word
        _tell_use(fault, env)
        return ExitCode.BAD_INPUT
    _report(fault, env, with_traceback)
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
