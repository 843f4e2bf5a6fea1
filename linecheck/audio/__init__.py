"""Audio files in and out: libsndfile decodes, this room checks that nothing is cut off or shifted.

In: WAV and FLAC files, or integer samples to write. Out: samples, rates and hashes over the samples.
"""
