"""The live board: takes messages as they are received and says, for any moment, who needs attention and why.

It keeps a record that grows and no state of rules: each snapshot asks the review's own functions about the
record, as of now. So the board of any past moment is the board of the messages received until then.
Pure: no clock and no input of its own. `take` must be given every message once, in any lots (a repeated one
does no harm); `snapshot(now)` may be asked at any moment.
"""

import zlib
from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from typing import TypeVar

import polars as pl
from msgspec.structs import replace

from analysis.alarms.alarms import Alarm
from analysis.alarms.kinds import GRAVEST
from analysis.live.attention import (
    Moments,
    in_order_of_need,
    rows_of_alarms_alone,
    team_rows,
)
from analysis.live.came_out import with_rests
from analysis.live.hearing import BrokerMemory, HeardSoFar
from analysis.live.inside import Line
from analysis.live.refused_words import KEPT_S, RefusedWords, with_refused_alarms
from analysis.live.rows import (
    Contradiction,
    NoteLine,
    OrderLine,
    Out,
    RollCallLine,
    Row,
    Snapshot,
    StandbyLine,
)
from analysis.live.service_board import ServiceBoard
from analysis.live.voice import low_air_lines
from analysis.profile import Profile
from analysis.wears.entries import Entry
from ingest.contract.frames import Messages
from ingest.contract.kinds import DESK_KINDS, KINDS

DESK_KEPT = 100
SPOKEN_OF_LATELY_S = 6 * 3600.0
"""For so long the live page can still send about a closed incident. Our own rule: longer than any wear."""
SHORTEST_WINDOW_S = 15 * 60.0
LONGEST_WINDOW_S = 60 * 60.0
WINDOW_STEP_S = 300.0

Lines = dict[str, Line]
"""The air line so far by row key."""


