"""Colour as numbers: spaces, spectra, illuminants, differences. Knows no photo and no ink."""
