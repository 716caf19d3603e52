"""The words of a verdict: one reason, one next step, advice and what every reader must know."""

from __future__ import annotations

import math
from collections import Counter

import numpy as np

from traygauge.judge.clusters import FEWEST_PHOTOS
from traygauge.judge.distribution import distribution
from traygauge.judge.findings import has
from traygauge.judge.looks import MOST_LOOKS
from traygauge.judge.lost import UNDER_OTHERS
from traygauge.judge.masses import Weighing
from traygauge.judge.regrind import is_regrind
from traygauge.judge.sample import Sample
from traygauge.judge.sequence import MOST_PHOTOS, about, scoops_for
from traygauge.judge.sieves import largest_up_to
from traygauge.judge.spec import shipped_specs
from traygauge.judge.spec_words import density_rule, figure_of, finding_of, long_rule, mm
from traygauge.judge.unmeasured import STANDS_UP_TO, unread
from traygauge.judge.unseen import in_words, unseen
from traygauge.judge.verdict import Answer, LimitResult
from traygauge.measure.pieces import Pieces
from traygauge.words import number_of

PRACTICE = "(common practice)"
#: Said with every verdict.
GEOMETRY = (
    "Geometry only: moisture, contamination chemistry, food contact and machine safety are judged elsewhere."
)
#: What could not be measured matters where it makes an interval reach so many times as far (common practice).
MATTERS = 1.1
Limits = tuple[LimitResult, ...]

#: What to do about a batch rejected for a finding; and the further advice, common practice all of it.
_REMEDY = {
    "long": "Pick the marked long pieces out before feeding, or cut the batch again.",
    "stringy": "Don't feed it as it is: pick the marked stringy pieces out, or cut again with a sharp knife set closer.",
    "doubles": "Part or pick out the marked doubles, and see that the knife cuts through.",
    "tailed": "Cut again with a sharp knife set closer, and the strand cooler.",
    "fines": "Sieve the fines out before feeding.",
    "short": "Check that the strand feeds steadily, and cut again or sieve the short pieces out.",
    "thick": "Pick the marked thick pieces out: they may not enter the channel.",
    "thin": "Check the strand's diameter before cutting more of it.",
    "burred": "Sharpen the knife or close its gap, and cut again.",
    "off-colour": "Keep the batch apart until you know what the marked strangers are.",
}


def reason(pieces: Pieces, limits: Limits, answer: Answer | None, *, has_spec: bool) -> str:
    """Return why the verdict is what it is, one plain sentence."""
    if answer is None:
        said = "The spec sets no limit to judge by" if has_spec else "There was no spec to judge by"
        return f"{said}: {number_of(len(pieces), 'thing')} measured."
    if answer is Answer.ACCEPT:
        shares = [r for r in limits if r.hits is not None]
        nearest = min(shares or limits, key=_room)
        if len(limits) == 1:
            return nearest.reason
        return f"All {len(limits)} limits are kept. The nearest one: {nearest.reason}"
    return next(r.reason for r in limits if r.answer is answer)


def next_step(sample: Sample, limits: Limits, answer: Answer | None, *, has_spec: bool) -> str:
    """Return what to do now, one plain sentence."""
    if answer is None:
        shipped = ", ".join(shipped_specs())
        return (
            "Add limits to the spec to have the batch judged."
            if has_spec
            else f"To have it judged, give a spec with --spec: a file of yours or one that is shipped ({shipped})."
        )
    first = next(r for r in limits if r.answer is answer)
    if answer is Answer.ACCEPT:
        return "Feed it."
    if answer is Answer.REJECT:
        return _remedy(first)
    return _settle(sample, first)


def _remedy(result: LimitResult) -> str:
    name = result.path.split(".")[1]
    if name.endswith("_share"):
        return _REMEDY[finding_of(name)]
    if "length" in name and name != "length_spread":
        direction = "shorter" if result.bound == "at most" else "longer"
        return f"Set the cutter to a {direction} cut and cut again."
    if name == "length_spread":
        return "Check that the strand feeds without slipping, then cut again."
    return "Check the strand's diameter before cutting more of it."


