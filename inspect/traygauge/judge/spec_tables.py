"""The spec: what a batch is held against, with the screw, strand and material the limits come from.

Every table and field is defined once, here, with a title and a one-line meaning; explanations, templates, help and
report read them from the models. A share is always in percent and a length in millimetres, as the field names say.
"""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator

from traygauge.judge.polymers import POLYMERS, polymer

#: Width of the channel between two flights in units of the screw's diameter: (D - 0.1 D) cos(atan(1 / pi)) for a
#: pitch of one diameter and flights a tenth of it wide (open screw-design notes; .8576 to four figures).
CHANNEL_PER_DIAMETER = 0.9 * math.cos(math.atan(1 / math.pi))
#: The longest piece a channel takes, as a share of its width: common practice, no source.
LONG_PER_CHANNEL = 1 / 3

Millimetres = Annotated[float, Field(gt=0, le=1000)]
Percent = Annotated[float, Field(gt=0, le=100)]


class _Table(BaseModel):
    """A table of the spec: frozen, no unknown keys, no silent conversion of texts or truth values to numbers."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", strict=True, allow_inf_nan=False, populate_by_name=True
    )


class About(_Table):
    """What the spec is for."""

    name: str = Field(min_length=1, max_length=80, description="what verdict and report call the spec")
    note: str = Field(default="", max_length=400, description="a remark that the report prints")


class Strand(_Table):
    """The strand as it should be."""

    diameter_mm: Millimetres | None = Field(default=None, description="nominal diameter")
    diameter_tolerance_mm: Annotated[float, Field(gt=0, le=100)] | None = Field(
        default=None, description="a piece off the nominal diameter by more is thick or thin"
    )
    length_mm: Millimetres | None = Field(default=None, description="nominal cut length")
    cut_angle_deg: Annotated[float, Field(ge=0, lt=60)] | None = Field(
        default=None, description="nominal angle of the cut from square"
    )


class Screw(_Table):
    """The screw that has to swallow the pieces."""

    screw_diameter_mm: Millimetres | None = Field(default=None, description="outer diameter of the screw")
    channel_width_mm: Millimetres | None = Field(
        default=None, description="between two flights, across the channel"
    )
    channel_depth_mm: Millimetres | None = Field(
        default=None, description="from root to barrel in the feed zone"
    )


class Material(_Table):
    """What the pieces are made of."""

    name: str = Field(default="", max_length=80, description="as on the bag")
    polymer: str | None = Field(default=None, description="a polymer of the table, which gives the density")
    density_g_cm3: Annotated[float, Field(gt=0.05, lt=25)] | None = Field(
        default=None, description="solid density"
    )
    hardness: str | None = Field(
        default=None, pattern=r"^Shore [AD] \d{1,3}$", description='"Shore A 85" or "Shore D 75"'
    )

    @field_validator("polymer")
    @classmethod
    def _is_known(cls, name: str | None) -> str | None:
        if name is not None and polymer(name) is None:
            raise ValueError(
                f"one of {', '.join(p.name for p in POLYMERS.values())}, or density_g_cm3 instead"
            )
        return name


class What(_Table):
    """From which size on a piece is called what."""

    long_over_mm: Millimetres | None = Field(default=None, description="a longer piece is long")
    short_under_mm: Millimetres | None = Field(default=None, description="a shorter strand piece is short")
    fines_under_mm: Millimetres | None = Field(
        default=None, description="what is smaller in every direction seen is fines"
    )
    tail_from_mm: Millimetres | None = Field(default=0.5, description="a tail counts from this length on")
    stringy_over_mm: Millimetres | None = Field(
        default=None, description="a piece with a longer tail is stringy; threads that tie pieces always are"
    )
    burr_over_mm: Millimetres | None = Field(default=None, description="a piece with a higher lip is burred")
    off_colour_over: Annotated[float, Field(gt=0, le=200)] | None = Field(
        default=None,
        description="CIELAB difference from the batch's own colour beyond which a piece is off-colour",
    )
    flake_thickness_mm: Millimetres | None = Field(
        default=None, description="thickness of flakes; without it flakes have no mass"
    )


class ShareLimit(_Table):
    """A limit on the share of pieces with one finding."""

    at_most_percent: Percent = Field(description="largest share allowed")
    by: Literal["count", "mass", "area"] = Field(
        "count", description="share of pieces, of mass or of area seen"
    )


class LengthLimit(_Table):
    """A limit on a figure of the distribution, in mm."""

    at_least_mm: Millimetres | None = Field(default=None, description="smallest value allowed")
    at_most_mm: Millimetres | None = Field(default=None, description="largest value allowed")


class SpreadLimit(_Table):
    """A limit on the spread of a distribution, in percent of its median."""

    at_most_percent: Annotated[float, Field(gt=0, le=1000)] = Field(description="largest spread allowed")


def _share(finding: str, title: str, why: str) -> Any:
    extra: dict[str, Any] = {"finding": finding}
    return Field(default=None, title=title, description=why, json_schema_extra=extra)


def _figure(column: str, statistic: str, title: str, why: str) -> Any:
    extra: dict[str, Any] = {"column": column, "statistic": statistic}
    return Field(default=None, title=title, description=why, json_schema_extra=extra)


class Limits(_Table):
    """The limits, in the order in which they are judged and shown. `description` says why anybody sets one."""

    long_share: ShareLimit | None = _share(
        "long", "long pieces", "a longer piece can lie across the channel and bridge"
    )
    stringy_share: ShareLimit | None = _share(
        "stringy", "stringy pieces", "long tails and threads hook pieces together and stop the flow"
    )
    doubles_share: ShareLimit | None = _share(
        "doubles", "doubles", "pieces still joined feed like one long piece"
    )
    tailed_share: ShareLimit | None = _share(
        "tailed", "tailed pieces", "tails show a dull or backed-off knife or a warm strand"
    )
    fines_share: ShareLimit | None = _share(
        "fines", "fines", "fines melt early, smear and leave specks, and separate on the way"
    )
    short_share: ShareLimit | None = _share(
        "short", "short pieces", "short pieces pack densely and make the rate uneven"
    )
    thick_share: ShareLimit | None = _share(
        "thick", "thick pieces", "a piece thicker than the channel is deep cannot enter it"
    )
    thin_share: ShareLimit | None = _share(
        "thin", "thin pieces", "thin strand shows a starved or stretched line"
    )
    burred_share: ShareLimit | None = _share(
        "burred", "burred pieces", "burrs show a dull edge or a wide gap"
    )
    off_colour_share: ShareLimit | None = _share(
        "off-colour", "off-colour pieces", "another colour is another material until shown otherwise"
    )
    mean_length: LengthLimit | None = _figure(
        "length_mm", "mean", "mean cut length", "the mean length times the piece rate is the rate fed"
    )
    median_length: LengthLimit | None = _figure(
        "length_mm",
        "median",
        "median cut length",
        "half of the pieces are shorter; a few odd ones don't move it",
    )
    d10_length: LengthLimit | None = _figure(
        "length_mm", "D10", "D10 of the cut length", "a tenth of the pieces is shorter"
    )
    d90_length: LengthLimit | None = _figure(
        "length_mm", "D90", "D90 of the cut length", "a tenth of the pieces is longer"
    )
    mean_diameter: LengthLimit | None = _figure(
        "diameter_mm", "mean", "mean diameter", "the diameter decides with the length how a piece feeds"
    )
    length_spread: SpreadLimit | None = _figure(
        "length_mm", "spread", "spread of the cut length", "an uneven cut feeds and melts unevenly"
    )


class Judging(_Table):
    """How sure a verdict has to be."""

    confidence: Annotated[float, Field(ge=0.5, le=0.9999)] = Field(
        default=0.95, description="each accept and each reject holds with this confidence"
    )
    within_photo_correlation: Annotated[float, Field(ge=0, le=0.5)] = Field(
        default=0.002,
        description="how alike the pieces of one scoop are; used while there are fewer than 5 photos "
        "(the default is common practice)",
    )
    guard_band: Annotated[float, Field(ge=0, le=3)] = Field(
        default=0.0,
        description="in units of the expanded uncertainty (k = 2): so far must a piece or figure stay clear of a "
        "limit to count as inside (JCGM 106)",
    )


class Feeding(_Table):
    """How the pieces are used, for the figures beside the verdict."""

    throughput_kg_h: Annotated[float, Field(gt=0, le=10000)] | None = Field(
        default=None, description="rate fed"
    )
    screw_speed_per_min: Annotated[float, Field(gt=0, le=5000)] | None = Field(
        default=None, description="turns a minute"
    )
    outlet_mm: Millimetres | None = Field(
        default=None, description="smallest opening the pieces have to pass"
    )
    outlet_form: Literal["round", "slot"] = Field(
        default="round", description="round, or slot with its width given"
    )
    bulk_density_g_cm3: Annotated[float, Field(gt=0.01, lt=25)] | None = Field(
        default=None, description="weighed with a cup; replaces the estimate"
    )


class Cutter(_Table):
    """The cutter that made the pieces."""

    strand_speed_m_min: Annotated[float, Field(gt=0, le=1000)] | None = Field(
        default=None, description="of the feed"
    )
    rotor_speed_per_min: Annotated[float, Field(gt=0, le=20000)] | None = Field(
        default=None, description="turns a minute"
    )
    knives: Annotated[int, Field(ge=1, le=500)] | None = Field(default=None, description="on the rotor")
    knife_gap_mm: Annotated[float, Field(ge=0, le=10)] | None = Field(
        default=None, description="to the bed knife"
    )

    @property
    def set_length_mm(self) -> float | None:
        """Return the length the machine is set to, v / (N z) (pelletizing texts), mm; None where not all is given."""
        if self.strand_speed_m_min is None or self.rotor_speed_per_min is None or self.knives is None:
            return None
        return 1000 * self.strand_speed_m_min / (self.rotor_speed_per_min * self.knives)


class Spec(_Table):
    """A whole spec. Made by `read_spec` from a file, or directly in Python.

    Examples
    --------
    >>> spec = Spec(spec=About(name="mine"), screw=Screw(channel_width_mm=12.0))
    >>> spec.long_over_mm
    4.0
    """

    about: About = Field(alias="spec")
    strand: Strand = Strand()
    screw: Screw = Screw()
    material: Material = Material()
    pieces: What = What()
    limits: Limits = Limits()
    judging: Judging = Judging()
    feeding: Feeding = Feeding()
    cutter: Cutter = Cutter()

    @property
    def name(self) -> str:
        """Return what verdict and report call the spec."""
        return self.about.name

    @property
    def channel_width_mm(self) -> float | None:
        """Return the channel's width between flights, computed from the screw's diameter where not given."""
        if self.screw.channel_width_mm is not None:
            return self.screw.channel_width_mm
        diameter = self.screw.screw_diameter_mm
        return None if diameter is None else CHANNEL_PER_DIAMETER * diameter

    @property
    def long_over_mm(self) -> float | None:
        """Return the length beyond which a piece is long: as given, else a third of the channel's width."""
        if self.pieces.long_over_mm is not None:
            return self.pieces.long_over_mm
        return None if self.channel_width_mm is None else LONG_PER_CHANNEL * self.channel_width_mm

    @property
    def thick_over_mm(self) -> float | None:
        """Return the diameter beyond which a piece is thick: tolerance or channel depth, whichever is less."""
        given = (self._off_nominal(+1), self.screw.channel_depth_mm)
        return min((d for d in given if d is not None), default=None)

    @property
    def thin_under_mm(self) -> float | None:
        """Return the diameter below which a piece is thin."""
        return self._off_nominal(-1)

    def _off_nominal(self, sign: int) -> float | None:
        nominal, tolerance = self.strand.diameter_mm, self.strand.diameter_tolerance_mm
        return None if nominal is None or tolerance is None else nominal + sign * tolerance

    @property
    def density_g_cm3(self) -> float | None:
        """Return the solid density: as given, else the middle of the polymer's range."""
        if self.material.density_g_cm3 is not None:
            return self.material.density_g_cm3
        of_table = polymer(self.material.polymer or "")
        return None if of_table is None else of_table.density_g_cm3

    @property
    def u_density_g_cm3(self) -> float:
        """Return the standard uncertainty of the density: 0 where it is given."""
        of_table = polymer(self.material.polymer or "")
        return (
            0.0 if self.material.density_g_cm3 is not None or of_table is None else of_table.u_density_g_cm3
        )

    def to_dict(self) -> dict[str, Any]:
        """Return the spec as plain values, table by table, as it would stand in a file (nothing that is not given)."""
        return self.model_dump(mode="json", by_alias=True, exclude_none=True)


#: What is held against where nobody gave a spec: no size of anything, no limit.
NO_SPEC = Spec(spec=About(name="none"))
