"""The answer of ``drawdown match`` as a report."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from calibration.errors import PhotoUnfit, sentence
from drawdown.matching.advise import Advice
from drawdown.matching.compare import Comparison
from drawdown.pipeline.read import Judgement
from drawdown.pipeline.rough import RoughLook
from drawdown.reading.colour import Colour
from drawdown.report.html import sheet
from drawdown.report.html.sheet import Banner, Part, Points, Report, Say, Swatch, Swatches, Table
from drawdown.report.pictures.answer import draw_refused, marked_photo, shown
from drawdown.wording import advice as advising
from drawdown.wording import verdict as wording
from drawdown.wording.cautions import cautions
from drawdown.wording.difference import film_sentences
from drawdown.wording.doubts import how_known, other_way_round, well_known
from drawdown.wording.figures import evenness, lab_parts, munsell, number, parts
from drawdown.wording.flags import compared, meaning, remarks

TITLE = "Ink against the kept original"


def match_report(judgement: Judgement, story: Sequence[Part] = ()) -> Report:
    """Verdict, colours, numbers, what to do, the photo, the batch's ``story``, cautions."""
    c, advice, pair = judgement.comparison, judgement.advice, compared(judgement)
    known = all(well_known(judgement, colour) for _, colour in pair)
    found: list[Part] = [
        Banner(wording.headline(judgement)),
        Say([wording.in_a_sentence(judgement)], strong=True),
        Swatches([Swatch(name, colour.lab_d50) for name, colour in pair]),
    ]
    if c is not None and c.verdict is not None:
        found.append(_distance(c))
        found.append(Say(advising.action(judgement), "What to do", strong=True))
        found += _advised(advice, advising.wait_for(judgement))
        found += _points("Film or ink", film_sentences(c)[int(c.film_first) :])
    else:
        found += _points("Why it can't be judged", remarks(judgement, hard=True))
    if pair:
        found.append(_readings(pair) if known else Say([how_known(judgement)], "Both colours"))
        if c is None or c.verdict is None:
            found.append(Say([wording.NOT_TO_BE_USED]))
    found += [*story, *_photo(judgement)]
    found += _photo(judgement.earlier, "The kept original's photo") if judgement.earlier else []
    if judgement.photos:
        found.append(Table(("photo", "original", "batch", ""), _used(judgement), "The photos"))
    found += _points("Worth knowing", remarks(judgement, hard=False))
    found.append(Say([meaning(judgement), other_way_round(judgement)]))
    found += _points("Cautions", cautions(advice) if advice is not None else ())
    return Report(TITLE, found, _about(judgement))


def rough_report(look: RoughLook) -> Report:
    """A rough look without a card."""
    c, hard = look.comparison, [flag.text for flag in look.flags if flag.hard]
    found: list[Part] = [
        Say([wording.ROUGH], strong=True),
        Banner(wording.headline(look)),
        Say([wording.in_a_sentence(look)], strong=True),
        Swatches(
            [Swatch(*one) for one in zip(("original", "batch"), _labs(look.strips), strict=True)]
        ),
    ]
    if c.verdict is None:
        found += _points("Why it can't be judged", hard)
    else:
        found += [_distance(c), Say([wording.rough_action(look)], "What to do", strong=True)]
    found += [Say([wording.ROUGH_LIMITS]), *_photo(look)]
    found += _points("Worth knowing", [flag.text for flag in look.flags if not flag.hard])
    return Report(TITLE, found, _about(look))


def refusal_report(unfit: PhotoUnfit, photo: Path) -> Report:
    """A photo that can't be judged: what was seen, why it matters, what to do."""
    said = [sentence(text) for text in (unfit.seen, unfit.why, unfit.todo)]
    picture = sheet.photo(draw_refused(unfit, shown(unfit, photo)), f"The photo. {said[0]}")
    return Report(TITLE, [Banner(wording.HEADLINES[None]), Say(said, strong=True), picture])


def _labs(strips: Sequence[Colour]) -> list[list[float]]:
    return [strip.lab_d50.tolist() for strip in strips]


def _distance(c: Comparison) -> Table:
    rows = [
        ("Delta E 2000", number(c.de00, 2)),
        ("95 % interval", wording.interval(c)),
        ("Tolerance", number(c.tolerance)),
        ("How sure", wording.chance(c)),
        ("Along", wording.along_lch(c)),
    ]
    return Table((), rows, "How far apart")


def _readings(pair: Sequence[tuple[str, Colour]]) -> Table:
    rows = [
        [name, *lab_parts(colour), munsell(colour), evenness(colour), colour.state or "not noted"]
        for name, colour in pair
    ]
    return Table(
        ("", "L*", "a*", "b*", "value", "evenness, Delta E", "wet or dry"), rows, "Both colours"
    )


def _advised(advice: Advice | None, wait: str) -> list[Part]:
    if advice is None:
        return []
    if not advice.additions:
        return [Say([advising.note(advice)])]
    weights = dict(advice.grams or ())
    rows = [
        [
            ink,
            advising.weight(advice, ink, weights[ink]) if ink in weights else "weight not known",
            f"{parts(amount)} per 100",
        ]
        for ink, amount in advice.additions
    ]
    said = [advising.all_of_it(advice), advising.note(advice)]
    if advice.mix_inferred:
        said.append(sentence(advising.guessed_mix(advice)))
    return [Say([wait]), Table(("ink", "in all", "parts"), rows), Say(said)]


def _photo(seen: Judgement | RoughLook, title: str = "The photo") -> list[Part]:
    if seen.photo is None:  # an instrument's readings
        return []
    marked = marked_photo(seen, sheet.PHOTO_PX, sheet.PHOTO_PX)
    card = "" if isinstance(seen, RoughLook) else " and card"
    alt = f"The photo with strips{card} outlined"
    return [sheet.photo(marked, alt, title, "Thin line: the part that was measured.")]


def _used(judgement: Judgement) -> list[tuple[str, str, str, str]]:
    """What became of each of several photos."""
    return [
        (
            Path(used.path).name,
            "" if used.original is None else f"strip {used.original}",
            "" if used.batch is None else f"strip {used.batch}",
            f"left out: {used.left_out}" if used.left_out else "used",
        )
        for used in judgement.photos
    ]


def _points(title: str, texts: Sequence[str]) -> list[Part]:
    return [Points(title, texts)] if texts else []


def _about(seen: Judgement | RoughLook) -> list[str]:
    """Where the answer comes from; no more of a path than the file's name."""
    if seen.photo is None:
        return [f"Readings {Path(seen.path).name}"]
    taken = seen.photo.metadata.get("captured")
    told = [f"Photo {Path(seen.photo.path).name}" + (f", taken {taken}" if taken else "")]
    card = None if isinstance(seen, RoughLook) else seen.view.card.title
    return [*told, *([f"Card: {card}"] if card else [])]
