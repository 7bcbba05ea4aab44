"""What can be remarked of a photo, a card or a strip: each kind once, in ``KINDS`` by its code.

The kinds below are those that photo, card and correction raise; ``drawdown.flags`` adds its own.
"""

from __future__ import annotations

from dataclasses import dataclass

from calibration.errors import PhotoUnfit, sentence
from calibration.naming import named

KINDS: dict[str, FlagKind] = {}


@dataclass(frozen=True)
class FlagKind:
    """One kind of remark: a code for machines, and seen / why / todo for people. A hard one
    forbids a verdict. A kind is in ``KINDS`` once it is made; two of one code raise
    ``ValueError``."""

    code: str
    hard: bool
    about: str  # "photo", "card", "strip", "print" or "comparison"
    seen: str  # may hold {detail}
    why: str
    todo: str

    def __post_init__(self) -> None:
        if KINDS.setdefault(self.code, self) != self:
            raise ValueError(f"two kinds of flag are called {self.code}")

    def __call__(self, detail: str = "", **numbers: float | str) -> Flag:
        """A remark of this kind. ``detail`` is text, or, where ``numbers`` are given, a
        template of them."""
        return Flag(self, detail, tuple(numbers.items()))


@dataclass(frozen=True)
class Flag:
    """A remark about this photo, card or strip; ``numbers`` are what was measured, by name, where
    they are not yet in the words of ``template``."""

    kind: FlagKind
    template: str = ""
    numbers: tuple[tuple[str, float | str], ...] = ()

    @property
    def code(self) -> str:
        return self.kind.code

    @property
    def hard(self) -> bool:
        return self.kind.hard

    @property
    def detail(self) -> str:
        """What was measured, in words."""
        return self.template.format(**dict(self.numbers)) if self.numbers else self.template

    @property
    def seen(self) -> str:
        return " ".join(self.kind.seen.format(detail=self.detail).split())

    def unfit(self, of: str = "") -> PhotoUnfit:
        """The error of a photo that this makes unfit, said ``of`` a part of it."""
        return PhotoUnfit(of + self.seen, self.kind.why, self.kind.todo)

    @property
    def brief(self) -> str:
        """Seen, and what to do."""
        return f"{named(self.seen)}. {sentence(self.kind.todo)}"

    @property
    def text(self) -> str:
        """Seen, why and what to do, as one paragraph."""
        parts = (self.seen, self.kind.why, self.kind.todo)
        return " ".join(sentence(p) for p in parts if p)


def codes(flags: tuple[Flag, ...]) -> list[str]:
    """The codes of some flags, each once, in order (for JSON)."""
    return list(dict.fromkeys(flag.code for flag in flags))


