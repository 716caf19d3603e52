"""What fitted cut faces are held against: lips that cover them, gaps, an ordinary cut, a rim that looks round."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from traygauge.measure.end_fit import MOST, EndFit, begin, cost, ended, improved, priors, row_weights
from traygauge.measure.end_light import EndLight, past_gaps
from traygauge.measure.end_model import arcs
from traygauge.measure.lips import LEAST_MM, Lips, Rows, UsualRows, edges, likely_lips, read_rows
from traygauge.measure.usual_cuts import Usual

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]

_STRANGE = 3.0  # standard deviations from what is expected, from which on an end is thought over
#: The same for what is left unexplained, in usual ones; and the view of a rim that looks round.
_POOR, _ROUND = 2.5, 0.5
#: Likelihoods from which on an end carries no lip, and below which one is reported.
_NO_LIP, _SEEN_LIP = 0.95, 0.2
_TRIED = 4  # rounds for what an end is thought over with
_FROM_OUTLINE_MM = (
    0.15  # standard deviation of where an end lies that its light does not hold, from the outline's
)
_BEFORE_EDGE = 1.5  # how many blurs before its end a lip is read


@dataclass(frozen=True, eq=False)
class Settled:
    """Faces fitted to all of their light.

    Parameters
    ----------
    light : EndLight, without what lies beyond gaps; fit : EndFit; rows : Rows, where their light ends.
    hangs_mm : ndarray (e,): how far what lies beyond gaps stands out of the end's outline, 0 where there are none.
    """

    light: EndLight
    fit: EndFit
    rows: Rows
    hangs_mm: FloatArray


def settle(light: EndLight, begun: EndFit, usual: Usual) -> Settled:
    """Return begun faces `ended`. Ends that ran out of the light that was read are held to the outline."""
    fit = ended(light, begun, usual)
    lost = np.flatnonzero((fit.p[0] <= light.s[0]) | (fit.p[0] >= light.s[-1]))
    if len(lost):  # a neighbour right beside it hides what the end falls to
        held = replace(light.of(lost), known=np.full(len(lost), _FROM_OUTLINE_MM, np.float32))
        fit.put(lost, ended(held, begin(held), usual.of(lost)))
    light, hangs = _up_to_gaps(light, fit, usual)
    return Settled(light, fit, read_rows(light, fit.p, fit.beside, usual.face), hangs)


def finish(settled: Settled, usual: Usual, rows: UsualRows) -> tuple[EndFit, Lips]:
    """Return settled faces, and their lips, which are told from the cuts that they cover.

    Other ends that come out strange, or badly explained, are thought over: the one are held against an ordinary cut, the
    others against a rim that looks round.
    """
    light, fit = settled.light, settled.fit
    lips = _without_lips(settled, usual, rows)
    prior, sd = priors(light, usual)
    far = ((fit.p - prior) / sd) ** 2
    strange = far[2] + far[3] * (fit.p[2] < 0) > _STRANGE**2
    poor = fit.residual > _POOR * usual.residual
    some = np.flatnonzero((strange | poor) & np.isnan(lips.view))
    if len(some):
        _think_over(light.of(some), fit, usual.of(some), some, poor[some])
    lips = replace(lips, view=np.where(np.isnan(lips.view), fit.p[2], lips.view))
    return fit, replace(lips, height_mm=np.maximum(lips.height_mm, settled.hangs_mm))


def _up_to_gaps(light: EndLight, fit: EndFit, usual: Usual) -> tuple[EndLight, FloatArray]:
    """Return the light without what lies beyond gaps, and how far that stands out (e,), mm; fit the ends anew that have some."""
    hangs = np.zeros(len(light.lean))
    # beside a neighbour what lies beyond a gap may be its
    free = ~light.dark & ~np.isfinite(light.known)
    poor = np.flatnonzero(free & (fit.residual > _POOR * usual.residual))
    past = past_gaps(light.of(poor))
    some = np.flatnonzero(past.any((0, 1)))
    if not len(some):
        return light, hangs
    past, ends, weight = past[..., some], poor[some], light.weight.copy()
    whole = light.of(ends)
    weight[..., ends] = np.where(past, np.float32(0), whole.weight)
    light = replace(light, weight=weight)
    fit.put(ends, improved(light.of(ends), fit.of(ends), usual.of(ends), _TRIED, row_weights))
    reach = np.where(past & (whole.share > 0.5) & (whole.weight > 0), whole.s, -np.inf).max(1)
    # as far as two rows show it: one alone is a speck
    hangs[ends] = np.maximum(np.sort(reach - arcs(fit.p[:, ends], whole)[0], 0)[-2], 0.0)
    return light, hangs


def _without_lips(settled: Settled, usual: Usual, rows: UsualRows) -> Lips:
    """Return the lips that cover cuts.

    Ends lie between the fits with and without a lip as either is likely; the rest is put in the place of the likelier one.
    """
    light, fit = settled.light, settled.fit
    lips = Lips.none(len(light.lean))
    found = likely_lips(light, settled.rows, rows, usual.slope_sd)
    found = found.of(np.flatnonzero(found.none < _NO_LIP))
    some = found.ends
    if not len(some):
        return lips
    was, own = fit.of(some), usual.of_covered(some)
    covers = found.height_mm > LEAST_MM
    covers &= found.height_mm > np.sort(found.height_mm, 0)[0]  # some of the cut must be seen
    uncovered = _with_lips(light.of(some), covers, found.edge)
    start = EndFit.start(np.vstack([found.cut, own.face]), np.where(covers, 1.0, was.beside))
    # rows tell the slope as far as likely lips agree about the cut
    agreed = 1 / (1 + (found.spread_mm / (own.slope_sd * uncovered.radius)) ** 2)
    tried = improved(uncovered, start, own, MOST, row_weights, (agreed * found.cut[1], own.slope_sd))
    apart = tried.p[0] - was.p[0]
    lips.doubt_mm[some] = np.sqrt((1 - found.none) * (found.none * apart**2 + found.spread_mm**2))
    better = np.flatnonzero(found.none < 0.5)
    height = np.where(
        covers, _lip_edges(light.of(some), covers, found.edge, was.beside) - arcs(tried.p, uncovered)[0], 0.0
    )
    lips.height_mm[some] = np.where(found.none < _SEEN_LIP, np.nan_to_num(height).max(0), 0.0)
    view = np.where(found.none < _SEEN_LIP, found.view, was.p[2])
    lips.view[some[better]] = view[better]
    fit.put(some[better], tried.of(better))
    fit.p[0, some] = tried.p[0] - found.none * apart
    return lips


def _lip_edges(light: EndLight, covers: BoolArray, edge: FloatArray, beside: FloatArray) -> FloatArray:
    """Return where the lips of rows (r, e) end: beside dark pieces they pass in part for shade, unless that is the others'."""
    shade = np.nanmedian(np.where(covers, np.nan, beside), 0)
    level = np.repeat((1 + np.maximum(shade, 0))[None] / 2, len(edge), 0)
    return np.where(light.dark, edges(light, level), edge)


