"""`traygauge demo`: the main job on sample photos."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import typer

from traygauge.commands.photos import progress_bar
from traygauge.environment import Environment
from traygauge.exit_codes import ExitCode, code_of

EXAMPLES = """\b
Example:
  traygauge demo --out demo"""

#: In a checkout the sample photos lie at its root; an installed program draws one tray instead.
SAMPLES = Path(__file__).resolve().parents[3] / "sample_images"


@dataclass(frozen=True)
class Sample:
    """A batch to show: what it is, its photos, the spec it is judged against, and the name of its report's folder."""

    title: str
    photos: tuple[Path, ...]
    spec: str
    folder: str


def demo(
    context: typer.Context,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Where the reports go.")] = Path("demo"),
) -> int:
    """Measure and judge the sample photos, and write their reports.

    Without sample photos (outside a checkout) one tray is drawn and used.
    """
    from traygauge.batch import inspect_batch
    from traygauge.report import verdict_text, write_report

    env: Environment = context.obj
    pages: list[Path] = []
    for sample in samples(SAMPLES) or (drawn_sample(out),):
        with progress_bar(env) as progress:
            batch = inspect_batch(sample.photos, sample.spec, progress=progress)
        env.say(f"--- {sample.title}\n")
        env.say("\n\n".join(verdict_text(batch, env.width, env.colour).split("\n\n")[:2]).rstrip() + "\n")
        pages.append(write_report(batch, out / sample.folder))
        if (code := code_of(batch)) is ExitCode.BAD_INPUT:
            return code
    env.say("The reports, for any browser:")
    for page in pages:
        env.say(f"  {page}")
    return ExitCode.FINE


def samples(folder: Path) -> Sequence[Sample]:
    """Return the batches that a folder's `demo.toml` lists; none where there is no such file."""
    try:
        listed = tomllib.loads((folder / "demo.toml").read_text(encoding="utf-8"))["batch"]
    except OSError:
        return ()
    return [
        Sample(b["title"], tuple(folder / p for p in b["photos"]), b["spec"], Path(b["photos"][0]).stem)
        for b in listed
    ]


def drawn_sample(folder: Path) -> Sample:
    """Return a batch with one photo, drawn into a folder."""
    from traygauge_shared.scenes import draw, simple_scene, write_drawn

    folder.mkdir(parents=True, exist_ok=True)
    photo = write_drawn(draw(simple_scene(seed=1, n=60)), folder, "drawn_tray", images=False)
    return Sample("A drawn tray: rigid strand", (photo,), "rigid-1.75", "drawn_tray_report")
