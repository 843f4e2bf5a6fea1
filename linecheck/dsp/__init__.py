"""Numerical building blocks on plain arrays; nothing here knows of checks, files or units under test.

=====================  ==============================================================
:mod:`.tones`          fitting sines
:mod:`.dissect`        tone, harmonics, hum, lines and noise of a recording, apart
:mod:`.spectra`        densities, band powers, line spectra
:mod:`.windows`        windows to look through
:mod:`.weighting`      A, C and BS.468 weighting
:mod:`.combs`          interleaved combs that tell channels apart
:mod:`.locate`         when a tone sounds
:mod:`.continuity`     whether a recording is continuous
:mod:`.quantise`       integers with dither
=====================  ==============================================================
"""
