"""Enrol a printed card: from readings of it, by an instrument or on photos beside a known card,
to a definition with measured values. Theory: README.md.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np

from calibration.card.definition import CardDefinition
from calibration.card.toml import card_from_dict, card_to_dict
from calibration.colour.difference import delta_e_2000, local_distance, local_metric
from calibration.correction.correct import REFUSE_DE
from calibration.errors import BadFile, PhotoUnfit
from calibration.uncertainty.intervals import robust_sd

# Least standard uncertainty of each of L*, a*, b*. Instruments of one kind agree to about
# this on paper (common practice, no source); a camera is not an instrument.
INSTRUMENT_FLOOR, PHOTO_FLOOR = 0.3, 0.7
# A patch read once says nothing of evenness and placing: what these usually add (common
# practice, no source).
INSTRUMENT_ONCE = 0.4
# What held-out errors do not show: the printed card's dyes are not those of the known card.
# From rendered photos (tests/benchmarks/enrol.py): in a* already for dull colours (red
# against green is what camera and eye part in), in b* with chroma.
OTHER_DYES_A, DULL_CHROMA, OTHER_DYES_B = 1.5, 12.0, 0.02
KIN_DE = 20.0  # how far the known card's misses speak for colours beside them
# Two readings of one print by one instrument seldom differ by 1 (common practice, no source).
OTHER_PRINT_DE, CONTRADICT_DE, CONTRADICT_TIMES = 3.5, 2.5, 6.0
POOLED_PHOTOS = 4.0  # the scatter common to all patches counts as so many photos
MOST_UNREAD = 0.15  # share of patches that may keep their drawn values
IMPLAUSIBLE_DE = 18.0  # median difference from the drawing that no printer makes


@dataclass(frozen=True, eq=False, repr=False)
class PhotoReading:
    """The printed card on one photo: ``lab_d50`` (n, 3), NaN where a patch could not be read;
    ``u_alone`` (n, 3) standard uncertainty from what is this photo's own (noise, light),
    ``u_shared`` (n, 3) from the known card and the correction. ``placed`` is where the card
    lay on the known card's plane (x, y in mm, degrees): photos with the same place share
    the error of the light."""

    lab_d50: np.ndarray
    u_alone: np.ndarray
    u_shared: np.ndarray
    placed: tuple[float, float, float]
    held_out_median: float


@dataclass(frozen=True, eq=False)
class Enrolment:
    """Measured values of a printed card, in the definition's order: ``lab_d50`` (n, 3) D50,
    2 degree; ``u_lab`` (n, 3) standard uncertainty of each of L*, a*, b*; ``scatter_de``
    the root mean square scatter of single readings (None for one), in Delta E;
    ``unread`` the names of patches that keep their drawn values with those' uncertainty,
    ``doubtful`` of those on which readings contradict each other: half their difference is
    their uncertainty."""

    card: CardDefinition
    lab_d50: np.ndarray
    u_lab: np.ndarray
    scatter_de: float | None
    count: int
    unread: tuple[str, ...]
    doubtful: tuple[str, ...] = ()

    @property
    def typical_u_de(self) -> float:
        """Median standard uncertainty in Delta E (length of the three in CIEDE2000's
        measure, over the square root of three)."""
        return float(np.median(local_distance(self.lab_d50, self.u_lab)) / np.sqrt(3))

    @property
    def print_error_de(self) -> float:
        """Median CIEDE2000 between the print and the definition it was enrolled against."""
        return float(np.median(delta_e_2000(self.card.expected_lab_d50, self.lab_d50)))


def u_from_de(lab_d50: np.ndarray, error_de: np.ndarray) -> np.ndarray:
    """(n, 3) standard uncertainty of L*, a*, b* at colours (n, 3) where a typical error is
    ``error_de`` (n,) long in CIEDE2000 and points anywhere."""
    back = np.linalg.inv(local_metric(lab_d50))
    return np.sqrt(np.sum(back**2, axis=2)) * (error_de / np.sqrt(3))[:, None]


def shared_uncertainty(
    lab_d50: np.ndarray, known: CardDefinition, held_out_de: np.ndarray
) -> np.ndarray:
    """(n, 3) what the known card and the correction leave open at colours (n, 3).

    ``held_out_de`` (m,) is the CIEDE2000 by which each known patch was missed when left out
    (NaN where it could not be used)."""
    good = np.isfinite(held_out_de)
    theirs = known.lab_d50[good]
    apart = lab_d50[:, None] - theirs[None]
    distance = np.linalg.norm(np.einsum("nij,nmj->nmi", local_metric(lab_d50), apart), axis=-1)
    weight = np.exp(-0.5 * (distance / KIN_DE) ** 2) + 0.02
    error = np.sqrt(weight @ held_out_de[good] ** 2 / weight.sum(axis=1))
    model = u_from_de(lab_d50, error)
    # Errors common to all of the known card's values pass on whole.
    values = np.sqrt(np.mean(known.u_lab**2, axis=0))
    chroma = np.hypot(lab_d50[:, 1], lab_d50[:, 2])
    in_a = OTHER_DYES_A * np.minimum(chroma / DULL_CHROMA, 1.0)
    dyes = np.stack([0 * chroma, in_a, OTHER_DYES_B * chroma], axis=1)
    return np.sqrt(model**2 + values**2 + dyes**2)


def from_photos(own: CardDefinition, readings: tuple[PhotoReading, ...]) -> Enrolment:
    """Put the readings of several photos together; raise ``PhotoUnfit`` when too many patches
    were read on none of them, or the colours cannot be this card's."""
    lab = np.array([r.lab_d50 for r in readings])
    alone = np.array([r.u_alone for r in readings])
    seen = np.isfinite(lab).all(axis=2)
    _refuse_unread(own, seen.any(axis=0))
    mean = _robust_mean(lab, alone, seen)
    count = np.maximum(seen.sum(axis=0), 1)[:, None]
    # The light's error is new only where the cards changed places.
    new_places = np.minimum(count, _arrangements(readings))
    random = np.sum(np.where(seen[..., None], alone**2, 0.0), axis=0) / count / new_places
    scatter_de = None
    if len(lab) > 1:
        square, freedom, pooled = _scatter(lab, mean, seen)
        mixed = (freedom * square + POOLED_PHOTOS * pooled) / (freedom + POOLED_PHOTOS)
        random = np.maximum(random, mixed / count)
        scatter_de = float(np.sqrt(np.mean(local_distance(mean, np.sqrt(pooled) + 0 * mean) ** 2)))
    shared = np.sqrt(np.mean([r.u_shared**2 for r in readings], axis=0))
    u = np.sqrt(np.maximum(random + shared**2, PHOTO_FLOOR**2))
    return _with_unread(own, mean, u, scatter_de, len(readings), seen.any(axis=0))


