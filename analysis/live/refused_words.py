"""Refused messages about people: a refused alarm or tally still counts on the board.

Only sender, kind and moment of a refused message are certain; the rest counts as far as it can be read.
"""

from collections import defaultdict, deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, get_args

import polars as pl
from msgspec.structs import replace

from analysis.alarms.kinds import GRAVEST
from analysis.live.desk_record import DeskRecord
from analysis.live.rows import ORDER, AlarmLine, Attention, Lost, Reason, Row
from analysis.refused import said_in, said_of, whose
from analysis.wears.gauges import UNHEARD_US
from analysis.wears.tally import FORGOTTEN_AFTER_US
from ingest.contract.frames import Messages
from ingest.contract.kinds import Alarm as AlarmName
from ingest.contract.topics import is_id

KEPT = 1_000
KEPT_HIGH = 10_000  # readings of one power-up: hours of them
KEPT_S = FORGOTTEN_AFTER_US * 1e-6  # a refused tally is kept as long as a set without a tally


@dataclass(frozen=True, slots=True)
class RefusedWord:
    """An alarm of a set, or a tally of a desk; seconds since 1970 by the listener's clock."""

    at_s: float
    service: str
    speaker: str
    reason: str
    said: Mapping[str, Any]  # the payload, as far as it can be read

    def named(self, field: str) -> str | None:
        """Return whom a tally names; None if that cannot be a name."""
        value = self.said.get(field)
        text = str(value) if isinstance(value, str | int) else ""
        return text if is_id(text) else None


class RefusedWords:
    """Refused alarms of sets and tallies of desks, and when a message of each set was refused last."""

    def __init__(self) -> None:
        # By service and set, then power-up: numbers and pressures that were refused for being too high.
        self.high: defaultdict[tuple[str, str], dict[int, dict[int, float]]] = defaultdict(dict)
        self._of_set_at_s: dict[tuple[str, str], float] = {}
        self._pressure_at_s: dict[tuple[str, str], float] = {}
        # By service, set and alarm: the first and the last, so that one set's many do not push out another's.
        self._alarms: dict[tuple[str, str, str], list[RefusedWord]] = {}
        self._tallies: deque[RefusedWord] = deque(maxlen=KEPT)

    def take(self, messages: Messages) -> None:
        """Take newly refused messages."""
        refused = messages["refused"]
        if refused.is_empty():
            return
        at_s = (pl.col("received").dt.epoch("us") * 1e-6).alias("at_s")
        service = pl.col("topic").str.split("/").list.get(2).alias("service")
        found = whose(refused).sort("received", maintain_order=True)
        of_people = found.select("role", "kind", at_s, service, "speaker", "reason", "payload")
        for role, kind, received_s, name, speaker, reason, payload in of_people.iter_rows():
            word = RefusedWord(received_s, name, speaker, reason, said_in(payload))
            if role == "set":
                self._of_set_at_s[word.service, word.speaker] = word.at_s
            if (role, kind) == ("set", "pressure"):
                self._pressure_at_s[word.service, word.speaker] = word.at_s
                one = said_of(payload)
                if one.boot is not None and one.seq is not None and one.above_bar is not None:
                    high = self.high[name, speaker].setdefault(one.boot, {})
                    high[one.seq] = one.above_bar
                    if len(high) > KEPT_HIGH:
                        del high[next(iter(high))]
            if (role, kind) == ("set", "alarm") and word.said.get("state") in (None, "raised"):
                said = word.said.get("alarm")
                alarm = said if isinstance(said, str) and said in get_args(AlarmName) else "fault"
                told = self._alarms.setdefault((name, speaker, alarm), [])
                told[1:] = [word]
            if (role, kind) == ("desk", "tally") and word.said.get("action") != "out":
                self._tallies.append(word)

    def tallies_unread(self, now_s: float) -> int:
        """Return how many refused tallies of the last 12 h name neither wearer nor set."""
        lately = [one for one in self._tallies if now_s - one.at_s <= KEPT_S]
        return sum(one.named("wearer_id") is None and one.named("set_id") is None for one in lately)

    def with_tallies(
        self, rows: Sequence[Row], desks: Mapping[str, DeskRecord], low_air_bar: float, now_s: float
    ) -> list[Row]:
        """Return the rows with everybody whom a refused tally names, until a person's word about them.

        If readings of a set were refused since the last one that counts, its row says so.

        - `desks`: by service.
        - `low_air_bar`: the profile's warning.
        """
        found = [self._heard(row) for row in rows]
        for word in self._tallies:
            wearer_id, set_id = word.named("wearer_id"), word.named("set_id")
            desk = desks.get(word.service)
            spoken_of = desk is not None and desk.spoken_for(wearer_id, set_id, word.at_s)
            if (wearer_id is None and set_id is None) or now_s - word.at_s > KEPT_S or spoken_of:
                continue
            place = _row_about(found, word.service, wearer_id, set_id)
            if place is None:
                place = len(found)
                found.append(_row_of(word, wearer_id, set_id, low_air_bar))
            found[place] = _marked(found[place], word, wearer_id, set_id)
        return found

    def _heard(self, row: Row) -> Row:
        at_s = self._of_set_at_s.get((row.service, row.set_id))
        lost = row.lost.code if row.lost is not None else None
        if at_s is not None and lost == "never_heard":
            return replace(row, reasons=(*row.reasons, Reason("messages_refused", at_s)))
        pressure_s = self._pressure_at_s.get((row.service, row.set_id), 0.0)
        said = any(one.code.endswith("readings_refused") for one in row.reasons)
        if pressure_s <= (row.pressure_at or 0.0) + UNHEARD_US * 1e-6 or said or not row.is_in:
            return row
        if row.lost is None or lost != "valve_closed":
            return replace(row, reasons=(*row.reasons, Reason("readings_refused")))
        why = Reason("lost_readings_refused", row.lost.since_at)
        reasons = (why if one.code == "lost_valve_closed" else one for one in row.reasons)
        return replace(row, lost=replace(row.lost, code="readings_refused"), reasons=tuple(reasons))

    def alarm_lines(
        self, rows: Sequence[Row], desks: Mapping[str, DeskRecord], shown: Sequence[AlarmLine]
    ) -> list[AlarmLine]:
        """Return the alarms, until a person resolves them: one line a set and kind.

        - `rows`: if two wearers share a set, the one who has it comes first.
        - `shown`: an alarm that is shown already needs no second line.
        """
        owners = {(row.service, row.set_id): row for row in reversed(rows)}
        owners |= {(row.service, row.set_id): row for row in reversed(rows) if row.tallied_in_at is not None}
        known = {(line.service, line.set_id, line.alarm) for line in shown if line.ended_at is None}
        lines = []
        told = [(about, word) for about, words in self._alarms.items() for word in words]
        for about, word in sorted(told, key=lambda one: one[1].at_s):
            alarm = about[2]
            owner = owners.get((word.service, word.speaker))
            resolved = desks[word.service].resolved if word.service in desks else ()
            settled = any(
                one.set_id == word.speaker
                and one.alarm in (alarm, None)
                and (owner is None or one.is_about(owner.wearer_id))
                and one.at_us >= word.at_s * 1e6
                for one in resolved
            )
            if about in known or settled:
                continue
            known.add(about)
            lines.append(
                AlarmLine(
                    key=f"{word.service}/{word.speaker}/{alarm}/{word.at_s:.0f}",
                    service=word.service,
                    set_id=word.speaker,
                    wearer_id=owner.wearer_id if owner is not None else None,
                    team=owner.team if owner is not None else None,
                    incident_id=owner.incident_id if owner is not None else None,
                    alarm=alarm,
                    raised_at=word.at_s,
                    detail=f"message refused: {word.reason}",
                    row_key=owner.key if owner is not None else f"{word.service}/{word.speaker}/-",
                )
            )
        return lines


