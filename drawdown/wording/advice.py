"""The advice in a printmaker's words: amounts, what they rest on, what they cannot do, and what to
do instead."""

from __future__ import annotations

from collections.abc import Iterable

from calibration.colour.illuminants import HERE, LAMPS, UnderLamp
from calibration.naming import named
from drawdown.matching.advise import ALL, AMOUNTS, COLOURS, Advice, Basis
from drawdown.matching.amounts import Rows, round_grams
from drawdown.pipeline.read import Judgement
from drawdown.wording.difference import film_headline, missing_direction
from drawdown.wording.figures import grams, lab_text, noted_grams, number, of_readings, parts
from drawdown.wording.verdict import to_settle

STRONG_PARTS = 1.0
FAR_DE00 = 10.0  # further away than this it is the amount of ink that is in the way
# A match that another lamp spoils: beyond tolerance there, and by this much worse than here.
LAMP_WORSE = 0.5
FILM_SHARE = 0.6  # of the distance at equal film: less than this leaves some to the film

WAIT = "Only if the next photo says no match:"
WAIT_FOR_FILM = "If the difference stays when both are pulled alike:"
STOP_AT_MATCH = "ink can't come out, so stop at match"


def wait_for(judgement: Judgement) -> str:
    """What must be seen before the advice is followed; empty when it may be at once."""
    c = judgement.comparison
    if c is None:
        return ""
    if c.film_first:
        return WAIT_FOR_FILM
    return WAIT if c.verdict == "too close to call" else ""


# The one action --------------------------------------------------------------------------


def action(judgement: Judgement) -> list[str]:
    """What to do now, one sentence or two a line, what comes first before the rest."""
    c, advice = judgement.comparison, judgement.advice
    if c is None or c.verdict is None:
        return []
    said = [to_settle(c)]
    if c.film_first and c.film is not None:
        said.append(film_headline(c.film))
    if advice is not None and not advice.additions:
        said.append(named(_nothing(advice)))
    elif advice is not None:
        said.append(take_out(advice) if advice.portion < 1 else "")
        if wait := wait_for(judgement):
            listed = _listed(advice, advice.add_first, advice.grams_first)
            said.append(f"{wait} {_first(advice).lower()} {listed}.")
        else:
            said += [first_step(advice), in_all(advice)]
    said = [text for text in said if text]
    return said if judgement.table is None else list(map(of_readings, said))


def first_step(advice: Advice) -> str:
    """What to work in before looking again, and what should come of it."""
    expected = ""
    if advice.first_de00_95 is not None:
        low, high = advice.first_de00_95
        expected = f": expect Delta E {number(low)} to {number(high)} (95 %)"
    return (
        f"{_first(advice)} {_listed(advice, advice.add_first, advice.grams_first)}; pull a strip, "
        f"let it dry and photograph it{expected}."
    )


def _first(advice: Advice) -> str:
    return "First work in" if advice.add_first != advice.additions else "Work in"


def _listed(advice: Advice, rows: Rows, weights: Rows | None, *, both: bool = True) -> str:
    """Grams of each ink and (``both``) the parts that they are; parts alone where no weight is
    known."""
    known = dict(weights or ())
    if not known:
        return f"{' and '.join(f'{parts(amount)} parts of {ink}' for ink, amount in rows)} per 100"
    return " and ".join(
        f"{weight(advice, ink, known[ink])} of {ink}"
        + (f" ({parts(amount)} per 100)" if both else "")
        if ink in known
        else f"{parts(amount)} parts of {ink} per 100"
        for ink, amount in rows
    )


def weight(advice: Advice, ink: str, value: float) -> str:
    """Grams of an ink as the scale shows them, or that it shows too little."""
    # What is below a gram is rounded to the scale's step already.
    shown = grams(value) if value >= 1 else f"{value:g} g"
    return f"a knife tip, {shown}" if ink in advice.knife_tips else shown


