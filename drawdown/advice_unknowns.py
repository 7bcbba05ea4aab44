"""The unknowns of a batch and its strips, and what each of them does to the colours read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drawdown.advice_colour import lab_slopes
from drawdown.advice_story import Step, added_in_all
from drawdown.ink_doubt import ROWS, ShelfFigures
from drawdown.inks import Shelf

BATCH_SD = 0.25  # how far a batch strays from its recipe
FREEDOM = 3.0  # of Student's t for that
ADDED_SD = 0.03  # weighing error of an addition
FILM_COMMON_SD = 0.25  # what "an ordinary film" is for this printmaker
FILM_SD = 0.10  # one strip against the next


@dataclass(frozen=True, eq=False)
class Recipes:
    """Several recipes side by side (g), each of up to m inks; empty places have no parts.
    The unknowns of a recipe, standard normal: m inks' own (ROWS each), m parts of the
    original, m of the batch, m of each addition, films: usual, original's, each photo's."""

    inks: np.ndarray  # (g, m) places on the shelf
    parts: np.ndarray  # (g, m) by weight
    sd: float  # of their logarithms, for the original
    film_ratios: tuple[float | None, ...]  # of each photo
    ratio_sd: tuple[float, ...]  # of their logarithms
    ground: np.ndarray
    batch_sd: np.ndarray  # (g, m) of the logarithms of batch over original
    added: np.ndarray  # (photos, g, m) shares of the batch's first weight, the first all zero

    @property
    def photos(self) -> int:
        return len(self.film_ratios)

    @property
    def size(self) -> int:
        return self.inks.shape[1] * (ROWS + 1 + self.photos) + 2 + self.photos

    @property
    def at_batch(self) -> slice:
        """Where the batch's parts stand."""
        m = self.inks.shape[1]
        return slice(m * (ROWS + 1), m * (ROWS + 2))

    def unpack(self, theta: np.ndarray, row=slice(None)):
        """Unknowns (g, size) of all recipes, or (..., size) of one ``row`` -> inks' unknowns
        (..., m, ROWS), parts of the strips (..., 1 + photos, m), log films (..., 1 + photos)."""
        m, photos = self.inks.shape[1], self.photos
        z = theta[..., : m * ROWS].reshape(*theta.shape[:-1], m, ROWS)
        rest = theta[..., m * ROWS : -2 - photos]
        rest = rest.reshape(*theta.shape[:-1], 1 + photos, m)
        original = self.parts[row] * np.exp(self.sd * rest[..., 0, :])
        batch = original * np.exp(self.batch_sd[row] * rest[..., 1, :])
        strips = [original / original.sum(-1, keepdims=True), batch / batch.sum(-1, keepdims=True)]
        for photo in range(1, photos):
            more = self.added[photo][row] * np.exp(ADDED_SD * rest[..., 1 + photo, :])
            strips.append(strips[-1] + more)
        strips = np.stack(strips, axis=-2)
        strips = strips / strips.sum(-1, keepdims=True)
        film = theta[..., -2 - photos :]
        films = [FILM_COMMON_SD * film[..., 0] + FILM_SD * film[..., 1]]
        for photo, ratio in enumerate(self.film_ratios):
            if ratio is None:
                films.append(FILM_COMMON_SD * film[..., 0] + FILM_SD * film[..., 2 + photo])
            else:
                own = self.ratio_sd[photo] * film[..., 2 + photo]
                films.append(films[0] + np.log(ratio) + own)
        return z, strips, np.stack(films, axis=-1)


