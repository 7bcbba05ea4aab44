"""What is film and what is ink, in a printmaker's words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from calibration.naming import named
from drawdown.matching.film_family import BASE, COLOUR
from drawdown.matching.film_or_ink import SURE_SAME, FilmApart
from drawdown.wording.figures import number

if TYPE_CHECKING:
    from drawdown.matching.compare import Comparison

# Explanations less probable than this are not worth a printmaker's time.
WORTH_NAMING, MOST_NAMED = 0.06, 2


def film_headline(film: FilmApart) -> str:
    """Film instead of ink, in one line."""
    thinner = "thinner" if (film.ratio or 0.0) < 1 else "thicker"
    if (film.p_within or 0.0) >= SURE_SAME:
        return f"Same ink, {thinner} film: pull it again."
    others = _instead(film)
    instead = f" or {others}" if others else ""
    return (
        f"Probably a {thinner} film{instead}: pull both strips again, equally thick, before you "
        "add ink."
    )


def film_sentences(c: Comparison) -> tuple[str, ...]:
    """What the film has to do with the difference; empty when there is nothing to say."""
    film = c.film
    if film is None or c.verdict is None or c.de00 <= c.tolerance:
        return ()
    if film.kind == "short":
        return (
            "Can't tell film from ink: these strips don't show how the colour changes with film. "
            "Pull strips that start thick and run out thin.",
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
        )
    said = [
        f"The batch's film is probably {film.ratio:.2f} times as thick as the original's (95 %: "
        f"{film.ratio_low95:.2f} to {film.ratio_high95:.2f}).",
        _shares(c, film),
    ]
    if not film.explains(c.de00, c.tolerance):
        return tuple(said)
    if (film.p_within or 0.0) < SURE_SAME:
        said.append(
            "By colour alone the two look the same. If the difference stays when both are pulled "
            f"alike, it is the ink: add {named('`pulled_alike`')}."
        )
    return (film_headline(film), *said)


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
