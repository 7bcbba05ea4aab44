"""Original against batch: CIEDE2000, what differs in words, and the verdict.

The verdict is a conformance probability (JCGM 106:2012): p is the probability that the
true Delta E is within tolerance, from the distribution of the difference *vector*, never
of the scalar. Two strips in one photo share the correction's errors, so the difference is
taken member by member of the ensemble.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.colour.difference import delta_e_2000, lch_difference, lch_metric, local_metric
from calibration.colour.spaces import lab_to_xyz, xyz_to_lab
from drawdown import flags as fl
from drawdown.defaults import TOLERANCE_DE00
from drawdown.matching.film_family import Mix
from drawdown.matching.film_or_ink import FilmApart, film_apart
from drawdown.reading.colour import StripReading
from drawdown.wording.film import film_detail, film_explains
from drawdown.wording.hues import GREY_CHROMA, hue_word

SURE = 0.95
AT_TOLERANCE = 0.25  # Delta E: what nobody would call a distance from the tolerance
DRAWS = 4000
# Weak prior on the difference, per axis: batches are usually nearly right. It is widened to
# the difference that was read, so that it never argues against a plain one.
PRIOR_SD = 3.0
# The camera is not an eye, and a map fitted to a printer's dyes is not quite right for
# pigments: standard uncertainty of a difference per axis, in the CIEDE2000 metric, as a
# floor and a share of the difference (rendered scenes, DEVELOPERS.md "Uncertainty"). The
# share is larger for a home print that was not measured; other tubes raise the floor.
CAMERA_FLOOR = {False: 0.12, True: 1.0}
CAMERA_SHARE = {"nominal": 0.15, "measured": 0.13}
# A card in other light than the strips (in shade) says less about them.
SHADED_SHARE = 0.45
# Two photos have two lamps, two tone curves and two fits: standard uncertainty of the
# difference per axis in the CIEDE2000 metric (rendered pairs, DEVELOPERS.md).
ACROSS_PHOTOS = {"nominal": 2.2, "measured": 1.9}
# A strip that shines in places may shine a little everywhere: standard uncertainty per axis
# in the CIEDE2000 metric (rendered scenes with soft glare left errors of 2 to 5).
GLARE_SD = 1.5
DIFFERENT_LIGHT_SD = 0.05
# Paper beside one strip that is so much lighter than beside the other (natural log, after
# the lamp's field is taken out) is other paper or other light; neither lets one compare.
DIFFERENT_RIM = 0.06
# The same in the photo as it is: more than a lamp's fall-off makes between two strips.
DIFFERENT_SEEN = 0.12

LET_DRY = "let the wet strip dry, then photograph both again"
VERDICTS = ("match", "no match", "too close to call")


@dataclass(frozen=True)
class Comparison:
    """Batch minus original. ``de00`` best estimate of CIEDE2000, freed of the bias that
    noise gives near zero; ``de00_low95`` and ``de00_high95`` its 95 % interval; ``dL``,
    ``dC``, ``dH`` CIELAB differences in lightness, chroma and hue (metric); ``d_lab`` (3,)
    and ``d_lab_cov`` (3, 3) the difference vector and its covariance; ``p_within`` the
    probability that the true difference is within tolerance; ``verdict`` None when a hard
    flag forbids one; ``settle`` what would settle a verdict that is too close to call.
    ``film_ratio`` and ``de00_equal_film`` (see ``film``, which has their intervals) are None
    when not determined."""

    original: int
    batch: int
    de00: float
    de00_low95: float
    de00_high95: float
    dL: float
    dC: float
    dH: float
    d_lab: np.ndarray
    d_lab_cov: np.ndarray
    words: str
    film_ratio: float | None
    de00_equal_film: float | None
    tolerance: float
    p_within: float
    verdict: str | None
    settle: str | None
    flags: tuple[fl.Flag, ...]
    film: FilmApart | None = None


def compare(
    original: StripReading,
    batch: StripReading,
    *,
    tolerance: float = TOLERANCE_DE00,
    other_inks: bool = False,
    nominal_card: bool = True,
    shaded_card: bool = False,
    across_photos: bool = False,
    hard: bool = False,
    paper_lab: np.ndarray | None = None,
    mix: Mix | None = None,
    pulled_alike: bool = False,
    wet_with_dry: bool = False,
) -> Comparison:
    """Compare two strips. ``nominal_card``, ``shaded_card`` and ``across_photos`` (the two
    strips are in two photos) widen the uncertainty; ``hard`` says that a hard flag was raised
    before. Film is told from ink when the bare paper (3,) is known; ``mix`` (when noted) and
    ``pulled_alike`` (both strips were pulled with care as thick as each other) help with it.
    ``wet_with_dry``: one was wet, and nothing is known of how it dries: no match is certain."""
    lab_o, lab_b = original.lab_d50, batch.lab_d50
    d = lab_b - lab_o
    m = local_metric(lab_o)
    kind = "nominal" if nominal_card else "measured"
    share = SHADED_SHARE if shaded_card else CAMERA_SHARE[kind]
    sd = float(np.hypot(CAMERA_FLOOR[other_inks], share * np.linalg.norm(m @ d)))
    if any(f.kind is fl.STRIP_GLARE for f in (*original.flags, *batch.flags)):
        sd = float(np.hypot(sd, GLARE_SD))
    members_o = original.lab_samples
    if across_photos:
        sd = float(np.hypot(sd, ACROSS_PHOTOS[kind]))
        # Members of two photos have nothing in common: pair them off otherwise.
        members_o = np.roll(members_o, len(members_o) // 2, axis=0)
    to_lab = np.linalg.inv(m)
    cov = _covariance(batch.lab_samples - members_o) + sd**2 * to_lab @ to_lab.T
    rim, seen_rim = (0.0, 0.0) if across_photos else _rim_steps(original, batch)
    # Half of what the paper beside the strips disagrees in may be light.
    slope = (xyz_to_lab(1.01 * lab_to_xyz(lab_b)) - lab_b) / 0.01
    cov = cov + (0.5 * rim) ** 2 * np.outer(slope, slope)

    rng = np.random.default_rng(7)
    normal = rng.standard_normal((DRAWS, 3))
    # The prior holds the estimate back a little where the reading is weak.
    prior = np.eye(3) * max(PRIOR_SD, float(np.linalg.norm(d))) ** 2
    keep = prior @ np.linalg.inv(prior + cov)
    mean_p, cov_p = keep @ d, keep @ cov
    root = _root(cov_p)
    draws_p = mean_p + normal @ root.T
    zero = normal @ _root(cov).T
    draws = d + zero
    everything = delta_e_2000(lab_o, lab_o + np.concatenate([draws_p, draws, zero]))
    de_p, de, de_zero = np.split(everything, 3)
    best = float(np.sqrt(max(0.0, np.mean(de**2) - np.mean(de_zero**2))))
    p = float(np.mean(de_p <= tolerance))
    low, high = _interval(d, cov, best, de, de_p)

    flags: list[fl.Flag] = []
    if other_inks:
        flags.append(fl.OTHER_INKS())
    if across_photos:
        flags.append(fl.ACROSS_PHOTOS())
    worst = max(original.light_sd, batch.light_sd)
    if worst > DIFFERENT_LIGHT_SD:
        flags.append(fl.DIFFERENT_LIGHT(f"it is uncertain by {100 * worst:.0f} %"))
    elif abs(rim) > DIFFERENT_RIM or abs(seen_rim) > DIFFERENT_SEEN:
        step = rim if abs(rim) > DIFFERENT_RIM else seen_rim
        darker = (batch if step < 0 else original).strip.number
        percent = 100 * (1 - np.exp(-abs(step)))
        flags.append(
            fl.DIFFERENT_LIGHT(f"the paper beside strip {darker} is {percent:.0f} % darker")
        )
    stopped = hard or any(f.hard for f in (*flags, *original.flags, *batch.flags))
    verdict = None if stopped else _verdict(p, low, best, tolerance)
    if wet_with_dry and verdict == VERDICTS[0]:
        verdict = VERDICTS[2]
    film = None
    if paper_lab is not None and verdict is not None:
        trails = original.trail_lab_d50, batch.trail_lab_d50
        film = film_apart(lab_o, lab_b, *trails, cov, paper_lab, mix, tolerance, pulled_alike)
        if film_explains(film, best, tolerance):
            flags.append(fl.FILM_DIFFERS(film_detail(film, batch.strip.number)))
    d_l, d_c, d_h = lch_difference(lab_o, lab_b)
    return Comparison(
        original=original.strip.number,
        batch=batch.strip.number,
        de00=best,
        de00_low95=low,
        de00_high95=high,
        dL=d_l,
        dC=d_c,
        dH=d_h,
        d_lab=d,
        d_lab_cov=cov,
        words=difference_words(lab_o, lab_b, cov),
        film_ratio=None if film is None else film.ratio,
        de00_equal_film=None if film is None else film.de00_equal_film,
        tolerance=tolerance,
        p_within=p,
        verdict=verdict,
        settle=(
            LET_DRY
            if wet_with_dry and verdict == VERDICTS[2]
            else _settle(
                original,
                batch,
                cov,
                other_inks,
                across_photos,
                apart=abs(best - tolerance),
                nominal=nominal_card,
                shaded=shaded_card,
            )
            if verdict == VERDICTS[2]
            else None
        ),
        flags=tuple(flags),
        film=film,
    )


def _rim_steps(original: StripReading, batch: StripReading) -> tuple[float, float]:
    """How much lighter the paper beside the batch is than beside the original, natural log:
    in even light, and as the photo shows it. 0 where one of them shows no paper."""
    if original.rim is None or batch.rim is None:
        return 0.0, 0.0
    even = batch.rim.even_log - original.rim.even_log
    seen = batch.rim.seen_log - original.rim.seen_log
    return float(np.mean(even)), float(np.mean(seen))


def _covariance(members: np.ndarray) -> np.ndarray:
    """(3, 3) of the ensemble's differences (m, 3)."""
    return np.atleast_2d(np.cov(members.T))


