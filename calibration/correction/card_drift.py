"""Has a measured card changed since its values were written down? Theory: README.md."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration import flags as fl
from calibration.card.definition import CardDefinition
from calibration.colour.difference import delta_e_2000, local_metric

REACH_DE = 14.0  # how far nearest colours reach, standard deviation in Delta E
LEAST_DE = 4.0  # a smaller excess is not spoken of
TIMES_TYPICAL = 4.0
AROUND_MM = 24.0  # patches this near share the light
TIMES_U = 4.0
# All patches of one kind that miss together look like the camera's doing; only beyond these
# are they said to have changed.
KIND_LEAST_DE, KIND_TIMES_TYPICAL = 6.0, 5.0
UNEVEN_SPREAD = 0.06  # relative scatter inside a field: a shadow's edge or a mirrored lamp
LEAST_LINEAR = 0.002  # a channel below this is lost in the last levels of the photo
FADED_SHARE, FADED_LEAST = 0.12, 4
FADED_MEDIAN_DE = 3.0  # held-out median of a measured card that is hardly this card


@dataclass(frozen=True, eq=False)
class Drift:
    """``changed`` (n,) True for the patches that have drifted, by ``delta_e`` (n,),
    CIEDE2000 (0 elsewhere); ``typical`` the median held-out miss of all patches."""

    names: tuple[str, ...]
    changed: np.ndarray
    delta_e: np.ndarray
    typical: float

    @property
    def changed_names(self) -> tuple[str, ...]:
        return tuple(n for n, c in zip(self.names, self.changed, strict=True) if c)

    @property
    def faded(self) -> bool:
        """So many have changed, or the whole fits so badly, that the card itself is in doubt."""
        many = max(FADED_LEAST, FADED_SHARE * len(self.names))
        return int(self.changed.sum()) >= many or self.typical > FADED_MEDIAN_DE

    @property
    def flags(self) -> tuple[fl.Flag, ...]:
        """One flag at most: the patches by name, or the card as a whole."""
        order = np.flatnonzero(self.changed)[np.argsort(-self.delta_e[self.changed])]
        if self.faded:
            worst = [f"{self.names[i]} {self.delta_e[i]:.0f}" for i in order[:5]]
            detail = f"all patches miss by {self.typical:.1f} Delta E in the middle"
            if worst:
                count = f"{len(order)} of {len(self.names)}"
                detail = f"{count} patches stand out, {', '.join(worst)} Delta E; {detail}"
            return (fl.CARD_FADED(detail),)
        if not order.size:
            return ()
        names = _listed([self.names[i] for i in order])
        sizes = _listed([f"{self.delta_e[i]:.0f}" for i in order])
        if len(order) == 1:
            return (fl.PATCH_DRIFTED(f"patch {names} has drifted {sizes} Delta E"),)
        return (fl.PATCH_DRIFTED(f"the card's patches {names} have drifted {sizes} Delta E"),)


def _listed(words: list[str]) -> str:
    return " and ".join([", ".join(words[:-1])] * (len(words) > 1) + words[-1:])


def find_drift(
    card: CardDefinition,
    usable: np.ndarray,
    miss_lab: np.ndarray,
    noise_de: np.ndarray,
    rgb_linear: np.ndarray,
    spread: np.ndarray,
) -> Drift:
    """The patches of a measured card that no longer have their values.

    ``usable`` (n,) says which patches were read; the other arrays hold those k alone:
    ``miss_lab`` (k, 3) what the correction reads on each patch, left out of its fit, minus
    the definition's Lab (D50, 2 degree); ``noise_de`` (k,) standard uncertainty of the
    reading; ``rgb_linear`` (k, 3) and ``spread`` (k,) as in ``PatchReadings``.
    """
    lab = card.expected_lab_d50[usable]
    weights = local_metric(lab)
    u_card = np.linalg.norm(np.einsum("kij,kj->ki", weights, card.u_lab[usable]), axis=1)
    error = delta_e_2000(lab, lab + miss_lab)
    typical = float(np.median(error))
    # Where light or the end of the range may be to blame, nothing is said of the ink.
    clean = (spread <= UNEVEN_SPREAD) & (rgb_linear.min(axis=1) >= LEAST_LINEAR)
    clean &= ~card.with_role("white")[usable]
    kin = _kinship(lab, weights)
    by_light = _light_around(lab, miss_lab, card.centres_mm[usable])
    least = np.maximum(LEAST_DE, TIMES_U * np.hypot(u_card, noise_de))
    out = np.zeros(len(lab), bool)
    # The one that stands out most is set aside first, so that it does not pull its kin along.
    for _ in range(len(lab)):
        trusted = kin * ~out
        common = trusted @ miss_lab / (trusted.sum(axis=1) + 1.0)[:, None]
        apart = miss_lab - common
        excess = np.linalg.norm(np.einsum("kij,kj->ki", weights, apart), axis=1)
        unlit = np.linalg.norm(np.einsum("kij,kj->ki", weights, apart - by_light), axis=1)
        excess = np.minimum(excess, unlit)
        scale = max(typical, float(np.median(excess)))
        over = np.where(clean & ~out, excess - np.maximum(least, TIMES_TYPICAL * scale), -1.0)
        if over.max() <= 0:
            break
        out[int(over.argmax())] = True
    whole = np.linalg.norm(np.einsum("kij,kj->ki", weights, miss_lab - by_light), axis=1)
    whole = np.minimum(error, whole)
    together = clean & ~out & (whole > max(KIND_LEAST_DE, KIND_TIMES_TYPICAL * typical))
    size = np.where(out, delta_e_2000(lab, lab + miss_lab - common), np.where(together, error, 0.0))
    names = tuple(p.name for p, u in zip(card.patches, usable, strict=True) if u)
    return Drift(names, out | together, size, typical)


def _light_around(lab_d50: np.ndarray, miss_lab: np.ndarray, middle_mm: np.ndarray) -> np.ndarray:
    """(k, 3) the Lab step that the patches around each one share as more or less light."""
    # Lab's cube roots: relative light r moves (L* + 16, a*, b*) by a third of r.
    lit = lab_d50 + np.array([16.0, 0.0, 0.0])
    light = 3 * miss_lab[:, 0] / lit[:, 0]
    distance = np.linalg.norm(middle_mm[None] - middle_mm[:, None], axis=-1)
    out = np.zeros(len(light))
    for i, row in enumerate(distance):
        near = (row < AROUND_MM) & (row > 0)
        if near.sum() >= 3:
            out[i] = np.median(light[near])
    return lit / 3 * out[:, None]


def _kinship(lab_d50: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """(k, k) how near the colours lie to each other, 0..1; nobody is kin to itself."""
    apart = lab_d50[None] - lab_d50[:, None]
    distance = np.linalg.norm(np.einsum("kij,kmj->kmi", weights, apart), axis=-1)
    kin = np.exp(-0.5 * (np.maximum(distance, distance.T) / REACH_DE) ** 2)
    np.fill_diagonal(kin, 0.0)
    return kin
