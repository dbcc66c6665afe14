"""What was not heard live but kept by the broker: a set's alarm, a desk's tally *in*.

A retained message may be a minute or a year old, so it opens nothing by itself. But it is about a person: the
page says that it is there, until something newer is heard of it.
"""

from analysis.live.rows import FromMemory
from analysis.wears.tally import FORGOTTEN_AFTER_US
from ingest.contract.frames import Messages


class BrokerMemory:
    """Retained alarms and tallies that were not heard live: one for each set and alarm, or wearer."""

    def __init__(self) -> None:
        self._kept: dict[tuple[str, str, str | None], FromMemory] = {}  # by service, set or wearer, alarm
        self._last: dict[tuple[str, str, str], tuple[int, int]] = {}  # by service, speaker, kind: heard live

    def take(self, messages: Messages) -> None:
        """Take newly received messages."""
        for kind, speaker in (("alarm", "set_id"), ("tally", "desk_id"), ("resolved", "desk_id")):
            for row in messages[kind].sort("received").iter_rows(named=True):
                who = row["wearer_id"] if kind == "tally" else row["set_id"]
                key = (row["service"], who or row["set_id"], row.get("alarm"))
                said_by, identity = (row["service"], row[speaker], kind), (row["boot"], row["seq"])
                if not row["retained"]:
                    self._last[said_by] = identity
                    self._forget(key)
                # If the source does not number its messages, nothing shows that this is a copy.
                elif (None in identity or identity != self._last.get(said_by)) and (
                    row.get("state") in ("raised", "acknowledged") or row.get("action") == "in"
                ):
                    self._kept[key] = FromMemory(key[1], row.get("alarm"), row["time"].timestamp())

    def _forget(self, heard: tuple[str, str, str | None]) -> None:
        service, who, alarm = heard
        for key in [key for key in self._kept if key[:2] == (service, who) and alarm in (None, key[2])]:
            del self._kept[key]

    def at(self, now_s: float) -> tuple[FromMemory, ...]:
        """Return what is, by its own time, no older than a set without a tally stays; the newest first."""
        found = [one for one in self._kept.values() if now_s - one.said_at <= FORGOTTEN_AFTER_US * 1e-6]
        return tuple(sorted(found, key=lambda one: -one.said_at))
