"""Solid densities of common polymers, for pieces per kilogram where the spec states no density of its own."""

from __future__ import annotations

from typing import NamedTuple

_READ = "public resin property tables, unfilled grades at room temperature"
_RESINS = "a public table for unfilled resins at 25 °C; other public tables give wider ranges"
_MEMORY = "from memory, not verified"


class Polymer(NamedTuple):
    """A polymer's range of solid density, g/cm³, and where the range comes from."""

    name: str
    low_g_cm3: float
    high_g_cm3: float
    source: str

    @property
    def density_g_cm3(self) -> float:
        """Return the middle of the range, g/cm³."""
        return (self.low_g_cm3 + self.high_g_cm3) / 2

    @property
    def u_density_g_cm3(self) -> float:
        """Return the standard uncertainty of a value anywhere in the range (rectangular, JCGM 100 4.3.7), g/cm³."""
        return float((self.high_g_cm3 - self.low_g_cm3) / 12**0.5)


POLYMERS: dict[str, Polymer] = {
    p.name.casefold(): p
    for p in (
        Polymer("PP", 0.900, 0.915, _READ),
        Polymer("LDPE", 0.910, 0.925, _READ),
        Polymer("HDPE", 0.940, 0.965, _READ),
        Polymer("ABS", 1.02, 1.08, _READ),
        Polymer("PETG", 1.26, 1.28, _READ),
        Polymer("PET", 1.37, 1.39, _READ),
        Polymer("PC", 1.20, 1.22, _READ),
        Polymer("PA6", 1.13, 1.15, _READ),
        Polymer("LLDPE", 0.915, 0.935, _RESINS),
        Polymer("GPPS", 1.04, 1.06, _RESINS),
        Polymer("HIPS", 1.03, 1.05, _RESINS),
        Polymer("EVA", 0.92, 0.98, _RESINS),
        Polymer("PVC rigid", 1.30, 1.45, _RESINS),
        Polymer("PVC soft", 1.18, 1.35, _RESINS),
        Polymer("PMMA", 1.17, 1.19, _RESINS),
        Polymer("POM", 1.41, 1.43, _RESINS),
        Polymer("PBT", 1.30, 1.32, _RESINS),
        Polymer("PA66", 1.14, 1.16, _RESINS),
        Polymer("PA12", 1.01, 1.03, _RESINS),
        Polymer("PLA", 1.24, 1.24, _MEMORY),
        Polymer("TPU", 1.10, 1.25, _MEMORY),
    )
}


def polymer(name: str) -> Polymer | None:
    """Return the polymer of that name, upper or lower case alike; None where the table has no such name."""
    return POLYMERS.get(name.strip().casefold())
