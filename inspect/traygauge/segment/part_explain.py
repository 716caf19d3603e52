"""The rods that explain clumps: candidates from the picture, weighed against each other, the best set chosen."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from traygauge.segment import part_budget, part_cover, part_fit, part_polish, part_seeds
from traygauge.segment.part_bridge import bridged, cut_back
from traygauge.segment.part_field import BoolArray, Field, FloatArray
from traygauge.segment.part_prior import StrandPrior
from traygauge.segment.part_rods import at_an_angle, lying
from traygauge.segment.part_witness import (
    ENDS,
    FIRST,
    INSIDE,
    LAST,
    LEFT,
    LINE_SHAPES,
    RIGHT,
    STRAIGHT,
    Witness,
    witness,
)

#: Two pieces in line show where they meet as a line across of this clearness (of 29 rendered and drawn pairs 26 by .73 and more,
#: three by .43 to .62); an outline is seen in full from this clearness of its least clear side on, and not by so much less.
_JOINT, _PLAIN, _VAGUE = 0.6, 0.85, 0.3


@dataclass(frozen=True, eq=False)
class Explanation:
    """What clumps consist of.

    Parameters
    ----------
    field : the clumps' edge field, its diameter put right.
    rods : ndarray (n, 6), field pixels.
    said : their witness.
    usual : middle and spread of the batch's length, field pixels; (0, infinite) where it is not known.
    paid : ndarray (clumps,), bool: those whose candidates the budget paid for; the others have no rods.
    """

    field: Field
    rods: FloatArray
    said: Witness
    usual: tuple[float, float]
    paid: BoolArray


def explained(field: Field, prior: StrandPrior) -> Explanation:
    """Return the rods that explain the clumps of a field best."""
    coarse = field.reduced(part_seeds.COARSE_DIAMETER)
    seed = part_seeds.seeds(coarse)
    reach = min(6 * coarse.diameter, float(np.hypot(*coarse.inside.shape)))
    rods = field.from_coarse(coarse, part_seeds.rods_from(coarse, seed.axis, reach))
    owner = field.owner_at(rods[:, 0], rods[:, 1])
    paid = part_budget.within(np.bincount(owner, minlength=len(field.origin)), part_budget.MOST_CANDIDATES)
    flat = lying(field, rods[paid[owner]])
    discs = field.from_coarse(coarse, part_seeds.discs_at(coarse, seed.disc))
    usual = prior.length_px * field.scale, prior.length_sd_px * field.scale
    spread = max(prior.diameter_sd_px / prior.diameter_px, 0.03)
    round_ = witness(field, discs, STRAIGHT).seen[:, ENDS].mean(1) > 0.58
    upright = np.concatenate([discs[round_], part_seeds.standing(field, discs[round_])])
    upright = part_fit.refined(field, upright, part_fit.ROUGH, spread)
    flat = part_fit.refined(field, flat, part_fit.ROUGH, spread)
    rods, said, gain = _worth(field, flat, usual, STRAIGHT)
    field = _measured(field, rods, said, gain)
    rods = np.concatenate([rods, upright])
    rods = part_fit.refined(field, rods, part_fit.FINE, spread)
    flat = rods[~at_an_angle(field, rods)]
    rods, said, gain = _worth(field, np.concatenate([rods, part_polish.reread(field, flat)]), usual)
    owner = field.owner_at(rods[:, 0], rods[:, 1])
    crowd = np.bincount(owner, part_cover.neighbours(rods), len(paid))
    paid &= part_budget.within(crowd, part_budget.MOST_NEIGHBOURS)
    keep = np.flatnonzero(paid[owner])
    rods, said, gain, owner = rods[keep], said.take(keep), gain[keep], owner[keep]
    pairs = part_cover.pairs_of(rods, said, owner, field.diameter)
    taken = part_cover.chosen(gain, pairs)
    own = _usual_length(field, rods[taken])
    if not np.isfinite(usual[1]):  # the batch's length is known only now
        taken = part_cover.chosen(gain - _cost_of_length(field, rods, said, own), pairs)
    usual = own if np.isfinite(own[1]) else usual
    best = cut_back(bridged(field, rods[taken], usual), usual, field.diameter)
    return Explanation(field, best, witness(field, best), usual, paid)


def _usual_length(field: Field, rods: FloatArray) -> tuple[float, float]:
    """Return middle and spread of the length, px, of those found lying flat; an infinite spread where these are few."""
    length = rods[~at_an_angle(field, rods), 3]
    if len(length) < 8:
        return 0.0, float("inf")
    middle = float(np.median(length))
    return middle, max(1.4826 * float(np.median(np.abs(length - middle))), 0.05 * middle)


def _cost_of_length(field: Field, rods: FloatArray, said: Witness, usual: tuple[float, float]) -> FloatArray:
    """Return what each rod's length costs, for what is unusual needs better evidence.

    Two pieces in line look like one long one, unless its whole outline is seen and nothing across it; what shows of a piece
    below another looks like a short one.
    """
    if not np.isfinite(usual[1]):
        return np.zeros(len(rods))
    angled = at_an_angle(field, rods)
    tilt = np.where(angled, 2 * rods[:, 5] / rods[:, 4], 0)
    length = rods[:, 3] / np.sqrt(np.maximum(1 - tilt**2, 0.2))
    over = np.clip((length - usual[0] - 2.5 * usual[1]) / (0.5 * (usual[0] + 2.5 * usual[1])), 0, 1)
    under = np.clip((usual[0] - 2.5 * usual[1] - length) / (0.5 * usual[0]), 0, 1) * ~angled
    line = said.seen[:, INSIDE].max(1) / _JOINT
    outline = np.min([said.seen[:, part].mean(1) for part in (LEFT, RIGHT, FIRST, LAST)], 0)
    doubt = np.where(angled, 1, np.clip(np.maximum(line, (_PLAIN - outline) / _VAGUE), 0, 1))
    return np.asarray(part_cover.LONG_COST * over * doubt + part_cover.SHORT_COST * under)


def _measured(field: Field, rods: FloatArray, said: Witness, gain: FloatArray) -> Field:
    """Return the field with the diameter that the clearest rods have, which masks and rectangles see only roughly."""
    clear = (said.seen[:, LEFT].mean(1) > 0.75) & (said.seen[:, RIGHT].mean(1) > 0.75)
    best = np.flatnonzero(clear & ~at_an_angle(field, rods))
    best = best[np.argsort(-gain[best])][:200]
    if len(best) < 6:
        return field
    own = float(np.median(part_fit.refined(field, rods[best], part_fit.FINE, 1.0)[:, 4]))
    return replace(field, diameter=float(np.clip(own, 0.85 * field.diameter, 1.15 * field.diameter)))


def _worth(
    field: Field, rods: FloatArray, usual: tuple[float, float], shapes: FloatArray = LINE_SHAPES
) -> tuple[FloatArray, Witness, FloatArray]:
    """Return the rods worth weighing up, their witness and what each gains alone.

    Two pieces in line look like one long one, so a length beyond the `usual` (px) needs better evidence.
    """
    rods = rods[_in_one_clump(field, rods)]
    said = witness(field, rods, shapes)
    gain = said.value.sum(1) - part_cover.ROD_COST - _cost_of_length(field, rods, said, usual)
    keep = part_cover.distinct(rods, said, gain, field.diameter)
    return rods[keep], said.take(keep), gain[keep]


def _in_one_clump(field: Field, rods: FloatArray) -> BoolArray:
    """Return which rods lie with both ends in the same clump's place of the field."""
    reach = rods[:, 3] / 2 + rods[:, 5]
    dx, dy = reach * np.cos(rods[:, 2]), reach * np.sin(rods[:, 2])
    first = field.owner_at(rods[:, 0] - dx, rods[:, 1] - dy)
    return np.asarray(first == field.owner_at(rods[:, 0] + dx, rods[:, 1] + dy))
