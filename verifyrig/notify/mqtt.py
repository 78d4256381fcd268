"""A notice to an MQTT 5 broker, QoS 1: taken once the broker acknowledges it. Needs paho-mqtt (extra `notify`).

The notice's id stands in the user property `id`, beside the content type (OASIS MQTT 5.0, 3.3.2.3).
"""

from __future__ import annotations

import contextlib
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any

from verifyrig.bench.notice_targets import NoticeTarget
from verifyrig.core.plain_text import plain_line
from verifyrig.notify.attempt import NotDelivered, secret_of
from verifyrig.notify.spool import Waiting

if TYPE_CHECKING:
    from paho.mqtt.client import Client
    from paho.mqtt.properties import Properties

__all__ = ["send_by_mqtt"]


def send_by_mqtt(target: NoticeTarget, notice: Waiting, root: Path) -> None:
    """Publish the notice and wait for the broker's acknowledgement."""
    try:
        from paho.mqtt import client as paho
        from paho.mqtt.enums import CallbackAPIVersion
        from paho.mqtt.packettypes import PacketTypes
        from paho.mqtt.properties import Properties
    except ImportError:
        raise NotDelivered("MQTT needs paho-mqtt: install verifyrig[notify]") from None
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.connect_timeout = target.timeout_s
    if target.user:
        client.username_pw_set(target.user, secret_of(target, root).decode("utf-8", "replace") or None)
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.ContentType = "application/json"
    properties.PayloadFormatIndicator = 1
    properties.UserProperty = [("id", notice.id)]
    try:
        if target.tls:
            client.tls_set(ca_certs=str(root / target.ca_file) if target.ca_file else None)
        _publish(client, target, notice.body, properties)
    except (OSError, ValueError) as error:
        why = plain_line(str(getattr(error, "strerror", None) or error), 120)
        raise NotDelivered(f"{target.host} cannot be reached ({why})") from error


def _publish(client: Client, target: NoticeTarget, body: str, properties: Properties) -> None:
    answered, said = threading.Event(), [""]

    def heard(_client: Any, _data: Any, *more: Any) -> None:
        code = more[1]  # (flags, code, properties) of a connection; (message, code, properties) of a publication
        said[0] = str(code) if code.is_failure else ""
        answered.set()

    client.on_connect = client.on_publish = heard
    client.connect(target.host, target.port, keepalive=60)
    client.loop_start()
    try:
        _wait(answered, target, said)
        answered.clear()
        client.publish(target.topic, body.encode("utf-8"), qos=1, properties=properties)
        _wait(answered, target, said)
    finally:
        with contextlib.suppress(OSError, ValueError):
            client.disconnect()
        client.loop_stop()


def _wait(answered: threading.Event, target: NoticeTarget, said: list[str]) -> None:
    if not answered.wait(target.timeout_s):
        raise NotDelivered(f"{target.host} did not answer within {target.timeout_s:g} s")
    if said[0]:
        raise NotDelivered(f"{target.host} refused it: {plain_line(said[0], 80)}")
