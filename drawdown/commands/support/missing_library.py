"""A package that cannot be loaded, and how to install what it lacks."""

from __future__ import annotations

import re

from calibration.errors import DrawdownError

# What compiled packages expect of the system -> the package of Debian and Ubuntu that holds it.
DEBIAN_PACKAGES = {
    "libGL.so.1": "libgl1",
    "libglib-2.0.so.0": "libglib2.0-0",
    "libgthread-2.0.so.0": "libglib2.0-0",
    "libSM.so.6": "libsm6",
    "libICE.so.6": "libice6",
    "libX11.so.6": "libx11-6",
    "libXext.so.6": "libxext6",
    "libXrender.so.1": "libxrender1",
    "libxcb.so.1": "libxcb1",
    "libstdc++.so.6": "libstdc++6",
    "libgomp.so.1": "libgomp1",
}
# As the loaders of Linux and of macOS say it.
_FILE = re.compile(r"([^\s/:]+\.so[.\d]*): cannot open|Library not loaded: (?:\S*/)?(\S+)")
_WHY = "photos cannot be opened without it"


def explain_missing_library(error: ImportError) -> DrawdownError:
    """What to install, from the words of the system's loader or of Python."""
    if isinstance(error, ModuleNotFoundError):
        name = (error.name or "").partition(".")[0] or "one it needs"
        return DrawdownError(
            f"the Python package {name} is not installed",
            "drawdown cannot work without it",
            "install drawdown again with pip, in the environment it runs in",
        )
    found = _FILE.search(str(error))
    if found is None:
        said = " ".join(str(error).split())
        return DrawdownError(
            f"a package that drawdown needs cannot be loaded ({said})",
            _WHY,
            "a library of the system that it needs is missing, or its installation is damaged: "
            "install drawdown again with pip in a fresh environment",
        )
    library = found[1] or found[2]
    package = DEBIAN_PACKAGES.get(library)
    elsewhere = f"with another system, install the package that holds {library}"
    return DrawdownError(
        f"the system library {library} is missing",
        _WHY,
        f"on Debian or Ubuntu give: sudo apt-get install {package}; {elsewhere}"
        if package
        else f"install the package of your system that holds {library}",
    )
