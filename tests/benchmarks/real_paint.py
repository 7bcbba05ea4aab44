"""Where real paint departs from two-constant mixing: ``python tests/benchmarks/real_paint.py``.

71 measured films of oil paint (tests/data/oils). Each colour is known from its masstone and a 10 %
tint in white, black from three mixtures with white, white from its own film; every other mixture is
predicted, over black and over white, and none was seen. Printed are Delta E 2000 (D50, 2 degree) as
median / 95th percentile, the same under an LED, and the root mean square error of reflectance; then
how often the stated 95 % holds.

Models, each one step from the one before: two constants of opaque films; the same as films over
their own ground; the surface (Saunderson's k2, and light that the surface scatters back) chosen
for the whole set by how well the known films fit; white that scatters more, or less, where it is
thinned (crowding), by the paints that it was chosen on. Then this program, from Lab alone and from
spectra.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "kits"))
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import oil_paints as oils

from calibration.colour.difference import delta_e_2000
from calibration.colour.illuminants import LAMPS, lab_under
from calibration.uncertainty.gauss_newton import State, most_probable
from drawdown.ink.film import reflectance_slopes

Predict = Callable[[oils.Sample], np.ndarray]
NM = 31
READING = 0.006  # of the cube root of a reflectance: how well a film is asked to fit
FILM_SD, K_SD, S_SD = 0.3, 3.0, 2.0  # wide: of the logarithms
FREE = (0.3, 0.45, 0.6), (0.0, 0.01, 0.02, 0.03)  # k2, light of the surface
CROWDING = (-0.4, -0.2, 0.2, 0.4, 0.8)


@dataclass(frozen=True)
class Film:
    """Films over their ground, K and S by wavelength without any smoothness. ``light`` is what the
    surface scatters back; white scatters ``1 + crowding (1 - its share)`` times as much as in white
    alone."""

    k1: float = 0.04
    k2: float = 0.6
    light: float = 0.0
    crowding: float = 0.0

    def seen(self, k: np.ndarray, s: np.ndarray, film: float, sample: oils.Sample):
        """Reflectance (2, 31), and its slopes by K, S and the film."""
        dark = np.clip(sample.grounds - self.light, 1e-5, None)
        ground = np.minimum(dark / ((1 - self.k1) * (1 - self.k2) + self.k2 * dark), 0.995)
        r, *slopes = reflectance_slopes(*np.broadcast_arrays(k, s, film, ground))
        through = (1 - self.k1) * (1 - self.k2) / (1 - self.k2 * r)
        return self.light + through * r, [through / (1 - self.k2 * r) * by for by in slopes]

    def mixed(self, sample: oils.Sample, known: Mapping[str, np.ndarray]):
        """Shares of K and of S of each paint, and K and S (2, 31) of the mixture."""
        share = np.array(list(sample.parts.values())) / sum(sample.parts.values())
        scattering = share.copy()
        for i, paint in enumerate(sample.parts):
            if paint == oils.WHITE:
                scattering[i] *= 1 + self.crowding * (1 - share[i])
        curves = np.array([known[paint] for paint in sample.parts])
        return share, scattering, np.array([share @ curves[:, 0], scattering @ curves[:, 1]])


def fitted(
    model: Film, paint: str, samples: Sequence[oils.Sample], known: dict[str, np.ndarray]
) -> State:
    """K and S (2, 31) of a paint into ``known``, from samples of it in what is known already."""

    def against(z: np.ndarray):
        ks = np.exp(np.concatenate([K_SD * z[:NM], S_SD * z[NM : 2 * NM]])).reshape(2, NM)
        residuals, rows = [], []
        for i, sample in enumerate(samples):
            at = list(sample.parts).index(paint)
            share, scattering, mix = model.mixed(sample, known | {paint: ks})
            film = float(np.exp(FILM_SD * z[2 * NM + i]))
            seen, (by_k, by_s, by_film) = model.seen(mix[0], mix[1], film, sample)
            seen = np.maximum(seen, 1e-4)
            residuals.append((np.cbrt(seen) - np.cbrt(sample.over)) / READING)
            to = 1 / (3 * np.cbrt(seen) ** 2) / READING
            row, nm = np.zeros((2, NM, z.size)), np.arange(NM)
            row[:, nm, nm] = to * by_k * share[at] * ks[0] * K_SD
            row[:, nm, NM + nm] = to * by_s * scattering[at] * ks[1] * S_SD
            row[:, :, 2 * NM + i] = to * by_film * film * FILM_SD
            rows.append(row.reshape(2 * NM, -1))
        return np.ravel(residuals), np.vstack(rows)

    start = np.zeros(2 * NM + len(samples))
    states = []
    for s in (-0.5, 0.75):
        start[NM : 2 * NM] = s
        states.append(most_probable(against, start, longest=1.0, rounds=60))
    best = min(states, key=lambda state: float(state.surprise))
    z = best.mode
    known[paint] = np.exp(np.array([K_SD * z[:NM], S_SD * z[NM : 2 * NM]]))
    return best


def films(samples: Mapping[str, oils.Sample], model: Film) -> tuple[Predict, float]:
    """The model with all paints known; and how badly the known films fit."""
    known: dict[str, np.ndarray] = {}
    cost = 0.0
    known_from = {oils.WHITE: oils.WHITE_FROM, oils.BLACK: oils.BLACK_FROM}
    for paint, names in (known_from | oils.CHOSEN_ON | oils.HELD_OUT).items():
        cost += float(fitted(model, paint, [samples[n] for n in names], known).surprise)

    def predict(sample: oils.Sample) -> np.ndarray:
        _, _, (k, s) = model.mixed(sample, known)
        seen: np.ndarray = model.seen(k, s, 1.0, sample)[0]
        return seen

    return predict, cost


def off(samples: Mapping[str, oils.Sample], predict: Predict, names: Sequence[str]) -> np.ndarray:
    """(2 n) Delta E 2000 over black and over white."""
    return np.ravel(
        [delta_e_2000(oils.lab_of(predict(samples[n])), samples[n].lab_d50) for n in names]
    )


def both(values: np.ndarray) -> str:
    return f"{np.median(values):.1f} / {np.quantile(values, 0.95):.1f}"


def table(samples: Mapping[str, oils.Sample], models: Mapping[str, Predict]) -> None:
    for what, paints in (("chosen on", oils.CHOSEN_ON), ("held out", oils.HELD_OUT)):
        names = oils.unseen(samples, paints)
        tints = [n for n in names if oils.BLACK not in samples[n].parts]
        print(f"\n| {what}: {len(names)} mixtures, each twice | all | tints in white "
              "| with black | all, LED | reflectance |\n|---|---|---|---|---|---|")  # fmt: skip
        for name, predict in models.items():
            led = np.ravel([
                delta_e_2000(*(lab_under(r, LAMPS["LED"]) for r in (predict(s), s.over)))
                for s in map(samples.__getitem__, names)
            ])  # fmt: skip
            rms = [np.sqrt(np.mean((predict(samples[n]) - samples[n].over) ** 2)) for n in names]
            cells = [both(off(samples, predict, some)) for some in (
                names, tints, [n for n in names if n not in tints]
            )]  # fmt: skip
            print(f"| {name} | {' | '.join(cells)} | {both(led)} | {np.median(rms):.3f} |")


def other_media(samples: Mapping[str, oils.Sample], inks: oils.Fitted) -> None:
    """Colours fitted in one white, predicted in another and in extenders; how much colour, and what
    film, would have to be there for what was measured."""
    print("\n| in | Delta E 2000 | with as much of the colour | and such a film | then |"
          "\n|---|---|---|---|---|")  # fmt: skip
    for medium in oils.OTHER_MEDIA:
        off_by, strengths, thick, then = [], [], [], []
        for sample in samples.values():
            if medium not in sample.parts or len(sample.parts) == 1:
                continue
            off_by += list(delta_e_2000(oils.lab_of(inks.predict(sample)), sample.lab_d50))
            tried = []
            for more in np.exp(np.linspace(-1.4, 1.4, 29)):
                parts = {p: v * (1.0 if p == medium else more) for p, v in sample.parts.items()}
                for film in np.exp(np.linspace(-0.8, 0.8, 17)):
                    seen = oils.lab_of(inks.predict(replace(sample, parts=parts), film))
                    tried.append((float(delta_e_2000(seen, sample.lab_d50).mean()), more, film))
            best = min(tried)
            then.append(best[0])
            strengths.append(best[1])
            thick.append(best[2])
        print(f"| {medium} | {both(np.array(off_by))} | {np.median(strengths):.2f} "
              f"({min(strengths):.2f} to {max(strengths):.2f}) | {np.median(thick):.2f} "
              f"| {np.median(then):.1f} |")  # fmt: skip


def main() -> None:
    samples = oils.read_samples()
    plain = oils.two_constants(samples)
    over_ground, _ = films(samples, Film())
    surfaces = [Film(k2=k2, light=light) for k2 in FREE[0] for light in FREE[1]]
    surface = min(surfaces, key=lambda model: films(samples, model)[1])
    chosen = oils.unseen(samples, oils.CHOSEN_ON)
    crowded = [replace(surface, crowding=c) for c in CROWDING]
    crowd = min(crowded, key=lambda m: float(np.median(off(samples, films(samples, m)[0], chosen))))
    by_lab, by_spectra = (oils.Fitted(samples, by) for by in (False, True))
    print(f"surface that fits best: k2 {surface.k2:g}, light {surface.light:g}; "
          f"crowding {crowd.crowding:+g}")  # fmt: skip
    table(samples, {
        "two constants, opaque, from Lab": oils.two_constants(oils.guessed_from_lab(samples)),
        "two constants, opaque": plain, "films over their ground": over_ground,
        "and the set's own surface": films(samples, surface)[0],
        "and crowding": films(samples, crowd)[0],
        "drawdown from Lab": by_lab.predict, "drawdown from spectra": by_spectra.predict,
    })  # fmt: skip
    for what, paints in (("chosen on", oils.CHOSEN_ON), ("held out", oils.HELD_OUT)):
        names = oils.unseen(samples, paints)
        black = [n for n in names if oils.BLACK in samples[n].parts]
        for how, inks in (("Lab", by_lab), ("spectra", by_spectra)):
            tints = oils.held(inks, samples, [n for n in names if n not in black])
            print(f"{what}, from {how}: the stated 95 % holds {100 * tints:.0f} % of the tints, "
                  f"{100 * oils.held(inks, samples, black):.0f} % with black")  # fmt: skip
    other_media(samples, by_spectra)


if __name__ == "__main__":
    main()