class LiveBoard:
    """The record so far, and what it says of every set, entry, team, incident and alarm."""

    def __init__(self, profile: Profile) -> None:
        self.profile = profile
        self._services: dict[str, ServiceBoard] = {}
        self._heard = HeardSoFar()
        self._refused = RefusedWords()
        self._memory = BrokerMemory()
        self._desk_heard: deque[str] = deque(maxlen=DESK_KEPT)
        # What failed by a fault of ours: the caller reports and clears it.
        self.faults: list[tuple[str, Exception]] = []

    def take(self, messages: Messages) -> None:
        """Take newly received messages (a frame a kind, as `ingest.contract.frames` makes them)."""
        self._heard.take(messages)
        self._refused.take(messages)
        self._memory.take(messages)
        for identity in _desk_identities(messages):
            self._desk_heard.append(identity)
        for service, own in _by_service(messages).items():
            if service not in self._services:
                self._services[service] = ServiceBoard(service, self.profile, self.faults, self._refused.high)
            self._services[service].take(own)

    def snapshot(self, now: datetime) -> Snapshot:
        """Return what is to be shown at `now` (with a time zone)."""
        now_s = now.timestamp()
        for board in self._services.values():
            board.ask(round(now_s * 1e6))
        boards = list(self._services.values())
        by_service = {board.service: board.desks for board in boards}
        rows = self._refused.with_tallies(
            [row for board in boards for row in board.rows(now_s)],
            by_service,
            self.profile.air.low_air_bar,
            now_s,
        )
        reached: Moments = {}
        for board in boards:  # after the rows, which find what hangs
            board.add_team_moments(reached)
        alarms = [line for board in boards for line in board.alarm_lines(now_s)]
        refused = self._refused.alarm_lines(rows, by_service, alarms)
        alarms += [*refused, *low_air_lines(rows, alarms, by_service)]
        rows = [with_refused_alarms(row, refused) for row in rows]
        rows += rows_of_alarms_alone(alarms, {row.key for row in rows}, self.profile.air.low_air_bar)
        known = {(row.service, row.set_id) for row in rows}
        unbelieved = [
            row
            for board in boards
            for row in board.too_high()
            if (board.service, row.set_id) not in known and row.lost is not None
            if now_s - row.lost.since_at <= KEPT_S
            if not board.desks.spoken_for(None, row.set_id, row.lost.since_at)
        ]
        rows += unbelieved
        alarms += low_air_lines(unbelieved, alarms, by_service)
        since = {
            one.key: at_us * 1e-6
            for board in boards
            for one in board.inside
            if (at_us := one.turns_with_team_since_us) is not None
        }
        teams = {
            one.key: [
                (team, since_us * 1e-6, until_us * 1e-6) for team, since_us, until_us in one.entry.teams
            ]
            for board in boards
            for one in board.inside
        }
        ready_s = 60.0 * self.profile.entry.relief_ready_min
        shown = in_order_of_need(rows, reached, since, ready_s, teams)
        earliest = min((row.started_at for row in shown if row.started_at is not None), default=now_s)
        back_s = -(-(now_s - earliest) // WINDOW_STEP_S) * WINDOW_STEP_S
        desks = [board.desks for board in boards]
        # First those that nobody has seen, then the gravest, then those still on, then the oldest.
        alarms.sort(
            key=lambda line: (
                line.seen_at is not None,
                line.alarm not in GRAVEST,
                line.ended_at is not None,
                line.raised_at,
            )
        )
        # Two services may give an incident, a team, a desk or a wearer the same name.
        several = len(boards) > 1
        prompts = [
            replace(prompt, service=board.service if several else "")
            for board in boards
            for prompt in board.prompts(now_s)
        ]
        mine = {
            board.service: tuple(row for row in shown if row.service == board.service) for board in boards
        }
        spoken = [(one.service, one.desks.words, mine[one.service]) for one in boards]
        orders = [
            line for name, words, own in spoken for line in _of(name, words.orders(own, now_s), several)
        ]
        return Snapshot(
            at=now_s,
            window_from_at=now_s - min(max(back_s, SHORTEST_WINDOW_S), LONGEST_WINDOW_S),
            rows=shown,
            teams=team_rows(shown, by_service=several),
            alarms=tuple(alarms),
            prompts=tuple(sorted(prompts, key=lambda prompt: prompt.due_at)),
            notes=tuple(
                sorted(
                    (note for one in boards for note in _of(one.service, one.desks.notes, several)),
                    key=lambda note: note.at,
                    reverse=True,
                )
            ),
            incidents=tuple(
                sorted((one for desk in desks for one in desk.incidents), key=lambda one: one.opened_at)
            ),
            hearing=self._heard.at(
                now_s,
                [delay for board in boards for delay in board.delays_s()],
                self._refused.tallies_unread(now_s),
                self._memory.at(now_s),
            ),
            desk_heard=tuple(self._desk_heard),
            set_ids=tuple(sorted({set_id for board in boards for set_id in board.set_ids})),
            services=tuple(sorted(self._services)),
            orders=tuple(orders),
            roll_calls=tuple(
                line for name, words, own in spoken for line in _of(name, words.roll_calls(own), several)
            ),
            standby=tuple(
                line for name, words, own in spoken for line in _of(name, words.standby(own), several)
            ),
            contradictions=tuple(
                line for name, words, own in spoken for line in _of(name, words.contradictions(own), several)
            ),
            came_out=tuple(
                sorted(
                    (
                        out
                        for one in boards
                        for out in _of(
                            one.service, with_rests(one.came_out(now_s), self.profile.rest), several
                        )
                    ),
                    key=lambda out: (out.breathes_on, out.at),
                    reverse=True,
                )
            ),
            incident_services=self._incident_services(now_s, mine, orders),
        )

    def _incident_services(
        self, now_s: float, rows: Mapping[str, Sequence[Row]], orders: Sequence[OrderLine]
    ) -> dict[str, tuple[str, ...]]:
        """Return the incidents that are shown, and those of which a desk spoke lately: one closed by mistake
        can be opened again. Of each: the services that have rows or desks there.
        """
        found: dict[str, set[str]] = {order.incident_id: set() for order in orders}
        for name, board in self._services.items():
            lately = (
                one for one, at in board.desks.incident_heard_at.items() if now_s - at <= SPOKEN_OF_LATELY_S
            )
            of_rows = (one for row in rows[name] for one in row.incidents)
            for incident_id in (*of_rows, *(one.incident_id for one in board.desks.incidents), *lately):
                found.setdefault(incident_id, set()).add(name)
        return {incident_id: tuple(sorted(found[incident_id])) for incident_id in sorted(found)}

    def settle(self) -> None:
        """Make the next snapshot depend on the messages only, not on the lots in which they came.

        Clocks are fitted every ten seconds or more; in between a moment may be off by some hundredths of a
        second.
        """
        for board in self._services.values():
            board.settle()

    def lines(self, known: Lines | None = None, turn: int = 0, turns: int = 1) -> Lines:
        """Return the air line so far of every wear in progress: row key to (moment, bar), every 10 s.

        With lines that are known, only one part in `turns` is made again, and those that are missing: so no
        moment has to pay for all of them.
        """
        known = known or {}
        return {
            one.key: known[one.key]
            if one.key in known and zlib.crc32(one.key.encode()) % turns != turn % turns
            else one.line()
            for board in self._services.values()
            for one in board.inside
            if one.wear is not None
        }

    def alarms(self) -> list[Alarm]:
        """Return every alarm, closed or not, as of the last snapshot."""
        return [alarm for board in self._services.values() for alarm in board.alarms()]

    def entries(self) -> list[Entry]:
        """Return every entry as of the last snapshot."""
        return [entry for board in self._services.values() for entry in board.entries]


LineT = TypeVar("LineT", NoteLine, OrderLine, RollCallLine, StandbyLine, Contradiction, Out)


def _of(service: str, lines: Iterable[LineT], several: bool) -> Iterator[LineT]:
    """Yield lines of one service; if there are several, with its name in them and in their keys."""
    for line in lines:
        named = {"service": service, "key": f"{service}/{getattr(line, 'key', '')}"}
        own = {name: named[name] for name in named if name in line.__struct_fields__}
        yield replace(line, **own) if several else line


def _by_service(messages: Messages) -> dict[str, Messages]:
    """Separate messages by service: two services may give the same name to a set."""
    said = [messages[kind]["service"] for kind in KINDS if messages[kind].height]
    services = pl.concat(said).unique().sort().to_list() if said else []
    if len(services) == 1:
        return {services[0]: messages}
    return {
        service: {
            kind: frame.filter(pl.col("service") == service)
            for kind, frame in messages.items()
            if kind in KINDS
        }
        for service in services
    }


def _desk_identities(messages: Mapping[str, pl.DataFrame]) -> list[str]:
    lots = [
        messages[kind].filter(~pl.col("retained")).select("received", "desk_id", "boot", "seq")
        for kind in DESK_KINDS
        if messages[kind].height
    ]
    if not lots:
        return []
    rows = pl.concat(lots).sort("received", "desk_id", "boot", "seq").iter_rows()
    return [f"{desk_id}/{boot}/{seq}" for _, desk_id, boot, seq in rows]
