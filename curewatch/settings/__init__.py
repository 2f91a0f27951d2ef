"""What a studio has set: one TOML file → one frozen `Settings`. Errors quote file, key, value and what is allowed."""

from curewatch.settings.channels import MailSettings, PersonSettings, PublishSettings, ServicesSettings
from curewatch.settings.errors import SettingsError
from curewatch.settings.loading import config_path, load_settings, store_location
from curewatch.settings.materials import MaterialSettings, load_materials
from curewatch.settings.part_settings_backup import BackupSettings
from curewatch.settings.part_settings_heartbeat import HeartbeatSettings
from curewatch.settings.part_settings_kinds import AIR_SPEED_RANGE_M_S, AIR_SPEEDS_M_S
from curewatch.settings.part_settings_page import WebSettings
from curewatch.settings.part_settings_shape import (
    AlarmSettings,
    BrokerSettings,
    ForecastSettings,
    NoticeSettings,
    RoomSettings,
    SensorSettings,
    Settings,
    WebhookSettings,
)
from curewatch.settings.settings import AfterCareSettings

__all__ = [
    "AIR_SPEEDS_M_S",
    "AIR_SPEED_RANGE_M_S",
    "AfterCareSettings",
    "AlarmSettings",
    "BackupSettings",
    "BrokerSettings",
    "ForecastSettings",
    "HeartbeatSettings",
    "MailSettings",
    "MaterialSettings",
    "NoticeSettings",
    "PersonSettings",
    "PublishSettings",
    "RoomSettings",
    "SensorSettings",
    "ServicesSettings",
    "Settings",
    "SettingsError",
    "WebSettings",
    "WebhookSettings",
    "config_path",
    "load_materials",
    "load_settings",
    "store_location",
]
