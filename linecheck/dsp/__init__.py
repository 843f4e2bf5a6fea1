"""Numerical building blocks on plain arrays; nothing here knows of checks, files or units under test.

In: arrays, rates, frequencies. Out: arrays and numbers with their uncertainties.

=====================  ==============================================================
:mod:`.fits`           tones, harmonics, combs and trends, fitted and subtracted
:mod:`.spectra`        densities, band powers, weightings, sidebands
:mod:`.responses`      frequency and impulse responses, sweeps, images
:mod:`.locating`       when a stimulus sounds, and marks in a recording
:mod:`.continuity`     whether a recording is continuous
:mod:`.quantise`       integers with dither
:mod:`.arrays`         the arrays that all of them take and give
=====================  ==============================================================
"""
