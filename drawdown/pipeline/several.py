"""Several photos of one pair, read one after another: which show it, and which agree."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from calibration.errors import BadFile, PhotoUnfit
from drawdown import flags as fl
from drawdown.matching.several import contradicting, same_pair
from drawdown.pipeline.options import Options, Progress, same_photo
from drawdown.pipeline.pair import Pair
from drawdown.pipeline.read import Judgement, PhotoUsed, Source, put_down, read_strips


@dataclass(frozen=True)
class Several:
    """The pair in each photo that counts, what became of every photo, and remarks on that."""

    pairs: tuple[Pair, ...]
    photos: tuple[PhotoUsed, ...]
    flags: tuple[fl.Flag, ...]


def read_several(
    photos: Sequence[Source],
    options: Options,
    progress: Progress,
    pair_of: Callable[[Judgement], Pair],
    first: Judgement | None = None,
) -> Several:
    """Read each photo (not again the first one, where ``first`` is given); the first that can be
    judged says which strips are the pair (``pair_of``).

    Raises the first photo's failure when none can be judged."""
    pairs: dict[int, Pair] = {}
    why: dict[int, str] = {}
    failure: PhotoUnfit | BadFile | None = None
    for k, photo in enumerate(photos):
        if same := [p for p in photos[:k] if same_photo(p, photo)]:
            why[k] = f"it is the same photo as {_name(same[0])}"
            continue
        alone = replace(options, card_corners=options.card_corners[k : k + 1])
        try:
            if first and not k:
                seen = first
            else:
                seen = put_down(read_strips(photo, alone, progress), photo)
            found = _again(next(iter(pairs.values())), seen) if pairs else pair_of(seen)
        except (PhotoUnfit, BadFile) as problem:
            failure, why[k] = failure or problem, problem.seen
            continue
        pairs[k] = found
        if hard := [f for f in (*seen.flags, *found.original.flags, *found.batch.flags) if f.hard]:
            why[k] = hard[0].seen
    if not pairs and failure is not None:
        raise failure
    flags, sound = _agreeing(photos, pairs, why)
    used = tuple(_used(photos[k], pairs.get(k), why.get(k, "")) for k in range(len(photos)))
    return Several(tuple(sound), used, flags)


def _again(first: Pair, seen: Judgement) -> Pair:
    """The pair of the first photo in another one; raises ``PhotoUnfit`` where it is not there."""
    two = same_pair((first.original, first.batch), seen.strips)
    if two is None:
        raise PhotoUnfit(
            "it does not show the same two strips",
            "several photos are one reading only of one pair",
            "give photos of the same two strips",
        )
    return replace(first, seen=seen, original=two[0], batch=two[1], flags=())


def _agreeing(
    photos: Sequence[Source], pairs: dict[int, Pair], why: dict[int, str]
) -> tuple[tuple[fl.Flag, ...], list[Pair]]:
    """Remarks on the photos, and the pairs of those that agree; ``why`` is completed."""
    sound = {k: p for k, p in pairs.items() if k not in why}
    sound = sound or dict([next(iter(pairs.items()))])  # its remarks say why there is no verdict
    flags: list[fl.Flag] = []
    while (odd := contradicting([(p.original, p.batch) for p in sound.values()])) is not None:
        keys = list(sound)
        if len(keys) == 2:
            flags.append(fl.PHOTOS_CONTRADICT(" and ".join(_name(photos[k]) for k in keys)))
            break
        del sound[keys[odd]]
        why[keys[odd]] = "it contradicts the others"
    flags += [
        fl.PHOTO_LEFT_OUT(fl.LEFT_OUT, photo=_name(photos[k]), why=why[k])
        for k in sorted(why)
        if k not in sound
    ]
    return tuple(flags), list(sound.values())


def _name(photo: Source) -> str:
    return Path(getattr(photo, "path", photo)).name


def _used(photo: Source, pair: Pair | None, left_out: str) -> PhotoUsed:
    numbers = (None, None) if pair is None else (pair.original.strip.number, pair.batch.number)
    return PhotoUsed(str(getattr(photo, "path", photo)), *numbers, left_out)