# Photo -----------------------------------------------------------------------------------
NO_PROFILE = FlagKind(
    "no-profile", False, "photo",
    "the photo has no colour profile, so sRGB was assumed",
    "the card corrects most of what this could spoil",
    "share the original file rather than a copy that an app has re-saved",
)  # fmt: skip
UNKNOWN_PROFILE = FlagKind(
    "unknown-profile", False, "photo",
    "the photo's colour profile {detail} cannot be used, so sRGB was assumed",
    "the card corrects most of what this spoils, but the uncertainty is larger",
    "save the photo as sRGB or Display P3 if you can",
)  # fmt: skip
HDR_GAIN_MAP = FlagKind(
    "second-image-ignored", False, "photo",
    "the file holds further pictures ({detail}); the main one was read",
    "a brightness map or preview in the same file changes nothing here",
    "nothing to do",
)  # fmt: skip
LOW_RESOLUTION = FlagKind(
    "low-resolution", False, "photo",
    "the card is only {detail} pixels per mm",
    "fewer pixels mean more noise in every reading",
    "move closer; messengers shrink photos, so fetch the file as the camera made it",
)  # fmt: skip
HEAVY_JPEG = FlagKind(
    "heavy-compression", False, "photo",
    "the photo is strongly compressed (JPEG quality about {detail})",
    "compression blurs colour at the edges of a strip",
    "send the original file, not a copy shrunk by a messenger",
)  # fmt: skip
# Card ------------------------------------------------------------------------------------
NOMINAL_CARD = FlagKind(
    "nominal-card", False, "card",
    "the card's colours are as drawn, not measured on your print",
    "home printers differ, so single colours are uncertain; the difference between two "
    "strips hardly is",
    "have the printed card measured if you need the colours themselves",
)  # fmt: skip
MARKER_MISSING = FlagKind(
    "marker-missing", False, "card",
    "{detail}",
    "the card's place rests on the other markers",
    "keep all corner markers in view",
)  # fmt: skip
CARD_BLURRED = FlagKind(
    "blurred", False, "card",
    "the photo is not sharp at the card ({detail})",
    "blur mixes neighbouring colours",
    "hold the phone steadier, tap the card to focus",
)  # fmt: skip
CARD_BY_HAND = FlagKind(
    "card-placed-by-hand", False, "card",
    "you gave the card's corners by hand{detail}",
    "a card placed by eye is placed less exactly, so less of each patch is measured",
    "look at the picture (`picture`) to see where the card was found",
)  # fmt: skip
MARKERS_ELSEWHERE = FlagKind(
    "markers-elsewhere", False, "card",
    "the card's markers do not sit where its definition says; the colours of the patches showed "
    "how it lies",
    "ids copied in another order do no harm, but a second slip would not be noticed",
    "correct the ids of the markers in the definition",
)  # fmt: skip
CARD_TWICE = FlagKind(
    "card-twice", False, "card",
    "the card is in the photo twice; the one with more of its markers in view, or else the larger "
    "one, was used",
    "the strips may lie beside the other one",
    "keep one card in view",
)  # fmt: skip
STEEP_VIEW = FlagKind(
    "steep-view", False, "card",
    "the photo was taken {detail} degrees from straight above",
    "ink and paper shine more when seen from the side",
    "hold the phone flat over the sheet",
)  # fmt: skip
PATCHES_DROPPED = FlagKind(
    "patches-left-out", False, "card",
    "card patches {detail} are uneven, or do not fit the others, and were left out",
    "glare, dirt or a shadow on the card spoils them",
    "wipe the card and turn it away from the lamp; if it is the same patch each time, "
    "the print itself differs there, which does no harm",
)  # fmt: skip
CARD_GLARE = FlagKind(
    "lamp-on-card", False, "card",
    "a lamp is mirrored in card patches {detail}, which were left out",
    "mirrored light is not their colour; with fewer patches the colours are less sure",
    "turn the sheet, or hold a dark board where the lamp is seen mirrored, and shoot again",
)  # fmt: skip
PATCH_DRIFTED = FlagKind(
    "patch-drifted", False, "card",
    "{detail} since it was enrolled",
    "ink fades, paper stains, and a mirrored lamp looks alike; what has changed was left out",
    "wipe the card and shoot again; if it says so again, enrol the card again or print a new one",
)  # fmt: skip
CARD_FADED = FlagKind(
    "card-faded", False, "card",
    "the card's colours are not what its definition says ({detail})",
    "it is another print than the one measured, or it has faded, or two kinds of lamp make it "
    "look so; colours may be off by as much, the difference between two strips by less",
    "shoot again in even daylight; if it says so again, enrol this print, or a new one",
)  # fmt: skip
POOR_CORRECTION = FlagKind(
    "poor-correction", False, "card",
    "the corrected card still differs from its values by {detail} Delta E (median)",
    "the colours may be off by as much; the difference between two strips less",
    "use even daylight, and a card that was printed on plain matt paper",
)  # fmt: skip
CARD_UNUSABLE = FlagKind(
    "card-unusable", True, "card",
    "the card's colours can't be corrected ({detail})",
    "without that, no colour in this photo means anything",
    "use one kind of light, no filter or portrait mode, and check that this is the right card",
)  # fmt: skip
OVEREXPOSED = FlagKind(
    "overexposed", True, "card",
    "the light parts of the photo are burnt out ({detail})",
    "where the camera has reached its limit, colour is lost for good",
    "tap the white paper to darken the photo, or move out of direct light, and shoot again",
)  # fmt: skip
UNDEREXPOSED = FlagKind(
    "underexposed", True, "card",
    "the photo is too dark ({detail})",
    "noise is larger than the differences we look for",
    "bring more light and shoot again",
)  # fmt: skip
NO_COLOURS = FlagKind(
    "no-colours", True, "card",
    "the photo has no colours: the card's fields all have the tint of its white",
    "a black-and-white or toned filter has thrown away what is to be compared",
    "switch the filter off and shoot again",
)  # fmt: skip
CARD_SHADOW = FlagKind(
    "shadow-on-card", False, "card",
    "the edge of a shadow lies across the card (patches {detail}), and these were left out",
    "the two parts of the card lie in different light, so its other patches say less too",
    "move so that no shadow falls on the card, and shoot again",
)  # fmt: skip
CARD_SHADED = FlagKind(
    "card-in-shade", False, "card",
    "the paper beside the card is {detail} times as bright as the card's own white, so the card "
    "seems to lie in shade",
    "the colours were scaled to the paper, which is not known to be white",
    "move so that no shadow falls on the card, and shoot again",
)  # fmt: skip
