"""The plan of a run on a station, which refuses what the station may not play."""

from __future__ import annotations

from linecheck.limits.model import LimitFile
from linecheck.run.plan import Plan, PlayingRules, make_plan
from linecheck.station.config.station import StationConfig
from linecheck.station.interfaces import interface_of


def station_plan(limits: LimitFile, station: StationConfig) -> Plan:
    """Return the plan of a run on a station; see :func:`~linecheck.run.plan.make_plan`.

    Raises
    ------
    UsageError
        The station may not play it.
    """
    channels = {
        "playback.channels": station.playback.channels,
        "capture.channels": station.capture.channels,
        "capture.full_scale_volts": station.capture.full_scale_volts,
    }

    def made_by_hand(setting: str) -> bool:
        return setting not in station.setup and setting not in interface_of(station).settings

    rules = PlayingRules(
        station=station.station,
        channels={name: len(entries) for name, entries in channels.items() if entries is not None},
        rates_hz=station.playback.rates_hz,
        highest_level_dbfs=station.protection.highest_level_dbfs,
        ramp_seconds=station.protection.ramp_seconds,
        made_by_hand=made_by_hand,
        volts_uncertainty=station.calibration.volts_uncertainty,
    )
    return make_plan(limits, rules)
