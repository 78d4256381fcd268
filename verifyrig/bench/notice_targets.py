"""The `[[notify]]` tables of bench.toml: who is given a notice of each run and each alarm. Opens nothing.

    [[notify]]
    id = "line"                       # of one's own choice; in [a-z0-9-]
    by = "folder"                     # one CSV file a notice, put there by a rename
    folder = "/srv/drop"

    [[notify]]
    id = "script"
    by = "command"                    # JSON on its standard input; no shell; exit code 0 takes it
    command = ["/usr/local/bin/take"]

    [[notify]]
    id = "hook"
    by = "webhook"                    # HTTP POST, signed with HMAC-SHA256
    url = "https://receiver.example/notices"
    key_file = "hook.key"             # or key_env, the name of a variable; never the key itself
    ca_file = "own-ca.pem"

    [[notify]]
    id = "broker"
    by = "mqtt"                       # MQTT 5, QoS 1 (extra `notify`)
    host = "broker.example"
    port = 1883
    topic = "bench/notices"
    user = "bench-1"
    password_file = "mqtt.password"   # or password_env
    tls = false

Each may have `events` (["run", "alarm"], both by default), `timeout_s` (10), `most_kept` (10 000) and `personal`
(false: no operator, no job).
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any
from urllib.parse import urlsplit

from verifyrig.files.toml_table import TomlTable, shown

__all__ = ["NoticeEvent", "NoticeTarget", "NoticeWay", "read_targets", "targets_of"]

LONGEST_TIMEOUT_S = 120.0
_TEXT = 'Write a text: "...".'
_ID = re.compile(r"[a-z0-9][a-z0-9-]{0,40}")


class NoticeEvent(StrEnum):
    """What a notice tells of."""

    RUN = "run"
    ALARM = "alarm"
    TRIAL = "trial"


class NoticeWay(StrEnum):
    """How a notice reaches its target."""

    FOLDER = "folder"
    COMMAND = "command"
    WEBHOOK = "webhook"
    MQTT = "mqtt"


_OWN_KEYS: Mapping[str, tuple[str, ...]] = {
    NoticeWay.FOLDER: ("folder",),
    NoticeWay.COMMAND: ("command",),
    NoticeWay.WEBHOOK: ("url", "key_file", "key_env", "ca_file"),
    NoticeWay.MQTT: ("host", "port", "topic", "user", "password_file", "password_env", "tls", "ca_file"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class NoticeTarget:
    """One target.

    Attributes:
        events: Which notices it is given.
        timeout_s: How long one attempt may take, s.
        most_kept: How many notices may wait for it; further ones are counted and left out.
        personal: Whether the names of operator and job go with it.
        secret_file, secret_env: Where the key or password stands: a file (relative to the bench folder) or a variable.
    """

    id: str
    way: NoticeWay
    events: tuple[NoticeEvent, ...] = (NoticeEvent.RUN, NoticeEvent.ALARM)
    timeout_s: float = 10.0
    most_kept: int = 10_000
    personal: bool = False
    folder: str = ""
    command: tuple[str, ...] = ()
    url: str = ""
    host: str = ""
    port: int = 1883
    topic: str = ""
    user: str = ""
    tls: bool = False
    ca_file: str = ""
    secret_file: str = ""
    secret_env: str = ""


def read_targets(top: TomlTable, name: str) -> None:
    """Check the tables; what is wrong is among the table's faults."""
    seen: list[str] = []
    for table in top.tables(name, mend=f"Write [[{name}]]."):
        own = table.text("id", mend='Write id = "line", of small letters, digits and "-".')
        if own is None or not _ID.fullmatch(own):
            if own is not None or not table.has("id"):
                table.fault("id is missing, or no id", 'Write id = "line", of small letters, digits and "-".')
        elif own in seen:
            table.fault(f"id {shown(own)} stands twice", "Give each target its own.")
        seen.append(own or "")
        way = table.choice("by", tuple(NoticeWay))
        if not table.has("by"):
            table.fault("by is missing", f'Write by = "folder", or one of {", ".join(tuple(NoticeWay))}.')
        for event in table.texts("events", mend='Write ["run", "alarm"].'):
            if event not in (NoticeEvent.RUN, NoticeEvent.ALARM):
                table.fault(f"events holds {shown(event)}", 'Write "run", "alarm" or both.')
        table.number("timeout_s", mend="Write seconds.", above=0, maximum=LONGEST_TIMEOUT_S)
        table.whole("most_kept", mend="Write how many notices may wait, such as 10000.")
        table.flag("personal", mend="Write true or false.")
        if way is not None:
            _read_own(table, NoticeWay(way))
            table.done()


