"""One call from photos to a judged batch: the stages one after the other, nothing else."""

from __future__ import annotations

import itertools
import math
import os
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, ParamSpec, TypeVar

from traygauge.judge.judging import judge_pieces
from traygauge.judge.misreading import scatter, strand_diameters_mm
from traygauge.judge.verdict import Verdict
from traygauge.measure.by_direction import swing_of
from traygauge.measure.colours import with_colours
from traygauge.measure.measuring import measure_pieces
from traygauge.measure.medians import usual
from traygauge.measure.pieces import Pieces
from traygauge.segment.find import find_pieces
from traygauge.segment.left_out import share_in_glare, share_left_out
from traygauge.segment.regions import Regions
from traygauge.segment.unlike import share_unlike, thickness_px
from traygauge.words import number_of
from traygauge_calib.fitness import Fitness, check_fitness, require_fit, with_found
from traygauge_calib.lens import LensModel
from traygauge_calib.prints import PrintRecord
from traygauge_calib.scale import calibrate
from traygauge_calib.sheetless import Reference
from traygauge_calib.sight import Sight, sight_of
from traygauge_calib.tray_view import TrayView
from traygauge_shared.errors import PhotoError, TraygaugeError
from traygauge_shared.loading import clean_name, load_photo
from traygauge_shared.photo import Photo

if TYPE_CHECKING:
    import pandas as pd

    from traygauge.judge.spec import Spec

P = ParamSpec("P")
T = TypeVar("T")


