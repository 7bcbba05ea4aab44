"""How two colours differ, in a printmaker's words: lighter, duller, redder, less grey; and how
much of that is film, how much ink."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from calibration.colour.difference import lch_metric
from calibration.naming import named
from drawdown.matching.film_family import BASE, COLOUR
from drawdown.matching.film_or_ink import SURE_SAME, FilmApart
from drawdown.wording.figures import number

if TYPE_CHECKING:
    from drawdown.matching.compare import Comparison

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


# Film or ink -----------------------------------------------------------------------------

# Explanations less probable than this are not worth a printmaker's time.
WORTH_NAMING, MOST_NAMED = 0.06, 2


_PULL_A_WEDGE = "pull the batch again from thick to thin and add `wedge`"


def film_headline(film: FilmApart) -> str:
    """Film instead of ink, in one line."""
    thinner = "thinner" if (film.ratio or 0.0) < 1 else "thicker"
    if (film.p_within or 0.0) >= SURE_SAME:
        return f"Same ink, {thinner} film: pull it again."
    others = _instead(film)
    instead = f" or {others}" if others else ""
    return named(f"Probably a {thinner} film{instead}: before any ink, {_PULL_A_WEDGE}.")


def film_sentences(c: Comparison) -> tuple[str, ...]:
    """What the film has to do with the difference; empty when there is nothing to say."""
    film = c.film
    if film is None or c.verdict is None or c.de00 <= c.tolerance:
        return ()
    if film.kind == "short":
        return (
            named(
                "Can't tell film from ink: these strips don't show how the colour changes with "
                f"film. To leave the film out of it, {_PULL_A_WEDGE}."
            ),
        )
    if film.kind == "opaque":
        return (
            "Not the film: this ink covers. A film 30 % thinner would change it by less than "
            f"{number(film.effect_de00)} Delta E.",
        )
    if film.ratio is None:
        return (
            "Can't tell whether both strips are equally thick. A film 30 % thinner would change "
            f"this colour by about {number(film.effect_de00)} Delta E; at equal film Delta E "
            f"would probably be {_equal_film(film)}.",
            *_by_bar(film),
        )
    said = [
        f"The batch's film is probably {film.ratio:.2f} times as thick as the original's (95 %: "
        f"{film.ratio_low95:.2f} to {film.ratio_high95:.2f}).",
        _shares(c, film),
        *_by_bar(film),
    ]
    if not film.explains(c.de00, c.tolerance):
        return tuple(said)
    if (film.p_within or 0.0) < SURE_SAME:
        said.append(
            named(
                "By colour alone the two look the same. To be sure, weigh out a little ink by the "
                "original's recipe, pull it beside the batch in one stroke, and compare those two "
                "with `pulled_alike`."
            )
        )
    return (film_headline(film), *said)


def _by_bar(film: FilmApart) -> tuple[str, ...]:
    return ("Both strips cross the black bar; what shows there counts too.",) * film.over_bar


def _equal_film(film: FilmApart) -> str:
    return (
        f"{number(film.de00_equal_film)} (95 %: {number(film.de00_equal_film_low95)} to "
        f"{number(film.de00_equal_film_high95)})"
    )


def _shares(c: Comparison, film: FilmApart) -> str:
    ink = min(film.de00_equal_film or 0.0, c.de00)
    return (
        f"At equal film Delta E would be {_equal_film(film)}: of the {number(c.de00)} measured, "
        f"about {number(c.de00 - ink)} is film and {number(ink)} ink."
    )


def _instead(film: FilmApart) -> str:
    """The likeliest other explanations."""
    likely = [(ink, more) for ink, more, p in film.instead if p >= WORTH_NAMING][:MOST_NAMED]
    return " or ".join(_amount(ink, more) for ink, more in likely)


def _amount(ink: str, more: bool) -> str:
    if ink == COLOUR:
        return f"a little {'less white' if more else 'more white'}"
    return f"a little {'more' if more else 'less'} {'base' if ink == BASE else ink}"