def _settle(sample: Sample, result: LimitResult) -> str:
    name = result.path.split(".")[1]
    if name.endswith("_share") and (why := unseen(sample, finding_of(name))) is not None:
        return why.remedy
    if result.more_pieces is not None:
        more = _add_pieces(sample, result, result.more_pieces)
        if not _unmeasured_matter(result):
            return f"{more[:1].upper()}{more[1:]}."
        return f"{_lay_apart(sample, name)}; if that does not settle it, {more}."
    if _unmeasured_matter(result) or (result.n < 2 and sample.reach.is_heap.any()):
        return f"{_lay_apart(sample, name)}."
    if result.n < 2:
        return "Spread a scoop of whole pieces in the window and take the photo again."
    if _photo_decides(sample, result):
        return (
            "Take a better photo: softer light, more contrast between pieces and tray, nearer. This one does not know "
            "lengths and diameters well enough to tell, however many pieces it shows."
        )
    return f"The batch lies on the limit, and more pieces would not settle it: {_by_hand(sample)}."


def _by_hand(sample: Sample) -> str:
    """Return what is left where no number of pieces that anybody takes would settle a limit."""
    return "decide for yourself" if is_regrind(sample) else "decide for yourself, or improve the cut"


def _unmeasured_matter(result: LimitResult) -> bool:
    """Return whether what could not be measured carries the interval noticeably further towards the limit."""
    plain, wide = (
        i.high - i.estimate if i.estimate < result.limit else i.estimate - i.low
        for i in (result.interval, result.with_unmeasured)
    )
    return wide > MATTERS * plain


def _photo_decides(sample: Sample, result: LimitResult) -> bool:
    """Return whether what all pieces share is the larger part of a figure's interval."""
    name = result.path.split(".")[1]
    if name.endswith("_share"):
        return False
    column, statistic = figure_of(name)
    half = (result.interval.high - result.interval.low) / 2
    return 2 * distribution(sample, column).u_shared_of(statistic) > 0.7 * half


def _add_pieces(sample: Sample, result: LimitResult, number: int) -> str:
    """Return how more pieces would settle a limit, a clause."""
    if sample.look >= MOST_LOOKS:
        return (
            "judge a fresh sample on its own, since looking again has used up the allowed error: about "
            f"{about(result.n + number)} pieces"
        )
    scoops = scoops_for(result, number, sample.photos)
    if scoops > MOST_PHOTOS:
        return (
            f"{_by_hand(sample)}: the batch lies so near the limit that about {about(number)} more pieces would be "
            "needed to tell"
        )
    photos = f"{number_of(scoops, 'more photo')} with about {about(number)} pieces in all"
    return (
        f"add {photos} and judge all of them together as look {sample.next_look} (--look {sample.next_look})"
    )


def _lay_apart(sample: Sample, limit: str) -> str:
    """Return which pieces to lay otherwise for another photo, a clause."""
    pieces = sample.pieces
    heap = np.nonzero(sample.reach.is_heap)[0]
    if len(heap):
        largest = heap[np.argmax(np.nan_to_num(pieces["area_mm2"])[heap])]
        where = f"marked {pieces['piece'][largest]}"
        if sample.photos > 1:
            where += f" in {pieces['photo'][largest]}"
        others = f" and {number_of(len(heap) - 1, 'other')}" if len(heap) > 1 else ""
        return f"Spread the heap {where}{others} and take the photo again"
    counts = Counter(pieces["state"].astype(str).tolist())
    of_lengths = limit in ("short_share", "length_spread") or limit.endswith("_length")
    under, axis = counts["covered"] + counts["leaning"], counts["axis unknown"]
    if of_lengths and counts["upright"] >= max(under, axis, 1):
        return "Tap the tray until no piece stands on end, and take the photo again"
    if axis > under:
        return "Tap the tray so that pieces roll over, give it soft and even light, and take the photo again"
    return "Spread the pieces so that none lies on another, and take the photo again"


