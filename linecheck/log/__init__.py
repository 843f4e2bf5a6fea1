"""The log: an SQLite database to which runs and statements are added and in which nothing is ever changed.

In: runs, and what people or stations state. Out: the same again, lists, exports, and whether anything was changed.
``archive`` keeps captures, ``export`` writes tables, ``sync`` sends the log to a server.

=======================  ==============================================================
:class:`Log`             opened to add runs to
:class:`LogReader`       opened to read from: lists, attempts of a unit, verification
:class:`StoredRun`       what adding a run gives: sequence number, attempt, hash
:class:`Head`            the last record's number and hash, to be noted elsewhere
:class:`Verification`    what a verification found
:class:`RunFilter`       which runs are meant
:class:`KnownAsset`      a thing that runs rest on, and how long it was used
:class:`Statement`       what somebody, or the station, has said
:class:`Signoff`         a sign-off of a comparison, with its countersignatures
=======================  ==============================================================
"""

from linecheck.log.assets import KnownAsset
from linecheck.log.queries import RunFilter
from linecheck.log.signoff import Signoff
from linecheck.log.store import Log, LogReader
from linecheck.log.stored import Head, Statement, StoredRun, Verification

__all__ = [
    "Head",
    "KnownAsset",
    "Log",
    "LogReader",
    "RunFilter",
    "Signoff",
    "Statement",
    "StoredRun",
    "Verification",
]