def _refuse_unread(own: CardDefinition, read: np.ndarray) -> None:
    if (~read).mean() > MOST_UNREAD:
        names = [p.name for p, r in zip(own.patches, read, strict=True) if not r]
        some = ", ".join(names[:6]) + (f" and {len(names) - 6} more" if names[6:] else "")
        raise PhotoUnfit(
            f"{len(names)} of {len(own.patches)} patches of the card to enrol were read on no "
            f"photo ({some})",
            "they are burnt out, black or outside the picture",
            "show both cards whole, in soft even light, the white bright but not burnt out",
        )


def _robust_mean(lab: np.ndarray, alone: np.ndarray, seen: np.ndarray) -> np.ndarray:
    """(n, 3) mean over photos (p, n, 3); a photo on which a patch stands far off counts less
    there (weights as in the correction)."""
    filled = np.where(seen[..., None], lab, np.nan)
    with np.errstate(all="ignore"):
        rough = np.where(seen.any(axis=0)[:, None], np.nanmedian(_never_empty(filled), axis=0), 0)
    plain = np.where(seen, 1.0, 0.0)
    if len(lab) < 3:
        return _weighted(lab, plain, rough)
    mean = rough
    for _ in range(3):
        off = np.array([local_distance(mean, np.where(s[:, None], x - mean, 0.0))
                        for x, s in zip(lab, seen, strict=True)])  # fmt: skip
        own = np.array([local_distance(mean, u) for u in np.nan_to_num(alone)])
        scale = np.maximum(own, robust_sd(off[seen])) if seen.any() else own
        mean = _weighted(lab, plain / (1 + (off / (2 * scale)) ** 2) ** 2, rough)
    return mean