def advice(sample: Sample, limits: Limits) -> tuple[str, ...]:
    """Return further steps, each marked as the common practice it is."""
    found = {finding_of(r.path.split(".")[1]) for r in limits if r.hits}
    said = []
    if found & {"long", "stringy", "doubles", "off-colour"}:
        said.append(
            "Picking out the marked pieces clears this scoop and says nothing of the rest of the bag: the same "
            f"share must be expected there {PRACTICE}."
        )
    if "long" in found and (mesh := _mesh(sample)):
        said.append(mesh)
    if found & {"stringy", "tailed", "burred"}:
        said.append(
            "If tails came after a change of knife or gap, go back to the former gap first; soft strand wants the "
            f"knife nearly touching {PRACTICE}."
        )
    if "doubles" in found:
        said.append(
            f"Doubles come from a nicked or worn knife, or from strands running side by side {PRACTICE}."
        )
    return tuple(said)


def _mesh(sample: Sample) -> str:
    """Return which sieve holds longs back: a piece lying flat cannot fall through an opening shorter than itself."""
    limit = sample.spec.long_over_mm or 0.0
    opening = largest_up_to(limit)
    diameter = sample.pieces["diameter_mm"][sample.base("thick")].astype(float)
    if opening is None or not np.isfinite(diameter).any() or opening < 1.3 * float(np.nanmedian(diameter)):
        return ""
    return (
        f"A sieve with openings of {mm(opening)}, moved flat and gently, holds back most pieces over "
        f"{mm(limit)}; those that tip on end fall through {PRACTICE}."
    )


def notes(
    sample: Sample, unmeasured: dict[str, int], weighing: Weighing | None, scoop_g: float | None
) -> tuple[str, ...]:
    """Return the sentences that every reader must see: what was not measured, weighed, assumed, and is not judged."""
    said = [*_not_measured(sample, unmeasured), *_weighed(weighing, scoop_g), *_assumed(sample)]
    if sample.sight is not None:
        said.append(in_words(sample.sight))
    said.append(GEOMETRY)
    said.append("Stop, isolate and lock out a cutter before reaching near its knives.")
    said.append("Home-cut or bought-in regrind of unknown origin is not for food, toys or medical use.")
    return tuple(said)


def _weighed(weighing: Weighing | None, scoop_g: float | None) -> tuple[str, ...]:
    """Return what weighing the very scoop says, one sentence; none where it was not weighed."""
    if scoop_g is None:
        return ()
    if weighing is None:
        return (
            "The scoop's weight was not used: the spec gives no density (or polymer) to compare it with.",
        )
    if weighing.flake_thickness_mm is not None:
        return (
            (
                f"The scoop weighs {weighing.scoop_g:.4g} g, of which strand is {weighing.strand_g:.3g} g by volume; the "
                f"rest makes the flakes {weighing.flake_thickness_mm:.2f} mm thick on average, which gives their mass."
            ),
        )
    if weighing.ratio is None:
        return (
            (
                f"The scoop weighs {weighing.scoop_g:.4g} g, less than the strand's {weighing.strand_g:.3g} g by volume: "
                "check the density and that the very scoop on the photo was weighed."
            ),
        )
    verdict = (
        "which agrees"
        if abs(weighing.ratio - 1) < 0.05
        else "check density, scale and that the very scoop was weighed"
    )
    return (
        (
            f"The scoop weighs {weighing.scoop_g:.4g} g, {weighing.ratio:.2f} times the {weighing.strand_g:.4g} g that "
            f"volume and density give: {verdict}."
        ),
    )


