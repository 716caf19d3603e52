"""Hold tables of pieces against tables of truth: who is found, how long, how wrong."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.optimize import linear_sum_assignment

from traygauge.measure import Pieces

FloatArray = npt.NDArray[np.float64]

MATCH_MM = 1.0
STRANDS = ("strand", "long", "short")
COUNTED = (*STRANDS, "flake", "double_web", "tied")
#: True values this near a limit count neither way.
LONG_GUARD_MM, TAIL_GUARD_MM = 0.2, 0.1
_WORDS = ("kind", "colour", "material", "part_lengths_mm", "parts_xy_mm")


def read_truth(path: Path) -> dict[str, npt.NDArray[np.generic]]:
    """Return the columns of a truth file; numbers as float, words as they stand."""
    with path.open(newline="") as file:
        return as_truth(list(csv.DictReader(file)))


def as_truth(rows: list[dict[str, object]]) -> dict[str, npt.NDArray[np.generic]]:
    """Return the columns of truth rows as arrays; two pieces that a string ties are two, of kind "tied"."""
    names = rows[0].keys() if rows else ("kind", "x_mm", "y_mm")
    rows = [part for row in rows for part in _tied(row)]
    return {
        k: np.array([r[k] for r in rows], dtype=object if k in _WORDS else float)
        if k in _WORDS
        else np.array([float(r[k]) if r[k] not in ("", None) else np.nan for r in rows])
        for k in names
    }


def _tied(row: dict[str, object]) -> list[dict[str, object]]:
    """Return the two pieces of a row that are tied by a string, or the row alone."""
    if row["kind"] != "double_string":
        return [row]
    parts = zip(str(row["part_lengths_mm"]).split(";"), str(row["parts_xy_mm"]).split(";"), strict=True)
    return [
        row | {"kind": "tied", "length_mm": length, **dict(zip(("x_mm", "y_mm"), at.split(":"), strict=True))}
        for length, at in parts
    ]


@dataclass(frozen=True, eq=False)
class Matched:
    """Truths of one or more photos beside what was measured of them (NaN where not found or not measured).

    `group`: apart, touching, covered, upright, leaning; `spare` counts pieces that no truth explains, and of those
    `spare_long`, `spare_tailed` the ones that claim to be long or tailed.
    """

    kind: npt.NDArray[np.object_]
    group: npt.NDArray[np.object_]
    found: npt.NDArray[np.bool_]
    truth: dict[str, FloatArray]
    measured: dict[str, FloatArray]
    state: npt.NDArray[np.object_]
    spare: int
    spare_long: int
    spare_tailed: int

    def errors(self, name: str, group: str = "apart") -> FloatArray:
        """Return measured minus true of strand pieces of a group, NaN left out."""
        pick = np.isin(self.kind, STRANDS) & ((self.group == group) | (group == "all"))
        e = (self.measured[name] - self.truth[name])[pick]
        return e[np.isfinite(e)]

    def rate(self, name: str, limit: float, guard: float, group: str = "apart") -> tuple[int, int, int]:
        """Return (hits, true ones, reported ones) of strand pieces beyond a limit, near ones left out."""
        true, said = self.truth[name], np.nan_to_num(self.measured[name], nan=-1.0)
        pick = np.isin(self.kind, STRANDS) & ((self.group == group) | (group == "all"))
        pick &= np.abs(true - limit) > guard
        return (
            int((pick & (true > limit) & (said > limit)).sum()),
            int((pick & (true > limit)).sum()),
            int((pick & (said > limit)).sum()),
        )

    def recall(self, group: str = "apart") -> tuple[int, int]:
        """Return (found, all) of the counted truths of a group."""
        pick = np.isin(self.kind, COUNTED) & ((self.group == group) | (group == "all"))
        return int((pick & self.found).sum()), int(pick.sum())


_MEASURED = {
    "length_mm": "length_mm",
    "width_seen_mm": "diameter_mm",
    "tail_length_plan_mm": "tail_length_mm",
}


def match(
    truth: dict[str, npt.NDArray[np.generic]], pieces: Pieces, limit: float = 4.0, tail: float = 0.9
) -> Matched:
    """Return truths and pieces matched one to one by place, least distance in all, within `MATCH_MM`.

    Truths on the border are left out; crumbs match but do not count.
    """
    tx, ty = truth["x_mm"].astype(float), truth["y_mm"].astype(float)
    distance = np.hypot(tx[:, None] - pieces["x_mm"], ty[:, None] - pieces["y_mm"])
    i, j = linear_sum_assignment(np.where(distance <= MATCH_MM, distance, 1e3))
    near = distance[i, j] <= MATCH_MM
    at = np.full(len(tx), -1)
    at[i[near]] = j[near]
    inside = truth["on_border"] != 1 if "on_border" in truth else np.ones(len(tx), bool)
    measured = {
        t: np.where(at >= 0, np.append(pieces[p], np.nan)[at], np.nan)[inside] for t, p in _MEASURED.items()
    }
    for name in ("u_length_mm", "u_diameter_mm"):
        measured[name] = np.where(at >= 0, np.append(pieces[name], np.nan)[at], np.nan)[inside]
    free = np.setdiff1d(np.arange(len(pieces)), j[near])
    return Matched(
        truth["kind"][inside] if len(tx) else np.zeros(0, object),
        _groups(truth)[inside] if len(tx) else np.zeros(0, object),
        (at >= 0)[inside],
        {k: truth[k].astype(float)[inside] for k in _MEASURED if k in truth},
        measured,
        np.append(pieces["state"], "")[at][inside],
        len(free),
        int((pieces["length_mm"][free] > limit).sum()),
        int((pieces["tail_length_mm"][free] > tail).sum()),
    )


def _groups(truth: dict[str, npt.NDArray[np.generic]]) -> npt.NDArray[np.object_]:
    touching = (truth["touching"] == 1) | (truth.get("touching_image", truth["touching"]) == 1)
    leaning = (truth["tilt_deg"].astype(float) > 5) & np.isin(truth["kind"], STRANDS)
    covered = truth["visible_fraction"].astype(float) < 0.95
    conditions = [truth["upright"] == 1, covered, touching, leaning]
    return np.select(conditions, ["upright", "covered", "touching", "leaning"], "apart").astype(object)


def pooled(many: list[Matched]) -> Matched:
    """Return several photos' matches as one."""

    def joined(name: str) -> dict[str, FloatArray]:
        return {
            k: np.concatenate([getattr(m, name)[k] for m in many if k in getattr(m, name)])
            for k in getattr(many[0], name)
        }

    some = [m for m in many if len(m.kind)]
    first = some or many
    many = first
    return Matched(
        *(np.concatenate([getattr(m, k) for m in many]) for k in ("kind", "group", "found")),
        joined("truth"),
        joined("measured"),
        np.concatenate([m.state for m in many]),
        *(sum(getattr(m, k) for m in first) for k in ("spare", "spare_long", "spare_tailed")),
    )


def spread(errors: FloatArray) -> tuple[float, float, float]:
    """Return bias, robust standard deviation (1.4826 x median absolute deviation) and 95th percentile of the size."""
    if not len(errors):
        return (float("nan"),) * 3
    robust = 1.4826 * np.median(np.abs(errors - np.median(errors)))
    return float(errors.mean()), float(robust), float(np.quantile(np.abs(errors), 0.95))
