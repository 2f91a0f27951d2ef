"""Telling people: notices leave the store through channels, as often as it takes."""

from curewatch.notify.channel import Channel, GiveUp, TryLater
from curewatch.notify.delivery_threads import DeliveryThreads
from curewatch.notify.outbox import Outbox
from curewatch.notify.webhook import Webhook

__all__ = ["Channel", "DeliveryThreads", "GiveUp", "Outbox", "TryLater", "Webhook"]
