"""What can be remarked of strips, of a match and of prints; those of photo and card are in
``calibration.flags``. Whoever looks a kind up by its code asks here, where all are known. Below
some kinds stand the words for what was measured, filled in from the remark's numbers."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

from calibration.errors import sentence
from calibration.flags import KINDS, FlagKind
from calibration.flags import Flag as Flag
from calibration.flags import codes as codes


def kind_of(code: str) -> FlagKind | None:
    """The kind of that code; None for one that this version does not know."""
    return KINDS.get(code)


def flag_points(codes: Iterable[str]) -> str:
    """Those kinds as a Markdown list, for the guide."""
    points = []
    for kind in (KINDS[code] for code in codes):
        said = (kind.seen.format(detail="…"), kind.why, kind.todo)
        stops = " (no verdict)" if kind.hard else ""
        point = f"**{kind.code}**{stops}: {' '.join(map(sentence, said))}"
        points.append(textwrap.fill(point, 100, initial_indent="- ", subsequent_indent="  ",
                                    break_on_hyphens=False) + "\n")  # fmt: skip
    return "".join(points)


# Light -----------------------------------------------------------------------------------
PAPER_DARK = FlagKind(
    "dark-paper", False, "photo",
    "the paper is only {detail} % as bright as the card's white",
    "grey or brown paper does no harm, but if the paper is white the strips are in shade",
    "if the paper is white, move so that card and strips share the same light",
)  # fmt: skip
UNEVEN_LIGHT = FlagKind(
    "uneven-light", False, "photo",
    "the light varies by {detail} % over the sheet",
    "it was evened out from the white of card and paper, which leaves some error",
    "turn the sheet so that the light falls evenly on both strips",
)  # fmt: skip
LIGHT_UNKNOWN = FlagKind(
    "light-unknown", True, "photo",
    "nothing shows how much light falls on strip {detail}",
    "neither bare paper beside it nor the card tells, and a guess would pass for ink",
    "lay card and strips together, with white paper showing all round, and shoot again",
)  # fmt: skip
DIFFERENT_LIGHT = FlagKind(
    "different-light", True, "comparison",
    "the two strips are in different light, or on different paper ({detail})",
    "a difference in light or paper would pass for a difference in ink",
    "pull both on the same paper, with 10 mm of it bare around each, keep both out of shadow, and "
    "shoot again",
)  # fmt: skip
LIGHT_UNSURE = "it is uncertain by {percent:.0f} %"
PAPER_DARKER = "the paper beside strip {strip} is {percent:.0f} % darker"
# Strip -----------------------------------------------------------------------------------
STRIP_CLIPPED = FlagKind(
    "strip-burnt-out", True, "strip",
    "{detail} % of the strip is burnt out",
    "colour is lost for good where the camera has reached its limit",
    "shoot again a little darker, away from the lamp's reflection",
)  # fmt: skip
STRIP_TOO_VIVID = FlagKind(
    "too-vivid", False, "strip",
    "{detail} % of the strip is too strong or too dark for the photo's colour range",
    "the photo records such a colour only in part, so its uncertainty is larger",
    "save photos in Display P3 if the phone can, and give more light",
)  # fmt: skip
STRIP_GLARE = FlagKind(
    "glare", False, "strip",
    "{detail} % of the strip shines",
    "the shine was left out; less of the strip is left to measure",
    "turn the sheet so that the lamp does not mirror in the ink",
)  # fmt: skip
STRIP_UNEVEN = FlagKind(
    "uneven", False, "strip",
    "the strip is uneven ({detail} Delta E)",
    "a strip that varies has no single colour",
    "pull the strip again with one steady stroke",
)  # fmt: skip
STRIP_MIXED = FlagKind(
    "not-one-strip", True, "strip",
    "what was taken for the strip varies by {detail} Delta E",
    "that is not a single pull of ink: something lies on it, or was mistaken for it",
    "look at the picture (`picture`), clear the sheet, or place the strip with `strips`",
)  # fmt: skip
SHAPE_UNCOUNTED = FlagKind(
    "shape-not-counted", True, "strip",
    "in line with the strips, {detail}, is something much like a strip that was not counted",
    "if it is one, the strips are numbered wrongly, and the wrong two would be compared",
    "look at the picture (`picture`), clear the sheet, or place both strips with `strips`",
)  # fmt: skip
STRIP_SMALL = FlagKind(
    "small-strip", False, "strip",
    "the strip's even part is only {detail}",
    "a small area gives a noisy reading",
    "pull a strip at least 15 mm wide and 40 mm long",
)  # fmt: skip
STRIP_OUTSIDE = FlagKind(
    "beyond-card", False, "strip",
    "the strip's colour is {detail} Delta E beyond any on the card",
    "the correction has to guess there, so its uncertainty grows",
    "use a card with a patch nearer this colour if you can",
)  # fmt: skip
STRIP_IMPOSSIBLE = FlagKind(
    "impossible-colour", True, "strip",
    "the strip reads {detail} Delta E beyond the colours that any surface can have",
    "the light on it or the card was misjudged, so its colour is not known",
    "check that this is the card named, keep shadows and coloured lamps away, and shoot again",
)  # fmt: skip
STRIP_BY_HAND = FlagKind(
    "placed-by-hand", False, "strip",
    "you gave the place of this strip by hand",
    "nothing checked that it is one even strip",
    "look at the picture (`picture`) to see what was measured",
)  # fmt: skip
STRIP_CUT = FlagKind(
    "strip-cut-off", False, "strip",
    "the strip runs out of the photo",
    "only the part in the photo was measured",
    "keep the whole strip in view",
)  # fmt: skip
STRIP_COVERED = FlagKind(
    "covered", True, "strip",
    "something lies on the strip, or it is of two colours",
    "the photo does not show which of the two is the ink",
    "take away what lies on it (a hand, tape, another slip), and shoot again",
)  # fmt: skip
STRIP_SHINES = FlagKind(
    "lamp-on-strip", True, "strip",
    "a lamp or window is mirrored in {detail} % of the strip",
    "its light is not the ink's colour, and too little of the strip is left without it",
    "the strip itself may be good: turn the sheet or move the lamp until nothing shines in the "
    "ink, and shoot again",
)  # fmt: skip
STRIP_EMPTY = FlagKind(
    "no-even-part", True, "strip",
    "hardly any of the strip is even ({detail})",
    "too little is left of it for a colour that means anything",
    "pull the strip again with one steady stroke, and keep glare off it",
)  # fmt: skip
BAR_SMALL = FlagKind(
    "little-on-the-bar", False, "strip",
    "only {detail} of the strip lies on the black bar",
    "a small area gives a noisy reading of how the ink covers",
    "pull the strip right across the bar, at least 15 mm wide",
)  # fmt: skip
BAR_PALE = FlagKind(
    "pale-bar", False, "strip",
    "the black bar is only a dark grey (L* {detail})",
    "the paler the bar, the less it shows how the ink covers",
    "print the test sheet with the printer's darkest black, on matt paper",
)  # fmt: skip
HIDES_BY_DARKNESS = FlagKind(
    "hides-by-darkness", False, "strip",
    "the ink is dark over white and over black alike (lightness over the bar {detail} L* against "
    "what it lies on)",
    "a dark ink scores high by swallowing light, not by covering with a colour of its own",
    "go by the lightness over black, not by the contrast ratio",
)  # fmt: skip
FILM_CHANGES_AT_BAR = FlagKind(
    "film-changes-at-bar", False, "strip",
    "the strip's film changes where it crosses the bar (its light over paper by {detail} %)",
    "both colours were brought to one film, but that is less certain than with an even film",
    "pull with one steady stroke, from well above the bar to well below it",
)  # fmt: skip
BY_INSTRUMENT = FlagKind(
    "instrument", False, "strip",
    "an instrument read it, and may be off by {detail} Delta E (95 %)",
    "what it is off by is nearly the same for two strips alike, and cancels between them",
    "give `instrument_off_de` if its certificate says another figure",
)  # fmt: skip
LIGHT_ASSUMED = FlagKind(
    "light-assumed", False, "strip",
    "the table does not say for which light and observer its values hold",
    "they were taken for D50 and 2 degrees, which is usual in printing (ISO 13655)",
    'write it in the table, as in "# illuminant D65, observer 10", or export spectra',
)  # fmt: skip
LIGHT_CONVERTED = FlagKind(
    "light-converted", False, "strip",
    "the values hold for {detail}, not for D50 and 2 degrees",
    "what a colour looks like in other light can only be estimated from them",
    "export them for D50 and 2 degrees, or as spectra",
)  # fmt: skip
# Print -----------------------------------------------------------------------------------
PRINT_AT_EDGE = FlagKind(
    "print-at-edge", False, "print",
    "a printed part touches the picture's edge ({detail} cm2)",
    "a frame, a ruler or the shadow of the block's side would be counted as ink",
    "crop the picture to the block; if the print itself runs to its edge, all is well",
)  # fmt: skip
# Comparison ------------------------------------------------------------------------------
FILM_DIFFERS = FlagKind(
    "film-differs", False, "comparison",
    "one strip looks scraped thinner than the other ({detail})",
    "a thinner film is lighter without being another ink",
    "before adding ink, pull the batch again from thick to thin and add `wedge`",
)  # fmt: skip
WEDGE_READ = FlagKind(
    "wedge", False, "comparison",
    "the wedge was read {detail}",
    "there its film looks as thick as the original's, and what is left between them is the mix; "
    "but a little more clear base only moves that place",
    "to be sure of the base, weigh out a little ink by the original's recipe and pull it beside "
    "the batch in one stroke",
)  # fmt: skip
WEDGE_AT = "{mm:.0f} mm from its thick end, where it comes nearest the original"
WEDGE_SHORT = FlagKind(
    "wedge-short", False, "comparison",
    "the wedge is nearest to the original at its {detail} end",
    "the film that equals it may lie beyond, and then part of the difference is film",
    "pull the wedge again, thicker at its start and nearly bare at its end",
)  # fmt: skip
LIES_AS_THICK = "{which} lies about {ratio:.2f} times as thick"
WET_WITH_DRY = FlagKind(
    "wet-with-dry", False, "comparison",
    "a wet strip is compared with a dry one ({detail})",
    "ink changes colour as it dries, and how much is not known here, so no match can be certain",
    "let it dry and shoot again; or show how your inks dry with `learn_drying`",
)  # fmt: skip
STILL_WET = "the {role} is still wet"
DRY_EXPECTED = FlagKind(
    "dry-colour-expected", False, "comparison",
    "a wet strip is compared with a dry one, by the colour it should have when dry ({detail})",
    "that is a forecast, so the uncertainty is larger",
    "let it dry and shoot again to be sure",
)  # fmt: skip
FROM_ONE_PAIR = "{role}: L* {l:.1f}, a* {a:.1f}, b* {b:.1f}, from 1 pair of wet and dry strips"
FROM_PAIRS = FROM_ONE_PAIR.replace("1 pair", "{pairs} pairs")
PAIR_CHOSEN = FlagKind(
    "pair-chosen", False, "comparison",
    "of {detail} as original and batch",
    "they are the two most alike in size, direction and paper, side by side near the card",
    "if that is not the pair, name the two with `strips`, the original first",
)  # fmt: skip
CHOSEN_OF = "{count} strips, numbers {original} and {batch} were taken"
PHOTO_LEFT_OUT = FlagKind(
    "photo-left-out", False, "comparison",
    "{detail}",
    "a photo that does not fit the others says nothing reliable about the pair",
    "the answer rests on the other photos",
)  # fmt: skip
LEFT_OUT = "the photo {photo} was left out: {why}"
PHOTOS_CONTRADICT = FlagKind(
    "photos-contradict", True, "comparison",
    "the photos contradict each other ({detail})",
    "one of them shows other light, a reflection or other strips, and it is not clear which",
    "give a third photo of the pair, or look at each photo alone; if the first shows the kept "
    "original and the second the batch, add `original_photo`",
)  # fmt: skip
ACROSS_PHOTOS = FlagKind(
    "across-photos", False, "comparison",
    "original and batch are in two photos",
    "two photos have two lights and two corrections, so the uncertainty is larger",
    "photograph both together when it matters",
)  # fmt: skip
KEPT_DIFFERS = FlagKind(
    "kept-differs", False, "comparison",
    "{detail} as the book has it",
    "it may be another strip, or it has dried, faded or yellowed since it was kept",
    "if the photo does not show the kept original, add `apart`",
)  # fmt: skip
KEPT_READS = 'strip {strip} reads Delta E {de00:.1f} from "{name}"'
OTHER_INKS = FlagKind(
    "other-inks", False, "comparison",
    "the batch was mixed from different tubes than the original",
    "a camera sees different pigments differently from an eye, so the uncertainty is larger",
    "check the match by eye under the light where the print will hang",
)  # fmt: skip
LAMP_UNTOLD = FlagKind(
    "lamp-not-told", False, "comparison",
    "can't say how the pair looks under {detail}",
    "that takes the inks' spectra, and this answer has no mix of them",
    "give the mix with `mix`, of inks on the shelf, or look at both strips under that lamp",
)  # fmt: skip
STAND_IN_INKS = FlagKind(
    "stand-in-inks", False, "comparison",
    "the amounts rest on generic paint data, not on your inks",
    "your inks may be stronger or weaker, so the amounts are a guide",
    "add in steps, and fit your own inks (`fit_ink`)",
)  # fmt: skip
LEARNT_UNREADABLE = FlagKind(
    "learnt-unreadable", False, "comparison",
    "can't read what earlier batches taught about the inks ({detail})",
    "the advice goes without it",
    "restore a copy of the file, or move it away to start over",
)  # fmt: skip
