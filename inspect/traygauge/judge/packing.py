"""How loosely cut cylinders lie: published relations between L/D and void fraction. They differ; give a range."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

SOURCES = {
    "loose": "Zou and Yu, Powder Technol. 88 (1996) 71, loose packing",
    "dense": "after Zou and Yu (1996), dense packing, coefficients from memory",
    "general": "Benyahia and O'Neill, Particul. Sci. Technol. 23 (2005) 169, far from walls",
}


def sphericity(aspect_ratio: npt.ArrayLike) -> FloatArray:
    """Return Wadell's sphericity of a right cylinder of length over diameter r: (18 r²)^(1/3) / (1 + 2 r)."""
    r = np.asarray(aspect_ratio, float)
    return np.asarray((18 * r * r) ** (1 / 3) / (1 + 2 * r))


def void_fraction(aspect_ratio: npt.ArrayLike, relation: str = "loose") -> FloatArray:
    """Return the void fraction (...) of a random packing of equal cylinders far from walls.

    Parameters
    ----------
    aspect_ratio : length / diameter (...). From 1 on the cylinder branch of Zou and Yu is taken, below 1 the disc
        branch; they do not meet at 1 (.4035 and .3965).
    relation : "loose", "dense" or "general", see `SOURCES`.
    """
    r = np.asarray(aspect_ratio, float)
    psi = sphericity(r)
    if relation == "general":
        return np.asarray(0.1504 + 0.2024 / psi)
    off = 1 - psi
    if relation == "loose":
        rod, disc, sphere = psi**5.58 * np.exp(5.89 * off), psi**0.60 * np.exp(0.23 * off**0.45), 0.40
    elif relation == "dense":
        rod, disc, sphere = psi**6.74 * np.exp(8.00 * off), psi**0.63 * np.exp(0.64 * off**0.45), 0.36
    else:
        raise ValueError(f"relation {relation!r}: one of {', '.join(SOURCES)}")
    return np.asarray(sphere ** np.where(r >= 1, rod, disc))


def void_range(aspect_ratio: npt.ArrayLike, volume: npt.ArrayLike) -> tuple[float, float, float]:
    """Return lowest, middle and highest void fraction of a mix: each relation averaged over volume, then their range.

    That a mix packs like its parts is an approximation; mixing sizes packs a little denser.
    """
    weight = np.asarray(volume, float)
    found = sorted(float(np.average(void_fraction(aspect_ratio, name), weights=weight)) for name in SOURCES)
    return found[0], float(np.mean(found)), found[-1]
