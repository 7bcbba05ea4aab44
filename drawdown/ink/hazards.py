"""The caution that goes with a pigment. The safety data sheet of the ink in hand comes first."""

from __future__ import annotations

_CADMIUM = "cadmium pigment: harmful when swallowed or breathed in"
_COBALT = "cobalt pigment: can cause allergic skin reactions and is harmful as dust"
_CHROMATE = "lead chromate pigment: very toxic, may cause cancer and harm the unborn child"
_LEAD = "lead pigment: very toxic, builds up in the body, may harm the unborn child"
_METAL = (
    "; wear gloves, never sand it or raise dust, wash before eating, keep waste out of the "
    "drain, and follow its safety data sheet"
)

# By Colour Index name. Lead compounds, lead chromates (PY34, PR104 by name) and cadmium sulphide
# (PY37): Regulation (EC) No 1272/2008, Annex VI, Table 3, index numbers 082-001-00-6, 082-009-00-X,
# 082-010-00-5 and 048-010-00-4 (numbers from memory). PY34 also: GHS classification by the Japanese
# government, ID 20A2062 (safe.nite.go.jp). The table's entry for cadmium compounds, 048-001-00-5,
# leaves out the sulphides with selenide or zinc (PR108, PO20, PY35; echa.europa.eu, substance
# 100.240.773): their caution is our own, for what dust and acid set free. The other pigments have
# no entry there: from general knowledge of their chemistry (from memory).
_PIGMENTS: dict[str, str] = {
    **dict.fromkeys(("PY35", "PY37", "PO20", "PR108"), _CADMIUM),
    "PB36": "cobalt and chromium pigment: can cause allergic skin reactions, harmful as dust",
    **dict.fromkeys(("PB28", "PB35", "PG19", "PG50", "PV14", "PY40"), _COBALT),
    **dict.fromkeys(("PY34", "PR103", "PR104"), _CHROMATE),
    **dict.fromkeys(("PW1", "PW2", "PR105", "PY41"), _LEAD),
    "PR106": "mercury pigment: gives off very toxic vapour when heated",
    "PY184": "bismuth vanadate pigment: harmful when its dust is breathed in",
    "PG17": "chromium pigment: harmless in ink as far as is known, but keep its dust down",
    "PG18": "chromium pigment: harmless in ink as far as is known, but keep its dust down",
}


def pigment_caution(colour_index: str) -> str:
    """The caution that goes with a pigment, by Colour Index name ("" when none is known).

    PB36 stands for both the cobalt and the cobalt chromite kind. An empty answer does not
    mean that an ink is harmless.
    """
    code = "".join(colour_index.upper().split())
    text = _PIGMENTS.get(code) or _PIGMENTS.get(code.split(":")[0])
    return text + _METAL if text else ""
