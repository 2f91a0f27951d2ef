"""What a studio has set: one TOML file → one frozen `Settings`. Errors quote file, key, value and what is allowed."""

from curewatch.settings.channels import (
    HeartbeatSettings,
    MailSettings,
    NoticeSettings,
    PersonSettings,
    PublishSettings,
    ServicesSettings,
    WebhookSettings,
)
from curewatch.settings.errors import SettingsError
from curewatch.settings.loading import config_path, load_settings, store_location, usual_config
from curewatch.settings.materials import MaterialSettings, load_materials
from curewatch.settings.page import WebSettings
from curewatch.settings.sensors import Accuracy, BrokerSettings, SensorSettings, TypedSettings
from curewatch.settings.settings import (
    AfterCareSettings,
    AlarmSettings,
    BackupSettings,
    ForecastSettings,
    RoomSettings,
    Settings,
)
from curewatch.settings.values import AIR_SPEED_RANGE_M_S, AIR_SPEEDS_M_S

__all__ = [
    "AIR_SPEEDS_M_S",
    "AIR_SPEED_RANGE_M_S",
    "Accuracy",
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
    "TypedSettings",
    "WebSettings",
    "WebhookSettings",
    "config_path",
    "load_materials",
    "load_settings",
    "store_location",
    "usual_config",
]
