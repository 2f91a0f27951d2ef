"""What a studio has set: one TOML file → one frozen `Settings`. Errors quote file, key, value and what is allowed."""

from curewatch.settings.errors import SettingsError
from curewatch.settings.kinds import AIR_SPEED_RANGE_M_S, AIR_SPEEDS_M_S
from curewatch.settings.loading import config_path, load_settings, store_location
from curewatch.settings.shape import (
    AlarmSettings,
    BrokerSettings,
    ForecastSettings,
    NoticeSettings,
    RoomSettings,
    SensorSettings,
    Settings,
    WebhookSettings,
)

__all__ = [
    "AIR_SPEEDS_M_S",
    "AIR_SPEED_RANGE_M_S",
    "AlarmSettings",
    "BrokerSettings",
    "ForecastSettings",
    "NoticeSettings",
    "RoomSettings",
    "SensorSettings",
    "Settings",
    "SettingsError",
    "WebhookSettings",
    "config_path",
    "load_settings",
    "store_location",
]