@dataclass(frozen=True, eq=False)
class PhotoInspection:
    """One photo, measured. `seconds` holds the time each stage took, by its verb."""

    photo: Photo
    tray: TrayView
    fitness: Fitness
    regions: Regions
    pieces: Pieces
    seconds: dict[str, float] = field(default_factory=dict)

    @property
    def sight(self) -> Sight:
        """Return what the photo can show: the thinnest thread, the smallest crumb, how well a length is known."""
        strand = self.pieces.take(self.pieces["form"] == "strand")
        sizes = {name: usual(strand[name]) for name in ("length_mm", "diameter_mm")}
        known = {name: value for name, value in sizes.items() if math.isfinite(value)}
        return sight_of(self.tray, self.regions.contrast_to_noise, **known)

    def __repr__(self) -> str:
        return f"PhotoInspection({self.photo.name}, {len(self.pieces)} pieces, {self.fitness.level})"


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
    seconds : time that the stages took which work on all photos together, by their verb.
    """

    photos: tuple[PhotoInspection, ...]
    pieces: Pieces
    spec: Spec | None
    verdict: Verdict
    refused: tuple[tuple[str, TraygaugeError], ...] = ()
    settings: dict[str, str] = field(default_factory=dict)
    seconds: dict[str, float] = field(default_factory=dict)

    def to_frame(self) -> pd.DataFrame:
        """Return the pieces as a pandas DataFrame, a row a piece."""
        return self.pieces.to_frame()

    def __repr__(self) -> str:
        word = self.verdict.answer or "not judged"
        seen = f"{number_of(len(self.pieces), 'piece')} on {number_of(len(self.photos), 'photo')}"
        return f"Batch({seen}, {word}: {self.verdict.reason})"

    def _repr_html_(self) -> str:
        said = f"{self.verdict.answer or 'not judged'}: {self.verdict.reason} {self.verdict.next_step}"
        return f"<p>{escape(said)}</p>{self.pieces._repr_html_()}"


@dataclass(frozen=True)
class Setup:
    """How the photos were taken, as far as it is known beside what they show.

    Parameters
    ----------
    print_record : what was measured on the print of the sheet; None: an unmeasured print.
    px_per_mm : a stated scale (copy stand); a photo that shows a sheet as well is refused.
    scan : the photos are flatbed scans; their density tag gives the scale.
    reference : a straight thing of known length in each photo; likewise without a sheet.
    lens : what is known of the camera's lens; a photo of another camera is refused.
    """

    print_record: PrintRecord | None = None
    px_per_mm: float | None = None
    scan: bool = False
    reference: Reference | None = None
    lens: LensModel | None = None

    def in_words(self) -> dict[str, str]:
        """Return what was asked for, as shown to a reader."""
        if self.px_per_mm is not None:
            source = f"stated, {self.px_per_mm:g} pixels per mm"
        elif self.reference is not None:
            source = f"a length of {self.reference.length_mm:g} mm in the photo"
        elif self.scan:
            source = "the scan's density tag"
        else:
            source = "the sheet in the photo, or the density tag of a scan"
        said = {"scale from": source}
        if self.print_record is not None:
            said["print"] = self.print_record.name
        if self.lens is not None:
            said["lens model"] = f"of {self.lens.camera_name or 'a camera without a name'}"
        return said


#: Told what is being done: number of the photo from 0, how many there are, its name, and the stage's verb.
Progress = Callable[[int, int, str, str], None]
PhotoPath = str | os.PathLike[str]


def inspect_photo(
    path: PhotoPath, spec: Spec | PhotoPath | None = None, *, setup: Setup | None = None, looks: int = 1
) -> Batch:
    """Return one photo, measured and judged: `inspect_batch` with one photo, whose refusal is raised.

    Raises
    ------
    PhotoError, SheetError, UnfitPhotoError
        The photo cannot be read, shows no scale, or nothing honest can be measured from it.
    SpecError
        The spec is wrong.

    Examples
    --------
    >>> batch = traygauge.inspect_photo("tray.jpg", "rigid-1.75")  # doctest: +SKIP
    >>> batch.verdict.answer, batch.to_frame()[["length_mm", "diameter_mm"]].median()  # doctest: +SKIP
    """
    batch = inspect_batch([path], spec, setup=setup, looks=looks)
    for _, error in batch.refused:
        raise error
    return batch


def inspect_batch(
    paths: Iterable[PhotoPath],
    spec: Spec | PhotoPath | None = None,
    *,
    setup: Setup | None = None,
    looks: int = 1,
    scoop_g: float | None = None,
    progress: Progress | None = None,
) -> Batch:
    """Return the photos of one lot, measured and judged together.

    Parameters
    ----------
    paths
        One file a photo. A photo that cannot be used goes to `Batch.refused` and the others go on; so does one whose
        bytes are in the batch already, since counting pieces twice would make the verdict surer than it is.
    spec
        The target, the path of a spec file, or the name of a shipped spec; None measures without judging.
    setup
        Where the scale comes from, if there is more to know than the photos show.
    looks
        How many times this batch has been judged, this one included. From 2 on repeated looks are paid for.
    scoop_g
        What the very pieces on the photos weigh, g: gives flakes their mass and checks the strand's volume.
    progress
        Called before each stage of each photo.

    Raises
    ------
    SpecError
        The spec is wrong (every fault of it is named).
    """
    target, setup = _spec_of(spec), setup or Setup()
    files = [Path(p) for p in ([paths] if isinstance(paths, str | os.PathLike) else paths)]
    measured: list[PhotoInspection] = []
    refused: list[tuple[str, TraygaugeError]] = []
    for k, (path, name) in enumerate(zip(files, photo_names(files), strict=True)):
        stages = _Stages(progress, k, len(files), name)
        try:
            measured.append(_inspect(path, setup, stages, measured))
        except TraygaugeError as error:
            refused.append((name, error))
    started = time.perf_counter()
    pieces, verdict = _judged(measured, refused, target, looks, scoop_g)
    settings = setup.in_words() | ({"look": str(looks)} if looks > 1 else {})
    settings |= {"scoop weighed": f"{scoop_g:g} g"} if scoop_g is not None else {}
    seconds = {"judge_pieces": time.perf_counter() - started}
    return Batch(tuple(measured), pieces, target, verdict, tuple(refused), settings, seconds)


def _spec_of(spec: Spec | PhotoPath | None) -> Spec | None:
    if spec is None or not isinstance(spec, str | os.PathLike):
        return spec
    from traygauge.judge.spec import read_spec

    return read_spec(os.fspath(spec))


def photo_names(paths: Sequence[Path]) -> list[str]:
    """Return a name a photo, unique in the batch: the file's, with its folder or a number where that is taken."""
    names: list[str] = []
    for path in paths:
        tries = itertools.chain(
            (clean_name(path.name), clean_name(f"{path.parent.name}/{path.name}")),
            (clean_name(f"{path.name} ({k})") for k in itertools.count(2)),
        )
        names.append(next(name for name in tries if name not in names))
    return names


