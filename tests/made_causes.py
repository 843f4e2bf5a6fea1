"""Causes made up by hand, so that how they are told is tested without weighing anything."""

from dataclasses import replace

from linecheck.run.causes import NONE_OF_THESE, Causes, RankedCause

#: What a record, or a file, may hold in place of a text.
HOSTILE = "<script>alert(1)</script> | [x](http://y) & `z` @all\n\n# PASS\x1b[2J\x00\u202e" + "x" * 100_000


def made_cause(code="deemphasis_on", probability=0.87, **changes):
    """Return a cause, by its code."""
    cause = RankedCause(
        codes=(code,),
        channel=None,
        probability=probability,
        text="the unit plays with its 50/15 µs de-emphasis on",
        blames=("unit", "firmware"),
        act="switch the de-emphasis off and test it again",
        measure="the response from 1 kHz to 20 kHz",
        explains=28,
    )
    return replace(cause, **changes)


NONE = made_cause(
    NONE_OF_THESE,
    0.05,
    text="none of the known causes",
    act="set the unit aside for an engineer",
    measure="look at the report of the run",
    explains=0,
)
DROOP = made_cause("treble_droop", 0.21, text="a part of the output filter is off", explains=20)


def made_causes(*ranked, findings=31):
    """Return causes; one that is likely, and one that may be, where none are given."""
    return Causes(1, findings, ranked or (made_cause(probability=0.74), DROOP, NONE))


def unknown_causes():
    """Return what is said where no cause fits."""
    return made_causes(replace(NONE, probability=0.9), made_cause(probability=0.05), findings=3)


def with_causes(run, causes=None):
    """Return a run that says these causes."""
    return replace(run, causes=(causes or made_causes()).as_fact())


def hostile_fact():
    """Return a fact as a tampered log may hold it: every text is hostile."""
    fact = made_causes().as_fact()
    for entry in fact["ranked"]:
        entry |= dict.fromkeys(("text", "act", "measure", "channel"), HOSTILE)
        entry |= {"codes": [HOSTILE], "blames": [HOSTILE] * 3}
    return fact


def unreadable_facts():
    """Return facts as a tampered log may hold them that are no causes at all."""
    whole = made_causes().as_fact()
    entry = whole["ranked"][0]
    return [
        {"ranked": []},
        {"priors": {}, "findings": [], "ranked": "no"},
        {**whole, "ranked": [{**entry, "probability": float("nan")}]},
        {**whole, "ranked": [{**entry, "codes": []}]},
        {**whole, "ranked": [{**entry, "text": None}]},
        {**whole, "ranked": [entry] * 1000},
        [whole],
        "causes",
    ]
