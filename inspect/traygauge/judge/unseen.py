"""What a spec asks for that the photos cannot show: answered before anything is counted."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from traygauge.judge.sample import Sample
from traygauge.judge.spec_words import mm
from traygauge.measure.tail_thread import SHORTEST_MM
from traygauge_calib.sight import Sight

#: No thread is called a tail that is shorter than this many times its width (what a tail is).
TAIL_PER_WIDTH = 2.0


@dataclass(frozen=True)
class Unseen:
    """Why a finding cannot be judged from these photos, and what to do about it; a plain sentence each."""

    reason: str
    remedy: str


@dataclass(frozen=True)
class _Asked:
    """What a finding asks of a photo: the spec's field, what is looked for, and from which size on it is seen, mm."""

    field: str
    called: str
    seen_from_mm: Callable[[Sight], float]
    least_mm: float = 0.0


def _shortest_tail_mm(sight: Sight) -> float:
    return TAIL_PER_WIDTH * sight.thread_mm


_ASKED = {
    "stringy": _Asked("stringy_over_mm", "tails", _shortest_tail_mm, SHORTEST_MM),
    "tailed": _Asked("tail_from_mm", "tails", _shortest_tail_mm, SHORTEST_MM),
    "fines": _Asked("fines_under_mm", "fines", lambda sight: sight.crumb_mm),
    "burred": _Asked("burr_over_mm", "burrs", lambda sight: sight.thread_mm),
}


def unseen(sample: Sample, finding: str) -> Unseen | None:
    """Return why a finding of the size that the spec sets cannot be judged; None where every photo shows it."""
    asked = _ASKED.get(finding)
    if sample.sight is None or asked is None:
        return None
    size: float | None = getattr(sample.spec.pieces, asked.field)
    if size is None:
        return None
    shown = asked.seen_from_mm(sample.sight)
    photo = "this photo" if len(set(sample.photo.tolist())) == 1 else "these photos"
    if size < shown:
        reason = f"{photo.capitalize()} cannot show {asked.called} of {mm(size)}, only from {mm(shown)} on."
        sieve = ", or sieve a weighed scoop" if finding == "fines" else ""
        from_on = mm(max(shown, asked.least_mm))
        return Unseen(
            reason,
            f"Go nearer with the phone or use the small sheet, and take the photo again{sieve}; or ask for what can be "
            f"seen: pieces.{asked.field} of {from_on} or more.",
        )
    if size < asked.least_mm:
        least = mm(asked.least_mm)
        return Unseen(
            f"The spec asks for {asked.called} of {mm(size)}, and no thread shorter than {least} is told from a cut edge.",
            f"Set pieces.{asked.field} in the spec to {least} or more.",
        )
    return None


def in_words(sight: Sight) -> str:
    """Return what every photo of a batch can show, one sentence or two."""
    return (
        f"Fines from {mm(sight.crumb_mm)} up and threads from {mm(sight.thread_mm)} width up are seen; smaller ones and "
        f"dust are not: sieve. At best a cut length is known to ± {mm(2 * sight.u_length_mm)} from such a photo."
    )
