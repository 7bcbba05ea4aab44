"""The Python interface, for notebooks and pages: what ``import drawdown`` offers."""

from __future__ import annotations

import os
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from drawdown.defaults import SCALE_STEP_G, TOLERANCE_DE00

if TYPE_CHECKING:
    import numpy as np

    from calibration.card.definition import CardDefinition
    from calibration.photo.open import Photo
    from drawdown.book import Book
    from drawdown.ink.shelf import Shelf
    from drawdown.matching.advise import Advice
    from drawdown.matching.compare import Comparison
    from drawdown.pipeline.options import Corners
    from drawdown.reading.colour import Colour
    from drawdown.results import Match, Reading

    Image = str | os.PathLike[str] | bytes | np.ndarray | Photo

T = TypeVar("T")


# Long by what it says of its parameters.
def read(
    photo: Image | None = None,
    *,
    readings: str | os.PathLike[str] | None = None,
    instrument_off_de: float | None = None,
    card: str | os.PathLike[str] | CardDefinition | None = None,
    card_corners: Sequence[Corners] = (),
    strips: Collection[str] = (),
    profile: str | bytes = "sRGB",
) -> Reading:
    """Measure every strip in a photo.

    Parameters
    ----------
    photo : path, bytes of a file, or array (h, w, 3) uint8 or uint16
        An upright array holds encoded RGB of the ``profile``.
    readings : path, optional
        An instrument's readings in the place of a photo: Lab, XYZ or spectra, CSV or CGATS.17, a
        row a strip.
    instrument_off_de : float, optional
        What that instrument may be off, CIEDE2000 with 95 % probability; 1 if nothing is said.
    card : path or CardDefinition, optional
        The reference card in the photo; ours if nothing is said.
    card_corners : sequence of four points (x, y) in px, optional
        Where the card lies, clockwise from its upper left corner; in a sequence of one.
    strips : collection of str, optional
        Places by hand: "x,y,w,h" in mm from the card's upper left corner, or in photo px with
        "px" at the end.
    profile : str or bytes
        Of an array: "sRGB", "Display P3", or an ICC profile.

    Returns
    -------
    Reading

    Raises
    ------
    PhotoUnfit
        The photo cannot be judged, and why.
    WrongUsage, BadFile
        An argument makes no sense, or a file cannot be used.

    References
    ----------
    Colours are CIELAB, D50, 2 degree observer (CIE 15:2018; ISO 13655 practice).

    Examples
    --------
    >>> import drawdown
    >>> reading = drawdown.read("fixtures/photos/no-match.jpg")
    >>> len(reading.strips), reading.strips[0].number
    (2, 1)
    """
    from drawdown.pipeline.options import Options
    from drawdown.pipeline.read import read_strips
    from drawdown.results import reading_of

    options = Options(
        card=_path(card), card_corners=tuple(card_corners), strips=tuple(strips),
        readings=_path(readings), instrument_off_de=instrument_off_de,
    )  # fmt: skip
    (source,) = _sources([photo], readings, profile)
    return reading_of(read_strips(source, options, _silent))


