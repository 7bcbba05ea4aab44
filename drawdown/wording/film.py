"""What is film and what is ink, in a printmaker's words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drawdown.flags import FILM_DIFFERS
from drawdown.matching.film_family import BASE, COLOUR
from drawdown.matching.film_or_ink import SURE_SAME, FilmApart

if TYPE_CHECKING:
    from drawdown.matching.compare import Comparison

# Explanations less probable than this are not worth a printmaker's time.
WORTH_NAMING, MOST_NAMED = 0.06, 2
ALIKE_OPTION = "--pulled-alike"


def film_explains(film: FilmApart | None, de00: float, tolerance: float) -> bool:
    """Whether the film accounts for the difference: within tolerance at equal film, though
    not as they lie."""
    return (
        film is not None
        and film.ratio is not None
        and de00 > tolerance
        and film.de00_equal_film <= tolerance
    )


def film_first(c: Comparison) -> bool:
    """Whether the strips are to be pulled again before any ink is spent."""
    return any(flag.kind is FILM_DIFFERS for flag in c.flags)


def film_alone(c: Comparison) -> bool:
    """Whether it is the same ink for certain: then no ink is advised at all. Where film and
    mix look alike, what to add is told for the case that the difference stays."""
    return film_first(c) and c.film is not None and c.film.p_within >= SURE_SAME


def film_detail(film: FilmApart, batch: int) -> str:
    """For the flag: which strip, how much."""
    return f"strip {batch} lies about {film.ratio:.2f} times as thick"


def headline(film: FilmApart) -> str:
    """Film instead of ink, in one line."""
    thinner = "thinner" if film.ratio < 1 else "thicker"
    if film.p_within >= SURE_SAME:
        return f"Same ink, {thinner} film: pull it again."
    others = _instead(film)
    instead = f"or {others}" if others else "though that is not certain"
    return f"A {thinner} film, {instead}: pull both strips again, equally thick, before adding ink."


def film_sentences(c: Comparison) -> tuple[str, ...]:
    """What the film has to do with the difference; empty when there is nothing to say."""
    film = getattr(c, "film", None)
    if film is None or c.verdict is None or c.de00 <= c.tolerance:
        return ()
    if film.kind == "short":
        return (
            "Film: the strips do not show how this colour changes with film, so film cannot be "
            "told from ink. Pull strips that start thick and run out thin.",
        )
    if film.kind == "opaque":
        return (
            "Film does not explain this: the ink covers. A film 30 % thinner would change it by "
            f"less than {_delta(film.effect_de00)} Delta E.",
        )
    if film_explains(film, c.de00, c.tolerance):
        said = [headline(film), _amount(film), _shares(c, film)]
        if film.p_within < SURE_SAME:
            said.append(
                "In colour the two cannot be told apart. If the difference stays when both are "
                f"pulled alike, it is the ink: then say {ALIKE_OPTION}."
            )
        return tuple(said)
    if film.ratio is None:
        return (
            "Film: how thick the batch lies beside the original cannot be told. A film 30 % "
            f"thinner would change this colour by about {_delta(film.effect_de00)} Delta E. At "
            f"equal film Delta E would probably be {_delta(film.de00_equal_film)} (95 %: "
            f"{_delta(film.de00_equal_film_low95)} to {_delta(film.de00_equal_film_high95)}).",
        )
    return (_amount(film), _shares(c, film))


def _amount(film: FilmApart) -> str:
    return (
        f"Film: the batch probably lies {film.ratio:.2f} times as thick as the original (95 %: "
        f"{film.ratio_low95:.2f} to {film.ratio_high95:.2f})."
    )


def _shares(c: Comparison, film: FilmApart) -> str:
    ink = min(film.de00_equal_film, c.de00)
    return (
        f"At equal film Delta E would be {_delta(film.de00_equal_film)} (95 %: "
        f"{_delta(film.de00_equal_film_low95)} to {_delta(film.de00_equal_film_high95)}): of the "
        f"{_delta(c.de00)} measured, about {_delta(c.de00 - ink)} is film and {_delta(ink)} ink."
    )


def _instead(film: FilmApart) -> str:
    named = []
    for ink, more, p in film.instead:
        if p < WORTH_NAMING or len(named) == MOST_NAMED:
            break
        if ink == BASE:
            named.append(f"a little {'more' if more else 'less'} base")
        elif ink == COLOUR:
            named.append(f"a little {'less white' if more else 'more white'}")
        else:
            named.append(f"a little {'more' if more else 'less'} {ink}")
    return " or ".join(named)


def _delta(value: float) -> str:
    text = f"{value:.1f}"
    return "0.0" if float(text) == 0 else text
