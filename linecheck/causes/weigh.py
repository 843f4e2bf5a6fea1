"""From symptoms to odds: every cause is weighed by how likely it makes what is seen, and by how common it is.

====================  =====================================================================
:class:`Seen`         the symptoms of a run, and how surely each is there
:class:`Hypothesis`   a cause in a channel or in all, two of them at once, or none of them
:func:`weigh`         hypotheses with their probabilities, the most likely first
====================  =====================================================================

With s how surely a symptom is there and p how often a cause shows it, what is seen has the likelihood
s p + (1 - s)(1 - p) under that cause; symptoms are taken as independent once the cause is given (a naive Bayes model
with uncertain evidence, Pearl 1988, from memory). Two causes at once show a symptom where either does:
1 - (1 - p)(1 - q), the noisy or. Symptoms of one cause hang together, so that their product is too sure of itself: its
logarithm is multiplied by :data:`TEMPER`, fitted so that what is told with 80 to 90 % is right that often
(tests/published/test_named_causes.py).
"""

from __future__ import annotations

import itertools
import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np

from linecheck.causes.evidence import Evidence
from linecheck.causes.symptom import Cause, Symptom
from linecheck.dsp.arrays import FloatArray
from linecheck.run.causes import NONE_OF_THESE

_log = logging.getLogger(__name__)
_log.addHandler(logging.NullHandler())

#: How often a fault that is not in the catalogue shows a symptom, in parts of how often causes do on average: a small
#: one shows few, a gross one many. Nobody knows which it is, so that all three count alike.
UNKNOWN_SHOWS: Final = (1.0, 4.0, 12.0)
MAX_UNKNOWN_SHOWS: Final = 0.6
#: The same of a symptom that no cause of the catalogue shows: it is looked at because it speaks against all of them.
FOREIGN_SHOWS: Final = 0.2
TEMPER: Final = 0.7
#: The prior of a fault that is not in the catalogue, and of two at once.
PRIOR_UNKNOWN: Final = 0.25
PRIOR_TWO: Final = 0.1
#: What the tables do not know of is at least so likely.
DOUBT: Final = 0.03
#: Two at once are tried of so many of the likeliest.
MAX_PAIRED: Final = 14
#: Of a cause that can be in one channel or in all: the prior of all.
IN_ALL: Final = 0.5


@dataclass(frozen=True)
class Seen:
    """Symptoms by name and channel, and how surely each is there; those that the run does not say are left out."""

    keys: tuple[tuple[str, str | None], ...]
    surely: FloatArray
    leaks: FloatArray
    weights: FloatArray

    @cached_property
    def places(self) -> Mapping[str, Sequence[tuple[int, str | None]]]:
        """Where each symptom stands among the keys, with the channels."""
        found: dict[str, list[tuple[int, str | None]]] = {}
        for place, (name, channel) in enumerate(self.keys):
            found.setdefault(name, []).append((place, channel))
        return found


@dataclass(frozen=True)
class Hypothesis:
    """Causes by name with the channel of each: one, two at once, or none of those that are known."""

    causes: tuple[tuple[str, str | None], ...]
    probability: float = 0.0

    @property
    def names(self) -> tuple[str, ...]:
        """The codes alone."""
        return tuple(name for name, _ in self.causes)


NONE: Final = ((NONE_OF_THESE, None),)


def look(evidence: Evidence, symptoms: Mapping[str, Symptom]) -> Seen:
    """Return the symptoms of a run."""
    keys, surely, leaks, weights = [], [], [], []
    for name, symptom in symptoms.items():
        for channel in (None,) if symptom.of_pair else evidence.channels:
            strength = _strength(symptom, evidence, channel)
            if strength is not None and np.isfinite(strength):
                keys.append((name, channel))
                surely.append(min(max(float(strength), 0.0), 1.0))
                leaks.append(symptom.leak)
                # Channels share parts, so that what both show is less than two witnesses.
                weights.append(1.0 if symptom.of_pair else len(evidence.channels) ** -0.5)
    return Seen(tuple(keys), np.array(surely), np.array(leaks), np.array(weights))


def _strength(symptom: Symptom, evidence: Evidence, channel: str | None) -> float | None:
    """Return how surely a symptom is there; one that stumbles over what nobody foresaw says nothing, and is logged."""
    try:
        return symptom.look(evidence, channel)
    except Exception:
        _log.exception("the symptom %s could not be looked at", symptom.name)
        return None


