"""Every default that a person may want to change, once, with its reason."""

from __future__ import annotations

# Largest CIEDE2000 that still counts as a match. Half of the observers of Paravina et al. 2015
# (J. Esthet. Restor. Dent. 27, S1; teeth, so by analogy) accepted 1.8; 2 is close and easy to say.
TOLERANCE_DE00 = 2.0
# Beyond this two colours have nothing to do with each other: our own choice.
LOOSEST_TOLERANCE_DE00 = 20.0
# Letter scales and most studio scales show 0.1 g (common practice, no source).
SCALE_STEP_G = 0.1
# A remake begins this much short of colour, since nothing can be taken out: our own choice.
HOLD_BACK_PERCENT = 10.0
# Proofs and spoilt prints, least and most (common practice, no source).
WASTE_PERCENT = (5.0, 20.0)
