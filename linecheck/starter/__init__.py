"""What a new model begins with: a limit file, a station config, a build job.

In: answers. Out: texts by their paths, from templates; nothing is measured here.
"""
