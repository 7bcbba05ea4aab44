"""Learning how inks behave: Bayes' rule in another form, hidden strong inks."""

from __future__ import annotations

import numpy as np
import pytest
from advice_kit import ask, reading

from drawdown.ink.forward import lab_of_mix, paper_ground
from drawdown.ink.prior import ROWS, Knowledge, ShelfFigures
from drawdown.ink.shelf import Shelf, starter_shelf
from drawdown.matching.batch_history import Step, added_in_all, pulls
from drawdown.matching.batch_model import _prior as prior_of
from drawdown.matching.batch_model import (
    _read,
    _solve,
    lay_out,
    posterior_of_inks,
    strips_and_slopes,
)
from drawdown.matching.learn import gather, learn, turned_out
from drawdown.matching.recipes import Recipe
from drawdown.wording.advice import note

GROUND = paper_ground(None)
NAMES = ("titanium-white", "transparent-base", "phthalo-blue", "arylide-yellow", "bone-black")
SHELF = Shelf(tuple(starter_shelf().find(name) for name in NAMES))
# A difference read to 0.2 per axis, colours to 2: a good photo.
FINE = {"difference_cov": 0.04 * np.eye(3), "common_sd": np.full(3, 2.0)}


def true_lab(parts: dict[str, float], strength: dict[str, float], film: float = 1.0) -> np.ndarray:
    k, s = (np.array([v * strength.get(i.name, 1.0) for i, v in zip(SHELF, one, strict=True)])
            for one in ([i.k for i in SHELF], [i.s for i in SHELF]))  # fmt: skip
    return lab_of_mix(k, s, np.array([parts.get(n, 0.0) for n in NAMES]), film, GROUND)


def batch_of(recipe, start, additions, strength, **noise) -> tuple[Step, ...]:
    """Photos of a batch that began as ``start`` and got ``additions``, one before each."""
    parts = {name: amount / sum(start.values()) for name, amount in start.items()}
    steps = []
    for added in ({}, *additions):
        whole = sum(parts.values())
        for name, share in added.items():
            parts[name] = parts.get(name, 0.0) + share * whole
        data = reading(true_lab(recipe, strength), true_lab(parts, strength), **(noise or FINE))
        steps.append(Step(data, added))
    return tuple(steps)


RECIPE = {"titanium-white": 80.0, "phthalo-blue": 10.0, "arylide-yellow": 10.0}
BOTH = Recipe(RECIPE, RECIPE)
SHORT = RECIPE | {"phthalo-blue": 6.0}


# Bayes ------------------------------------------------------------------------------------


@pytest.mark.parametrize("taught", [False, True], ids=["first batch", "second batch"])
def test_posterior_is_bayes_rule_in_its_other_form(taught):
    """Gaussian posterior with weights' precision A = H R^-1 H^T + P^-1 (Rasmussen & Williams
    2006, Gaussian Processes for Machine Learning, eq. 2.8), against our gain form; H by
    finite differences at the most probable state."""
    steps = batch_of(RECIPE, SHORT, ({"phthalo-blue": 0.02}, {"bone-black": 0.001}), {})
    knowledge = None
    if taught:
        knowledge = learn(SHELF, None, RECIPE, steps, GROUND, RECIPE).knowledge
    (mean, covariance), _ = posterior_of_inks(SHELF, BOTH, steps, GROUND, knowledge)

    figures = ShelfFigures(SHELF, knowledge)
    recipes = lay_out(SHELF, [BOTH], steps, GROUND)
    measured, noise = _read(steps)
    prior = prior_of(figures, recipes)
    found = _solve(figures, recipes, prior, measured, noise)
    theta, recipes = found.theta, found.recipes
    curves = figures.of(recipes.inks)
    size = theta.shape[1]
    h = np.empty((size, measured.size))
    for i in range(size):
        step = 1e-5 * (np.arange(size) == i)
        high, low = (strips_and_slopes(curves, recipes, theta + s * step)[0] for s in (1, -1))
        h[i] = (high - low)[0] / 2e-5
    p = np.eye(size) if prior.root is None else prior.root[0] @ prior.root[0].T
    expected = np.linalg.inv(h @ np.linalg.solve(noise, h.T) + np.linalg.inv(p))
    own = 4 * ROWS  # three inks of the recipe and the black that was added
    used = ("titanium-white", "phthalo-blue", "arylide-yellow", "bone-black")
    at = np.concatenate([np.arange(ROWS) + ROWS * NAMES.index(name) for name in used])
    assert covariance[np.ix_(at, at)] == pytest.approx(expected[:own, :own], abs=2e-4)
    assert mean[at] == pytest.approx(theta[0, :own], abs=0.05)
    # Base was in nothing: what is known of it stays.
    base = slice(ROWS, 2 * ROWS)
    before = np.eye(ROWS) if knowledge is None else knowledge.covariance[base, base]
    assert covariance[base, base] == pytest.approx(before, abs=1e-9)