def weigh(seen: Seen, causes: Mapping[str, Cause], channels: Sequence[str]) -> list[Hypothesis]:
    """Return every cause with its probability, merged over channels, the most likely first.

    Parameters
    ----------
    seen : Seen
    causes : mapping of str to Cause
    channels : sequence of str
        Of the unit.
    """
    singles, priors = _singles(causes, channels)
    shown = np.array([_shown(causes[name], channel, seen) for name, channel in singles])
    scores = np.log(priors * (1.0 - PRIOR_UNKNOWN - PRIOR_TWO)) + TEMPER * _log_likelihood(shown, seen)
    likeliest = np.argsort(-scores)[:MAX_PAIRED]
    pairs = [
        (int(one), int(other))
        for one, other in itertools.combinations(likeliest, 2)
        if singles[one][0] != singles[other][0]
        and not any(causes[singles[index][0]].stands_alone for index in (one, other))
    ]
    entries: list[tuple[tuple[str, str | None], ...]] = [(single,) for single in singles]
    if pairs:
        first, second = (np.array(side) for side in zip(*pairs, strict=True))
        either = 1.0 - (1.0 - shown[first]) * (1.0 - shown[second])
        # The second one's prior is tempered as the likelihood is that has to outweigh it.
        prior = np.log(PRIOR_TWO * priors[first]) + TEMPER * np.log(priors[second])
        scores = np.concatenate((scores, prior + TEMPER * _log_likelihood(either, seen)))
        entries += [(singles[one], singles[other]) for one, other in pairs]
    # A fault that nobody has described shows what faults show: what many causes have in common above all.
    common = priors @ shown
    unknown = np.clip(np.outer(UNKNOWN_SHOWS, common), seen.leaks, MAX_UNKNOWN_SHOWS)
    unknown[:, np.max(shown, axis=0) <= seen.leaks] = FOREIGN_SHOWS
    of_unknown = np.log(PRIOR_UNKNOWN / len(UNKNOWN_SHOWS)) + TEMPER * _log_likelihood(unknown, seen)
    scores = np.concatenate((scores, of_unknown))
    entries += [NONE] * len(UNKNOWN_SHOWS)
    odds = np.exp(scores - np.max(scores))
    # However well a cause fits, the tables themselves may be wrong.
    odds *= (1.0 - DOUBT) / np.sum(odds)
    odds[-len(UNKNOWN_SHOWS)] += DOUBT
    return _merged(entries, odds)


def _singles(
    causes: Mapping[str, Cause], channels: Sequence[str]
) -> tuple[list[tuple[str, str | None]], FloatArray]:
    """Return every cause in every place that it can be, and its prior."""
    places: list[tuple[str, str | None]] = []
    weights = []
    for cause in causes.values():
        if cause.scope == "unit" or len(channels) < 2:
            shares: dict[str | None, float] = {None: 1.0}
        else:
            in_all = 0.0 if cause.scope == "channel" else IN_ALL
            shares = {name: (1.0 - in_all) / len(channels) for name in channels}
            if in_all:
                shares[None] = in_all
        places += [(cause.name, channel) for channel in shares]
        weights += [cause.weight * share for share in shares.values()]
    return places, np.array(weights) / np.sum(weights)


def _shown(cause: Cause, channel: str | None, seen: Seen) -> FloatArray:
    """Return how often a cause in a channel (or in all) shows each of the symptoms."""
    shown = seen.leaks.copy()
    for name, often in cause.shows.items():
        for place, where in seen.places.get(name, ()):
            if None in (channel, where) or where == channel:
                shown[place] = often
    return shown


def _log_likelihood(shown: FloatArray, seen: Seen) -> FloatArray:
    """Return the logarithm of the likelihood of what is seen, one for each row of ``shown``."""
    likely = np.log(seen.surely * shown + (1.0 - seen.surely) * (1.0 - shown))
    return np.asarray(likely @ seen.weights)


def _merged(entries: Sequence[tuple[tuple[str, str | None], ...]], odds: FloatArray) -> list[Hypothesis]:
    """Return one hypothesis for each cause, or two: in the likeliest channel, with the odds of all channels."""
    best: dict[tuple[str, ...], int] = {}
    total: dict[tuple[str, ...], float] = {}
    for index, entry in enumerate(entries):
        names = tuple(sorted(name for name, _ in entry))
        total[names] = total.get(names, 0.0) + float(odds[index])
        if names not in best or odds[index] > odds[best[names]]:
            best[names] = index
    found = [Hypothesis(entries[index], total[names]) for names, index in best.items()]
    return sorted(found, key=lambda entry: -entry.probability)
