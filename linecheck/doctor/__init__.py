"""What this machine has and lacks for linecheck, and how to get it.

In: the machine, and a station's config if one is given. Out: findings. Nothing is played, opened for use or changed.
"""
