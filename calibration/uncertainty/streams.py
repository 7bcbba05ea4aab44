"""Random draws by name: who asks for the same name and numbers gets the same draws, in every run
and every module; two names never share any (NumPy's ``SeedSequence``).
"""

from __future__ import annotations

import numpy as np

# Any number does; another one gives other draws everywhere, and no other results but for those.
SEED = 20250


def stream(name: str, *numbers: int) -> np.random.Generator:
    """The generator of this name, from its beginning; ``numbers`` (none below 0) tell streams
    of one kind apart. Raises ``ValueError`` for an empty name."""
    if not name:
        raise ValueError("a stream is named for what is drawn from it")
    entropy = [SEED, int.from_bytes(name.encode(), "big")]
    return np.random.default_rng(np.random.SeedSequence(entropy, spawn_key=numbers))


def mirrored_normals(rng: np.random.Generator, count: int, *shape: int) -> np.ndarray:
    """(count, *shape) standard normal draws in mirrored halves, so that their mean is 0 and
    what is linear in them is not shifted by chance; an odd ``count`` lacks one mirror image."""
    half = rng.standard_normal(((count + 1) // 2, *shape))
    return np.concatenate([half, -half])[:count]
