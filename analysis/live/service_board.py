"""The sets and desks of one service: applies every rule to their record, as of now."""

from collections.abc import Collection, Mapping, Sequence
from typing import Any

from analysis.alarms.alarms import Alarm, raised_in
from analysis.alarms.held import HeldAlarm
from analysis.alarms.kinds import GRAVEST
from analysis.growing import GrowingRecord
from analysis.live.attention import Moments, row_of_unbelieved, with_repeats
from analysis.live.came_out import at_exit
from analysis.live.desk_record import DeskRecord
from analysis.live.facts import in_seconds, row_of
from analysis.live.inside import Inside, earliest_us, goes_on, inside_of, unused_since
from analysis.live.letting_go import KEPT_WHOLE_US, answers, closed_until_us, needed
from analysis.live.rows import AlarmLine, Out, Prompt, Row
from analysis.live.set_now import ASKED_EVERY_US, RefusedHigh, SetNow
from analysis.profile import Profile
from analysis.records import grouped
from analysis.same_id import apart
from analysis.wears.entries import Entry, find_entries
from analysis.wears.tally import FORGOTTEN_AFTER_US, Stay, TallyEntry
from analysis.wears.teams import give_team_moments
from ingest.contract.any_error import ANY_ERROR
from ingest.contract.frames import Messages

FORGOTTEN_S = 7200.0
"""After this a silent set whose wearer was tallied out leaves the page, and so does the line about a set
without a tally whose valve was closed: no cylinder lasts as long. Our own rule."""
LET_GO_MOST = 20
"""At most so many sets drop readings at a moment, and one or two in a tick of half a second."""