class _Stages:
    """Runs the stages of one photo: tells what is being done and keeps the time each took."""

    def __init__(self, progress: Progress | None, number: int, of: int, name: str) -> None:
        self._progress, self._number, self._of = progress, number, of
        self.name, self.seconds = name, dict[str, float]()

    def run(self, stage: Callable[P, T], *given: P.args, **options: P.kwargs) -> T:
        verb = stage.__name__
        if self._progress is not None:
            self._progress(self._number, self._of, self.name, verb)
        started = time.perf_counter()
        try:
            return stage(*given, **options)
        finally:
            self.seconds[verb] = self.seconds.get(verb, 0.0) + time.perf_counter() - started


def _inspect(
    path: Path, setup: Setup, stages: _Stages, earlier: Sequence[PhotoInspection]
) -> PhotoInspection:
    photo = replace(stages.run(load_photo, path), name=stages.name)
    for other in earlier:
        if other.photo.sha256 == photo.sha256:
            raise PhotoError(
                "this photo is in the batch already",
                found=f"the same bytes as {other.photo.name}",
                expected="each photo once",
                advice="name each photo once: pieces counted twice would make the verdict surer than it is",
            )
    tray = stages.run(
        calibrate,
        photo,
        print_record=setup.print_record,
        px_per_mm=setup.px_per_mm,
        scan=setup.scan,
        reference=setup.reference,
        lens=setup.lens,
    )
    fitness = stages.run(check_fitness, tray)
    require_fit(fitness)
    regions = stages.run(find_pieces, tray)
    fitness = with_found(
        fitness,
        contrast=regions.contrast_to_noise,
        told_from_shadows=regions.told_from_shadows,
        unexplained_patches=share_left_out(regions),
        glare_on_the_tray=share_in_glare(regions),
        things_unlike_pieces=share_unlike(regions),
        thickness=thickness_px(regions),
    )
    require_fit(fitness)
    pieces = stages.run(measure_pieces, regions)
    diameter = strand_diameters_mm(pieces)
    fitness = with_found(
        fitness,
        lengths=usual(pieces["u_length_mm"]) / usual(diameter),
        usual_diameter=usual(pieces["u_diameter_mm"]) / usual(diameter),
        diameters=scatter(diameter),
        diameters_by_direction=swing_of(diameter, pieces["axis_deg"]) / usual(diameter),
    )
    require_fit(fitness)
    return PhotoInspection(photo, tray, fitness, regions, pieces, stages.seconds)


def _judged(
    measured: Sequence[PhotoInspection],
    refused: Sequence[tuple[str, TraygaugeError]],
    spec: Spec | None,
    looks: int,
    scoop_g: float | None,
) -> tuple[Pieces, Verdict]:
    pieces = with_colours(Pieces.joined([m.pieces for m in measured]))
    if not measured:
        advice = refused[0][1].advice if refused else "name at least one photo"
        return pieces, Verdict(None, "No photo could be used.", advice, looks=looks)
    windows = {m.photo.name: m.tray.window_mm for m in measured}
    sight = Sight.worst([m.sight for m in measured])
    return judge_pieces(pieces, spec, windows_mm=windows, looks=looks, scoop_g=scoop_g, sight=sight)