# One parameter for each thing that can be said of a pair: the command line's options.
def match(
    photo: Image | Sequence[Image] | None = None,
    *,
    readings: str | os.PathLike[str] | None = None,
    instrument_off_de: float | None = None,
    original: int | None = None,
    batch: int | None = None,
    original_photo: str | os.PathLike[str] | None = None,
    card: str | os.PathLike[str] | CardDefinition | None = None,
    card_corners: Sequence[Corners] = (),
    strips: Collection[str] = (),
    shelf: str | os.PathLike[str] | Shelf | None = None,
    mix: Mapping[str, float] | None = None,
    original_mix: Mapping[str, float] | None = None,
    inks: Collection[str] = (),
    batch_grams: float | None = None,
    scale_step: float | None = None,
    tolerance: float = TOLERANCE_DE00,
    other_inks: bool = False,
    pulled_alike: bool = False,
    wedge: bool = False,
    wet: Collection[str] = (),
    lamps: Collection[str] = (),
    without_card: bool = False,
    papers: Collection[str] = (),
    profile: str | bytes = "sRGB",
) -> Match:
    """Hold a batch to its kept original, and say what to add.

    Parameters
    ----------
    photo, readings, instrument_off_de, card, card_corners, strips, profile
        As in ``read``; of a table, the rows called original and batch, or its two strips. A second
        set of corners is for ``original_photo``. Several photos of one pair (sheet turned, strips
        swapped) are one reading with one interval; each then has a set of corners, or none has.
    original, batch : int, optional
        Numbers of the two strips, from the left; 1 and 2 if nothing is said.
    original_photo : path, optional
        Another photo, which shows the kept original.
    shelf : path or Shelf, optional
        The inks at hand; the studio's own shelf, or else the starter's stand-ins.
    mix, original_mix : mapping of ink to parts by weight, optional
        What the batch and the original were mixed from.
    inks : collection of str, optional
        The inks in the mix where their amounts are not known: ("white", "PB15:3"); or only whether
        it is white or base.
    batch_grams, scale_step : float, optional
        Weight of the batch, and the scale's smallest step, in grams.
    tolerance : float
        Largest CIEDE2000 that still counts as a match.
    other_inks : bool
        The batch was mixed from other tubes than the original.
    pulled_alike : bool
        Both strips were pulled with care as thick as each other.
    wedge : bool
        The batch's strip runs from thick to thin on purpose, and counts where it comes nearest the
        original.
    wet : collection of {"original", "batch"}
        Strips that are still wet.
    lamps : collection of str
        Lamps to tell of beside the usual ones: names of the CIE ("FL11"), or spectral files.
    without_card : bool
        A rough look at a photo without a card, by bare paper beside the two ``strips`` (in px);
        never a "match", and no advice.
    papers : collection of str, optional
        Where that paper is, "x,y,w,hpx", for both strips or for each; else it is looked for.

    Returns
    -------
    Match

    Raises
    ------
    PhotoUnfit
        The photo cannot be judged, and why.
    WrongUsage, BadFile
        An argument makes no sense, or a file cannot be used.

    References
    ----------
    CIEDE2000: CIE 142-2001; Sharma, Wu, Dalal 2005, Color Res. Appl. 30, 21. The verdict is a
    conformance probability, JCGM 106:2012.

    Examples
    --------
    >>> import drawdown
    >>> m = drawdown.match("fixtures/photos/no-match.jpg", mix={"PB15:3": 4, "white": 96})
    >>> m.verdict, m.de00_interval[0] > 2, [ink for ink, parts in m.advice.additions]
    ('no match', True, ['phthalo-blue'])
    >>> m = drawdown.match(readings="fixtures/readings.csv", mix={"PB15:3": 4, "white": 96})
    >>> m.verdict, m.strips[0].spectrum is None
    ('no match', False)
    """
    from drawdown.book.memory import knowledge_at
    from drawdown.pipeline.match import match_photo
    from drawdown.pipeline.options import Options
    from drawdown.pipeline.rough import rough_look
    from drawdown.results import match_of, rough_match_of
    from drawdown.studio.locations import own_book
    from drawdown.studio.shelf_file import shelf_in_use

    used = shelf_in_use(_path(shelf))
    options = Options(
        original=original,
        batch=batch,
        original_photo=None if original_photo is None else Path(original_photo),
        card=_path(card),
        card_corners=tuple(card_corners),
        strips=tuple(strips),
        shelf=_path(shelf),
        mix=mix,
        original_mix=original_mix,
        inks=inks,
        batch_grams=batch_grams,
        scale_step=scale_step,
        tolerance=tolerance,
        other_inks=other_inks,
        pulled_alike=pulled_alike,
        wedge=wedge,
        wet=wet,
        lamps=tuple(lamps),
        without_card=without_card,
        papers=tuple(papers),
        knowledge=knowledge_at(own_book(), used)[0],
        readings=_path(readings),
        instrument_off_de=instrument_off_de,
    )
    several: Sequence[Any] = photo if isinstance(photo, list | tuple) else [photo]
    sources = _sources(several, readings, profile)
    if without_card:
        return rough_match_of(rough_look(sources, options, _silent))
    return match_of(match_photo(sources, options, _silent))


def compare(
    original: Colour,
    batch: Colour,
    *,
    tolerance: float = TOLERANCE_DE00,
    other_inks: bool = False,
    measured_card: bool = False,
    across_photos: bool = False,
) -> Comparison:
    """Compare two colours: strips of photos, out of the book, or from an instrument.

    Parameters
    ----------
    original, batch : Colour
        What is unknown of them (None) widens the interval.
    tolerance, other_inks
        As in ``match``.
    measured_card : bool
        The card's colours were measured, not taken as drawn.
    across_photos : bool
        The colours come from two photos, or one of them from elsewhere.

    Returns
    -------
    Comparison

    Examples
    --------
    >>> import drawdown
    >>> one, two = drawdown.read("fixtures/photos/no-match.jpg").strips
    >>> drawdown.compare(one, two).verdict
    'no match'
    """
    from drawdown.matching.compare import compare as compare_colours

    return compare_colours(
        original,
        batch,
        tolerance=tolerance,
        other_inks=other_inks,
        nominal_card=not measured_card,
        across_photos=across_photos,
    )


