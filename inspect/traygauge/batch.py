"""One call from photos to a judged batch: the stages one after the other, nothing else."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from traygauge.judge.verdict import Verdict
from traygauge.measure.pieces import Pieces
from traygauge.segment.regions import Regions
from traygauge_calib.fitness import Fitness
from traygauge_calib.tray_view import TrayView
from traygauge_shared.errors import TraygaugeError
from traygauge_shared.photo import Photo

if TYPE_CHECKING:
    from traygauge.judge.spec import Spec


@dataclass(frozen=True, eq=False)
class PhotoInspection:
    """One photo, measured. `seconds` holds the time each stage took, by its verb."""

    photo: Photo
    tray: TrayView
    fitness: Fitness
    regions: Regions
    pieces: Pieces
    seconds: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Batch:
    """The photos of one call, judged together.

    Parameters
    ----------
    photos : what was measured, a photo each, in the order given.
    pieces : all their pieces in one table, findings filled in.
    spec : the target, or None.
    verdict : the answer.
    refused : (file name, error) of each photo that could not be used.
    settings : what was asked for, as shown to the reader.
    """

    photos: tuple[PhotoInspection, ...]
    pieces: Pieces
    spec: Spec | None
    verdict: Verdict
    refused: tuple[tuple[str, TraygaugeError], ...] = ()
    settings: dict[str, str] = field(default_factory=dict)
