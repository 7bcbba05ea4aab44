"""How two colours differ, in a printmaker's words: lighter, duller, redder, less grey."""

from __future__ import annotations

import numpy as np

from calibration.colour.difference import lch_metric

# What a turn of hue is called, by the hue it starts from: up to this angle, the word for a
# turn towards larger angles and for one towards smaller (common practice, no source).
_TURNS = (
    (40, "yellower", "bluer"),  # reds
    (75, "yellower", "redder"),  # oranges
    (115, "greener", "redder"),  # yellows
    (140, "greener", "yellower"),
    (185, "bluer", "yellower"),  # greens
    (215, "bluer", "greener"),  # turquoises
    (290, "redder", "greener"),  # blues
    (345, "redder", "bluer"),  # violets
    (360, "yellower", "bluer"),
)
_TINGES = (("redder", 0.0), ("yellower", 90.0), ("greener", 180.0), ("bluer", 270.0))
GREY_CHROMA = 8.0
LEAST, LITTLE, MUCH = 0.4, 1.0, 3.0  # Delta E: what is said at all, "a little", "much"


def _tinge(da: float, db: float) -> str:
    """The word for a step in the a*b* plane, by the nearest axis."""
    angle = np.degrees(np.arctan2(db, da)) % 360
    return min(_TINGES, key=lambda h: abs((angle - h[1] + 180) % 360 - 180))[0]


def _light(gap: float) -> str:
    return "lighter" if gap > 0 else "darker"


def hue_word(lab_1: np.ndarray, lab_2: np.ndarray) -> str:
    """What the second colour's hue is beside the first's: redder, yellower, greener, bluer."""
    if min(np.hypot(*lab_1[1:]), np.hypot(*lab_2[1:])) < GREY_CHROMA:
        return _tinge(lab_2[1] - lab_1[1], lab_2[2] - lab_1[2])
    start = np.degrees(np.arctan2(lab_1[2], lab_1[1])) % 360
    up = lab_1[1] * lab_2[2] - lab_1[2] * lab_2[1] > 0
    return next(more if up else less for limit, more, less in _TURNS if start <= limit)


def difference_words(lab_o: np.ndarray, lab_b: np.ndarray, cov: np.ndarray | None = None) -> str:
    """What a printmaker would say of the batch: "a little lighter, clearly greener". Each part
    counts when it exceeds ``LEAST`` and its own standard uncertainty."""
    m = lch_metric(lab_o)
    noise = np.zeros(3) if cov is None else np.sqrt(np.diag(m @ cov @ m.T))
    size = m @ (lab_b - lab_o)
    grey_o, grey_b = (np.hypot(*lab[1:]) < GREY_CHROMA for lab in (lab_o, lab_b))
    found = [(size[0], noise[0], _light(size[0]))]
    if grey_o:
        # A grey has no hue of its own: whatever colour there is now is a new one.
        across = np.hypot(noise[1], noise[2])
        found.append((float(np.hypot(size[1], size[2])), across, hue_word(lab_o, lab_b)))
        if not grey_b:
            found.append((size[1], across, "less grey"))
    else:
        cleaner = "greyer" if grey_b else "cleaner" if size[1] > 0 else "duller"
        found.append((size[1], noise[1], cleaner))
        found.append((size[2], noise[2], hue_word(lab_o, lab_b)))
    parts = []
    for amount, unsure, word in sorted(found, key=lambda part: -abs(part[0])):
        if abs(amount) >= max(LEAST, unsure):
            grade = "a little " if abs(amount) < LITTLE else "much " if abs(amount) > MUCH else ""
            parts.append(grade + word)
    return ", ".join(parts) if parts else "no measurable difference"


def missing_direction(lab_original: np.ndarray, lab_after: np.ndarray) -> str:
    """What the batch lacks, as one word: lighter, darker, cleaner, duller or a hue. The
    parts of the gap are weighed as CIE94 weighs them (S_C = 1 + .045 C, S_H = 1 + .015 C)."""
    gap = lab_original - lab_after
    chroma, wanted = float(np.hypot(*lab_after[1:])), float(np.hypot(*lab_original[1:]))
    if min(chroma, wanted) < 5:  # near grey there is no hue to turn, only colour to add
        across = float(np.hypot(*gap[1:])) / (1 + 0.045 * max(chroma, wanted))
        return _tinge(*gap[1:]) if across > abs(gap[0]) else _light(gap[0])
    cosine = float(lab_after[1:] @ lab_original[1:]) / (chroma * wanted)
    radial = lab_after[1:] / chroma
    turn = gap[1:] - float(gap[1:] @ radial) * radial
    # Far round the circle the straight way there says more than the way round.
    hue = _tinge(*(turn if cosine > 0.5 else gap[1:]))
    parts = {
        _light(gap[0]): abs(float(gap[0])),
        "cleaner" if wanted > chroma else "duller": abs(wanted - chroma) / (1 + 0.045 * chroma),
        hue: float(np.sqrt(max(0.0, 2 * chroma * wanted * (1 - cosine)))) / (1 + 0.015 * chroma),
    }
    return max(parts, key=lambda word: parts[word])
