"""A station at work: units are admitted, tested, recorded, archived and sent.

In: a station, a plan, serial numbers and what is known of each unit. Out: typed events and recorded runs. It prints
nothing; whoever shows it listens.
"""