def _with_lips(light: EndLight, covers: BoolArray, edge: FloatArray) -> EndLight:
    """Return the light with lips on the rows (r, e) that they cover, up to where these end (`edge`, mm).

    A lip is of the strand's colour, but looks another way than flank and face: where its light differs, the cut shows.
    """
    within = (light.s < (edge - _BEFORE_EDGE * light.blur)[:, None]) & ~light.dark
    weight = np.where(covers[:, None] & ~within, np.float32(0), light.weight)
    return replace(light, weight=weight, lip=covers)


def _think_over(light: EndLight, fit: EndFit, usual: Usual, some: IntArray, poor: BoolArray) -> None:
    """Put other explanations of some ends, whose light this is, in the place of those that cost more."""
    was, rough, every_second = fit.of(some), light.coarser(), slice(None, None, 2)
    start = np.where(poor, _round(light, was, usual), _ordinary(light, was, usual))
    begun = EndFit.start(start, np.zeros_like(was.beside[every_second]))
    tried = improved(rough, begun, usual, _TRIED, row_weights)
    before = 2 * was.misfit[every_second]  # rough rows count twice
    usually = np.minimum(np.median(before, 0), np.median(tried.misfit, 0))
    costs = [cost(light, *one, usually, usual) for one in ((tried.p, tried.misfit), (was.p, before))]
    better = np.flatnonzero(costs[0] < costs[1])
    if len(better):
        best = tried.of(better)
        again = EndFit.start(best.p, np.repeat(np.median(best.beside, 0)[None], len(light.v), 0))
        fit.put(
            some[better],
            improved(light.of(better), again, usual.of(better), _TRIED, row_weights),
        )


def _plain_edge(light: EndLight, fit: EndFit) -> FloatArray:
    """Return where along the axis (e,) the end's plainest edge lies: of a face as dark as the tray it is the inner one."""
    out, _, view, face = fit.p
    inner = (view < 0) & (face < 0.5)
    return np.asarray(out + np.where(inner, -1, 1) * np.abs(view) * light.radius * light.flat)


def _ordinary(light: EndLight, fit: EndFit, usual: Usual) -> FloatArray:
    """Return parameters (4, e) of an ordinary cut whose plain edge lies where the fit's does.

    A burr on one side makes of a straight edge a hollow one, which passes for a face seen from its side.
    """
    lean = light.lean.astype(float)
    inner = (lean < 0) & (usual.face < 0.5)
    out = _plain_edge(light, fit) - np.where(inner, -1, 1) * np.abs(lean) * light.radius * light.flat
    return np.stack([out, fit.p[1], lean, usual.face])


def _round(light: EndLight, fit: EndFit, usual: Usual) -> FloatArray:
    """Return parameters (4, e) of a rim that looks round, as that of a leaning piece does."""
    out = _plain_edge(light, fit) - _ROUND * light.radius * light.flat
    return np.stack([out, fit.p[1], np.full_like(out, _ROUND), usual.face])