def _read_own(table: TomlTable, way: NoticeWay) -> None:
    """Check the keys of one way; another way's keys are unknown to it."""
    for key in _OWN_KEYS[way]:
        if key == "command":
            words = table.texts(key, mend='Write the program and its words, as in ["/usr/local/bin/take"].')
            if not (words and words[0].strip()):
                table.fault("command names no program", 'Write ["/usr/local/bin/take"], for example.')
        elif key == "port":
            table.whole(key, mend="Write the number of a port.", maximum=65535)
        elif key == "tls":
            table.flag(key, mend="Write true or false.")
        else:
            table.text(key, mend=_TEXT)
    needed = {
        NoticeWay.FOLDER: ("folder",),
        NoticeWay.COMMAND: (),
        NoticeWay.WEBHOOK: ("url",),
        NoticeWay.MQTT: ("host", "topic"),
    }[way]
    for key in needed:
        if not table.has(key):
            table.fault(f"{key} is missing", f'Write {key} = "...".')
    if way is NoticeWay.WEBHOOK:
        url = table.values.get("url")
        if isinstance(url, str) and not _is_http(url):
            table.fault(f"url is {shown(url)}, and must be one of http or https", 'Write "https://...".')
        if table.has("key_file") == table.has("key_env"):
            table.fault("one of key_file and key_env is needed", 'Write key_file = "hook.key", a file with the key.')
    if way is NoticeWay.MQTT:
        topic = table.values.get("topic")
        # MQTT 5, 4.7.1: wildcards stand in filters alone; 4.7.3: no NUL, at most 65 535 bytes.
        if isinstance(topic, str) and (set("+#\0") & set(topic) or len(topic.encode("utf-8", "replace")) > 65_535):
            table.fault(f"topic is {shown(topic)}, and must have no + or #", 'Write "bench/notices".')
        if table.has("password_file") and table.has("password_env"):
            table.fault("password_file and password_env stand both", "Leave one of them out.")


def _is_http(url: str) -> bool:
    try:
        parts = urlsplit(url)
        return parts.scheme in ("http", "https") and bool(parts.hostname) and parts.port != 0 and not parts.username
    except ValueError:
        return False


def targets_of(config: Mapping[str, Any]) -> tuple[NoticeTarget, ...]:
    """Return the targets of a bench.toml that was checked; none by default."""
    tables: Sequence[Mapping[str, Any]] = config.get("notify", ())
    return tuple(_target(table) for table in tables)


def _target(table: Mapping[str, Any]) -> NoticeTarget:
    way = NoticeWay(table["by"])
    plain = {key: table[key] for key in ("folder", "url", "host", "port", "topic", "user", "tls", "ca_file", "personal")
             if key in table}  # fmt: skip
    more = {key: table[key] for key in ("timeout_s", "most_kept") if key in table}
    if "events" in table:
        more["events"] = tuple(NoticeEvent(event) for event in table["events"])
    if table.get("tls") and "port" not in table:
        more["port"] = 8883
    return NoticeTarget(
        id=table["id"],
        way=way,
        command=tuple(table.get("command", ())),
        secret_file=table.get("key_file", table.get("password_file", "")),
        secret_env=table.get("key_env", table.get("password_env", "")),
        **plain,
        **more,
    )