def with_refused_alarms(row: Row, refused: Sequence[AlarmLine]) -> Row:
    """Return the row with the gravest alarms of its set whose message was refused: they count as raised.

    - `refused`: of all sets; those that a person resolved are not among them.
    """
    known = {reason.code for reason in row.reasons}
    raised = {line.alarm: line.raised_at for line in refused if line.row_key == row.key}
    for name in reversed(GRAVEST):  # so that the gravest is the first reason
        if name in raised and name not in known:
            row = replace(
                row, attention=_raised(row, name), reasons=(Reason(name, raised[name]), *row.reasons)
            )
    return row


def _raised(row: Row, attention: Attention) -> Attention:
    return min(row.attention, attention, key=ORDER.__getitem__)


def _row_about(rows: Sequence[Row], service: str, wearer_id: str | None, set_id: str | None) -> int | None:
    """Return the row of the wearer whom a tally names, else of its set if nobody is in with it."""

    def places(wearer: str | None, of_set: str | None) -> Iterator[int]:
        return (
            place
            for place, row in enumerate(rows)
            if row.service == service and row.wearer_id == wearer and (of_set is None or row.set_id == of_set)
        )

    if wearer_id is not None and (of_wearer := next(places(wearer_id, None), None)) is not None:
        return of_wearer
    return next(places(None, set_id), None) if set_id is not None else None


def _marked(row: Row, word: RefusedWord, wearer_id: str | None, set_id: str | None) -> Row:
    """Return a row that says that its wearer's tally was refused.

    Somebody whose set is heard under air has the place that the air gives: a name that cannot be read must
    not go before an empty cylinder. Of everybody else nothing vouches for the air: not accounted for.
    """
    breathes = row.started_at is not None and row.silent_since_at is None and set_id in (None, row.set_id)
    lost = row.lost or (None if breathes else Lost("tally_refused", word.at_s, word.reason))
    reason = Reason("lost_tally_refused", word.at_s, word.reason)
    return replace(
        row,
        wearer_id=row.wearer_id or wearer_id,
        team=row.team or (word.named("team") if row.wearer_id is None else None),
        incident_id=row.incident_id or word.named("incident_id"),
        lost=lost,
        attention=row.attention if lost is None else _raised(row, "not_accounted"),
        reasons=(reason, *(one for one in row.reasons if one.code != reason.code)),
    )


def _row_of(word: RefusedWord, wearer_id: str | None, set_id: str | None, low_air_bar: float) -> Row:
    """Return the row of somebody who is known from a refused tally only."""
    return Row(
        key=f"{word.service}/{set_id or '-'}/{wearer_id or '-'}",
        service=word.service,
        set_id=set_id or "",
        wearer_id=wearer_id,
        team=None,
        low_air_bar=low_air_bar,
        entered_at=word.at_s,
    )
