"""Printed cards and the cameras that see them, as spectra: what is true when a card is enrolled."""

from __future__ import annotations

import numpy as np

from calibration.card.toml import builtin_cards
from drawdown.commands.main import main
from fixtures.cardprint import print_card
from fixtures.optics import make_sensor, tone_table
from fixtures.scenes import random_spec

SLIP, FRAME = builtin_cards()
NAMES = tuple(p.name for p in SLIP.patches)
# An invented slope of light and a usual phone; the light of a window.
DAYLIGHT = {
    "lamp": "D65", "lamp_2": None, "gamut": "sRGB", "camera": 0, "tone": 0.2, "shoulder": 0.3,
    "saturation": 1.05, "print_error_de": 4.5, "count": 1,
}  # fmt: skip


class Session:
    """One camera under one lamp: what it makes of spectra."""

    def __init__(self, seed: int, **fields) -> None:
        self.spec = random_spec(seed, **(DAYLIGHT | fields))
        self.sensor = make_sensor(self.spec)
        self.tone = tone_table(self.spec)

    def scene(self, spectra: np.ndarray) -> np.ndarray:
        """(n, 3) linear light of the picture before the phone's tone curve."""
        return 0.62 * np.clip(spectra @ self.sensor.weights[0] @ self.sensor.matrix.T, 2e-4, None)

    def developed(self, linear: np.ndarray) -> np.ndarray:
        """The phone's tone curve: scene light -> encoded 0..1."""
        return np.interp(linear, np.linspace(0, 1.25, len(self.tone)), self.tone)


def printed(card, seed: int, error_de: float = 4.5):
    """A print: spectra (n, wavelengths), true Lab, and the definition an instrument gives."""
    spec = random_spec(seed, card_shape=card.name, count=1, print_error_de=error_de)
    made = print_card(spec, card)
    spectra = made.printer.reflectance(made.areas)
    return spectra, made.lab_d50, made.measured(0.3, seed), made.printer.paper.reflectance()


def csv_text(lab: np.ndarray, heading: str = "patch,L,a,b", mark: str = ",") -> str:
    rows = [mark.join([n, *(f"{v:.3f}" for v in row)]) for n, row in zip(NAMES, lab, strict=True)]
    return "\n".join([heading, *rows]) + "\n"


def enrol(tmp_path, *arguments: str) -> int:
    out = tmp_path / "out.toml"
    return main(["card", "--definition", str(out), "--date", "2030-05-01", *map(str, arguments)])