def strips_and_slopes(figures: ShelfFigures, recipes: Recipes, theta: np.ndarray):
    """Lab of all strips as they are read (g, photos * 6: original, batch; original, batch ..)
    and their slopes (g, size, photos * 6) by the unknowns."""
    g, m = recipes.inks.shape
    photos = recipes.photos
    z, share, log_film = recipes.unpack(theta)
    k, s = figures.spectra(z, recipes.inks)  # (g, m, 31)
    film = np.exp(log_film)
    k_mix, s_mix = share @ k, share @ s  # (g, 1 + photos, 31)
    lab, by_k, by_s, by_x = lab_slopes(k_mix, s_mix, film[..., None], recipes.ground)
    # By the inks' unknowns: what each ink contributes at each wavelength.
    k_of, s_of = (
        k[:, :, None] * figures.rows_k[recipes.inks],
        s[:, :, None] * figures.rows_s[recipes.inks],
    )  # (g, m, ROWS, 31)
    by_z = k_of.reshape(g, 1, m * ROWS, -1) @ by_k + s_of.reshape(g, 1, m * ROWS, -1) @ by_s
    by_z = by_z.reshape(g, 1 + photos, m, ROWS, 3) * share[..., None, None]
    # By shares: (g, strips, m, 3), before the strip's own normalisation.
    effect = k[:, None] @ by_k + s[:, None] @ by_s
    effect = effect - (share[..., None] * effect).sum(axis=2, keepdims=True)
    by_film = film[..., None] * by_x  # (g, strips, 3) by the log film

    slope = np.zeros((g, recipes.size, 1 + photos, 3))
    slope[:, : m * ROWS] = by_z.reshape(g, 1 + photos, m * ROWS, 3).transpose(0, 2, 1, 3)
    at = m * ROWS
    slope[:, at : at + m, 0] = recipes.sd * share[:, 0, :, None] * effect[:, 0]
    start = share[:, 1]
    weighed = theta[:, at + 2 * m : at + m * (1 + photos)].reshape(g, photos - 1, m)
    put_in = recipes.added[1:] * np.exp(ADDED_SD * weighed.transpose(1, 0, 2))
    whole = 1.0 + np.cumsum(put_in.sum(axis=2), axis=0)[..., None]
    whole = np.concatenate([np.ones((1, g, 1)), whole])
    for photo in range(photos):
        now = effect[:, 1 + photo] / whole[photo][..., None]
        first = start[..., None] * (now - (start[..., None] * now).sum(axis=1, keepdims=True))
        slope[:, at : at + m, 1 + photo] = recipes.sd * first
        slope[:, at + m : at + 2 * m, 1 + photo] = recipes.batch_sd[..., None] * first
        for before in range(1, photo + 1):
            more = ADDED_SD * put_in[before - 1]
            rows = slice(at + (1 + before) * m, at + (2 + before) * m)
            slope[:, rows, 1 + photo] = more[..., None] * now
    films = recipes.size - 2 - photos
    slope[:, films] = FILM_COMMON_SD * by_film
    slope[:, films + 1, 0] = FILM_SD * by_film[:, 0]
    for photo, ratio in enumerate(recipes.film_ratios):
        if ratio is None:
            slope[:, films + 2 + photo, 1 + photo] = FILM_SD * by_film[:, 1 + photo]
        else:
            slope[:, films + 1, 1 + photo] = FILM_SD * by_film[:, 1 + photo]
            slope[:, films + 2 + photo, 1 + photo] = recipes.ratio_sd[photo] * by_film[:, 1 + photo]
    read = np.stack([np.zeros(photos, dtype=int), 1 + np.arange(photos)], axis=1).ravel()
    return lab[:, read].reshape(g, -1), slope[:, :, read].reshape(g, recipes.size, -1)


def lay_out(
    shelf: Shelf, mixes: list[dict[str, float]], steps: tuple[Step, ...], ground: np.ndarray,
    recipe_sd: float,
) -> Recipes:  # fmt: skip
    """Recipes (names of the shelf -> parts) side by side, with all that went in later."""
    places = {ink.name: i for i, ink in enumerate(shelf)}
    put_in = added_in_all(steps)
    later = [name for one in put_in for name in one]
    mixes = [{name: p for name, p in mix.items() if p > 0} for mix in mixes]
    full = [{**mix, **{name: mix.get(name, 0.0) for name in later}} for mix in mixes]
    width = max(len(mix) for mix in full)
    inks = np.zeros((len(full), width), dtype=int)
    parts = np.zeros((len(full), width))
    added = np.zeros((len(steps), len(full), width))
    for row, mix in enumerate(full):
        inks[row, : len(mix)] = [places[name] for name in mix]
        parts[row, : len(mix)] = list(mix.values())
        for photo, one in enumerate(put_in):
            added[photo, row, : len(mix)] = [one.get(name, 0.0) for name in mix]
    return Recipes(
        inks, parts, recipe_sd, tuple(step.film_ratio for step in steps),
        tuple(step.film_log_sd for step in steps), ground, np.full(parts.shape, BATCH_SD), added,
    )  # fmt: skip