def _not_measured(sample: Sample, unmeasured: dict[str, int]) -> list[str]:
    words = {
        "upright": "on end (length not seen)",
        "leaning": "leaning (longer than they look)",
        "covered": "partly under others",
        "cut off": "past the window's edge (counted by what is seen of them)",
        "axis unknown": "as thick as long (where they were cut cannot be told)",
    }
    said = [
        f"{number_of(n, 'heap')} that could not be parted"
        if state == "unresolved"
        else f"{n} {words.get(state, state)}"
        for state, n in unmeasured.items()
    ]
    lines = [f"Not measured: {'; '.join(said)}. The bounds allow for them."] if said else []
    if (longer := int(sample.long_as_shown.sum())) and (limit := sample.spec.long_over_mm):
        lines[0] += (
            f" {longer} of them {'is' if longer == 1 else 'are'} long: what shows is over {mm(limit)} already."
        )
    lines += _made_up(sample)
    lines += _unread(sample)
    if unmeasured.get("unresolved") and "fines" in sample.masks:
        lines.append("Fines under a heap are not seen and not allowed for.")
    for photo, sides in sample.sides.items():
        if sides:
            lines.append(
                f"{photo}: pieces run past the window's {' and '.join(sides)}; longer ones do so more often, so whole "
                "pieces are weighted for it (ISO 13322-1)."
            )
    return lines


def _unread(sample: Sample) -> list[str]:
    """Return how many diameters were not read, one sentence, and what stands for them where pieces are weighed."""
    out = unread(sample.pieces)
    if not out.any():
        return []
    said = f"{number_of(n := int(out.sum()), 'diameter')} {'was' if n == 1 else 'were'} not read: other pieces lie against them"
    if sample.spec.density_g_cm3 is None:
        return [f"{said}."]
    usual = float(np.median(sample.reach.diameter_mm[out]))
    return [f"{said}; where masses are given, the batch's median of {usual:.2f} mm stands for them."]


def _made_up(sample: Sample) -> list[str]:
    """Return for which pieces those measured stand, a sentence for each way to get lost."""
    state, strand = sample.pieces["state"].astype(str), sample.base("thick")
    upright = strand & (state == "upright")
    under = sample.base("long") & np.isin(state, UNDER_OTHERS) & ~sample.pieces.measured
    lines = []
    if upright.any():
        n = int(upright.sum())
        share = 100 * n / max(int(strand.sum()), 1)
        lines.append(
            f"Length figures leave out {number_of(n, 'piece')} on end ({share:.2g} % of the strand). Short ones stand more "
            "often than long ones; the figures are corrected for it by the chance to stand (Yong and Mahadevan 2011), and by "
            "how far their tops are seen from their feet, where that is told."
        )
    if joined := int((strand & has(sample.pieces, "doubles")).sum()):
        lines.append(
            f"Length figures leave out {number_of(joined, 'double')}: two pieces that are still joined."
        )
    if under.any():
        lines.append(
            f"About {number_of(round(float(sample.reach.holds[under].sum())), 'piece')} under others or in heaps can't be "
            "measured, long and tailed ones more often than others; shares and lengths are corrected for it, and the bounds "
            "allow for what they can hide."
        )
    return lines


def _assumed(sample: Sample) -> list[str]:
    spec, lines = sample.spec, []
    stated = spec.judging.within_photo_correlation
    if sample.photos < FEWEST_PHOTOS and stated > 0 and spec.limits.model_dump(exclude_none=True):
        lines.append(
            f"With fewer than {FEWEST_PHOTOS} photos the correlation within a photo is taken as {stated:g}, as the "
            "spec states (the default is common practice)."
        )
    if spec.pieces.long_over_mm is None and (rule := long_rule(spec)):
        lines.append(f"Long means over {rule}.")
    if spec.material.density_g_cm3 is None and (density := density_rule(spec)):
        lines.append(f"Density {density}.")
    if (sample.pieces["state"] == "upright").any():
        lines.append(
            f"Pieces standing on end are taken to be at most {STANDS_UP_TO:g} diameters long {PRACTICE}."
        )
    return lines


def _room(result: LimitResult) -> float:
    """Return how far an accepted limit is from its bound, in units of the limit."""
    if result.limit == 0:
        return math.inf
    near = result.deciding.high if result.bound == "at most" else result.deciding.low
    return abs(result.limit - near) / result.limit