def take_out(advice: Advice) -> str:
    """That only a portion is to be corrected; the same words in the note."""
    share, whole = advice.portion, advice.basis.weighing.batch_g
    by, rest = (
        (f"{100 * part:.0f} %" if whole is None else noted_grams(part * whole))
        for part in (1 - share, share)
    )
    return (
        f"Take out {by} of the batch first and store it; add only to the {rest} that stay, or the "
        "whole grows beyond use."
    )


def in_all(advice: Advice) -> str:
    """The whole addition, and that no ink comes out again."""
    if advice.add_first == advice.additions:
        return f"{STOP_AT_MATCH[0].upper()}{STOP_AT_MATCH[1:]}."
    listed = _listed(advice, advice.additions, advice.grams, both=False)
    return f"In all {listed}; {STOP_AT_MATCH}."


def all_of_it(advice: Advice) -> str:
    """The colour that the whole addition should come to."""
    return (
        f"All of it should bring the batch to {lab_text(advice.predicted_lab_d50)}, Delta E "
        f"{number(advice.predicted_de00)} from the original (95 % below "
        f"{number(advice.predicted_de00_high95)})."
    )


def guessed_mix(advice: Advice) -> str:
    """What of the mix is a guess, and the question whose answer helps most."""
    ratio = ", ".join(f"{ink} {parts(x)}" for ink, x in advice.mix_used.items())
    what, todo = {
        ALL: ("the mix is a guess", "name its inks, or only white or base, with `inks`"),
        COLOURS: ("the colours are a guess", "name them too with `inks`"),
        AMOUNTS: ("the amounts are a guess", "give them with `mix` if you know them"),
    }[advice.basis.unknown]
    return named(f"{what} ({ratio}): {todo}.")


def asks_for_inks(advice: Advice) -> bool:
    """Whether the names of its inks would help most of all that can still be said."""
    b = advice.basis
    if not advice.mix_inferred or b.foreign:
        return False
    open_question = b.unknown != AMOUNTS and b.settled and b.de00_now > b.tolerance
    return bool(advice.additions) or open_question


# The note --------------------------------------------------------------------------------


def note(advice: Advice) -> str:
    """What the amounts rest on, what they cannot do, and what to do instead; in full sentences."""
    b = advice.basis
    said = _since_last(advice)
    said += _of_additions(advice) if advice.additions else [_nothing(advice)]
    said += _other_lamps(advice)
    far = b.de00_now > b.tolerance
    if b.unknown == ALL:
        # Of a batch that is to be left alone, nobody asks what it was mixed from.
        said += _guess(advice) if not b.foreign and (advice.additions or far) else []
    elif b.unknown != COLOURS and b.surprising and far and advice.additions:
        said.append(f"Other amounts of these inks would not make this difference. {went_in(b)}")
    return named(" ".join(said))


def _since_last(advice: Advice) -> list[str]:
    """Whether the last addition helped."""
    before, now = advice.basis.de00_before, advice.basis.de00_now
    if before is None or not advice.basis.newest_added:
        return []
    read = f"Delta E was {before:.1f} before the last addition and is {now:.1f} now."
    if now < before - 0.2:
        return [f"It came nearer: {read}"]
    if now > before + 0.2:
        return [
            f"It went further away: {read} The film, or an ink that was not noted, may be why; "
            "the advice allows for it."
        ]
    return [f"It came no nearer: {read}"]


def _of_additions(advice: Advice) -> list[str]:
    b = advice.basis
    said = [take_out(advice)] if advice.portion < 1 else []
    said += _small_amounts(advice)
    if advice.predicted_de00 > b.tolerance:
        still = missing_direction(b.lab_original, advice.predicted_lab_d50)
        said.append(
            f"This brings it nearer, but hardly within tolerance: it will still have to become "
            f"{still}. Look again after it."
        )
    elif advice.add_first != advice.additions:
        said.append("Stop as soon as a photo says match, even if you have not used it all.")
    if b.de00_equal_film < FILM_SHARE * b.de00_now:
        said.append(
            "Part of the difference looks like film: pull the batch again, as thick as "
            "the original, before you add ink."
        )
    if b.learnt:
        said.append("This allows for what earlier batches taught about these inks.")
    return said


