"""Measure pieces of cut strand and regrind on a tray from a calibrated photo, and judge the batch.

The whole job is one call, `inspect_batch(paths, spec)`; each of its stages has a verb of its own. What a name needs is
imported when the name is first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from traygauge.batch import Batch, Setup, inspect_batch, inspect_photo
    from traygauge.judge.judging import judge_pieces
    from traygauge.judge.spec import read_spec
    from traygauge.measure.measuring import measure_pieces
    from traygauge.report import write_report
    from traygauge.segment.find import find_pieces
    from traygauge_calib.fitness import check_fitness
    from traygauge_calib.prints import find_print
    from traygauge_calib.scale import calibrate
    from traygauge_shared.errors import TraygaugeError
    from traygauge_shared.loading import load_photo

__version__ = "0.1.0"
__all__ = [
    "Batch",
    "Setup",
    "TraygaugeError",
    "calibrate",
    "check_fitness",
    "find_pieces",
    "find_print",
    "inspect_batch",
    "inspect_photo",
    "judge_pieces",
    "load_photo",
    "measure_pieces",
    "read_spec",
    "write_report",
]

_HOME = {
    "Batch": "traygauge.batch",
    "Setup": "traygauge.batch",
    "TraygaugeError": "traygauge_shared.errors",
    "calibrate": "traygauge_calib.scale",
    "check_fitness": "traygauge_calib.fitness",
    "find_pieces": "traygauge.segment.find",
    "find_print": "traygauge_calib.prints",
    "inspect_batch": "traygauge.batch",
    "inspect_photo": "traygauge.batch",
    "judge_pieces": "traygauge.judge.judging",
    "load_photo": "traygauge_shared.loading",
    "measure_pieces": "traygauge.measure.measuring",
    "read_spec": "traygauge.judge.spec",
    "write_report": "traygauge.report",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = globals()[name] = getattr(import_module(_HOME[name]), name)
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
