"""The body of each strand piece: flanks, cut faces, and which way its axis runs."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from traygauge.measure.cast_shadow import Taken
from traygauge.measure.end_light import Apart
from traygauge.measure.ends import Ends, fit_ends
from traygauge.measure.flanks import Flanks, fit_flanks
from traygauge.measure.frame import Frames, usual_diameter
from traygauge.measure.see_through import ends_of_outlines, seen_through
from traygauge.measure.signal import Signal, on_lines, steps_px
from traygauge.measure.strand_odds import WIDTHS_MM, common_width
from traygauge_calib.tray_view import TrayView

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]
T = TypeVar("T", bound=Frames | Flanks | Ends | Taken)

#: Below this ratio of the outline's sides the axis may run either way, and both are tried.
_EITHER_WAY = 1.15
#: Up to this ratio it may, unless the light varies this much more across than along (log).
_CLEARLY_LONG, _CLEAR_GRAIN = 2.7, 0.25
#: Log odds up to which the axis is unknown.
_DECISIVE = 1.5
#: An axis stranger than the other by this much, in width and grain as the outline shows them, is not tried at all: on
#: drawn scenes the 0.1 % of pieces misjudged by then lay below 1.8.
_HOPELESS = 2.0
#: Weight of the light's grain in that decision.
_GRAIN = 0.5
#: Weights of a logistic regression of right against wrong axes of 458 drawn pieces half to twice as long as thick: log
#: residuals, in usual ones, of the flanks, of the better and of the worse end, log density of the width among the
#: others', and grain. What is explained better than `_WELL` is explained: on path-traced photos, a test photo among them,
#: straight flanks that pass for ends are.
_AXIS_WEIGHTS, _WELL = np.array([-2.1, -3.7, -1.8, 1.3, 1.0]), 0.7


@dataclass(frozen=True, eq=False)
class Bodies:
    """Fitted bodies of n pieces.

    Parameters
    ----------
    frames : the axis: middle of the body, direction, bend, cut length and diameter.
    flanks, ends : what they come from.
    axis_sure : ndarray (n,), bool: whether which way the axis runs is decided.
    """

    frames: Frames
    flanks: Flanks
    ends: Ends
    axis_sure: npt.NDArray[np.bool_]


def fit_bodies(signal: Signal, tray: TrayView, first: Frames, apart: Apart, likely: int) -> Bodies:
    """Return the bodies that explain the light of n pieces, starting from first frames.

    So many of the first show what is usual (`likely`); the others may well be no lying strand. A piece about as long as
    thick is tried with its axis both ways; straight flanks as wide as the batch's and well explained cut faces decide, and
    where they do not, `axis_sure` is False.
    """
    n = len(first)
    turn, doubtful = _likely_ways(signal, tray, first, likely)
    who = np.concatenate([np.arange(n), doubtful])
    turned = np.concatenate([turn, ~turn[doubtful]])
    signals, beside = signal.rows(who), apart.rows(who)
    flanks = fit_flanks(signals, tray, _turned(rows_of(first, who), np.flatnonzero(turned)), beside, likely)
    beside.end_mm[turned] = np.inf  # parting knows nothing of an axis the other way
    ends = fit_ends(signals, tray, flanks, beside, likely)
    if seen_through(ends, likely):
        ends = ends_of_outlines(tray, flanks, beside, likely)
    ends = replace(ends, out_mm=ends.out_mm - flanks.shadow.ends_mm)
    rival = np.arange(n, len(who))
    odds = _odds_of_axes(signals, tray, flanks, ends, doubtful, likely)
    chosen, sure = np.arange(n), np.ones(n, bool)
    chosen[doubtful] = np.where(odds < 0, rival, doubtful)
    sure[doubtful] = np.abs(odds) > _DECISIVE
    flanks, ends = rows_of(flanks, chosen), rows_of(ends, chosen)
    return Bodies(_closed(flanks.frames, ends), flanks, ends, sure)


def grain_of(signal: Signal, tray: TrayView, frames: Frames) -> FloatArray:
    """Return how much more the light varies across the axis than along it, log (n,), -2 to 2.

    Across a cylinder the light falls towards its flanks, and a highlight is a line along the axis.
    """
    if not len(frames):
        return np.zeros(0)
    place = np.linspace(-0.62, 0.62, 9)
    s = place * frames.length_mm[:, None] / 2
    across, height = frames.across(s) * frames.diameter_mm[:, None, None] / 2, frames.height_mm[:, None]
    start, side = steps_px(tray, frames.point(s), across, np.broadcast_to(height, s.shape))
    light = signal.at(on_lines(start, side, place))
    across, along = light.mean(1).std(1), light.mean(2).std(1)
    floor = 0.01 * np.abs(light).mean((1, 2)) + 1e-6
    return np.asarray(np.clip(np.log((across + floor) / (along + floor)), -2.0, 2.0))


def _likely_ways(
    signal: Signal, tray: TrayView, first: Frames, likely: int
) -> tuple[npt.NDArray[np.bool_], IntArray]:
    """Return which first frames (n,) lie across the likelier axis, and the pieces whose axis may run either way.

    Those are as long as thick, or not much longer while their light does not vary across the axis, or as long as others
    are thick, unless their width and the grain of their light settle it.
    """
    usual = np.median(first.diameter_mm[:likely])
    ratio = first.length_mm / first.diameter_mm
    doubtful = (ratio < _EITHER_WAY) | (np.abs(first.length_mm - usual) < 0.3 * usual)
    look = np.flatnonzero(doubtful | (ratio < _CLEARLY_LONG))
    grain = np.zeros(len(first))
    grain[look] = grain_of(signal.rows(look), tray, rows_of(first, look))
    doubtful[look] |= grain[look] < _CLEAR_GRAIN
    across = np.where(doubtful & (grain < -_CLEAR_GRAIN), first.length_mm, first.diameter_mm)[:likely]
    own, other = (_strangeness(width, across) for width in (first.diameter_mm, first.length_mm))
    stranger = own - other - 2 * _GRAIN * grain
    return doubtful & (stranger > 0), np.flatnonzero(doubtful & (np.abs(stranger) < _HOPELESS))


def _closed(frames: Frames, ends: Ends) -> Frames:
    """Return frames moved along their axis to the middle between the cut faces, with the cut length."""
    shift = (ends.out_mm[:, 1] - ends.out_mm[:, 0]) / 2
    return replace(
        frames,
        centre_mm=frames.point(shift[:, None])[:, 0],
        axis=frames.axis + frames.bend * shift,
        length_mm=ends.out_mm.sum(1),
    )


def _odds_of_axes(
    signals: Signal, tray: TrayView, flanks: Flanks, ends: Ends, doubtful: IntArray, likely: int
) -> FloatArray:
    """Return the log odds (k,) of the axes of `doubtful` bodies against their rivals', which come last.

    A wrong axis explains the flanks badly, and both ends, of which a right one may have one in a shadow; it has a width
    that no other has, and light that varies along it.
    """
    n, width = len(flanks.residual), np.clip(flanks.frames.diameter_mm, *WIDTHS_MM)
    both = np.concatenate([doubtful, np.arange(n - len(doubtful), n)])
    flank = flanks.residual[both] / np.median(flanks.residual[:likely])
    end = np.sort(ends.residual[both], axis=1) / np.median(ends.residual[:likely])
    features = [
        *np.log(np.maximum(np.column_stack([flank, end]), _WELL)).T,
        np.log(common_width(width, (np.arange(n) < likely).astype(float)))[both],
        grain_of(signals.rows(both), tray, rows_of(flanks.frames, both)),
    ]
    own, rival = np.split(_AXIS_WEIGHTS @ np.stack(features), 2)
    return np.asarray(own - rival)


def _strangeness(diameter: FloatArray, likely: FloatArray) -> FloatArray:
    """Return how far each width lies from the usual one of likely widths, 0 to 4."""
    usual, spread = usual_diameter(likely)
    spread = max(np.nan_to_num(spread, nan=0.1 * usual), 0.02 * usual)
    return np.asarray(np.minimum(np.abs(diameter - usual) / (3 * spread), 4.0))


def _turned(frames: Frames, index: IntArray) -> Frames:
    """Return the frames with those of `index` turned by a quarter, length and diameter exchanged."""
    axis, length, diameter = frames.axis.copy(), frames.length_mm.copy(), frames.diameter_mm.copy()
    axis[index] += np.pi / 2
    length[index], diameter[index] = frames.diameter_mm[index], frames.length_mm[index]
    return replace(frames, axis=axis, length_mm=length, diameter_mm=diameter)


def rows_of(table: T, index: IntArray) -> T:
    """Return the given rows (k,) of every array of a table of columns."""
    new: dict[str, Any] = {}
    for f in fields(table):
        value = getattr(table, f.name)
        if isinstance(value, np.ndarray):
            new[f.name] = value[index]
        elif isinstance(value, Frames | Taken):
            new[f.name] = rows_of(value, index)
    return replace(table, **new)