def _nothing(advice: Advice) -> str:
    """Why nothing is to be added."""
    b, again, story = advice.basis, advice.look_again, advice.basis.de00_before is not None
    if b.de00_now <= b.tolerance:
        return _within(advice)
    if b.foreign:
        return (
            "Can't say what to add: no mixture of the inks on this shelf looks like the original "
            f"(the nearest is Delta E {b.foreign:.0f} off). Put the inks it was mixed from on the "
            "shelf with `add_ink`, or give another with `shelf`."
        )
    if b.de00_equal_film < min(b.tolerance, 0.7 * b.de00_now):
        going_by = "going by what went in, " if story else ""
        return (
            f"Add nothing yet: {going_by}most of the difference looks like film, not ink. Pull "
            "the batch again, as thick as the original, and photograph it."
        )
    if b.reachable and again:
        return (
            "Add nothing yet: at equal film it may well be within tolerance. Pull another strip "
            "and photograph it."
        )
    if b.unknown == ALL:
        return (
            "Add nothing yet: what helps one mix spoils another, and nobody said what is in yours. "
            "Name its inks with `inks`, or only white or base."
        )
    if b.reachable:
        return (
            f"{'Stop here: no' if story else 'No'} ink on the shelf would bring the batch clearly "
            f"nearer than Delta E {b.de00_now:.1f}; {_lacking(advice)}."
        )
    start = (
        "Adding these inks can't bring the batch to the original: the nearest is Delta E "
        f"{b.de00_nearest:.1f}"
    )
    if b.hue_on_shelf and b.de00_now > FAR_DE00:
        start = f"{start}. It is too far away for sensible amounts of ink."
    else:
        start = f"{'Stop here. ' if story else ''}{start}; {_lacking(advice)}."
    return " ".join([start, *_ways_out(advice)])


def went_in(b: Basis) -> str:
    """Which ink may be in the batch by mistake."""
    wrong, missing = b.by_mistake
    if wrong is None:
        return "Check that the right inks went in, and that this is the mix."
    instead = f" instead of {missing}" if missing else ""
    return f"It looks as if {wrong} went in{instead}: check what you used."


def _ways_out(advice: Advice) -> list[str]:
    """What to do with a batch that nothing on the shelf brings near."""
    b = advice.basis
    out, said = b.way_out, []
    if not advice.mix_inferred:
        said.append(went_in(b))
    if out is None or not out.fresh:
        afresh = "Mixing a new batch will probably waste less; keep this one for another colour."
        return [*said, afresh]
    rows = out.fresh_grams or out.fresh
    unit = " g" if out.fresh_grams else ""
    said.append(f"Mix afresh: {', '.join(f'{ink} {x:g}{unit}' for ink, x in rows)}.")
    if out.small_part:
        said.append(
            f"Up to {100 * out.small_part:g} % of this batch in the new one won't show; keep the "
            "rest for another colour."
        )
    else:
        said.append("Keep this batch for another colour.")
    return said


def _within(advice: Advice) -> str:
    if not advice.basis.settled:
        return "Add nothing yet: it may well be within tolerance, and this photo can't settle it."
    if advice.look_again:
        return (
            "Within tolerance: leave the batch as it is. A thinner or thicker film could hide a "
            "difference; one more strip with the same pressure would show it."
        )
    return "Within tolerance: leave the batch as it is."


def _lacking(advice: Advice) -> str:
    b = advice.basis
    kind = missing_direction(b.lab_original, b.lab_nearest)
    if kind in ("lighter", "darker", "duller"):
        return f"it would have to become {kind}, and nothing here does that without turning the hue"
    if b.hue_on_shelf:
        return f"it would have to become {kind}, and what the shelf has for that spoils more"
    return f"it needs a {kind} ink than any on the shelf: add one to the shelf"