# Long by what it says of its parameters.
def advise(
    original: Colour,
    batch: Colour,
    *,
    shelf: str | os.PathLike[str] | Shelf | None = None,
    mix: Mapping[str, float] | None = None,
    original_mix: Mapping[str, float] | None = None,
    inks: Collection[str] = (),
    batch_grams: float | None = None,
    scale_step: float = SCALE_STEP_G,
    tolerance: float = TOLERANCE_DE00,
    paper_lab_d50: Sequence[float] | None = None,
) -> Advice:
    """What to add to a batch to bring it to its original.

    Parameters
    ----------
    original, batch : Colour
        As in ``compare``.
    shelf, mix, original_mix, inks, batch_grams, scale_step, tolerance
        As in ``match``.
    paper_lab_d50 : three floats, optional
        The bare paper; an ordinary white if nothing is said.

    Returns
    -------
    Advice

    Raises
    ------
    WrongUsage
        An ink is not on the shelf, or an amount makes no sense.

    References
    ----------
    Kubelka 1948, J. Opt. Soc. Am. 38, 448; Duncan 1940, Proc. Phys. Soc. 52, 390.

    Examples
    --------
    >>> import drawdown
    >>> one, two = drawdown.read("fixtures/photos/no-match.jpg").strips
    >>> advice = drawdown.advise(one, two, mix={"PB15:3": 4, "white": 96})
    >>> [ink for ink, parts in advice.additions]
    ['phthalo-blue']
    """
    import numpy as np

    from drawdown.matching.advise import advise as advise_colours
    from drawdown.matching.amounts import Weighing
    from drawdown.matching.batch_history import Step, reading_of
    from drawdown.studio.shelf_file import shelf_in_use

    comparison = compare(original, batch, tolerance=tolerance)
    now = Step(reading_of(original, batch, comparison.d_lab_cov))
    return advise_colours(
        (now,),
        shelf_in_use(_path(shelf)).shelf,
        mix,
        original_mix=original_mix,
        inks=inks,
        tolerance=tolerance,
        paper_lab=None if paper_lab_d50 is None else np.array(paper_lab_d50, dtype=float),
        weighing=Weighing(batch_grams, scale_step),
        verdict=comparison.verdict,
    )


def open_book(
    folder: str | os.PathLike[str] | None = None, *, create: bool = False, write: bool = False
) -> Book:
    """The studio book.

    Parameters
    ----------
    folder : path, optional
        Its folder; the studio's own if nothing is said.
    create : bool
        Make it if it is not there yet.
    write : bool
        Open it to be changed.

    Returns
    -------
    Book
        A context manager; ``drawdown.book.originals`` and its neighbours list what is in it.

    Raises
    ------
    BadFile
        There is no book, or it cannot be used.

    Examples
    --------
    >>> import drawdown, tempfile
    >>> from drawdown.book.originals import list_originals
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with drawdown.open_book(f"{folder}/book", create=True) as book:
    ...         len(list_originals(book))
    0
    """
    from drawdown.book import open_book as open_folder
    from drawdown.studio.locations import own_book

    return open_folder(own_book() if folder is None else Path(folder), create=create, write=write)


def _path(given: str | os.PathLike[str] | T | None) -> Path | T | None:
    return Path(given) if isinstance(given, str | os.PathLike) else given


def _source(photo: Image, profile: str | bytes) -> Path | Photo:
    if isinstance(photo, str | os.PathLike):
        return Path(photo)
    from calibration.photo.open import Photo, photo_from_array, photo_from_bytes

    if isinstance(photo, Photo):
        return photo
    if isinstance(photo, bytes | bytearray | memoryview):
        return photo_from_bytes(photo)
    return photo_from_array(photo, profile)


def _sources(
    photos: Sequence[Image | None], readings: str | os.PathLike[str] | None, profile: str | bytes
) -> list[Path | Photo]:
    """The photos, or the one table of readings. Raises ``WrongUsage`` for both and for neither."""
    given = [photo for photo in photos if photo is not None]
    if bool(given) == (readings is not None):
        from calibration.errors import WrongUsage

        raise WrongUsage(
            f"{'both' if given else 'neither'} a photo {'and' if given else 'nor'} `readings`",
            "the colours of strips are read from one of them",
            "give the one or the other",
        )
    if readings is not None:
        return [Path(readings)]
    return [_source(photo, profile) for photo in given]


def _silent(step: str, share: float) -> None:
    """Progress that nobody watches."""
