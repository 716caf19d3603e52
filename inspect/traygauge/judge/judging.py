"""Pieces and spec in, verdict out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from traygauge.judge.answers import answer_limits
from traygauge.judge.borders import Window
from traygauge.judge.diagnosis import diagnose, sentences
from traygauge.judge.distribution import distribution
from traygauge.judge.feeding import figures
from traygauge.judge.findings import also_long, find
from traygauge.judge.masses import Weighing, weigh_scoop, with_masses
from traygauge.judge.mixing import colour_figures
from traygauge.judge.next_steps import advice, next_step, notes, reason
from traygauge.judge.regrind import regrind_of
from traygauge.judge.sample import sample
from traygauge.judge.sequence import where_it_stands
from traygauge.judge.size_distribution import size_distributions
from traygauge.judge.spec import Spec
from traygauge.judge.spec_tables import NO_SPEC
from traygauge.judge.verdict import Answer, LimitResult, Verdict
from traygauge.measure.pieces import Pieces
from traygauge_calib.sight import Sight

_WORST = (Answer.REJECT, Answer.UNDECIDED, Answer.ACCEPT)


def judge_pieces(
    pieces: Pieces,
    spec: Spec | None,
    *,
    windows_mm: Mapping[str, Window],
    looks: int = 1,
    look_sizes: Sequence[int] | None = None,
    scoop_g: float | None = None,
    sight: Sight | None = None,
) -> tuple[Pieces, Verdict]:
    """Return the pieces with findings and masses filled in, and the verdict over the batch.

    Parameters
    ----------
    pieces : measured pieces of all photos of the batch, not judged before.
    spec : the target; None measures without judging.
    windows_mm : photo name -> (x0, y0, x1, y1) of its window, sheet mm.
    looks : how many times this batch has been judged, this one included; from 2 on repeated looks are paid for.
    look_sizes : pieces in the batch at each look so far, cumulated, this one included; where it is not given a photo a
        look is taken where there are as many photos as looks, else equal scoops.
    scoop_g : what the very pieces on the photos weigh, g: gives flakes their mass and checks the strand's volume.
    sight : what every photo of the batch can show; a limit that asks for more is undecided. None: nothing is known.
    """
    asked = spec if spec is not None else NO_SPEC
    weighing = weigh_scoop(pieces, asked, scoop_g) if scoop_g is not None else None
    asked = _with_thickness(asked, weighing)
    weighed = with_masses(pieces, asked.density_g_cm3, asked.pieces.flake_thickness_mm)
    judged = find(weighed, spec)
    batch = sample(weighed, asked, windows_mm, looks, look_sizes, sight)
    unmeasured = _unmeasured(pieces)
    if not len(pieces):
        return judged, Verdict(
            None,
            "Nothing lies on the tray, so there is nothing to judge.",
            "Spread a scoop of pieces in the window and take the photo again.",
            looks=looks,
        )
    judged = also_long(judged, batch.long_as_shown)
    limits = answer_limits(batch) if spec is not None else ()
    answer = next((a for a in _WORST if any(r.answer is a for r in limits)), None)
    return judged, Verdict(
        answer,
        reason(pieces, limits, answer, has_spec=spec is not None),
        next_step(batch, limits, answer, has_spec=spec is not None),
        limits,
        (*figures(batch), *colour_figures(batch)),
        (*advice(batch, limits), *sentences(diagnose(batch))),
        (*notes(batch, unmeasured, weighing, scoop_g), *_looked_again(limits, looks)),
        unmeasured,
        looks,
        where_it_stands(limits, answer, looks, batch.photos),
        regrind_of(batch),
        size_distributions(distribution(batch, "length_mm")),
    )


def _looked_again(limits: Sequence[LimitResult], looks: int) -> tuple[str, ...]:
    if limits or looks <= 1:
        return ()
    return (
        f"Look {looks} was stated and changes nothing: only limits are judged again, and there are none.",
    )


def _with_thickness(spec: Spec, weighing: Weighing | None) -> Spec:
    """Return the spec with the flakes' thickness as weighed, which replaces a stated one."""
    if weighing is None or weighing.flake_thickness_mm is None:
        return spec
    what = spec.pieces.model_copy(update={"flake_thickness_mm": weighing.flake_thickness_mm})
    return spec.model_copy(update={"pieces": what})


def _unmeasured(pieces: Pieces) -> dict[str, int]:
    counts = Counter(pieces["state"][~pieces.measured].astype(str).tolist())
    return dict(sorted(counts.items()))
