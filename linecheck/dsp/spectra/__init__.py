"""Densities, band powers, line spectra, weightings, sidebands."""