def _other_lamps(advice: Advice) -> list[str]:
    """A match under this lamp that another would spoil, and lamps that were asked for."""
    tolerance = advice.basis.tolerance
    here = next((lamp.de00 for lamp in advice.lamps if lamp.lamp == HERE), None)
    worse: list[UnderLamp] = []
    if here is not None and max(here, advice.predicted_de00) <= tolerance:
        least = max(tolerance, here + LAMP_WORSE)
        worse = [lamp for lamp in advice.lamps if lamp.de00 > least]
    asked = [lamp for lamp in advice.lamps if lamp.lamp not in LAMPS and lamp not in worse]
    then = "once that is in, " if advice.additions else ""
    said = [f"By the spectra of the inks, {then}Delta E {_under(asked)}."] if asked else []
    if not worse:
        return said
    wrong = advice.basis.by_mistake[0]
    new = [name for name, _ in advice.additions if name not in advice.mix_used or name == wrong]
    why = f", as {' and '.join(new)} is not in the mix" if new else ""
    return [
        *said,
        f"The match may fail under another lamp{why}: Delta E {_under(worse)}. Look at both strips "
        "under the light where the print will hang.",
    ]


def _under(lamps: list[UnderLamp]) -> str:
    return " and ".join(
        f"under {lamp.lamp} about {lamp.de00:.1f} (95 % below {lamp.de00_high95:.1f})"
        for lamp in lamps
    )


def _small_amounts(advice: Advice) -> list[str]:
    said = []
    tips, weights = advice.knife_tips, dict(advice.grams or ())
    for name in tips:
        if name not in weights:
            said.append(f"{name}: no more than a knife tip, less than most scales show.")
            continue
        said.append(
            f"{name}: a knife tip, less than your scale shows "
            f"({advice.basis.weighing.step_g:g} g). {_premix(advice, name, weights[name])}"
        )
    strong = [
        name
        for name, amount in advice.additions
        if amount < STRONG_PARTS and advice.basis.kind(name) in ("colour", "black")
    ]
    if any(name not in weights or name not in tips for name in strong):
        # Common practice, no source.
        said.append(
            "Work so small an amount into a spoonful of the batch first, then that into the rest."
        )
    return said


def _premix(advice: Advice, name: str, amount_g: float) -> str:
    """How to weigh what is too little: as a tenth (or a hundredth) of something else. Common
    practice, no source."""
    step, mix = advice.basis.weighing.step_g, advice.mix_used
    thins = [n for n in _thins(advice, mix) if n != name]
    into = max(thins, key=lambda n: mix[n]) if thins else "the batch itself"
    times, more = (100, ", and 1 part of that into 9 more") if 10 * amount_g < step else (10, "")
    weighed = round_grams(times * amount_g, step)
    return (
        f"To weigh it, work 1 part of it into 9 parts of {into}{more}, and use {weighed:g} g of "
        "that."
    )


def _thins(advice: Advice, names: Iterable[str]) -> list[str]:
    """White and base among some inks."""
    return [name for name in names if advice.basis.kind(name) in ("white", "base")]


def _guess(advice: Advice) -> list[str]:
    kinds = {advice.basis.kind(name) for name in advice.mix_used}
    if {"white", "base"} <= kinds:
        which = "with both white and transparent base"
    elif "white" in kinds:
        which = "with white rather than transparent base"
    elif "base" in kinds:
        which = "with transparent base rather than white"
    else:
        which = "without white or base"
    said = [
        f"You gave no mix, so it is guessed from the colour, {which}: one photo can't tell which."
    ]
    thins = _thins(advice, (name for name, _ in advice.additions))
    if thins:
        said.append(
            f"Add {' and '.join(thins)} only if the batch was mixed with it: white makes a "
            "let-down cloudy, and base makes a tint thin. Name the inks with `inks` to be sure."
        )
    return said