def test_hidden_strong_blue_is_found_out():
    """A blue 1.5 times as strong as the shelf says, against a white that is as it says."""
    strength, knowledge, widths = {"phthalo-blue": 1.5}, None, []
    for short in (0.6, 0.75, 1.3, 0.8):
        start = RECIPE | {"phthalo-blue": 10 * short}
        steps = batch_of(
            RECIPE, start, ({"phthalo-blue": 0.015}, {"titanium-white": 0.1}), strength
        )
        lesson = learn(SHELF, knowledge, RECIPE, steps, GROUND)
        assert lesson.taken
        knowledge = lesson.knowledge
        blue = next(row for row in turned_out(SHELF, knowledge) if row.name == "phthalo-blue")
        widths.append(blue.absorbs_log_sd)
    assert widths[-1] < widths[0] < blue.absorbs_log_sd_before
    assert blue.absorbs > 1.15
    assert abs(np.log(blue.absorbs / 1.5)) < 1.96 * blue.absorbs_log_sd
    names = [row.name for row in turned_out(SHELF, knowledge)]
    assert names == ["titanium-white", "phthalo-blue", "arylide-yellow"]


def test_what_was_learnt_makes_the_advice_better_and_surer():
    strength = {"phthalo-blue": 1.6}
    steps = batch_of(RECIPE, SHORT, ({"phthalo-blue": 0.01}, {"phthalo-blue": 0.01}), strength)
    knowledge = learn(SHELF, None, RECIPE, steps, GROUND, RECIPE).knowledge
    recipe = {"titanium-white": 95.0, "phthalo-blue": 5.0}
    one, two = (true_lab(p, strength) for p in (recipe, recipe | {"phthalo-blue": 3.0}))
    wanted = 100 * 2 / 98
    before, after = (
        ask(one, two, recipe, shelf=SHELF, knowledge=known, tolerance=1.0, **FINE)
        for known in (None, knowledge)
    )
    assert [name for name, _ in after.additions] == ["phthalo-blue"]
    assert abs(after.additions[0][1] - wanted) <= abs(before.additions[0][1] - wanted) + 0.05
    assert after.predicted_de00_high95 < before.predicted_de00_high95


def test_an_addition_and_the_photo_after_it_correct_the_next_advice():
    """The batch answered half as much as figured: more is needed than the figures say."""
    strength = {"phthalo-blue": 0.5}
    recipe = {"titanium-white": 90.0, "phthalo-blue": 10.0}
    start = recipe | {"phthalo-blue": 5.0}
    first, second = batch_of(recipe, start, ({"phthalo-blue": 0.02},), strength)
    seen = second.reading
    told = ask(
        seen.lab_original, seen.lab_batch, recipe, shelf=SHELF, story=(first,),
        added={"phthalo-blue": 0.02}, tolerance=0.5, **FINE,
    )  # fmt: skip
    truth = 100 * (10 / 90 * 90 - 5 - 0.02 * 95) / (95 * 1.02)
    assert [name for name, _ in told.additions] == ["phthalo-blue"]
    assert told.additions[0][1] == pytest.approx(truth, rel=0.2)
    assert "came nearer" in note(told)
    alone = ask(seen.lab_original, seen.lab_batch, recipe, shelf=SHELF, tolerance=0.5, **FINE)
    assert told.first_de00_95[1] < alone.first_de00_95[1] + 0.1


def test_a_wrong_mix_teaches_nothing():
    red = starter_shelf().find("pyrrole-red")
    shelf = Shelf((*SHELF, red))
    lab = lab_of_mix(np.array([red.k]), np.array([red.s]), np.ones(1), 1.0, GROUND)
    steps = (Step(reading(lab, lab + 1.0, **FINE)),)
    lesson = learn(shelf, None, {"titanium-white": 50.0, "phthalo-blue": 50.0}, steps, GROUND)
    assert not lesson.taken
    assert lesson.knowledge is None
    assert lesson.surprise > lesson.freedom


def test_shares_of_later_additions_count_from_the_first_weight():
    data = batch_of(RECIPE, SHORT, (), {})[0].reading
    steps = (Step(data), Step(data, {"phthalo-blue": 0.5}), Step(data, {"bone-black": 0.1}))
    assert added_in_all(steps) == [{}, {"phthalo-blue": 0.5}, {"bone-black": pytest.approx(0.15)}]
    assert pulls(steps) == 1
    assert pulls((*steps, Step(data), Step(data))) == 3


def test_knowledge_of_other_inks_is_not_mixed_up():
    steps = batch_of(RECIPE, SHORT, ({"phthalo-blue": 0.02},), {"phthalo-blue": 1.5})
    knowledge = learn(SHELF, None, RECIPE, steps, GROUND, RECIPE).knowledge
    turned = Shelf(SHELF.inks[::-1])
    same = gather(turned, {n: i for i, n in enumerate(NAMES)}, knowledge)
    one, two = ({row.name: row.absorbs for row in turned_out(shelf, known)}
                for shelf, known in ((SHELF, knowledge), (turned, same)))  # fmt: skip
    assert one == pytest.approx(two)
    assert gather(SHELF, {}, knowledge) is None


def test_knowledge_has_a_covariance():
    root = np.array([[2.0, 0], [1, 1]])
    assert Knowledge(np.zeros(2), root).covariance == pytest.approx(root @ root.T)
