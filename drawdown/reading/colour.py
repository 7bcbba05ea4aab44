"""A colour as it was read, and the strip of a photo that it was read from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from calibration.colour.spaces import lab_to_xyz, munsell_value
from calibration.uncertainty.intervals import K95
from calibration.uncertainty.streams import stream
from drawdown import flags as fl
from drawdown.reading.budget import card_sd, munsell_u95

if TYPE_CHECKING:
    from drawdown.strips.strip import Strip

MEMBERS = 96  # drawn for a colour that comes without an ensemble


@dataclass(frozen=True, eq=False, repr=False, kw_only=True)
class Colour:
    """A colour with what is known of its error. What nobody noted is None, and counts as the
    widest that a reading usually is, never as certain.

    Attributes
    ----------
    lab_d50 : (3,) array
        CIELAB, D50, 2 degree observer; of a strip, from the mean linear XYZ of its body.
    lab_samples : (m, 3) array or None
        The ensemble. Member i of every colour of one photo rests on the same member of its
        correction, so that differences of members carry the uncertainty of a difference.
    lab_u95 : (3,) array or None
        Half widths of the 95 % intervals of the colour itself, the card's own uncertainty
        (alike for all colours of a photo) included.
    light_sd : float or None
        Standard uncertainty of the logarithm of the light that it was read in.
    evenness_de00, evenness_u95 : float or None
        Root mean square CIEDE2000 of 4 mm cells against their mean, and the half width of
        its 95 % interval.
    flags : tuple of Flag
        What was noticed when it was read.
    state : "wet", "dry" or None where nobody said
    spectrum : (31,) array or None
        Reflectance 0..1 at 400, 410 .. 700 nm, where an instrument measured it.
    """

    lab_d50: np.ndarray
    lab_samples: np.ndarray | None = None
    lab_u95: np.ndarray | None = None
    light_sd: float | None = None
    evenness_de00: float | None = None
    evenness_u95: float | None = None
    flags: tuple[fl.Flag, ...] = ()
    state: str | None = None
    spectrum: np.ndarray | None = None

    @property
    def by_instrument(self) -> bool:
        """Whether an instrument read it, not a camera."""
        return any(flag.kind is fl.BY_INSTRUMENT for flag in self.flags)

    @property
    def xyz_d50(self) -> np.ndarray:
        """(3,) XYZ D50, Y = 1 for the perfect diffuser."""
        return lab_to_xyz(self.lab_d50)

    @property
    def xyz_samples(self) -> np.ndarray:
        """(m, 3) the ensemble in XYZ D50."""
        return lab_to_xyz(self.members())

    @property
    def munsell_value(self) -> float:
        """Of ASTM D1535, from the luminous reflectance alone."""
        return munsell_value(float(np.clip(self.xyz_d50[1], 0.0, 1.2)))

    @property
    def munsell_u95(self) -> float:
        """Half width of its 95 % interval."""
        return munsell_u95(float(self.lab_d50[0]), float(self.widest_u95[0]))

    @property
    def widest_u95(self) -> np.ndarray:
        """(3,) ``lab_u95``; where it is unknown, that of a card that was never measured."""
        if self.lab_u95 is not None and np.all(np.isfinite(self.lab_u95)):
            return self.lab_u95
        return K95 * card_sd(self.lab_d50, nominal=True)

    def members(self, number: int = 0) -> np.ndarray:
        """(m, 3) the ensemble; for a colour without one, draws as wide as ``widest_u95``, other
        ones for each ``number``."""
        if self.lab_samples is not None:
            return self.lab_samples
        normal = stream("colour without an ensemble", number).standard_normal((MEMBERS, 3))
        return self.lab_d50 + self.widest_u95 / K95 * normal

    def __repr__(self) -> str:
        lab = ", ".join(f"{value:.1f}" for value in self.lab_d50)
        u95 = "unknown" if self.lab_u95 is None else f"{float(np.max(self.lab_u95)):.1f}"
        return f"<{type(self).__name__} L*a*b* {lab} (±{u95})>"


@dataclass(frozen=True, eq=False)
class Rim:
    """Paper right beside a strip: ``even_log`` (3,) log of the light once field and tone curve
    are undone, ``seen_log`` (3,) log of the photo's linear RGB as it is."""

    even_log: np.ndarray
    seen_log: np.ndarray


@dataclass(frozen=True, eq=False, repr=False, kw_only=True)
class StripReading(Colour):
    """The colour of one ``strip`` in a photo. ``trail_lab_d50`` (k, 3) are slices along the
    whole pull, thick start first as far as one can tell; ``rim`` is the paper beside it, None
    where none shows: two strips on one paper must agree in it."""

    strip: Strip
    trail_lab_d50: np.ndarray
    rim: Rim | None = None

    @property
    def number(self) -> int:
        return self.strip.number

    @property
    def mask(self) -> np.ndarray:
        """(h, w) bool: the strip's pixels on the sheet."""
        return self.strip.mask

    @property
    def corners_mm(self) -> np.ndarray:
        """(4, 2) its place on the sheet, from the card's upper left corner."""
        return self.strip.corners_mm

    def __repr__(self) -> str:
        return f"{super().__repr__()[:-1]}, strip {self.number}>"