def _root(cov: np.ndarray) -> np.ndarray:
    values, vectors = np.linalg.eigh((cov + cov.T) / 2)
    return vectors * np.sqrt(np.maximum(values, 0.0))


def _verdict(p: float, low95: float, best: float, tolerance: float) -> str:
    """By probability; "no match" only when a difference is shown at all: a wide covariance
    makes any small tolerance improbable without showing one."""
    if p >= SURE:
        return VERDICTS[0]
    if p <= 1 - SURE and low95 > 0 and best > tolerance:
        return VERDICTS[1]
    return VERDICTS[2]


def _interval(
    d: np.ndarray, cov: np.ndarray, best: float, de: np.ndarray, de_p: np.ndarray
) -> tuple[float, float]:
    """95 % interval of the true Delta E.

    Upper end: the 97.5 % quantile of the sampled Delta E. Lower end: the 2.5 % quantile of
    those samples that the probability of conformance counts, so that the two agree; zero when
    no difference at all is plausible (Mahalanobis distance of zero below the 95 % point of
    chi-square with three degrees of freedom, 7.815)."""
    high = float(np.quantile(de, 0.975))
    if float(d @ np.linalg.solve(cov, d)) < 7.815:
        return 0.0, high
    return min(best, float(np.quantile(de_p, 0.025))), max(high, best)


