"""Colour one can trust from a photograph: photo, card, light, correction. Knows nothing of ink."""
