"""Store and forward: the log of a station, brought to the PostgreSQL server where the logs of many stations meet.

The log on the station is the truth and needs no server. What is at the server is asked of it at the start of each
connection; from there on records are verified and sent in the order of their numbers, a batch in a transaction. Nothing
is noted as sent before the server has said that it is committed.

================================  ==================================================================
:mod:`~.target`                   the server that is meant, without a password
:mod:`~.local`                    the log on the station: what is to be sent, what was acknowledged
:mod:`~.batches`                  verified records in bounded batches
:mod:`~.layout`                   the server's tables, made from those of the log
:mod:`~.migrate`                  its numbered migrations
:mod:`~.server`                   connections, and the server's errors in words
:mod:`~.stored`                   reading and verifying at the server what is stored there
:mod:`~.push`                     sending
:mod:`~.names`                    two logs that name the same station
:mod:`~.background`               sending beside a session that tests units
================================  ==================================================================

Only :mod:`~.server`, and what imports it, imports the driver (the extra ``postgres``).
"""