def difference_words(lab_o: np.ndarray, lab_b: np.ndarray, cov: np.ndarray | None = None) -> str:
    """What a printmaker would say of the batch: "a little lighter, clearly greener".

    Each part counts when it exceeds 0.4 Delta E and its own standard uncertainty; under 1
    it is "a little", over 3 "much".
    """
    d = lab_b - lab_o
    m = lch_metric(lab_o)
    noise = np.zeros(3) if cov is None else np.sqrt(np.diag(m @ cov @ m.T))
    size = m @ d
    grey_o, grey_b = (np.hypot(*lab[1:]) < GREY_CHROMA for lab in (lab_o, lab_b))
    found: list[tuple[float, str]] = [(size[0], "lighter" if size[0] > 0 else "darker")]
    if grey_o:
        # A grey has no hue of its own: whatever colour there is now is a new one.
        across = float(np.hypot(size[1], size[2]))
        found.append((across, hue_word(lab_o, lab_b)))
        noise = np.array([noise[0], np.hypot(noise[1], noise[2]), 0.0])
        if not grey_b:
            found.append((size[1], "less grey"))
            noise[2] = noise[1]
    elif grey_b:
        found.append((size[1], "greyer"))
        found.append((size[2], hue_word(lab_o, lab_b)))
    else:
        found.append((size[1], "cleaner" if size[1] > 0 else "duller"))
        found.append((size[2], hue_word(lab_o, lab_b)))
    parts = []
    order = sorted(range(len(found)), key=lambda k: -abs(found[k][0]))
    for k in order:
        amount, word = found[k]
        if abs(amount) < max(0.4, noise[k]):
            continue
        grade = "a little " if abs(amount) < 1.0 else "much " if abs(amount) > 3.0 else ""
        parts.append(grade + word)
    return ", ".join(parts) if parts else "no difference that can be told"


def _settle(
    original: StripReading,
    batch: StripReading,
    cov: np.ndarray,
    other_inks: bool,
    across_photos: bool,
    *,
    apart: float,
    nominal: bool,
    shaded: bool,
) -> str:
    """The largest removable part of the uncertainty, as something to do. ``apart`` is how far
    the best estimate lies from the tolerance."""
    worst = max((original, batch), key=lambda s: s.evenness_de00)
    light = 40 * max(original.light_sd, batch.light_sd)
    uneven = worst.evenness_de00 / 2
    if across_photos:
        return "photograph the kept original and the batch together, in one picture"
    if other_inks:
        return "the inks differ from the original's, so judge by eye in the light it will hang in"
    total = float(np.sqrt(np.trace(cov) / 3))
    if uneven > max(light, 0.5 * total):
        return f"pull strip {worst.strip.number} again, more evenly, and shoot once more"
    if light > 0.5 * total:
        return "lay both strips side by side in even light, close to the card, and shoot once more"
    if apart <= AT_TOLERANCE:
        return "the difference is right at the tolerance: shoot once more, or decide by eye"
    if any(f.kind is fl.STRIP_GLARE for f in (*original.flags, *batch.flags)):
        return "turn the sheet so that no lamp mirrors in the strips, and shoot once more"
    if shaded:
        return "move so that no shadow falls on card or strips, and shoot once more"
    sure = "this photo is too unsure for that tolerance: shoot once more from nearer, in even light"
    return sure + (", and have your printed card measured" if nominal else "")
