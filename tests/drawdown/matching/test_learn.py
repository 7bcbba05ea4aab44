"""Learning how inks behave: Bayes' rule in another form, hidden strong inks, files, undo."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from advice_kit import ask, reading

from calibration.errors import BadFile, WrongUsage
from drawdown.commands import main as cli
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
from drawdown.studio import batch_memory as slab_files
from drawdown.studio import locations as places
from drawdown.studio.shelf_file import ShelfInUse
from drawdown.wording.advice import note

PHOTOS = Path(__file__).parents[3] / "fixtures" / "photos"

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
        knowledge = learn(SHELF, None, RECIPE, steps, GROUND).knowledge
    (mean, covariance), _ = posterior_of_inks(SHELF, RECIPE, steps, GROUND, 0.05, knowledge)

    figures = ShelfFigures(SHELF, knowledge)
    recipes = lay_out(SHELF, [RECIPE], steps, GROUND, 0.05)
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
    knowledge = learn(SHELF, None, RECIPE, steps, GROUND).knowledge
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
    knowledge = learn(SHELF, None, RECIPE, steps, GROUND).knowledge
    turned = Shelf(SHELF.inks[::-1])
    same = gather(turned, {n: i for i, n in enumerate(NAMES)}, knowledge)
    one, two = ({row.name: row.absorbs for row in turned_out(shelf, known)}
                for shelf, known in ((SHELF, knowledge), (turned, same)))  # fmt: skip
    assert one == pytest.approx(two)
    assert gather(SHELF, {}, knowledge) is None


# Files ------------------------------------------------------------------------------------


USED = ShelfInUse(SHELF, "starter", None)


def photo(mark: str, step: Step, grams: float | None = None) -> slab_files.SlabPhoto:
    return slab_files.SlabPhoto(f"{mark}.jpg", mark, "2026-05-01T10:00:00", step, grams, None)


def keep(name: str, mark: str, step: Step, mix=None, added=None, grams=None):
    path = slab_files.memory_path(USED)
    opened = slab_files.open_slab(
        slab_files.read_memory(path), SHELF, name, mix, added or {}, grams, mark
    )
    seen = photo(mark, replace(step, added=opened.added), opened.grams)
    return opened, slab_files.remember(path, SHELF, opened, seen)


def stored() -> slab_files.Memory:
    return slab_files.read_memory(slab_files.memory_path(USED))


def test_a_batch_is_kept_goes_on_and_is_taken_back():
    steps = batch_of(RECIPE, SHORT, ({"phthalo-blue": 0.02}, {"phthalo-blue": 0.01}), {})
    keep("Kingfisher Green", "a", steps[0], RECIPE, grams=100.0)
    opened, _ = keep("kingfisher-green", "b", steps[1], added={"PB15:3": 2.0})
    assert opened.added == {"phthalo-blue": pytest.approx(0.02)}
    assert opened.grams == pytest.approx(102)
    keep("kingfisher green", "c", steps[2], added={"phthalo-blue": 1.0}, grams=51.0)
    (slab,) = stored().slabs
    assert slab.name == "Kingfisher Green"
    assert [p.step.added for p in slab.photos] == [
        {}, {"phthalo-blue": pytest.approx(0.02)}, {"phthalo-blue": pytest.approx(0.02)},
    ]  # fmt: skip
    kept = slab.photos[1].step.reading
    assert kept.lab_batch == pytest.approx(steps[1].reading.lab_batch, abs=1e-4)
    assert kept.covariance == pytest.approx(steps[1].reading.covariance)
    for left in (2, 1):
        slab_files.forget_last(slab_files.memory_path(USED), SHELF)
        assert len(stored().slabs[0].photos) == left
    slab_files.forget_last(slab_files.memory_path(USED), SHELF)
    assert stored().slabs == ()
    with pytest.raises(WrongUsage):
        slab_files.forget_last(slab_files.memory_path(USED), SHELF)


def test_without_a_weight_additions_are_parts():
    step = batch_of(RECIPE, SHORT, (), {})[0]
    keep("hill", "a", step, RECIPE)
    opened, _ = keep("hill", "b", step, added={"phthalo-blue": 1.5})
    assert opened.added == {"phthalo-blue": pytest.approx(0.015)}
    assert opened.grams is None


def test_the_same_photo_twice_counts_once():
    step = batch_of(RECIPE, SHORT, (), {})[0]
    keep("hill", "a", step, RECIPE)
    keep("hill", "b", step, added={"phthalo-blue": 1.5})
    opened, _ = keep("hill", "b", step)
    assert opened.added == {"phthalo-blue": pytest.approx(0.015)}
    assert [p.mark for p in stored().slabs[0].photos] == ["a", "b"]


def test_learnt_from_all_batches_and_unlearnt():
    """What is kept on disk is what learning one batch after another gives."""
    strength, expected = {"phthalo-blue": 1.5}, None
    for number, short in enumerate((6.0, 8.0, 13.0)):
        steps = batch_of(
            RECIPE, RECIPE | {"phthalo-blue": short}, ({"phthalo-blue": 0.02},), strength
        )
        keep(f"batch {number}", f"{number}a", steps[0], RECIPE)
        keep(f"batch {number}", f"{number}b", steps[1], added={"phthalo-blue": 2.0})
        before, expected = expected, learn(SHELF, expected, SHELF.named_mix(RECIPE), steps, GROUND)
        expected = expected.knowledge
    known = slab_files.knowledge_of(stored(), SHELF)
    assert known.mean == pytest.approx(expected.mean, abs=2e-3)
    assert known.covariance == pytest.approx(expected.covariance, abs=2e-3)
    path = slab_files.memory_path(USED)
    slab_files.forget_last(path, SHELF)
    slab_files.forget_last(path, SHELF)
    assert slab_files.knowledge_of(stored(), SHELF).mean == pytest.approx(before.mean, abs=2e-3)
    # An older batch that goes on is learnt last, and the others do not forget.
    keep("batch 0", "0c", steps[1], added={"phthalo-blue": 1.0})
    assert [s.name for s in stored().slabs] == ["batch 1", "batch 0"]
    assert stored().settled is not None


def test_what_a_version_with_another_prior_kept_is_learnt_anew_from_its_photos():
    for name, short in (("one", 6.0), ("two", 8.0), ("three", 13.0)):
        batch = RECIPE | {"phthalo-blue": short}
        steps = batch_of(RECIPE, batch, ({"phthalo-blue": 0.02},), {"phthalo-blue": 1.5})
        keep(name, name + "a", steps[0], RECIPE)
        keep(name, name + "b", steps[1], added={"phthalo-blue": 2.0})
    expected = slab_files.knowledge_of(stored(), SHELF)
    path = slab_files.memory_path(USED)
    data = json.loads(path.read_text())
    del data["prior"]  # as files were before it was noted
    path.write_text(json.dumps(data))
    assert stored().settled is None
    known = slab_files.knowledge_of(stored(), SHELF)
    assert known.mean == pytest.approx(expected.mean, abs=2e-3)
    assert known.covariance == pytest.approx(expected.covariance, abs=2e-3)
    # The next change writes it in today's terms.
    slab_files.forget_last(path, SHELF)
    assert stored().settled is not None


def test_new_figures_of_an_ink_begin_anew():
    steps = batch_of(RECIPE, SHORT, ({"phthalo-blue": 0.02},), {"phthalo-blue": 1.5})
    for name in ("one", "two"):
        keep(name, name + "a", steps[0], RECIPE)
        keep(name, name + "b", steps[1], added={"phthalo-blue": 2.0})
    memory = replace(stored(), slabs=())
    blue = SHELF.find("phthalo-blue")
    fresh = Shelf(tuple(replace(i, k=1.5 * i.k) if i is blue else i for i in SHELF))
    known = slab_files._settled_for(memory, fresh)
    names = [row.name for row in turned_out(fresh, known)]
    assert names == ["titanium-white", "arylide-yellow"]


@pytest.mark.parametrize(
    ("name", "mix", "added", "grams"),
    [
        ("new", None, {}, None),
        ("new", RECIPE, {"phthalo-blue": 1.0}, None),
        (" ", RECIPE, {}, None),
        ("a\nb", RECIPE, {}, None),
        ("hill", {"white": 1.0}, {}, None),
        ("hill", None, {"mud": 1.0}, None),
        ("hill", None, {"phthalo-blue": 5.0}, 4.0),
    ],
)
def test_batches_that_make_no_sense(name, mix, added, grams):
    step = batch_of(RECIPE, SHORT, (), {})[0]
    keep("hill", "a", step, RECIPE)
    with pytest.raises(WrongUsage):
        keep(name, "b", step, mix, added, grams)
    assert len(stored().slabs) == 1


@pytest.mark.parametrize(
    "text",
    ["[]", "{}", '{"format": "other/1"}', '{"format": "drawdown.learnt/1", "slabs": 3}',
     '{"format": "drawdown.learnt/1", "slabs": [], "inks": {"a": "b"}, '
     '"settled": {"mean": "AAAA", "covariance": "AAAA"}}'],
)  # fmt: skip
def test_a_spoiled_file_is_explained(text):
    path = slab_files.memory_path(USED)
    path.write_text(text)
    with pytest.raises(BadFile) as seen:
        slab_files.read_memory(path)
    assert "start over" in seen.value.todo


@pytest.mark.slow
def test_a_spoiled_file_does_not_stop_a_match_that_follows_no_batch(capsys):
    path = slab_files.memory_path(USED)
    path.write_text("{}")
    photo = str(PHOTOS / "no-match.jpg")
    mix = ["--mix", "white=97", "--mix", "PB15:3=2", "--mix", "PG7=1"]
    assert cli.main(["match", photo, "--json"]) == 3
    assert "learnt-unreadable" in json.loads(capsys.readouterr().out)["photo"]["flags"]
    assert cli.main(["match", photo, "--full"]) == 3
    assert "goes without it" in " ".join(capsys.readouterr().out.split())
    # To follow a batch, the file is needed, and it is not written over.
    assert cli.main(["match", photo, "--batch", "river", *mix]) == 6
    assert capsys.readouterr().out == ""
    assert path.read_text() == "{}"


def test_where_it_is_kept(tmp_path):
    own = tmp_path / "inks.toml"
    assert slab_files.memory_path(ShelfInUse(SHELF, "given", own)) == tmp_path / "inks.learnt.json"
    assert slab_files.memory_path(USED).parent == places.own_shelf().parent


@pytest.mark.slow
def test_from_photo_to_what_was_learnt(capsys):
    """The whole way: a photo begins a batch, the next one goes on with it, undo."""
    start = ["match", "fixtures/photos/no-match.jpg", "--batch", "hill", "--grams", "250",
             "--mix", "white=97", "--mix", "PB15:3=2", "--mix", "PG7=1"]  # fmt: skip
    assert cli.main(start) == 3
    assert "photo 1" in capsys.readouterr().err
    on = [
        "match",
        "fixtures/photos/match.jpg",
        "--batch",
        "hill",
        "--added",
        "PB15:3 2 g",
        "--json",
    ]
    assert cli.main(on) == 0
    out, err = capsys.readouterr()
    assert "photo 2" in err
    assert "came nearer" in json.loads(out)["advice"]["note"]
    assert cli.main(["ink", "list", "--learnt", "--json"]) == 0
    learnt = json.loads(capsys.readouterr().out)
    assert [row["ink"] for row in learnt["inks"]] == [
        "titanium-white", "phthalo-blue", "phthalo-green",
    ]  # fmt: skip
    assert learnt["batches"][0]["photos"][1]["added"] == [
        {"ink": "phthalo-blue", "parts_per_100": 0.8}
    ]
    assert learnt["batches"][0]["photos"][1]["grams"] == 252
    assert cli.main(["ink", "list", "--learnt"]) == 0
    assert "times the shelf's" in capsys.readouterr().out
    for left in ("1 photo of it stays", "The batch is gone"):
        assert cli.main(["undo"]) == 0
        assert left in capsys.readouterr().out
    assert cli.main(["undo"]) == 0
    assert "nothing to take back" in capsys.readouterr().out
    assert cli.main(["match", "x.jpg", "--added", "PG7 1 g"]) == 2
    assert cli.main(["match", "x.jpg", "--batch", "hill", "--added", "PG7"]) == 2


def test_knowledge_has_a_covariance():
    root = np.array([[2.0, 0], [1, 1]])
    assert Knowledge(np.zeros(2), root).covariance == pytest.approx(root @ root.T)