def _never_empty(filled: np.ndarray) -> np.ndarray:
    """A patch that no photo shows gets zeros, so that no warning is raised for it."""
    return np.where(np.isfinite(filled).any(axis=0), filled, 0.0)


def _weighted(lab: np.ndarray, weight: np.ndarray, otherwise: np.ndarray) -> np.ndarray:
    total = weight.sum(axis=0)[:, None]
    mean = np.sum(np.nan_to_num(lab) * weight[..., None], axis=0) / np.maximum(total, 1e-9)
    return np.where(total > 0, mean, otherwise)


def _scatter(
    lab: np.ndarray, mean: np.ndarray, seen: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Squared scatter (n, 3) of single photos, its degrees of freedom (n, 1), and the same
    over all patches (3,)."""
    off = np.where(seen[..., None], lab - mean, 0.0)
    freedom = np.maximum(seen.sum(axis=0) - 1, 0)[:, None]
    total = np.sum(off**2, axis=0)
    # No single reading may run off with it: outliers have lost their weight in the mean.
    pooled = np.sum(total, axis=0) / max(float(freedom.sum()), 1.0)
    return total / np.maximum(freedom, 1), freedom, pooled


def _arrangements(readings: tuple[PhotoReading, ...]) -> int:
    """In how many clearly different ways the cards lay beside each other."""
    kept: list[tuple[float, float, float]] = []
    for x, y, turn in (r.placed for r in readings):
        if all(
            np.hypot(x - a, y - b) > 30 or abs((turn - c + 180) % 360 - 180) > 30
            for a, b, c in kept
        ):
            kept.append((x, y, turn))
    return len(kept)


def from_instrument(
    own: CardDefinition, lab_d50: np.ndarray, names: tuple[str, ...] = ()
) -> Enrolment:
    """Put instrument readings (r, n, 3) together, NaN where a patch was read fewer times;
    ``names`` (r,) says which file each is from.

    Once read, a patch has the usual uncertainty of a single reading; read more often, the
    scatter of the readings decides (GUM, type A), never below the floor. Raises ``BadFile``
    when the colours cannot be this card's, or two readings cannot be of one print."""
    seen = np.isfinite(lab_d50).all(axis=2)
    doubtful = _contradictions(lab_d50, names)
    mean = _weighted(lab_d50, seen.astype(float), np.zeros(3))
    count = seen.sum(axis=0)[:, None]
    random = np.full(mean.shape, INSTRUMENT_ONCE**2)
    scatter_de = None
    if (count > 1).any():
        square, freedom, pooled = _scatter(lab_d50, mean, seen)
        mixed = (freedom * square + POOLED_PHOTOS * pooled) / (freedom + POOLED_PHOTOS)
        # A patch read once has the scatter that the others showed.
        random = mixed / np.maximum(count, 1)
        scatter_de = float(np.sqrt(np.mean(local_distance(mean, np.sqrt(pooled) + 0 * mean) ** 2)))
    if doubtful.any():
        # One of them is wrong, and nobody knows which: the mean is no better than that.
        reach = np.where(seen[..., None], np.abs(lab_d50 - mean), 0.0).max(axis=0)
        random = np.where(doubtful[:, None], np.maximum(random, reach**2), random)
    u = np.sqrt(random + INSTRUMENT_FLOOR**2)
    made = _with_unread(own, mean, u, scatter_de, int(count.max()), seen.any(axis=0))
    made = replace(
        made, doubtful=tuple(p.name for p, d in zip(own.patches, doubtful, strict=True) if d)
    )
    if made.print_error_de > IMPLAUSIBLE_DE:
        raise BadFile(
            f"the readings differ from the card as drawn by {made.print_error_de:.0f} Delta E "
            "in the middle",
            "no printer is so far off: the lines may be shifted against the patches, or belong "
            "to another card",
            "check the names of the patches, the shape (`shape`), and L, a, b in their order",
        )
    return made


def _contradictions(lab_d50: np.ndarray, names: tuple[str, ...]) -> np.ndarray:
    """(n,) True for patches on which readings (r, n, 3) differ by more than they may. Raises
    ``BadFile`` when two readings differ so on most of their patches."""
    count = lab_d50.shape[1]
    names = names or tuple(f"reading {k + 1}" for k in range(len(lab_d50)))
    doubtful = np.zeros(count, bool)
    for a, b in itertools.combinations(range(len(lab_d50)), 2):
        both = np.isfinite(lab_d50[[a, b]]).all(axis=(0, 2))
        if not both.any():
            continue
        apart = np.zeros(count)
        apart[both] = delta_e_2000(lab_d50[a, both], lab_d50[b, both])
        typical = float(np.median(apart[both]))
        if typical > OTHER_PRINT_DE:
            raise BadFile(
                f"{names[a]} and {names[b]} differ by {typical:.1f} Delta E in the middle",
                "two readings of one print differ by less than one: they are of two prints, or "
                "one of them was made otherwise (other light, filter or backing), and their "
                "mean would be wrong for both",
                "give the readings of this print alone, all made alike",
            )
        doubtful |= apart > max(CONTRADICT_DE, CONTRADICT_TIMES * typical)
    return doubtful


def _with_unread(
    own: CardDefinition,
    lab: np.ndarray,
    u: np.ndarray,
    scatter_de: float | None,
    count: int,
    read: np.ndarray,
) -> Enrolment:
    """Patches that nobody read keep what the drawing says, with its uncertainty."""
    lab = np.where(read[:, None], lab, own.expected_lab_d50)
    u = np.where(read[:, None], u, own.u_lab)
    names = tuple(p.name for p, r in zip(own.patches, read, strict=True) if not r)
    return Enrolment(own, lab, u, scatter_de, count, names)


def refuse_other_card(own: CardDefinition, lab_d50: np.ndarray) -> None:
    """Raise ``PhotoUnfit`` when colours (n, 3; NaN where unread) cannot be this card's: printed
    without colour, another version, or in deep shade."""
    read = np.isfinite(lab_d50).all(axis=1)
    expected = own.expected_lab_d50[read]
    miss = float(np.median(delta_e_2000(expected, lab_d50[read])))
    if miss > REFUSE_DE["nominal"]:
        chroma = np.hypot(lab_d50[read, 1], lab_d50[read, 2])
        drawn = np.hypot(expected[:, 1], expected[:, 2])
        grey = float(np.median(chroma[drawn > 15] / drawn[drawn > 15])) if (drawn > 15).any() else 1
        cause = (
            "it seems to be printed without colour" if grey < 0.3 else "no printer is so far off"
        )
        raise PhotoUnfit(
            f"the card to enrol differs from its drawing by {miss:.0f} Delta E in the middle",
            f"{cause}; or it lies in other light than the known card, or is another card",
            "print it in colour on white paper, and lay both cards in the same even light",
        )


def enrolled_card(made: Enrolment, source: str) -> CardDefinition:
    """The definition to write. Raises ``BadFile`` when the values cannot be a card's."""
    patches = tuple(
        replace(
            p,
            lab_d50=tuple(round(float(v), 2) + 0.0 for v in lab),
            u_lab=tuple(float(np.ceil(100 * v - 1e-9) / 100) for v in u),
        )
        for p, lab, u in zip(made.card.patches, made.lab_d50, made.u_lab, strict=True)
    )
    card = replace(
        made.card, patches=patches, provenance="measured", source=source, paper_lab_d50=None
    )
    # Whatever is written must be readable again.
    return card_from_dict(card_to_dict(card), "the enrolled card")


def light_uncertainty(lab_d50: np.ndarray, level_log: float, chroma_share: float) -> np.ndarray:
    """(n, 3) what an error of the log light does to colours (n, 3): an equal error of all
    channels scales Lab's cube roots by a third of it; ``chroma_share`` of it differs from
    channel to channel (sRGB primaries: factors 0.42 of X against Y and 1.08 of Y against Z)."""
    f = (lab_d50[:, :1] + 16) / 116
    level = np.concatenate([116 * f, lab_d50[:, 1:]], axis=1) / 3 * level_log
    between = np.concatenate([0 * f, 500 / 3 * 0.42 * f, 200 / 3 * 1.08 * f], axis=1)
    return np.hypot(level, between * level_log * chroma_share)