class ServiceBoard:
    """The sets and desks of one service as of now."""

    def __init__(
        self,
        service: str,
        profile: Profile,
        faults: list[tuple[str, Exception]],
        refused_high: Mapping[tuple[str, str], RefusedHigh],
    ) -> None:
        self.service = service
        self.profile = profile
        self.desks = DeskRecord(profile)
        self.entries: list[Entry] = []
        self.inside: list[Inside] = []
        self._refused_high = refused_high
        self._record = GrowingRecord()
        self._sets: dict[str, SetNow] = {}
        self._desk_news = True
        self._faults = faults
        self._last_rows: dict[str, Row] = {}
        self._let_go_us = 0
        self._made: dict[str, tuple[tuple[Any, ...], float]] = {}
        self._held_now: dict[str, list[tuple[Entry | None, HeldAlarm]]] = {}
        self._of_set: dict[str, list[Entry]] = {}
        self._same_id: dict[str, str] = {}  # by name: the ID that it shares with another set

    @property
    def set_ids(self) -> set[str]:
        """All sets heard of."""
        return set(self._sets)

    def take(self, messages: Messages) -> None:
        """Join new messages to the record."""
        for role, name in self._record.extend(messages):
            if role == "set":
                self._set(name).news = True
            else:
                self._desk_news = True
        link = messages["link"]
        if link.height:
            # A last will has no identity, so it is not in the record: what was received last counts.
            for set_id, state in link.sort("received").select("set_id", "state").iter_rows():
                live_set = self._set(set_id)
                live_set.link, live_set.news = state, True

    def too_high(self) -> list[Row]:
        """Return a row for each set whose pressures are higher than can be."""
        heard = [(name, one.heard, one.low_air_bar) for name, one in self._sets.items()]
        return [
            row_of_unbelieved(self.service, name, one, low_air_bar)
            for name, one, low_air_bar in heard
            if one.unbelieved is not None
        ]

    def _set(self, set_id: str) -> SetNow:
        if set_id not in self._sets:
            self._sets[set_id] = SetNow(
                self.service, set_id, self.profile, self._refused_high[self.service, set_id]
            )
        return self._sets[set_id]

    def ask(self, now_us: int) -> None:
        """Ask every rule about the record, as of now."""
        news = self._desk_news
        self._held_now.clear()
        desk_power_ups = self._record.of_desks() if news else self.desks.power_ups
        if news:
            self.desks.read(desk_power_ups)
            self._desk_news = False
            for set_id in {tally.set_id for tally in self.desks.book.tallies}:
                self._set(set_id)
        by_set = grouped((tally.set_id, tally) for tally in self.desks.book.tallies)
        for set_id, live_set in list(self._sets.items()):
            if self._same_id.get(set_id, set_id) != set_id:
                continue  # asked with the set whose ID it uses
            names = [name for name, said in self._same_id.items() if said == set_id] or [set_id]
            if news or any(self._sets[name].stale(now_us) for name in names):
                try:
                    self._ask_set(live_set, by_set, now_us)
                except ANY_ERROR as error:  # one set's fault must not blind the desk to all others
                    self._faults.append((f"{self.service}/{set_id}", error))
                    live_set.failed, live_set.news = True, False
        self._let_go(by_set, now_us)
        early = dict(one for live_set in self._sets.values() for one in live_set.early().items())
        self.entries = find_entries(
            [wear for live_set in self._sets.values() for wear in live_set.wears],
            self.desks.book.stays,
            self.desks.written,
            self.profile,
            now_us,
            early,
            (self.profile.turn_back.policy,),
            self.desks.gauges,
            sets={set_id: live_set.power_ups for set_id, live_set in self._sets.items()},
        )
        give_team_moments(self.entries, self.profile.turn_back.policy)
        self._of_set = grouped((set_id, entry) for entry in self.entries for set_id in entry.set_ids)
        self.inside = self._inside(now_us)

    def _ask_set(self, live_set: SetNow, by_set: Mapping[str, Sequence[TallyEntry]], now_us: int) -> None:
        power_ups = grouped((one.name, one) for one in apart(self._record.of_set(live_set.set_id)))
        gone = [name for name, said in self._same_id.items() if said == live_set.set_id]
        for name in gone:
            del self._same_id[name]
            if name not in power_ups and name != live_set.set_id:
                del self._sets[name]
        for name in power_ups or [live_set.set_id]:
            if len(power_ups) > 1:
                self._same_id[name] = live_set.set_id
            one_set = self._set(name)
            one_set.link = live_set.link
            one_set.ask(power_ups.get(name, []), by_set.get(name, ()), self.desks, now_us)
            one_set.failed = False

    def _let_go(self, by_set: Mapping[str, Sequence[TallyEntry]], now_us: int) -> None:
        """Drop readings of closed wears, a few sets at a time, but only if every result stays the same."""
        left = min(1 + abs(now_us - self._let_go_us) // 1_000_000, LET_GO_MOST)
        self._let_go_us = now_us
        for set_id, live_set in self._sets.items():
            if live_set.asked_us != now_us or live_set.failed or set_id in self._same_id:
                continue
            for place, power_up in enumerate(live_set.power_ups):
                until_us = closed_until_us(power_up, live_set.wears, now_us)
                if until_us - live_set.let_go_us.get(place, power_up.span_us[0]) < KEPT_WHOLE_US:
                    continue
                live_set.let_go_us[place] = until_us
                tallies = by_set.get(set_id, ())
                try:
                    self._let_go_of(live_set, place, until_us, tallies, now_us)
                except ANY_ERROR as error:  # one set's fault must not blind the desk to all others
                    self._faults.append((f"{self.service}/{set_id}", error))
                left -= 1
                if not left:
                    return

    def _let_go_of(
        self, live_set: SetNow, place: int, until_us: int, tallies: Sequence[TallyEntry], now_us: int
    ) -> None:
        keep = needed(live_set.power_ups[place], live_set.wears, self.profile, until_us)
        before = answers(live_set.wears, live_set.alarms)
        take_back = self._record.leave_out(live_set.set_id, place, keep)

        def ask() -> None:
            power_ups = self._record.of_set(live_set.set_id)
            live_set.ask(power_ups, tallies, self.desks, now_us)

        same = False
        try:
            ask()
            same = answers(live_set.wears, live_set.alarms) == before
        finally:  # also if a rule fails on what is left
            if not same:
                take_back()
                ask()

    def _inside(self, now_us: int) -> list[Inside]:
        """Return who is in: open entries, and sets under air that nobody accounted for."""
        found: list[Inside] = []
        holders: dict[str, Entry] = {}
        # The wearer who has the set comes first: the set's row is theirs.
        ordered = sorted(self.entries, key=lambda one: -_held_until_us(one))
        doubtful = [(entry, entry.doubtful_sets) for entry in ordered]
        parts = [
            (entry.on_set(_set_of(entry)) if others else entry, False, others) for entry, others in doubtful
        ]
        # A set that breathes on while its wearer is tallied in with another may be on somebody else.
        parts += [
            (entry.on_set(set_id), True, tuple(one for one in (_set_of(entry), *others) if one != set_id))
            for entry, others in doubtful
            for set_id in others
        ]
        for entry, other, in_doubt in parts:
            live_set = self._sets.get(_set_of(entry))
            if live_set is None:
                continue
            key = f"{self.service}/{live_set.set_id}"
            holder = holders.get(key)
            if entry.stay is None or not entry.stay.is_in(now_us):
                urgent = self._missed(entry, now_us) or self._cries_for_help(entry, live_set, now_us)
                if not urgent and (holder is not None or not self._still_matters(entry, live_set, now_us)):
                    continue
            if holder is not None and (other or holder.wearer_id == entry.wearer_id is not None):
                continue  # one row for the same person with the same set at two incidents
            if holder is not None:
                key = f"{key}/{entry.wearer_id or entry.entry_id}"
            else:
                holders[key] = entry
            others = [one for one in self._of_set[live_set.set_id] if one.entry_id != entry.entry_id]
            found.append(
                inside_of(entry, live_set, self.desks.gauges, now_us, key, holder, others, doubtful=in_doubt)
            )
        in_at: dict[str, dict[str, Stay]] = {}
        for entry in self.entries:
            if entry.stay is not None and entry.stay.is_in(now_us):
                in_at.setdefault(entry.stay.wearer_id, {})[entry.stay.incident_id] = entry.stay
        own = {(one.entry.wearer_id, one.entry.incident_id) for one in found if one.tallied_in}
        for one in found:
            stay = one.entry.stay
            if stay is not None and one.tallied_in:
                there = {other.incident_id: other for other in stay.elsewhere} | in_at[stay.wearer_id]
                one.elsewhere = tuple(other for name, other in there.items() if name != stay.incident_id)
                one.also_in = tuple(
                    other.incident_id
                    for other in one.elsewhere
                    if other.is_in(now_us)
                    and other.tallies[-1].set_id == one.live_set.set_id
                    and (stay.wearer_id, other.incident_id) not in own
                )
            said = self._same_id.get(one.live_set.set_id)
            same = [name for name, other in self._same_id.items() if other == said]
            one.same_id = tuple(name for name in same if name != one.live_set.set_id)
            one.missed = self._missed(one.entry, now_us)
            if one.entry.stay is None:
                one.said_out = max(self._words_on(one.entry), default=None)
        return found

    def _missed(self, entry: Entry, now_us: int) -> bool:
        """Return whether a roll call missed somebody after a desk said out, and nobody said it again."""
        at = self.desks.words.missed_after_out(entry.stay, now_us * 1e-6)
        return at is not None and all(said_us <= at * 1e6 for said_us, _ in self._words_on(entry))

    def _cries_for_help(self, entry: Entry, live_set: SetNow, now_us: int) -> bool:
        """Return whether one of the gravest alarms, raised in this entry, is still active."""
        return any(
            owner is not None
            and owner.entry_id == entry.entry_id
            and held.alarm.alarm in GRAVEST
            and held.ended_us is None
            for owner, held in self._held(live_set, now_us * 1e-6)
        )

    def _still_matters(self, entry: Entry, live_set: SetNow, now_us: int) -> bool:
        """Return whether a set that nobody accounted for is under air, or lost its air."""
        if not entry.wears or entry.wears[-1].wear_id != live_set.wears[-1].wear_id:
            return False
        last = entry.wears[-1]
        heard = now_us - last.ended_us <= live_set.heard.silent_after_us
        put_down_us = unused_since(entry)
        if put_down_us is not None:  # a person's word stands; this set has not contradicted it since
            closed = (at_us for at_us, how in self._words_on(entry) if how == "resolved")
            return heard and max(closed, default=0) < put_down_us
        if self._accounted(entry) is not None:
            return goes_on(last, live_set) and heard
        if now_us - last.ended_us > FORGOTTEN_AFTER_US:
            return False
        return not last.closed_in_order

    def _accounted(self, entry: Entry) -> tuple[int, str] | None:
        """Return when and how a person accounted for the wearer of a set, once it fell silent or later.

        If the set breathes on after that, it is on somebody else, or on somebody who went in again.
        """
        heard = self._sets[entry.wears[-1].set_id].heard
        from_us = entry.wears[-1].ended_us - heard.silent_after_us
        return min((one for one in self._words_on(entry) if one[0] >= from_us), default=None)

    def _words_on(self, entry: Entry) -> list[tuple[int, str]]:
        """Return when and how desks said that the wearer of a set is out; without a tally, any wearer."""
        set_id, who = entry.wears[-1].set_id if entry.wears else _set_of(entry), entry.wearer_id
        since_us = entry.wears[-1].started_us if entry.wears else entry.began_us
        words = [
            (one.at_us, "resolved")
            for one in self.desks.resolved
            if one.alarm is None and one.set_id == set_id and (who is None or one.is_about(who))
        ]
        words += [
            (one.from_us, "tallied_out")
            for one in self.desks.book.unmatched
            if one.row["set_id"] == set_id and who in (None, one.row["wearer_id"])
        ]
        if entry.ended_us is not None and entry.ended_how in ("tallied_out", "resolved"):
            words.append((entry.ended_us, entry.ended_how))
        return [one for one in words if one[0] >= since_us]

    def settle(self) -> None:
        """Fit every clock and start every filter again: then the answer depends on the messages alone."""
        self._record.settle()
        for live_set in self._sets.values():
            live_set.news = True
            live_set.follower.stop()
            live_set.over = None
        self._desk_news = True

    def add_team_moments(self, reached: Moments) -> None:
        """Add when members of each team reached turn-back, at the earliest; also of those who are out."""
        for entry in self.entries:
            sets = (self._sets[set_id] for set_id in entry.set_ids if set_id in self._sets)
            earliest = earliest_us(entry, [span for one in sets for span in one.follower.hangs])
            for team, since_us, until_us in entry.teams:
                own = (max(at_us, since_us) * 1e-6 for at_us in earliest if at_us < until_us)
                reached.setdefault((self.service, entry.incident_id or "", team or ""), set()).update(own)

    def rows(self, now_s: float) -> list[Row]:
        """Return a row for everybody inside; if making one fails, the last one that was made."""
        found = [row for one in self.inside if (row := self._row(one, now_s)) is not None]
        self._last_rows = {row.key: row for row in found}
        self._made = {key: made for key, made in self._made.items() if key in self._last_rows}
        return found

    def _row(self, one: Inside, now_s: float) -> Row | None:
        own = [
            held
            for owner, held in self._held(one.live_set, now_s)
            if owner is not None and owner.entry_id == one.entry.entry_id
        ]
        alarms = {held.code: held.at_s for held in own}
        # What it is made of; without news a row is made again once a second, as its set is asked.
        of = one.entry.entry_id, one.state, one.since_us, one.tallied_in, one.live_set.asked_us, alarms
        made = self._made.get(one.key)
        if made is not None and made[0] == of and abs(now_s - made[1]) < ASKED_EVERY_US * 1e-6:
            return self._last_rows[one.key]
        self._made.pop(one.key, None)
        for _ in range(2):
            try:
                row = row_of(one, now_s, self.desks.words, alarms)
                row = with_repeats(row, {held.code: held.repeated for held in own})
                self._made[one.key] = of, now_s
                return row
            except ANY_ERROR as error:  # one set's fault must not blind the desk to all others
                self._faults.append((f"{self.service}/{one.live_set.set_id}", error))
                one.live_set.follower.stop()
                one.live_set.failed = True  # once more, without its forecast
        return self._last_rows.get(one.key)

    def _held(self, live_set: SetNow, now_s: float) -> list[tuple[Entry | None, HeldAlarm]]:
        """Return the alarms of a set that nobody has closed, each with the entry in which it was raised."""
        if live_set.set_id not in self._held_now:
            entries = self._of_set.get(live_set.set_id, [])
            by_entry: dict[str, tuple[Entry | None, list[Alarm]]] = {}
            for alarm in live_set.alarms:
                owner = raised_in(alarm, entries)
                by_entry.setdefault(owner.entry_id if owner else "", (owner, []))[1].append(alarm)
            now_us = round(now_s * 1e6)
            self._held_now[live_set.set_id] = [
                (owner, one)
                for owner, alarms in by_entry.values()
                for one in live_set.held(
                    alarms, self.desks.resolved, now_us, owner.wearer_id if owner is not None else None
                )
            ]
        return self._held_now[live_set.set_id]

    def alarms(self) -> list[Alarm]:
        """Return every alarm of every set."""
        return [alarm for live_set in self._sets.values() for alarm in live_set.alarms]

    def alarm_lines(self, now_s: float) -> list[AlarmLine]:
        """Return every alarm that nobody has closed."""
        keys = {one.entry.entry_id: one.key for one in reversed(self.inside)}
        on_set = {(one.entry.entry_id, one.live_set.set_id): one.key for one in self.inside}
        lines = []
        for set_id, live_set in self._sets.items():
            for entry, held in self._held(live_set, now_s):
                alarm = held.alarm
                row_key = None
                if entry is not None:
                    row_key = on_set.get((entry.entry_id, set_id), keys.get(entry.entry_id))
                # Of a set that nobody was ever in with, and that gives no pressure, alarms are all there is.
                lately = entry is None and now_s * 1e6 - alarm.last_us <= FORGOTTEN_AFTER_US
                if alarm.alarm not in GRAVEST and not (row_key or lately):
                    continue
                tally = alarm.wear.tally if alarm.wear is not None else None
                lines.append(
                    AlarmLine(
                        key=f"{self.service}/{set_id}/{alarm.alarm}/{alarm.raised_us * 1e-6:.0f}",
                        service=self.service,
                        set_id=set_id,
                        wearer_id=entry.wearer_id if entry else tally.wearer_id if tally else None,
                        team=entry.team if entry else tally.team if tally else None,
                        incident_id=entry.incident_id if entry else tally.incident_id if tally else None,
                        alarm=alarm.alarm,
                        raised_at=alarm.raised_us * 1e-6,
                        inferred=alarm.reported is not None and alarm.reported.inferred,
                        derived=alarm.reported is None,
                        acknowledged_at=in_seconds(alarm.acknowledged_us),
                        ended_at=in_seconds(held.ended_us),
                        seen_at=in_seconds(alarm.seen_us),
                        seen_by=alarm.seen_by,
                        detail=alarm.reported.detail if alarm.reported is not None else None,
                        unknown_since_at=in_seconds(held.unknown_since_us),
                        repeated=held.repeated,
                        row_key=row_key or f"{self.service}/{set_id}/-",
                    )
                )
        return lines

    def prompts(self, now_s: float) -> list[Prompt]:
        """Return whom to ask: due, and neither gauge nor note came since."""
        prompts = []
        for one in self.inside:
            due = [at for at in one.prompts_at() if at <= now_s]
            if not due or self.desks.spoken_of(one.live_set.set_id, due[-1]):
                continue
            prompts.append(
                Prompt(
                    key=one.key,  # at two thirds it is the same question: what is being typed stays
                    set_id=one.live_set.set_id,
                    incident_id=one.entry.incident_id,
                    wearer_id=one.entry.wearer_id,
                    thirds=len(due),
                    due_at=due[-1],
                )
            )
        return prompts

    def came_out(self, now_s: float) -> list[Out]:
        """Return who came out of an open incident, or lately with a set that nobody tallied in."""
        found = []
        shown = {one.entry.entry_id: one.state for one in self.inside}
        for entry in self.entries:
            ended = None if entry.ended_us is None else (entry.ended_us, entry.ended_how)
            over = ended if entry.stay is not None else self._left(entry, shown, now_s)
            if over is None or self._missed(entry, round(now_s * 1e6)):
                continue
            if over[1] == "incident_closed":  # nobody said out: told when the row goes, and as long again
                if entry.entry_id in shown or now_s * 1e6 - over[0] > 2 * FORGOTTEN_AFTER_US:
                    continue
            elif entry.incident_id in self.desks.closed:
                continue
            stay = entry.stay if over[1] != "incident_closed" else None
            found.append(
                Out(
                    **at_exit(entry, over[0]),
                    key=entry.entry_id,
                    wearer_id=entry.wearer_id,
                    set_id=_set_of(entry),
                    team=entry.team,
                    incident_id=entry.incident_id or "",
                    at=over[0] * 1e-6,
                    inside_s=(over[0] - entry.entered_us) * 1e-6,
                    service=self.service,
                    breathes_on=stay is not None and shown.get(entry.entry_id, "out") != "out",
                    ended_how=over[1],
                    ended_by=stay.ended_by if stay is not None else None,
                )
            )
        return found

    def _left(self, entry: Entry, shown: Collection[str], now_s: float) -> tuple[int, str] | None:
        """Return when and how a set without a tally left the page; None when too long ago."""
        last_us, in_order = entry.wears[-1].ended_us, entry.wears[-1].closed_in_order
        word = self._accounted(entry)
        if entry.entry_id in shown:
            return None
        if word is None and not in_order:  # nobody said out: told for as long again
            forgotten = now_s * 1e6 - last_us <= 2 * FORGOTTEN_AFTER_US
            return (last_us, "forgotten") if forgotten else None
        over = word or (last_us, "valve_closed")
        return over if now_s - over[0] * 1e-6 <= FORGOTTEN_S else None

    def delays_s(self) -> list[float]:
        """Return the latest delays, seconds."""
        return [delay_s for live_set in self._sets.values() for delay_s in live_set.delays_s]


def _set_of(entry: Entry) -> str:
    if entry.tally is not None:
        return entry.tally.set_id
    return entry.wears[-1].set_id


def _held_until_us(entry: Entry) -> int:
    """Return until when an entry claims its set: of two, the one that the set is given to comes first."""
    if entry.ended_how in ("tallied_out", "resolved") or entry.tally is None:
        return -1
    return entry.tally.ended_us
