"""The vocabulary: what curewatch knows, as frozen records. No record reads a clock, a file or a table.

Facts (typed or measured; only a correction changes one, and keeps what was): Room, Recipe, Piece, Stay, Pour, Reading.
Derived (may be deleted and is rebuilt): Forecast with its Milestones.
Decisions (each committed together with the notice it causes): Alarm, Notice, Delivery.

Units are in the names: `_c` degrees Celsius, `_pct` percent, `_m` metres, `_h` hours. Times are aware UTC.
"""

from curewatch.records.decisions import (
    Alarm,
    AlarmEvent,
    AlarmHappening,
    AlarmKind,
    AlarmState,
    Damage,
    Delivery,
    DeliveryState,
    Forecast,
    Milestone,
    MilestoneKind,
    Notice,
)
from curewatch.records.facts import (
    NAME_MOST,
    RH_PCT_RANGE,
    TEMP_C_RANGE,
    UNSAFE,
    WET_THICKNESS_RANGE_M,
    GivenName,
    Moment,
    Name,
    Piece,
    Pour,
    Reading,
    Recipe,
    Record,
    Room,
    SensorTrust,
    Stay,
    Support,
    ThicknessSource,
    Trust,
    visible,
)

__all__ = [
    "NAME_MOST",
    "RH_PCT_RANGE",
    "TEMP_C_RANGE",
    "UNSAFE",
    "WET_THICKNESS_RANGE_M",
    "Alarm",
    "AlarmEvent",
    "AlarmHappening",
    "AlarmKind",
    "AlarmState",
    "Damage",
    "Delivery",
    "DeliveryState",
    "Forecast",
    "GivenName",
    "Milestone",
    "MilestoneKind",
    "Moment",
    "Name",
    "Notice",
    "Piece",
    "Pour",
    "Reading",
    "Recipe",
    "Record",
    "Room",
    "SensorTrust",
    "Stay",
    "Support",
    "ThicknessSource",
    "Trust",
    "visible",
]
